//! What goes wrong in a simulated night.

use std::fmt;
use std::str::FromStr;

use crate::text::nearest;

/// What goes wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Scenario {
    /// Nothing.
    Calm,
    /// The response falls slowly.
    #[default]
    DriftingStandard,
    /// The column clogs until the pump cuts out.
    Clogging,
    /// Air passes the detector.
    AirBubble,
    /// The queue stops.
    Stalled,
    /// Samples stronger and weaker than the calibrators.
    OverRange,
    /// Two nights: the second runs the rerun list of the first, whose response fell.
    RerunJoins,
    /// The queue's calibrators come late, and one acid in them is spoiled.
    OwnCalibrators,
    /// The drifting night, and the server that takes messages is away for half of it.
    MailDown,
}

/// A name that is no scenario.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("found {found:?}, expected {}{}", Scenario::names(), hint.map(|h| format!("; did you mean {h}?")).unwrap_or_default())]
pub struct UnknownScenario {
    /// What was written.
    pub found: String,
    /// The nearest known name.
    pub hint: Option<&'static str>,
}

impl Scenario {
    /// Every scenario, in the order of the help text.
    pub fn all() -> [Scenario; 9] {
        use Scenario::*;
        [
            Calm,
            DriftingStandard,
            Clogging,
            AirBubble,
            Stalled,
            OverRange,
            RerunJoins,
            OwnCalibrators,
            MailDown,
        ]
    }

    /// The name on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Scenario::Calm => "calm",
            Scenario::DriftingStandard => "drifting-standard",
            Scenario::Clogging => "clogging",
            Scenario::AirBubble => "air-bubble",
            Scenario::Stalled => "stalled",
            Scenario::OverRange => "over-range",
            Scenario::RerunJoins => "rerun-joins",
            Scenario::OwnCalibrators => "own-calibrators",
            Scenario::MailDown => "mail-down",
        }
    }

    /// What happens, one sentence.
    pub fn description(self) -> &'static str {
        match self {
            Scenario::Calm => "Nothing goes wrong.",
            Scenario::DriftingStandard => {
                "From injection 11 on each injection brings a little less of its volume onto the column."
            }
            Scenario::Clogging => {
                "The column clogs: pressure climbs, the flow falls behind, and the pump cuts out in injection 20."
            }
            Scenario::AirBubble => {
                "Air passes the detector in a sample (13) and in the last blank (24), and the pump pulsates."
            }
            Scenario::Stalled => {
                "The autosampler jams after injection 17; the pump runs on and nothing more lands."
            }
            Scenario::OverRange => {
                "One crock is stronger than the top calibrator, another was diluted too far."
            }
            Scenario::RerunJoins => {
                "A night drifts as in drifting-standard; then its rerun list is loaded as it is and runs as a second night, without trouble."
            }
            Scenario::OwnCalibrators => {
                "The detector reads 6 % less than when the stored calibration was made. Calibrators follow in the queue, and in one of them acetic acid has evaporated."
            }
            Scenario::MailDown => {
                "The drifting night once more, and the server that takes messages is away from injection 9 to 20."
            }
        }
    }

    /// What the reader should see, one sentence.
    pub fn look_for(self) -> &'static str {
        match self {
            Scenario::Calm => "All twelve samples end up accepted, and nobody is woken.",
            Scenario::DriftingStandard => {
                "Standard 15 gives an early warning, standards 19 and 23 fail their recovery, and the six samples around them are to be rerun."
            }
            Scenario::Clogging => {
                "A pressure alert hours before the limit is reached, a late and broad standard 19, and five injections that never came."
            }
            Scenario::AirBubble => {
                "Sample 13 alone is to be rerun; the failed blank takes no sample with it."
            }
            Scenario::Stalled => {
                "An alert that the next trace is late; samples 16 and 17 have no closing standard and are rerun with the rest."
            }
            Scenario::OverRange => {
                "The rerun list proposes a larger dilution for 16 to 18 (lactic acid) and a smaller one for 20 to 22 (citric acid)."
            }
            Scenario::RerunJoins => {
                "The time course of the first night takes the repeats in place of the six samples that failed and names both; its rerun list ends up empty."
            }
            Scenario::OwnCalibrators => {
                "When calibrator 11 is in, what landed before is reckoned anew and rises by 6 %, all but acetic acid: its fit is refused and told, and the column calibration of sheet.csv says what served each row."
            }
            Scenario::MailDown => {
                "Each alert stands in its file at once; the messages of 15 and 19 wait, arrive when the server is back and say how old they are."
            }
        }
    }

    /// All names, for messages.
    fn names() -> String {
        Scenario::all().map(Scenario::name).join(", ")
    }
}

impl fmt::Display for Scenario {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for Scenario {
    type Err = UnknownScenario;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let found = text.trim();
        let known = Scenario::all();
        known
            .into_iter()
            .find(|s| s.name().eq_ignore_ascii_case(found))
            .ok_or_else(|| UnknownScenario {
                found: found.to_owned(),
                hint: nearest(found, known.map(Scenario::name)),
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_leads_back_to_its_scenario() {
        for scenario in Scenario::all() {
            assert_eq!(scenario.to_string().parse(), Ok(scenario));
            for sentence in [scenario.description(), scenario.look_for()] {
                assert!(sentence.ends_with('.') && sentence.len() > 15, "{sentence}");
            }
        }
        assert_eq!(Scenario::default().name(), "drifting-standard");
    }

    #[test]
    fn an_unknown_name_is_answered_with_the_known_ones() {
        let error = "cloging".parse::<Scenario>().unwrap_err();
        assert_eq!(
            error.to_string(),
            "found \"cloging\", expected calm, drifting-standard, clogging, air-bubble, stalled, over-range, own-calibrators, rerun-joins, mail-down; did you mean clogging?"
        );
    }
}
