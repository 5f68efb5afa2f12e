//! What this process holds and uses, as the kernel tells it.

use std::fs;
use std::time::Duration;

/// What is held at one moment.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Held {
    /// Resident memory, KiB.
    pub rss_kib: u64,
    /// Open descriptors.
    pub descriptors: usize,
    /// Threads.
    pub threads: u64,
}

/// What this process holds now.
pub(super) fn held() -> Held {
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let field = |name: &str| -> u64 {
        let line = status.lines().find(|l| l.starts_with(name)).unwrap();
        line.split_whitespace().nth(1).unwrap().parse().unwrap()
    };
    Held {
        rss_kib: field("VmRSS:"),
        descriptors: fs::read_dir("/proc/self/fd").unwrap().count(),
        threads: field("Threads:"),
    }
}

/// CPU time of this thread.
pub(super) fn cpu() -> Duration {
    let text = fs::read_to_string("/proc/thread-self/schedstat").unwrap();
    Duration::from_nanos(text.split_whitespace().next().unwrap().parse().unwrap())
}
