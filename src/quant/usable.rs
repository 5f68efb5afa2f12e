//! The usable range: from which level on a calibration can be trusted, and why not from a lower one.

use super::curve::{Curve, LevelFigures};
use crate::method::Limits;
use crate::text::significant;

/// The part of the calibrated range whose levels stay within their limits.
#[derive(Debug, Clone, PartialEq)]
pub struct Usable {
    /// Lowest usable level and highest level, in the analyte's unit; `None` where not even the highest level passes.
    pub range: Option<[f64; 2]>,
    /// What keeps the next lower level out; `None` where every level passes.
    pub because: Option<String>,
    /// Levels in the range with one injection only, whose scatter nobody knows.
    pub single: usize,
}

impl Curve {
    /// Finds the lowest level from which on every level's back-calculated error and scatter stay within limits:
    /// `back_calculated_percent`, for the lowest level of the range `back_calculated_lowest_percent` (ICH M10 3.2.5
    /// takes the same figures for accuracy and precision; as a model). The error is that of the mean of a level's
    /// replicates, the scatter their standard deviation, both in % of nominal; met exactly is met. A level at zero has
    /// neither. The curve is not fitted again without the levels left out.
    pub fn usable(&self, limits: &Limits) -> Usable {
        let levels: Vec<&LevelFigures> = self.levels.iter().filter(|l| l.nominal > 0.0).collect();
        let mut from = levels.len();
        let mut because = None;
        for (i, level) in levels.iter().enumerate().rev() {
            if let Some(why) = self.fault(level, limits.back_calculated_lowest_percent) {
                because = Some(why);
                break;
            }
            from = i;
            // As soon as a lower level joins, this one is no longer the lowest.
            if let Some(why) = self.fault(level, limits.back_calculated_percent) {
                because = (i > 0).then_some(why);
                break;
            }
        }
        let within = levels.get(from..).unwrap_or_default();
        Usable {
            range: within.first().map(|l| [l.nominal, self.highest]),
            because,
            single: within
                .iter()
                .filter(|l| l.scatter_percent.is_none())
                .count(),
        }
    }

    fn fault(&self, level: &LevelFigures, limit: f64) -> Option<String> {
        let error = level.error_percent.unwrap_or(f64::NAN);
        let at = format!(
            "level {} ({} {})",
            level.level,
            significant(level.nominal, 4),
            self.unit
        );
        let allowed = significant(limit, 4);
        // An error that is no number is no pass.
        if error.abs() > limit || error.is_nan() {
            let found = significant(error, 3);
            return Some(format!(
                "{at} is back-calculated {found} % off, {allowed} % is allowed"
            ));
        }
        let scatter = level.scatter_percent.filter(|s| *s > limit)?;
        let found = significant(scatter, 3);
        Some(format!(
            "replicates of {at} scatter by {found} %, {allowed} % is allowed"
        ))
    }
}

impl Usable {
    /// All of it in words, `unit` being the analyte's: "2 to 20 mmol/L; replicates of level L1 (…) scatter by …".
    pub fn words(&self, unit: &str) -> String {
        let mut out = match self.range {
            Some([low, high]) if low < high => {
                format!("{} to {} {unit}", significant(low, 4), significant(high, 4))
            }
            Some([low, _]) => format!("{} {unit} alone", significant(low, 4)),
            None => "none".to_owned(),
        };
        if let Some(because) = &self.because {
            out.push_str("; ");
            out.push_str(because);
        }
        match self.single {
            0 => {}
            1 => out.push_str("; 1 level injected once: its scatter is not known"),
            n => out.push_str(&format!(
                "; {n} levels injected once: their scatter is not known"
            )),
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quant::curve::tests::{PLAIN, fitted};

    fn usable(data: &[(f64, f64)]) -> Usable {
        fitted(data, PLAIN).unwrap().usable(&Limits::default())
    }

    const HIGH: [(f64, f64); 6] = [
        (5.0, 50.2),
        (5.0, 49.8),
        (10.0, 100.3),
        (10.0, 99.8),
        (20.0, 200.1),
        (20.0, 199.9),
    ];

    #[test]
    fn all_levels_pass() {
        let u = usable(&HIGH);
        assert_eq!((u.range, u.because.clone()), (Some([5.0, 20.0]), None));
        assert_eq!(u.words("mmol/L"), "5 to 20 mmol/L");
    }

    #[test]
    fn a_low_level_that_scatters_or_is_off_is_left_out() {
        let mut data = HIGH.to_vec();
        data.extend([(1.0, 7.0), (1.0, 13.1)]);
        let u = usable(&data);
        assert_eq!(u.range, Some([5.0, 20.0]));
        let words = u.words("mmol/L");
        assert!(
            words.starts_with("5 to 20 mmol/L; replicates of level L1 (1 mmol/L) scatter by 4"),
            "{words}"
        );
        let mut data = HIGH.to_vec();
        data.extend([(0.1, 2.4), (0.1, 2.6)]);
        let words = usable(&data).words("mmol/L");
        assert!(
            words.contains("level L0.1 (0.1 mmol/L) is back-calculated")
                && words.ends_with("20 % is allowed"),
            "{words}"
        );
    }

    /// 17 % off is allowed to the lowest level alone: a good one below it does not help.
    #[test]
    fn a_level_between_the_limits_is_the_lowest() {
        // Three levels fix the line at 10 x; the lowest of the others stands on it.
        let mut data = HIGH.repeat(20);
        data.extend([(1.0, 11.7), (1.0, 11.7), (0.5, 5.0), (0.5, 5.0)]);
        let u = usable(&data);
        assert_eq!(u.range, Some([1.0, 20.0]), "{u:?}");
        assert!(u.because.as_ref().unwrap().contains("15 % is allowed"));
    }

    #[test]
    fn single_injections_and_zero_are_told_apart() {
        let u = usable(&[(0.0, 0.1), (1.0, 10.1), (2.0, 19.9), (5.0, 50.0)]);
        assert_eq!((u.range, u.single), (Some([1.0, 5.0]), 3));
        assert!(u.words("g/L").contains("3 levels injected once"));
        let wild = [(5.0, 30.0), (5.0, 70.0), (20.0, 120.0), (20.0, 280.0)];
        let none = usable(&[wild, wild].concat());
        assert_eq!(none.range, None);
        assert!(
            none.words("g/L")
                .starts_with("none; replicates of level L20")
        );
    }
}
