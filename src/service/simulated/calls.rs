//! Each call of the disk fails once, and from then on: nothing panics, nothing counts as done that is not, what failed is named,
//! and when the disk is well again nothing is missing.

use std::io::{self, ErrorKind};
use std::path::Path;
use std::rc::Rc;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use super::event::Event;
use super::fault::FailCall;
use super::held::{self, Held};
use super::world::Played;
use super::{configuration, folder, live, night, to_the_end};
use crate::config::Config;

/// The short night is over by then, s.
const END_S: u64 = 240;

/// A log in memory.
#[derive(Clone, Default)]
struct Log(Arc<Mutex<Vec<u8>>>);

impl io::Write for Log {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// What the daemon says while `work` goes on.
fn logged<T>(work: impl FnOnce() -> T) -> (T, String) {
    let log = Log::default();
    let writer = log.clone();
    let subscriber = tracing_subscriber::fmt()
        .with_ansi(false)
        .with_writer(move || writer.clone())
        .finish();
    let value = tracing::subscriber::with_default(subscriber, work);
    let bytes = log.0.lock().unwrap().clone();
    (value, String::from_utf8(bytes).unwrap())
}

/// Lets the daemon work, started again where it ended, until that moment; gives what it said when it ended.
fn until(world: &Rc<Played>, config: &Config, end: Duration) -> String {
    let mut said = String::new();
    world.plan(end, Event::Stop);
    while world.state.borrow().now < end {
        if let Some(Err(error)) = live(world, config) {
            said += &format!("{error}\n");
        }
        world.idle(Duration::from_secs(20));
    }
    world
        .state
        .borrow_mut()
        .events
        .retain(|_, e| !matches!(e, Event::Stop));
    said
}

const KINDS: [ErrorKind; 3] = [
    ErrorKind::StorageFull,
    ErrorKind::ReadOnlyFilesystem,
    ErrorKind::ResourceBusy,
];

/// Call `n` fails; false where there is none.
fn failing(n: u64, times: u64) -> Result<bool, String> {
    let dir = folder();
    let root = dir.path();
    let night = night::short(root);
    let config = configuration(root, &night.config);
    let world = Rc::new(night.world);
    let kind = KINDS[(n % 3) as usize];
    world.state.borrow_mut().fail_call = Some(FailCall {
        first: n,
        times,
        kind,
        part: None,
    });
    let end = Duration::from_secs(END_S);
    let (ended, log) = logged(|| until(&world, &config, end));
    let refused = world.state.borrow().refused.clone();
    let Some((first_refused, deed, path)) = refused.first() else {
        return Ok(false);
    };
    let here = format!("call {n}, {deed} {}", path.display());
    if times == u64::MAX {
        named(&format!("{ended}{log}"), path).map_err(|e| format!("{here}: {e}"))?;
        let state = world.state.borrow();
        let lived = state
            .beats
            .iter()
            .any(|b| *b > *first_refused + held::PROOF);
        // What lies in the exports or the settings may have been read before.
        let needed = path.starts_with(root.join("state")) || path.starts_with(root.join("results"));
        let reads = matches!(*deed, "compare with" | "look at");
        if needed && !reads && refused.len() > 1 && lived {
            return Err(format!("{here}: signs of life though it cannot work"));
        }
    }
    world.state.borrow_mut().fail_call = None;
    let at = world.state.borrow().now + Duration::from_secs(900);
    world.plan(at, Event::Stop);
    to_the_end(&world, &config).map_err(|e| format!("{here}: {e}"))?;
    let held = Held {
        root,
        config: &config,
        world: &world,
    };
    held.all().map_err(|e| {
        format!(
            "{here}: {e}\n{log}\n{}",
            world.state.borrow().log.join("\n")
        )
    })?;
    Ok(true)
}

/// The path, or the folder in which it lies, is in what was said.
fn named(said: &str, path: &Path) -> Result<(), String> {
    let folder = path.parent().unwrap_or(path);
    let is_said = |p: &Path| said.contains(&*p.to_string_lossy());
    if is_said(path) || is_said(folder) {
        return Ok(());
    }
    Err(format!("what failed is not named in:\n{said}"))
}

fn every_call(times: u64) {
    let next = std::sync::atomic::AtomicU64::new(1);
    let failed = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..crate::outside::cores() {
            scope.spawn(|| {
                loop {
                    let n = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
                    match failing(n, times) {
                        Ok(true) if failed.lock().unwrap().len() < 20 => {}
                        Ok(_) => return,
                        Err(why) => failed.lock().unwrap().push(why),
                    }
                }
            });
        }
    });
    let calls = next.into_inner();
    let failed = failed.into_inner().unwrap();
    for why in &failed {
        eprintln!("{why}\n");
    }
    eprintln!("{calls} calls");
    assert!(
        calls > 100,
        "only {calls} calls: what was to fail was not reached"
    );
    assert!(failed.is_empty(), "{} calls", failed.len());
}

#[test]
fn each_call_fails_once() {
    every_call(1);
}

#[test]
fn each_call_fails_from_then_on() {
    every_call(u64::MAX);
}
