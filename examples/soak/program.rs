//! The program itself on a long history: how long its start takes, what it holds, what it uses while nothing happens.

use std::fs::File;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context as _, bail, ensure};

use crate::gauge::{cpu_s, held};
use crate::{Findings, Size};

/// From its start to the word that it watches it may use so much CPU, s: one thread does the work, so that is how long it takes
/// on a machine that has nothing else to do. A busy one takes longer on the clock, which is printed.
const START_S: f64 = 2.0;
/// It may hold so much, MiB.
const MEMORY_MIB: u64 = 400;
/// It may use so much CPU in a minute in which nothing happens, s.
const IDLE_S: f64 = 1.2;
/// Then it is not waited for any longer.
const LONGEST: Duration = Duration::from_secs(300);

struct Daemon {
    child: Child,
    ready: Duration,
    /// CPU time until then, s.
    used_s: f64,
}

/// Starts the program and waits until it says, as it says to systemd, that it is ready.
fn start(program: &Path, config: &Path) -> anyhow::Result<Daemon> {
    let socket = config.with_file_name("ready.socket");
    // That of the last start.
    let _ = std::fs::remove_file(&socket);
    let listener = UnixDatagram::bind(&socket)?;
    listener.set_read_timeout(Some(Duration::from_millis(500)))?;
    let said = File::create(config.with_file_name("said.txt"))?;
    let began = Instant::now();
    let mut child = Command::new(program)
        .arg("--config")
        .arg(config)
        .arg("watch")
        .env("NOTIFY_SOCKET", &socket)
        .env_remove("WATCHDOG_USEC")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(said)
        .spawn()
        .with_context(|| format!("{}", program.display()))?;
    let mut word = [0_u8; 256];
    loop {
        if let Ok(length) = listener.recv(&mut word)
            && word
                .get(..length)
                .is_some_and(|w| w.starts_with(b"READY=1"))
        {
            let ready = began.elapsed();
            let used_s = cpu_s(child.id())?;
            return Ok(Daemon {
                child,
                ready,
                used_s,
            });
        }
        let ended = child.try_wait()?;
        if ended.is_some() || began.elapsed() > LONGEST {
            // It may have ended by itself.
            let _ = child.kill();
            let said = std::fs::read_to_string(config.with_file_name("said.txt"))?;
            bail!("the program does not get ready ({ended:?}):\n{said}");
        }
    }
}

impl Daemon {
    /// The order to stop.
    fn stop(mut self) -> anyhow::Result<()> {
        let id = self.child.id().to_string();
        let sent = Command::new("kill").args(["-TERM", &id]).status()?;
        ensure!(sent.success(), "the order to stop could not be sent");
        let ended = self.child.wait()?;
        ensure!(ended.success(), "the program ended with {ended}");
        Ok(())
    }

    fn kill(mut self) -> anyhow::Result<()> {
        self.child.kill()?;
        self.child.wait()?;
        Ok(())
    }
}

/// Starts it after an orderly stop and after a kill, and lets it idle.
pub fn run(
    program: &Path,
    config: &Path,
    size: &Size,
    findings: &mut Findings,
) -> anyhow::Result<()> {
    let mut expect = |after: &str, daemon: &Daemon| {
        let text = format!(
            "ready {:.2} s after a start ({:.2} s of CPU), {after}",
            daemon.ready.as_secs_f64(),
            daemon.used_s
        );
        findings.expect(daemon.used_s <= START_S, &text);
    };
    let daemon = start(program, config)?;
    expect("the first one on this history", &daemon);
    daemon.stop()?;
    let daemon = start(program, config)?;
    expect("after an orderly stop", &daemon);
    daemon.kill()?;
    let daemon = start(program, config)?;
    expect("after SIGKILL", &daemon);
    idle(&daemon, size, findings)?;
    daemon.stop()
}

fn idle(daemon: &Daemon, size: &Size, findings: &mut Findings) -> anyhow::Result<()> {
    // What the start left is worked off.
    std::thread::sleep(Duration::from_secs(10));
    let id = daemon.child.id();
    let before = cpu_s(id)?;
    std::thread::sleep(Duration::from_secs(size.idle_s));
    let used = (cpu_s(id)? - before) * 60.0 / (size.idle_s.max(1) as f64);
    let now = held(id)?;
    findings.expect(
        now.rss_kib / 1024 <= MEMORY_MIB,
        &format!(
            "{} MiB, {} descriptors, {} threads",
            now.rss_kib / 1024,
            now.descriptors,
            now.threads
        ),
    );
    if size.idle_s > 0 {
        findings.expect(
            used <= IDLE_S,
            &format!(
                "idle beside {} old files: {used:.2} s of CPU a minute",
                size.old_files
            ),
        );
    }
    Ok(())
}
