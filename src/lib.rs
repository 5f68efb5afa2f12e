//! `runsitter` sits up with an overnight HPLC queue.
//!
//! It watches the folder into which the instrument's software exports its traces, processes each one as it
//! lands, judges blanks, standards and samples against limits, keeps a running concentration sheet, and says
//! what must be injected again and why. It only ever reads: it controls nothing and is no safety device.
//!
//! # The house, in the order in which data flow
//!
//! | module | takes → gives |
//! | --- | --- |
//! | [`intake`] | folder events and scans → paths of whole files |
//! | [`trace`] | bytes → [`trace::Trace`]: numbers in known units |
//! | [`signal`] | samples → baseline, peaks, noise, shape figures |
//! | [`quant`] | peaks + method → matched analytes; calibration, inverse prediction |
//! | [`check`] | results + limits → named failures |
//! | [`night`] | landings, run lists, the clock → verdicts and alerts of a queue |
//! | [`budget`] | list + method → time, eluent, waste, vials, expected pressure |
//! | [`pressure`] | the pump's log → readings in MPa; limits, forecast, pulsation over a queue |
//! | [`ledger`] | records → durable, replayable |
//! | [`plan`] | sample sheet + rules → a run list |
//! | [`report`] | ledger → sheet, time course, rerun list, alerts, summary |
//! | [`tell`] | alerts → one text each: file, mail |
//! | [`post`] | letters → their readers, by mail or to a web address |
//! | [`service`] | joins them: the thin shell with the disk and the clock |
//!
//! [`config`], [`method`] and [`runlist`] turn text into checked types; [`rehearsal`] is a simulated instrument;
//! [`command`] has one small file for each subcommand. `signal`, `quant`, `check`, `night` and `plan` are pure: values in,
//! values out, no files, no clock, no logging for control, and time is an argument.

pub mod budget;
pub mod check;
pub mod command;
pub mod config;
pub mod intake;
pub mod ledger;
pub mod method;
pub mod night;
mod outside;
pub mod plan;
pub mod post;
pub mod pressure;
pub mod quant;
mod random;
pub mod reading;
pub mod rehearsal;
pub mod report;
pub mod runlist;
pub mod service;
pub mod signal;
pub mod tell;
pub mod text;
pub mod trace;
