//! What is written: the sheet, the time course, the rerun list, the alerts and the summary of a queue.
//!
//! Every output is derived from a [`Queue`](crate::night::queue::Queue) by a pure function: same queue, same bytes. Times come from
//! the queue, never from a clock. [`whole`] and [`sheet::file`] are the only parts that touch the disk, and write only where
//! something changed. Text from outside goes through [`text::cell`](crate::text::cell) in CSV and
//! [`text::one_line`](crate::text::one_line) in running text.

pub mod alerts;
pub mod cells;
#[cfg(test)]
mod hostile;
pub mod left_out;
pub mod rerun;
pub mod sheet;
pub mod summary;
pub mod time_course;
pub mod whole;
pub mod words;
