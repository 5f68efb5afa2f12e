//! Whether the instrument is shut down at the end of a list.

use crate::method::Method;
use crate::runlist::{Injection, Kind};

/// What a list says of its end.
///
/// A shutdown is the last row of a list, when it is a conditioning injection whose name has the word `shutdown`,
/// `shut-down`, `standby`, `flush`, `rinse` or `wash` in it. It is run like any other row and counted so; that the
/// instrument's own method of that row lowers the flow and puts the lamp out, no file tells.
#[derive(Debug, Clone, PartialEq)]
pub enum Shutdown {
    /// The last row is one.
    Listed {
        /// Its position.
        position: u64,
        /// Its name.
        name: String,
    },
    /// No row is; the method flushes after the queue (`[pump] after`), and that must be queued on the instrument.
    Flushed {
        /// For so long, min.
        minutes: f64,
        /// At this flow, mL/min.
        flow_ml_min: f64,
    },
    /// Neither.
    Missing,
}

const WORDS: [&str; 6] = ["shutdown", "shut-down", "standby", "flush", "rinse", "wash"];

impl Shutdown {
    /// What stands at the end of a list.
    pub fn of(list: &[Injection], method: &Method) -> Shutdown {
        let named = |i: &&Injection| {
            let name = i.name.to_lowercase().replace("shut down", "shutdown");
            let mut words = name.split(|c: char| !c.is_alphabetic() && c != '-');
            i.kind == Kind::Conditioning && words.any(|w| WORDS.contains(&w))
        };
        if let Some(last) = list.last().filter(named) {
            return Shutdown::Listed {
                position: last.position,
                name: last.name.clone(),
            };
        }
        match method.pumping.after {
            Some(phase) => Shutdown::Flushed {
                minutes: phase.minutes,
                flow_ml_min: phase.flow_ml_min,
            },
            None => Shutdown::Missing,
        }
    }
}
