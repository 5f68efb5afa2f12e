//! `runsitter watch`

use std::path::Path;
use std::sync::mpsc;
use std::time::{Duration, Instant};

use super::{End, Failed, Outcome, load_config};
use crate::service::desk::DeskError;
use crate::service::outage::run_through;
use crate::service::watch::{Ended, Options, Signal};

/// Runs in the foreground until SIGTERM or SIGINT; under systemd as Type=notify. What has landed by then is in the
/// results; what is still growing is taken at the next start.
#[derive(Debug, clap::Args)]
pub struct Args {}

/// What systemd hears while everything works.
const WATCHING: &str = "watching";
/// The work at hand may take so long after the order to stop.
const LAST_WORK: Duration = Duration::from_secs(4);

pub fn run(_: &Args, config: Option<&Path>) -> Outcome {
    let config = load_config(config)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(Failed::io)?;
    let (send, receive) = mpsc::channel();
    let (ended_send, ended) = tokio::sync::oneshot::channel::<Result<Ended, DeskError>>();
    let hints = send.clone();
    let options = || Options {
        ready: Box::new(service::ready),
        alive: Box::new(sign_of_life()),
        turn: service::watchdog().map_or(Duration::from_secs(60), |w| w / 2),
        ..Options::default()
    };
    let worker = std::thread::Builder::new()
        .name("desk".to_owned())
        .spawn(move || {
            let mut feed = sign_of_life();
            let waiting = || feed(Some("the ledger cannot be written: nothing is evaluated"));
            let end = run_through(&config, &receive, &hints, options, waiting);
            // Nobody waits any more where the order to stop ran into its time limit.
            let _ = ended_send.send(end);
        });
    worker.map_err(Failed::io)?;
    let end = runtime.block_on(until_ended(send, ended));
    runtime.shutdown_timeout(Duration::from_millis(100));
    match end {
        Ok(()) => Ok(End::Well),
        Err(error) => Err(error),
    }
}

/// Feeds systemd's watchdog where it wants to be fed, a few times in its period and not at every turn: a burst of
/// traces must not wait for a slow reader of these messages. What does not work is said when it changes.
fn sign_of_life() -> impl FnMut(Option<&str>) + Send {
    let every = service::watchdog().map(|w| w / 4);
    let mut last: Option<Instant> = None;
    let mut said: Option<String> = None;
    move |trouble| {
        if said.as_deref() != trouble {
            said = trouble.map(str::to_owned);
            service::status(trouble.unwrap_or(WATCHING));
        }
        let Some(every) = every else { return };
        if last.is_none_or(|l| l.elapsed() >= every) {
            last = Some(Instant::now());
            service::alive();
        }
    }
}

async fn until_ended(
    send: mpsc::Sender<Signal>,
    mut ended: tokio::sync::oneshot::Receiver<Result<Ended, DeskError>>,
) -> Result<(), Failed> {
    let end = tokio::select! {
        end = &mut ended => end,
        signal = stop_signal() => {
            tracing::info!("{signal}: ending after the work at hand");
            service::stopping();
            // The loop is gone already where this fails.
            let _ = send.send(Signal::Stop);
            match tokio::time::timeout(LAST_WORK, &mut ended).await {
                Ok(end) => end,
                Err(_) => {
                    tracing::error!("the work at hand takes too long; what was not committed is done at the next start");
                    return Ok(());
                }
            }
        }
    };
    match end {
        Ok(Ok(_)) => Ok(()),
        Ok(Err(error)) => Err(error.into()),
        Err(_) => Err(Failed::io(
            "the daemon's loop ended unexpectedly; this is a defect of the program",
        )),
    }
}

#[cfg(unix)]
async fn stop_signal() -> &'static str {
    use tokio::signal::unix::{SignalKind, signal};
    match (
        signal(SignalKind::terminate()),
        signal(SignalKind::interrupt()),
    ) {
        (Ok(mut terminate), Ok(mut interrupt)) => tokio::select! {
            _ = terminate.recv() => "SIGTERM",
            _ = interrupt.recv() => "SIGINT",
        },
        _ => std::future::pending().await,
    }
}

#[cfg(not(unix))]
async fn stop_signal() -> &'static str {
    match tokio::signal::ctrl_c().await {
        Ok(()) => "interrupt",
        Err(_) => std::future::pending().await,
    }
}

/// What systemd wants to hear. Outside systemd nobody listens and nothing happens.
#[cfg(target_os = "linux")]
mod service {
    use std::time::Duration;

    use sd_notify::NotifyState;

    pub fn ready() {
        tracing::info!("watching");
        let _ = sd_notify::notify(&[NotifyState::Ready, NotifyState::Status(super::WATCHING)]);
    }

    pub fn status(what: &str) {
        let _ = sd_notify::notify(&[NotifyState::Status(&crate::text::one_line(what))]);
    }

    pub fn alive() {
        let _ = sd_notify::notify(&[NotifyState::Watchdog]);
    }

    pub fn stopping() {
        let _ = sd_notify::notify(&[NotifyState::Stopping]);
    }

    pub fn watchdog() -> Option<Duration> {
        sd_notify::watchdog_enabled()
    }
}

#[cfg(not(target_os = "linux"))]
mod service {
    use std::time::Duration;

    pub fn ready() {
        tracing::info!("watching");
    }

    pub fn status(_: &str) {}

    pub fn alive() {}

    pub fn stopping() {}

    pub fn watchdog() -> Option<Duration> {
        None
    }
}
