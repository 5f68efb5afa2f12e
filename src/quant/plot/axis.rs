//! Scales and round tick values.

/// Air at either end, as a share of the span: points stand clear of the frame.
const AIR: f64 = 0.04;

/// A linear scale from values to pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Axis {
    /// Value at `from_px`.
    pub low: f64,
    /// Value at `to_px`.
    pub high: f64,
    pub from_px: f64,
    pub to_px: f64,
    /// Distance of ticks.
    pub step: f64,
}

impl Axis {
    /// A scale from `low` to `high` with some air at both ends, and about `ticks` round values on it.
    pub fn over(low: f64, high: f64, ticks: u32, px: [f64; 2]) -> Axis {
        let usable = low.is_finite() && high.is_finite();
        let (mut low, mut high) = if usable { (low, high) } else { (0.0, 1.0) };
        if high - low <= 0.0 || !(high - low).is_finite() {
            let pad = if low == 0.0 { 1.0 } else { low.abs() * 0.1 };
            (low, high) = (low - pad, low + pad);
        }
        let step = round_step((high - low) / f64::from(ticks.max(1)));
        let air = (high - low) * AIR;
        Axis {
            low: low - air,
            high: high + air,
            from_px: px[0],
            to_px: px[1],
            step,
        }
    }

    /// Pixel of a value.
    pub fn px(&self, value: f64) -> f64 {
        let share = (value - self.low) / (self.high - self.low);
        self.from_px + share.clamp(-0.2, 1.2) * (self.to_px - self.from_px)
    }

    /// Tick values, ascending, at most 20.
    pub fn ticks(&self) -> Vec<f64> {
        let first = (self.low / self.step).ceil();
        let n = ((self.high / self.step).floor() - first).clamp(0.0, 20.0) as u32;
        // Counted in steps, so that zero is zero.
        (0..=n)
            .map(|i| (first + f64::from(i)) * self.step + 0.0)
            .collect()
    }

    /// A tick's text.
    pub fn label(&self, tick: f64) -> String {
        if tick == 0.0 {
            return "0".to_owned();
        }
        let magnitude = self.low.abs().max(self.high.abs());
        if magnitude > 0.0 && !(1e-4..1e7).contains(&magnitude) {
            return format!("{tick:.1e}").replace(".0e", "e");
        }
        let decimals = (-self.step.log10() - 1e-9).ceil().clamp(0.0, 8.0) as usize;
        format!("{tick:.decimals$}").replace('-', "−")
    }
}

/// 1, 2 or 5 times a power of ten, not below `step`.
fn round_step(step: f64) -> f64 {
    let power = 10f64.powf(step.log10().floor());
    let share = step / power;
    let factor = [1.0, 2.0, 5.0]
        .into_iter()
        .find(|f| share <= f + 1e-9)
        .unwrap_or(10.0);
    let rounded = factor * power;
    if rounded.is_finite() && rounded > 0.0 {
        rounded
    } else {
        1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        let a = Axis::over(0.0, 23.0, 5, [0.0, 100.0]);
        assert_eq!(a.ticks(), [0.0, 5.0, 10.0, 15.0, 20.0]);
        assert!((a.px(11.5) - 50.0).abs() < 1e-9);
        assert!(a.px(0.0) > 3.0 && a.px(23.0) < 97.0);
        assert_eq!(Axis::over(-0.03, 0.05, 4, [0.0, 1.0]).ticks().len(), 4);
        assert_eq!(Axis::over(0.0, 0.1, 5, [0.0, 1.0]).label(0.02), "0.02");
        assert_eq!(Axis::over(-1.0, 1.0, 2, [0.0, 1.0]).label(-1.0), "−1");
    }

    #[test]
    fn an_empty_span_is_widened() {
        for (low, high) in [(5.0, 5.0), (0.0, 0.0), (f64::NAN, 1.0), (-1e307, 1e307)] {
            let a = Axis::over(low, high, 5, [0.0, 100.0]);
            assert!(a.px(low).is_finite() || low.is_nan());
            assert!(
                a.ticks().len() >= 2 && a.ticks().iter().all(|t| t.is_finite()),
                "{a:?}"
            );
        }
    }
}
