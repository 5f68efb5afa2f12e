//! A running integral over the samples, and even grids of cell means made from it.
//!
//! Samples may be slightly irregular. The trapezoid integral is exact for the broken line through them, so a cell's
//! mean keeps the area whatever the spacing, and any area is the difference of two look-ups.

/// Running trapezoid integral of a trace.
#[derive(Debug)]
pub(crate) struct Running<'a> {
    time_s: &'a [f64],
    signal_mau: &'a [f64],
    /// Integral from the first sample to each sample, mAU·s.
    sum: Vec<f64>,
    /// Samples per second, for a first guess of an index.
    rate: f64,
}

impl<'a> Running<'a> {
    /// Integrates once. Both slices have the same length, at least 2, times increasing.
    pub(crate) fn new(time_s: &'a [f64], signal_mau: &'a [f64]) -> Self {
        let n = time_s.len().min(signal_mau.len());
        let (time_s, signal_mau) = (&time_s[..n], &signal_mau[..n]);
        let mut sum = Vec::with_capacity(n);
        let mut total = 0.0;
        sum.push(0.0);
        for (t, y) in time_s.windows(2).zip(signal_mau.windows(2)) {
            total += 0.5 * (t[1] - t[0]) * (y[0] + y[1]);
            sum.push(total);
        }
        let rate = (n - 1) as f64 / (time_s[n - 1] - time_s[0]);
        Running {
            time_s,
            signal_mau,
            sum,
            rate,
        }
    }

    pub(crate) fn time_s(&self) -> &'a [f64] {
        self.time_s
    }

    pub(crate) fn signal_mau(&self) -> &'a [f64] {
        self.signal_mau
    }

    pub(crate) fn start_s(&self) -> f64 {
        self.time_s[0]
    }

    pub(crate) fn end_s(&self) -> f64 {
        self.time_s[self.time_s.len() - 1]
    }

    /// Mean distance of the samples, s.
    pub(crate) fn interval_s(&self) -> f64 {
        1.0 / self.rate
    }

    /// Index of the last sample at or before `t`; 0 before the first, the last but one at the end.
    pub(crate) fn index(&self, t: f64) -> usize {
        let last = self.time_s.len() - 2;
        let guess = ((t - self.time_s[0]) * self.rate).max(0.0);
        let mut i = (guess as usize).min(last);
        let mut steps = 0;
        while i > 0 && self.time_s[i] > t {
            i -= 1;
            steps += 1;
            if steps > 64 {
                return self
                    .time_s
                    .partition_point(|x| *x <= t)
                    .saturating_sub(1)
                    .min(last);
            }
        }
        while i < last && self.time_s[i + 1] <= t {
            i += 1;
            steps += 1;
            if steps > 64 {
                return self
                    .time_s
                    .partition_point(|x| *x <= t)
                    .saturating_sub(1)
                    .min(last);
            }
        }
        i
    }

    /// Integral from the first sample to `t` (kept inside the trace), mAU·s.
    fn integral_to(&self, t: f64) -> f64 {
        let t = t.min(self.end_s()).max(self.start_s());
        self.in_interval(self.index(t), t)
    }

    fn in_interval(&self, i: usize, t: f64) -> f64 {
        let width = self.time_s[i + 1] - self.time_s[i];
        let x = t - self.time_s[i];
        let slope = (self.signal_mau[i + 1] - self.signal_mau[i]) / width;
        self.sum[i] + x * (self.signal_mau[i] + 0.5 * slope * x)
    }

    /// Trapezoid area under the raw signal from `from_s` to `to_s`, mAU·s.
    pub(crate) fn area(&self, from_s: f64, to_s: f64) -> f64 {
        self.integral_to(to_s) - self.integral_to(from_s)
    }

    /// Signal at `t` by linear interpolation, mAU.
    pub(crate) fn at(&self, t: f64) -> f64 {
        let t = t.min(self.end_s()).max(self.start_s());
        let i = self.index(t);
        let x = (t - self.time_s[i]) / (self.time_s[i + 1] - self.time_s[i]);
        self.signal_mau[i] + x * (self.signal_mau[i + 1] - self.signal_mau[i])
    }

    /// Means over even cells of at least `step_s` that fill the trace.
    pub(crate) fn grid(&self, step_s: f64) -> Grid {
        let span = self.end_s() - self.start_s();
        let cells = ((span / step_s) as usize).max(1);
        let step = span / cells as f64;
        let mut value = Vec::with_capacity(cells);
        let mut before = 0.0;
        for k in 1..=cells {
            let t = self.start_s() + step * k as f64;
            let here = self.integral_to(t);
            value.push((here - before) / step);
            before = here;
        }
        Grid {
            start_s: self.start_s(),
            step_s: step,
            value,
        }
    }
}

/// Means over even cells.
#[derive(Debug, Clone)]
pub(crate) struct Grid {
    /// Where the first cell begins, s.
    pub(crate) start_s: f64,
    /// Width of a cell, s.
    pub(crate) step_s: f64,
    /// Mean of each cell, mAU.
    pub(crate) value: Vec<f64>,
}

impl Grid {
    /// Middle of cell `k`, s.
    pub(crate) fn centre_s(&self, k: usize) -> f64 {
        self.start_s + (k as f64 + 0.5) * self.step_s
    }

    /// The cell that holds `t`, kept inside.
    pub(crate) fn cell(&self, t: f64) -> usize {
        let k = ((t - self.start_s) / self.step_s).max(0.0) as usize;
        k.min(self.value.len().saturating_sub(1))
    }
}

/// A curve given at a grid's cell middles, broken-line in between, level outside.
#[derive(Debug, Clone)]
pub(crate) struct Curve {
    first_s: f64,
    step_s: f64,
    value: Vec<f64>,
    /// Integral from the first node to each node.
    sum: Vec<f64>,
}

impl Curve {
    pub(crate) fn new(first_s: f64, step_s: f64, value: Vec<f64>) -> Self {
        let mut sum = Vec::with_capacity(value.len());
        let mut total = 0.0;
        sum.push(0.0);
        for pair in value.windows(2) {
            total += 0.5 * step_s * (pair[0] + pair[1]);
            sum.push(total);
        }
        Curve {
            first_s,
            step_s,
            value,
            sum,
        }
    }

    fn place(&self, t: f64) -> (usize, f64) {
        let x = (t - self.first_s) / self.step_s;
        let last = self.value.len().saturating_sub(2);
        let k = (x.max(0.0) as usize).min(last);
        (k, x - k as f64)
    }

    /// Value at `t`, mAU; beyond the ends the end pieces go on straight.
    pub(crate) fn at(&self, t: f64) -> f64 {
        let (k, x) = self.place(t);
        match (self.value.get(k), self.value.get(k + 1)) {
            (Some(a), Some(b)) => a + x * (b - a),
            (Some(a), None) => *a,
            _ => 0.0,
        }
    }

    fn integral_to(&self, t: f64) -> f64 {
        let (k, x) = self.place(t);
        match (self.value.get(k), self.value.get(k + 1)) {
            (Some(a), Some(b)) => self.sum[k] + self.step_s * x * (a + 0.5 * x * (b - a)),
            (Some(a), None) => self.step_s * x * a,
            _ => 0.0,
        }
    }

    /// Area under the curve, mAU·s.
    pub(crate) fn area(&self, from_s: f64, to_s: f64) -> f64 {
        self.integral_to(to_s) - self.integral_to(from_s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn areas_and_means_do_not_mind_uneven_samples() {
        let t = [0.0, 1.0, 2.5, 3.0, 5.0];
        let y: Vec<f64> = t.iter().map(|t| 2.0 + 3.0 * t).collect();
        let r = Running::new(&t, &y);
        assert!((r.area(0.5, 4.5) - (2.0 * 4.0 + 1.5 * (4.5f64.powi(2) - 0.25))).abs() < 1e-12);
        assert!((r.at(2.0) - 8.0).abs() < 1e-12);
        let g = r.grid(1.0);
        for k in 0..g.value.len() {
            assert!((g.value[k] - 2.0 - 3.0 * g.centre_s(k)).abs() < 1e-12);
        }
        let c = Curve::new(0.0, 1.0, vec![2.0, 5.0, 8.0, 11.0]);
        assert!((c.area(0.5, 2.25) - r.area(0.5, 2.25)).abs() < 1e-12);
        assert!((c.at(4.0) - 14.0).abs() < 1e-12);
    }
}
