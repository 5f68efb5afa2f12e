//! A program of time–value pairs, as a pump is given one: straight lines between the pairs.

/// Value against the time since the injection, min. Before the first pair the first value holds, behind the last pair
/// the last one; two pairs at one time are a step.
#[derive(Debug, Clone, PartialEq)]
pub struct Program {
    /// Time, min, never falling; value. At least one pair.
    pairs: Vec<[f64; 2]>,
}

impl Program {
    /// The same value at all times.
    pub fn constant(value: f64) -> Program {
        Program {
            pairs: vec![[0.0, value]],
        }
    }

    /// A program of these pairs; `None` where there is none, a number is not finite, or a time falls.
    pub fn of(pairs: Vec<[f64; 2]>) -> Option<Program> {
        let finite = pairs.iter().flatten().all(|n| n.is_finite());
        let rising = pairs.is_sorted_by(|a, b| a[0] <= b[0]);
        (!pairs.is_empty() && finite && rising).then_some(Program { pairs })
    }

    /// Times of the pairs, min.
    pub fn times_min(&self) -> impl Iterator<Item = f64> {
        self.pairs.iter().map(|p| p[0])
    }

    /// The value from this time on.
    pub fn after(&self, time_min: f64) -> f64 {
        let next = self.pairs.partition_point(|p| p[0] <= time_min);
        self.between(next, time_min)
    }

    /// The value up to this time: at a step, the one before it.
    pub fn until(&self, time_min: f64) -> f64 {
        let next = self.pairs.partition_point(|p| p[0] < time_min);
        self.between(next, time_min)
    }

    /// On the line that ends at pair `next`.
    fn between(&self, next: usize, time_min: f64) -> f64 {
        let earlier = next.checked_sub(1).and_then(|k| self.pairs.get(k));
        match (earlier, self.pairs.get(next)) {
            (Some([from, a]), Some([to, b])) => a + (b - a) * (time_min - from) / (to - from),
            (Some([_, value]), None) | (None, Some([_, value])) => *value,
            (None, None) => 0.0,
        }
    }

    /// The highest value from minute 0 to this time.
    pub fn highest(&self, until_min: f64) -> f64 {
        self.pairs
            .iter()
            .filter(|p| p[0] >= 0.0 && p[0] <= until_min)
            .map(|p| p[1])
            .fold(self.after(0.0).max(self.until(until_min)), f64::max)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp() -> Program {
        Program::of(vec![[2.0, 1.0], [4.0, 3.0], [4.0, 0.5], [6.0, 0.5]]).unwrap()
    }

    #[test]
    fn straight_lines_join_the_pairs_and_the_ends_hold() {
        let p = ramp();
        for (t, before, after) in [
            (0.0, 1.0, 1.0),
            (2.0, 1.0, 1.0),
            (3.0, 2.0, 2.0),
            (4.0, 3.0, 0.5),
            (5.0, 0.5, 0.5),
            (9.0, 0.5, 0.5),
        ] {
            assert_eq!((p.until(t), p.after(t)), (before, after), "minute {t}");
        }
        assert_eq!((p.highest(3.0), p.highest(9.0)), (2.0, 3.0));
        assert_eq!(Program::constant(0.6).after(17.0), 0.6);
    }

    #[test]
    fn pairs_that_are_no_program_are_refused() {
        assert_eq!(Program::of(vec![]), None);
        assert_eq!(Program::of(vec![[1.0, 0.6], [0.5, 0.6]]), None);
        assert_eq!(Program::of(vec![[0.0, f64::NAN]]), None);
    }
}
