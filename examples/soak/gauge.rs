//! What a process holds and uses, as the kernel tells it.

use std::fs;
use std::time::{Duration, Instant};

/// What a process holds at one moment.
#[derive(Debug, Clone, Copy)]
pub struct Held {
    /// Resident memory, KiB.
    pub rss_kib: u64,
    /// Open descriptors.
    pub descriptors: usize,
    /// Threads.
    pub threads: u64,
}

/// What this process holds now.
pub fn held() -> anyhow::Result<Held> {
    let status = fs::read_to_string("/proc/self/status")?;
    let field = |name: &str| {
        let line = status.lines().find(|l| l.starts_with(name));
        let word = line.and_then(|l| l.split_whitespace().nth(1));
        word.and_then(|w| w.parse().ok()).unwrap_or(0)
    };
    Ok(Held {
        rss_kib: field("VmRSS:"),
        descriptors: fs::read_dir("/proc/self/fd")?.count(),
        threads: field("Threads:"),
    })
}

/// CPU time of all threads of this process.
pub fn cpu() -> Duration {
    let mut sum = Duration::ZERO;
    for task in fs::read_dir("/proc/self/task")
        .into_iter()
        .flatten()
        .flatten()
    {
        sum += schedstat(&task.path().join("schedstat").to_string_lossy());
    }
    sum
}

/// CPU time of a piece of work on this thread, and how long it took on the wall.
pub fn timed<T>(work: impl FnOnce() -> T) -> (T, Duration, Duration) {
    let (before, began) = (schedstat("/proc/thread-self/schedstat"), Instant::now());
    let done = work();
    let took = began.elapsed();
    let used = schedstat("/proc/thread-self/schedstat").saturating_sub(before);
    // A kernel that keeps no such figures: the wall clock has to do.
    (done, if used.is_zero() { took } else { used }, took)
}

fn schedstat(path: &str) -> Duration {
    let text = fs::read_to_string(path).unwrap_or_default();
    let first = text.split_whitespace().next();
    Duration::from_nanos(first.and_then(|n| n.parse().ok()).unwrap_or(0))
}

/// The middle one.
pub fn median(values: &[Duration]) -> Duration {
    let mut sorted = values.to_vec();
    sorted.sort();
    sorted.get(sorted.len() / 2).copied().unwrap_or_default()
}
