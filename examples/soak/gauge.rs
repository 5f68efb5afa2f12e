//! What a process holds and uses, as the kernel tells it.

use std::fs;
use std::time::{Duration, Instant};

use anyhow::Context as _;

/// Ticks of the kernel's clock in a second, as `/proc` counts CPU time on every Linux.
const TICKS: f64 = 100.0;

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
pub fn held(process: u32) -> anyhow::Result<Held> {
    let status = fs::read_to_string(format!("/proc/{process}/status"))?;
    let field = |name: &str| -> anyhow::Result<u64> {
        let line = status.lines().find(|l| l.starts_with(name));
        let word = line.and_then(|l| l.split_whitespace().nth(1));
        Ok(word.with_context(|| format!("no {name}"))?.parse()?)
    };
    Ok(Held {
        rss_kib: field("VmRSS:")?,
        descriptors: fs::read_dir(format!("/proc/{process}/fd"))?.count(),
        threads: field("Threads:")?,
    })
}

/// CPU time of all threads of a process, s.
pub fn cpu_s(process: u32) -> anyhow::Result<f64> {
    let stat = fs::read_to_string(format!("/proc/{process}/stat"))?;
    let (_, fields) = stat.rsplit_once(')').context("no name in stat")?;
    let fields: Vec<&str> = fields.split_whitespace().collect();
    let ticks = |k: usize| -> anyhow::Result<f64> {
        Ok(fields.get(k).context("no CPU time in stat")?.parse()?)
    };
    // In user code and in the kernel.
    Ok((ticks(11)? + ticks(12)?) / TICKS)
}

/// CPU time of a piece of work on this thread.
pub fn timed<T>(work: impl FnOnce() -> T) -> (T, Duration) {
    let (before, began) = (schedstat(), Instant::now());
    let done = work();
    let used = schedstat().saturating_sub(before);
    // A kernel that keeps no such figures: the wall clock has to do.
    let used = if used.is_zero() {
        began.elapsed()
    } else {
        used
    };
    (done, used)
}

fn schedstat() -> Duration {
    let text = fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let first = text.split_whitespace().next();
    Duration::from_nanos(first.and_then(|n| n.parse().ok()).unwrap_or(0))
}

/// The middle one.
pub fn median(values: &[Duration]) -> Duration {
    let mut sorted = values.to_vec();
    sorted.sort();
    sorted.get(sorted.len() / 2).copied().unwrap_or_default()
}
