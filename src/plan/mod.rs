//! A sample sheet becomes a run list.
//!
//! | file | idea |
//! | --- | --- |
//! | [`sheet`] | the CSV that people keep: any columns |
//! | [`sample`] | what its columns mean: one [`sample::Sample`] for each row |
//! | [`template`], [`safe`] | names built from columns; names that every file system takes |
//! | [`arrange`] | what comes after what: conditioning, blanks, calibrators, checkpoints, samples |
//! | [`tray`], [`vials`] | where every vial stands |
//! | [`mod@make`] | all of it put together |
//!
//! Pure: values in, values out. The rules stand in the method ([`crate::method::plan`]); the order of a rerun list is made by
//! [`arrange`] as well.

pub mod arrange;
pub mod make;
mod name;
pub mod safe;
pub mod sample;
pub mod sheet;
pub mod template;
pub mod tray;
pub mod vials;
mod write;

/// What the last injection of a queue is called where the instrument goes to rest with it.
pub const SHUTDOWN: &str = "shutdown";

pub use make::{Planned, Request, make};

#[cfg(test)]
mod tests;
