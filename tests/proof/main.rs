//! Numbers that must not move: measured traces of public data sets through the public path, from the bytes of the export
//! to the figures of the peaks, and the same bytes in, the same numbers out, however many threads work.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod measured;
mod same_numbers;
mod stated;
mod unit_log;
