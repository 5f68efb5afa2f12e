//! Whole nights through the real program: every test lays out an instrument's folder, lets the binary work on it, and
//! reads what a person would read in the morning.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod chromatogram;
mod daemon;
mod hook;
mod lab;
mod mailbox;
mod peak;
mod post_office;
mod runlist;
mod table;
mod words;

mod blanks;
mod bounded;
mod bracket_cases;
mod bracketing;
mod brackets;
mod budgets;
mod calibrating;
mod calm;
mod checking;
mod corpus;
mod crowd;
mod drifting;
mod folders;
mod foul_names;
mod full_disks;
mod heartbeat;
mod hostile;
mod joining;
mod kills;
mod landing;
mod late_lists;
mod ledgers;
mod limits;
mod lost_ledgers;
mod mail;
#[cfg(target_os = "linux")]
mod not_readable;
mod outbox;
mod outlasting;
mod own_calibrators;
mod pacing;
mod planning;
mod pressure;
mod pressure_twice;
mod refused;
mod rehearsing;
mod repeated;
mod revisions;
mod rights;
mod samples;
mod scouting;
mod snapshots;
mod standards;
mod standing;
mod time_course;
mod unlisted;
mod unusable_lists;
mod usage;
