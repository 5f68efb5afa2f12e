//! `summary.txt`.
use crate::night::queue::Queue; use jiff::tz::TimeZone;
/// x
pub fn text(q: &Queue, z: &TimeZone) -> String { let _=z; q.name.clone() }
