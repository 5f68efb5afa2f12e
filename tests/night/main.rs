//! Whole nights through the real program: every test lays out an instrument's folder, lets the binary work on it, and
//! reads what a person would read in the morning.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod chromatogram;
mod daemon;
mod lab;
mod runlist;
mod table;
mod words;

mod blanks;
mod bracket_cases;
mod brackets;
mod calibrating;
mod calm;
mod checking;
mod drifting;
mod hostile;
mod joining;
mod landing;
mod late_lists;
mod limits;
mod outlasting;
mod rehearsing;
mod revisions;
mod samples;
mod snapshots;
mod standards;
mod time_course;
mod unlisted;
mod unusable_lists;
mod usage;
