//! What follows from what: a fault of the flow shows first in the pressure, then in the peaks.
//!
//! Common practice of liquid chromatography, no source. It decides under which message a later failure is named, never a verdict.

use crate::check::Check;

/// True where a later failure of `later` is a usual consequence of `earlier`, while that goes on.
pub fn follows(earlier: Check, later: Check) -> bool {
    use Check::*;
    match earlier {
        // A filter that fills up: the limit, then less flow, later and broader peaks, then the pump's cut-out.
        PressureRise => matches!(
            later,
            PressureHigh | PressureLow | RetentionShift | PeakShape | LateTrace
        ),
        PressureHigh => matches!(later, PressureLow | RetentionShift | PeakShape | LateTrace),
        // A leak, air or an empty bottle: less flow, noise, nothing at all.
        PressureLow => matches!(
            later,
            RetentionShift | AirBubble | BlankNoise | BlankDrift | NoPeak | LateTrace
        ),
        PressureRipple => matches!(
            later,
            PressureLow | RetentionShift | AirBubble | BlankNoise | BlankDrift
        ),
        // A pump that draws air.
        EluentShort => matches!(
            later,
            PressureLow | PressureRipple | AirBubble | BlankNoise | LateTrace
        ),
        _ => false,
    }
}

/// True for a check of a trace that spoils no result by itself: as a consequence it can wait for the next letter.
pub fn is_mild(check: Check) -> bool {
    matches!(
        check,
        Check::RetentionShift
            | Check::PeakShape
            | Check::BlankNoise
            | Check::BlankDrift
            | Check::StandardDrift
    )
}

/// True for what goes on until it ends, and is told again while it does.
pub fn goes_on(check: Check) -> bool {
    matches!(
        check,
        Check::PressureHigh
            | Check::PressureLow
            | Check::PressureRise
            | Check::PressureRipple
            | Check::EluentShort
            | Check::WasteFull
            | Check::LateTrace
            | Check::RunList
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clogging_filter_is_one_story() {
        assert!(follows(Check::PressureRise, Check::PressureHigh));
        assert!(follows(Check::PressureRise, Check::RetentionShift));
        assert!(follows(Check::PressureHigh, Check::LateTrace));
        assert!(!follows(Check::PressureHigh, Check::PressureRise));
        assert!(!follows(Check::PressureRise, Check::CarryOver));
    }

    #[test]
    fn nothing_follows_from_itself_or_in_a_circle() {
        for a in Check::ALL {
            assert!(!follows(a, a), "{a}");
            for b in Check::ALL {
                assert!(!(follows(a, b) && follows(b, a)), "{a} {b}");
            }
        }
    }

    #[test]
    fn only_what_goes_on_has_consequences_and_none_of_it_is_mild() {
        for a in Check::ALL {
            assert!(
                goes_on(a) || Check::ALL.into_iter().all(|b| !follows(a, b)),
                "{a}"
            );
            assert!(!(goes_on(a) && is_mild(a)), "{a}");
        }
    }
}
