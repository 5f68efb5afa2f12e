//! The one table of check names: how they are spelled, what a failure does, and who hears of it when.

use crate::runlist::Kind;

/// Every check there is. The order is that in which a message lists several failures: what spoils most comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Check {
    /// A file that has settled but is no trace.
    UnreadableTrace,
    /// A later injection has landed and this one has not.
    MissingTrace,
    /// A run list cannot be used.
    RunList,
    /// Spikes or chaotic noise: air in the lines.
    AirBubble,
    /// A standard or calibrator shows no peak where one is due.
    NoPeak,
    /// The detector was at its ceiling inside the peak.
    Saturated,
    /// A standard's recovery is outside its limits.
    Recovery,
    /// A blank shows a peak in an analyte's window.
    CarryOver,
    /// A blank's short-term noise is over its limit.
    BlankNoise,
    /// A blank's baseline drifts faster than its limit.
    BlankDrift,
    /// A calibration in the queue misses its limits.
    Calibration,
    /// A standard's area has moved from the queue's first of that level.
    StandardDrift,
    /// A peak is found in the window but away from its place.
    RetentionShift,
    /// A standard's tailing, plates or resolution are outside their limits.
    PeakShape,
    /// A sample is above the calibrated range.
    AboveRange,
    /// A sample is below the calibrated range.
    BelowRange,
    /// Replicates disagree.
    Replicates,
    /// The run list does not name the trace.
    UnlistedTrace,
    /// The next trace is overdue.
    LateTrace,
    /// A pressure reading is above its limit.
    PressureHigh,
    /// A pressure reading is below its limit.
    PressureLow,
    /// At its present slope the pressure reaches its limit before the queue ends.
    PressureRise,
    /// The pressure pulsates well above the queue's own normal.
    PressureRipple,
    /// The bottle does not last until the queue ends.
    EluentShort,
    /// The waste container does not last until the queue ends.
    WasteFull,
}

/// What a failure does to verdicts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Effect {
    /// Nothing: it is told.
    None,
    /// The injection (or, for a sample, what the check concerns) must be run again.
    Rerun,
    /// A standard that fails so takes its checkpoint with it.
    FailsBracket,
}

/// When people hear of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Told {
    /// Alert file (and mail) at once.
    Now,
    /// In the summary and the sheet only.
    Summary,
}

impl Told {
    /// The word in `alerts.csv`.
    pub fn word(self) -> &'static str {
        match self {
            Told::Now => "now",
            Told::Summary => "summary",
        }
    }
}

impl Check {
    /// All checks, in message order.
    pub const ALL: [Check; 25] = [
        Check::UnreadableTrace,
        Check::MissingTrace,
        Check::RunList,
        Check::AirBubble,
        Check::NoPeak,
        Check::Saturated,
        Check::Recovery,
        Check::CarryOver,
        Check::BlankNoise,
        Check::BlankDrift,
        Check::Calibration,
        Check::StandardDrift,
        Check::RetentionShift,
        Check::PeakShape,
        Check::AboveRange,
        Check::BelowRange,
        Check::Replicates,
        Check::UnlistedTrace,
        Check::LateTrace,
        Check::PressureHigh,
        Check::PressureLow,
        Check::PressureRise,
        Check::PressureRipple,
        Check::EluentShort,
        Check::WasteFull,
    ];

    /// As sheets and alerts spell it.
    pub fn name(self) -> &'static str {
        match self {
            Check::UnreadableTrace => "unreadable-trace",
            Check::MissingTrace => "missing-trace",
            Check::RunList => "run-list",
            Check::AirBubble => "air-bubble",
            Check::NoPeak => "no-peak",
            Check::Saturated => "saturated",
            Check::Recovery => "recovery",
            Check::CarryOver => "carry-over",
            Check::BlankNoise => "blank-noise",
            Check::BlankDrift => "blank-drift",
            Check::Calibration => "calibration",
            Check::StandardDrift => "standard-drift",
            Check::RetentionShift => "retention-shift",
            Check::PeakShape => "peak-shape",
            Check::AboveRange => "above-range",
            Check::BelowRange => "below-range",
            Check::Replicates => "replicates",
            Check::UnlistedTrace => "unlisted-trace",
            Check::LateTrace => "late-trace",
            Check::PressureHigh => "pressure-high",
            Check::PressureLow => "pressure-low",
            Check::PressureRise => "pressure-rise",
            Check::PressureRipple => "pressure-ripple",
            Check::EluentShort => "eluent-short",
            Check::WasteFull => "waste-full",
        }
    }

    /// The check of this name.
    pub fn parse(name: &str) -> Option<Check> {
        Check::ALL.into_iter().find(|c| c.name() == name)
    }

    /// What a failure does to an injection of this kind. `below-range` depends on the dilution too and is decided
    /// where that is known.
    pub fn effect(self, kind: Kind) -> Effect {
        match (self, kind) {
            (_, Kind::Conditioning) => Effect::None,
            (
                Check::UnreadableTrace
                | Check::MissingTrace
                | Check::AirBubble
                | Check::Saturated
                | Check::Recovery
                | Check::NoPeak,
                Kind::Standard,
            ) => Effect::FailsBracket,
            (
                Check::UnreadableTrace
                | Check::MissingTrace
                | Check::AirBubble
                | Check::Saturated
                | Check::NoPeak,
                _,
            ) => Effect::Rerun,
            (Check::CarryOver | Check::BlankNoise | Check::BlankDrift, Kind::Blank) => {
                Effect::Rerun
            }
            (Check::AboveRange, Kind::Sample) => Effect::Rerun,
            _ => Effect::None,
        }
    }

    /// When a failure at an injection of this kind is told.
    pub fn told(self, kind: Kind) -> Told {
        match self {
            Check::RetentionShift | Check::Saturated if kind == Kind::Standard => Told::Now,
            Check::RetentionShift
            | Check::Saturated
            | Check::PeakShape
            | Check::AboveRange
            | Check::BelowRange
            | Check::Replicates
            | Check::MissingTrace
            | Check::UnlistedTrace => Told::Summary,
            _ => Told::Now,
        }
    }

    /// True where the failure concerns the whole injection and stands on all its rows.
    pub fn whole_injection(self) -> bool {
        matches!(
            self,
            Check::UnreadableTrace
                | Check::MissingTrace
                | Check::AirBubble
                | Check::BlankNoise
                | Check::BlankDrift
                | Check::UnlistedTrace
        )
    }
}

impl std::fmt::Display for Check {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_reads_back() {
        for check in Check::ALL {
            assert_eq!(Check::parse(check.name()), Some(check));
        }
        assert_eq!(Check::parse("no-such-check"), None);
    }

    #[test]
    fn a_conditioning_injection_is_never_judged() {
        assert!(
            Check::ALL
                .into_iter()
                .all(|c| c.effect(Kind::Conditioning) == Effect::None)
        );
    }

    #[test]
    fn only_standards_fail_a_bracket() {
        for check in Check::ALL {
            for kind in [Kind::Blank, Kind::Calibrator, Kind::Sample] {
                assert_ne!(check.effect(kind), Effect::FailsBracket, "{check}");
            }
        }
        assert_eq!(Check::Recovery.effect(Kind::Standard), Effect::FailsBracket);
        assert_eq!(Check::StandardDrift.effect(Kind::Standard), Effect::None);
    }
}
