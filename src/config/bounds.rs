//! The range in which a number of a file must lie.

/// A range with its unit. Both ends are finite, so that no value is absurd.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Bounds {
    low: f64,
    /// The lower end itself does not belong to the range.
    open: bool,
    high: f64,
    unit: &'static str,
}

impl Bounds {
    /// More than 0, at most `high`.
    pub(crate) const fn above_zero(high: f64, unit: &'static str) -> Bounds {
        Bounds {
            low: 0.0,
            open: true,
            high,
            unit,
        }
    }

    /// From `low` to `high`, both included.
    pub(crate) const fn range(low: f64, high: f64, unit: &'static str) -> Bounds {
        Bounds {
            low,
            open: false,
            high,
            unit,
        }
    }

    /// Whether a number is finite and in the range.
    pub(crate) fn hold(&self, number: f64) -> bool {
        let low = if self.open {
            number > self.low
        } else {
            number >= self.low
        };
        low && number <= self.high
    }

    /// The range in words.
    pub(crate) fn words(&self) -> String {
        let (low, high) = (self.low, self.high);
        let mut words = if self.open {
            format!("a number above {low} and at most {high}")
        } else {
            format!("a number from {low} to {high}")
        };
        if !self.unit.is_empty() {
            words.push(' ');
            words.push_str(self.unit);
        }
        words
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ends_belong_to_a_range_or_not() {
        let open = Bounds::above_zero(10.0, "min");
        assert_eq!(
            [0.0, 0.1, 10.0, 10.1, f64::NAN, f64::INFINITY].map(|n| open.hold(n)),
            [false, true, true, false, false, false]
        );
        assert_eq!(open.words(), "a number above 0 and at most 10 min");
        let closed = Bounds::range(-1.0, 1.0, "");
        assert_eq!(
            [-1.1, -1.0, 1.0].map(|n| closed.hold(n)),
            [false, true, true]
        );
        assert_eq!(closed.words(), "a number from -1 to 1");
    }
}
