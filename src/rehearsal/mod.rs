//! A simulated instrument: a scenario and a seed become a night of 24 injections that land in a folder the way real
//! exports land. It knows nothing of the daemon; both meet in the folder alone.
//!
//! The story: vegetable brines ferment in two crocks; citric, succinic, lactic and acetic acid are separated on an
//! ion-exclusion column in 5 mmol/L sulfuric acid and read at 210 nm. Each [`Scenario`] lets something else go wrong.
//!
//! | file | idea |
//! | --- | --- |
//! | [`scenario`] | what goes wrong, and what the reader should see |
//! | `chemistry` | the acids, the levels, what is in the crocks |
//! | `queue` | the 24 injections |
//! | `fault` | what a scenario does to detector, flow, column and pressure |
//! | [`chromatogram`], [`baseline`] | peaks and noise; drift, wander and air below them |
//! | [`night`] | all of it put together, with the truth that tests need |
//! | [`story`] | how the night should end |
//! | `second` | the night after, in which the rerun list runs |
//! | `settings`, `list` | the method, the configuration and the run list as text |
//! | [`export`], `pressure` | the timed list of file actions: traces; the pump's log |
//! | [`play`] | carries the actions out |
//! | [`recipient`] | a stand-in for the server that takes messages |
//! | `maths`, `random` | own elementary functions and generator |
//!
//! Same scenario and seed, same bytes, on every platform: the elementary functions of a platform's library differ
//! in the last bit, so those used here are built from the exactly rounded operations alone.

pub mod baseline;
pub mod chromatogram;
pub mod export;
pub mod night;
pub mod play;
pub mod recipient;
pub mod scenario;
pub mod story;

mod chemistry;
mod fault;
mod list;
mod maths;
mod pressure;
mod queue;
mod second;
mod settings;
mod stored;

use crate::random;

pub use export::{Action, DEFAULT_SECONDS_PER_CYCLE, Deed, Event, Exporter, Pace};
pub use night::{Folders, Night};
pub use play::{Finish, RehearsalError, wall_clock};
pub use scenario::{Scenario, UnknownScenario};
pub use second::SecondNight;
pub use story::{Rerun, Story};

/// Length of a run as the method has it, min. A trace keeps this axis however fast the night is played.
pub const RUN_TIME_MIN: f64 = 22.0;

/// Rate of the simulated detector, Hz.
pub const RATE_HZ: f64 = 8.0;

/// Samples of one trace: 22 min at 8 Hz.
pub const POINTS: u32 = 10_560;

/// Name of the simulated station.
pub const STATION: &str = "acids";

/// Name of the simulated queue, as its run list gives it.
pub const QUEUE: &str = "crocks";
