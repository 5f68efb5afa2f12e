//! Air in the lines: spikes narrower than any peak, and chaotic noise.
//!
//! A sample is held against the cubic through its two neighbours on either side, on means over ever more samples. A
//! peak, however tall, is nearly a cubic at such distances; a spike and chaos are not. What a spike is in numbers is a
//! house rule (common practice, no source):
//!
//! - air is three spikes, or two of more than one sample, or a stretch that jumps up and down many times by many times
//!   the trace's usual roughness;
//! - one spike alone is taken for an electronic one, whatever its height. It is bridged before anything is measured, so
//!   that no area holds it, and counted in [`Profile::bridged`](super::Profile::bridged);
//! - a step, a corner of a cut top, a front and the flicker of coarse digits are none of these.

use crate::reading::Air;

use super::resample::Running;
use super::spread;

/// A spike's residual over the usual one.
const SPIKE: f64 = 10.0;
/// The same for one sample among many in a chaotic stretch.
const CHAOS: f64 = 6.0;

/// A stretch that does not belong to the chromatogram.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stretch {
    pub(crate) from_s: f64,
    pub(crate) to_s: f64,
    /// Largest deviation, mAU.
    pub(crate) tallest_mau: f64,
    /// Its roughness over the usual.
    pub(crate) ratio: f64,
    /// More than one sample.
    pub(crate) several: bool,
}

/// All that was found.
#[derive(Debug, Clone, Default)]
pub(crate) struct Signs {
    pub(crate) spikes: Vec<Stretch>,
    pub(crate) chaos: Vec<Stretch>,
}

/// The trace as means over `2^k` samples of its base.
struct Level {
    value: Vec<f64>,
    start_s: f64,
    step_s: f64,
    sigma: f64,
    raw: bool,
}

/// One sample that no cubic explains.
#[derive(Clone, Copy)]
struct Outlier {
    cell: usize,
    residual: f64,
    /// It stands out against the samples two places off, on both sides: a step does not.
    alone: bool,
}

/// Looks for spikes and chaos. `narrowest_s`: full width at half height below which nothing at a time is a peak.
pub(crate) fn look(
    time_s: &[f64],
    signal_mau: &[f64],
    narrowest_s: impl Fn(f64) -> f64,
    digit_mau: f64,
) -> Signs {
    let mut signs = Signs::default();
    let n = time_s.len();
    if n < 16 {
        return signs;
    }
    let widest = narrowest_s(time_s[n - 1]);
    let mut level = base(time_s, signal_mau);
    let mut first = true;
    while level.value.len() >= 16 && (first || 2.0 * level.step_s <= widest) {
        level.sigma =
            sigma(&level.value, digit_mau).max(if level.raw { 0.5 } else { 0.3 } * digit_mau);
        let outliers = outliers(&level);
        let spikes = gather(&level, &outliers, &narrowest_s, first, &mut signs);
        // What this level explains must not show, diluted, in the next.
        for cell in spikes {
            level.value[cell] = 0.5 * (level.value[cell - 1] + level.value[cell + 1]);
        }
        level = halved(&level);
        first = false;
    }
    settle(&mut signs);
    signs
}

/// The raw samples, or means over a tenth of a second where they are closer.
fn base(time_s: &[f64], signal_mau: &[f64]) -> Level {
    let n = time_s.len();
    let step_s = (time_s[n - 1] - time_s[0]) / (n - 1) as f64;
    if step_s >= 0.05 {
        return Level {
            value: signal_mau.to_vec(),
            start_s: time_s[0] - 0.5 * step_s,
            step_s,
            sigma: 0.0,
            raw: true,
        };
    }
    let many = (0.1 / step_s).round().max(1.0) as usize;
    let value = signal_mau
        .chunks_exact(many)
        .map(|c| c.iter().sum::<f64>() / many as f64)
        .collect();
    Level {
        value,
        start_s: time_s[0] - 0.5 * step_s,
        step_s: step_s * many as f64,
        sigma: 0.0,
        raw: false,
    }
}

fn halved(level: &Level) -> Level {
    let value = level
        .value
        .chunks_exact(2)
        .map(|c| 0.5 * (c[0] + c[1]))
        .collect();
    Level {
        value,
        start_s: level.start_s,
        step_s: 2.0 * level.step_s,
        sigma: 0.0,
        raw: false,
    }
}

/// Value minus the cubic through the two neighbours on either side.
fn residual(w: &[f64]) -> f64 {
    w[2] - (4.0 * (w[1] + w[3]) - (w[0] + w[4])) / 6.0
}

/// Usual size of the residual. Where the signal stands still (at a ceiling) it says nothing of the noise, unless coarse
/// digits hide it everywhere.
fn sigma(value: &[f64], digit_mau: f64) -> f64 {
    let n = value.len().saturating_sub(4);
    let moving = spread::from_lower_quarter_of_moving(n, |k| residual(&value[k..k + 5]));
    if moving > 3.0 * digit_mau {
        return moving;
    }
    spread::from_lower_quarter(n, |k| residual(&value[k..k + 5]))
}

fn outliers(level: &Level) -> Vec<Outlier> {
    let least = (CHAOS * level.sigma).max(1e-9);
    let mut out = Vec::new();
    let last = level.value.len().saturating_sub(4);
    for from in (0..last).step_by(BLOCK) {
        let count = BLOCK.min(last - from);
        let (residuals, any) = block(&level.value[from..from + count + 4], least);
        if !any {
            continue;
        }
        for (k, r) in residuals
            .iter()
            .enumerate()
            .take(count)
            .filter(|(_, r)| r.abs() > least)
        {
            let cell = from + k + 2;
            if r.abs() > bend(&level.value, cell).max(slope(&level.value, cell)) {
                out.push(Outlier {
                    cell,
                    residual: *r,
                    alone: alone(&level.value[cell - 2..cell + 3], *r),
                });
            }
        }
    }
    out
}

const BLOCK: usize = 64;

/// The residuals of a block, and whether one exceeds the limit; without branches, so that it runs on vectors.
fn block(value: &[f64], least: f64) -> ([f64; BLOCK], bool) {
    let mut residuals = [0.0; BLOCK];
    let mut any = false;
    for (r, w) in residuals.iter_mut().zip(value.windows(5)) {
        *r = residual(w);
        any |= r.abs() > least;
    }
    (residuals, any)
}

/// Stands out against the samples one and two places off, on both sides.
fn alone(w: &[f64], r: f64) -> bool {
    let over = |other: f64| r.signum() * (w[2] - other);
    let (a, b, c, d) = (over(w[0]), over(w[4]), over(w[1]), over(w[3]));
    a.min(b) > 0.5 * a.max(b) && c.min(d) > -0.1 * r.abs()
}

/// Half the steepest slope per sample near a cell: rounded or jittering times make a zigzag of a third of it.
fn slope(value: &[f64], cell: usize) -> f64 {
    let w = &value[cell - 2..cell + 3];
    0.25 * (w[2] - w[0])
        .abs()
        .max((w[3] - w[1]).abs())
        .max((w[4] - w[2]).abs())
}

/// How much the signal bends near a cell at the distance of the cubic's own points: large on a real peak.
fn bend(value: &[f64], cell: usize) -> f64 {
    let from = cell.saturating_sub(4);
    let to = (cell + 5).min(value.len());
    let mut most = 0.0f64;
    for (i, w) in value[from..to].windows(5).enumerate() {
        // The cell itself must not speak for itself.
        if i + from + 2 == cell || i + from == cell || i + from + 4 == cell {
            most = most.max(((w[1] + w[3]) - (w[0] + w[4])).abs() / 6.0);
        }
    }
    most
}

/// Sorts a level's outliers into chaotic stretches and single spikes; gives the cells of the spikes.
fn gather(
    level: &Level,
    outliers: &[Outlier],
    narrowest_s: impl Fn(f64) -> f64,
    first: bool,
    signs: &mut Signs,
) -> Vec<usize> {
    let mut cells = Vec::new();
    let at = |cell: usize| level.start_s + (cell as f64 + 0.5) * level.step_s;
    for run in outliers.chunk_by(|a, b| b.cell - a.cell <= 12) {
        let changes = run
            .windows(2)
            .filter(|w| w[0].residual * w[1].residual < 0.0)
            .count();
        let tallest = run.iter().map(|o| o.residual.abs()).fold(0.0, f64::max);
        let (from, to) = (run[0].cell, run[run.len() - 1].cell);
        let narrow = first || 2.0 * level.step_s <= narrowest_s(at(from));
        if run.len() >= 7 && changes >= 3 && narrow {
            let square: f64 = run.iter().map(|o| o.residual * o.residual).sum();
            let ratio =
                (square / (to - from + 1) as f64).sqrt() / level.sigma.max(f64::MIN_POSITIVE);
            signs.chaos.push(Stretch {
                from_s: at(from),
                to_s: at(to),
                tallest_mau: tallest,
                ratio,
                several: true,
            });
            continue;
        }
        for o in run
            .iter()
            .filter(|o| o.alone && o.residual.abs() > SPIKE * level.sigma)
        {
            if !first && 2.0 * level.step_s > narrowest_s(at(o.cell)) {
                continue;
            }
            let reach = if level.raw { 0.5 } else { 1.0 } * level.step_s;
            let ratio = o.residual.abs() / (4.0 * level.sigma.max(f64::MIN_POSITIVE));
            signs.spikes.push(Stretch {
                from_s: at(o.cell) - reach,
                to_s: at(o.cell) + reach,
                tallest_mau: o.residual.abs(),
                ratio,
                // A sample of half a second is longer than anything electronic.
                several: !first || level.step_s >= 0.5,
            });
            cells.push(o.cell);
        }
    }
    cells
}

/// Joins what overlaps; a spike inside a chaotic stretch is part of it.
fn settle(signs: &mut Signs) {
    signs.chaos = joined(std::mem::take(&mut signs.chaos), 5.0);
    let chaos = &signs.chaos;
    let mut spikes = std::mem::take(&mut signs.spikes);
    spikes.retain(|s| !chaos.iter().any(|c| s.from_s < c.to_s && s.to_s > c.from_s));
    signs.spikes = joined(spikes, 0.0);
}

fn joined(mut all: Vec<Stretch>, gap_s: f64) -> Vec<Stretch> {
    all.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
    let mut out: Vec<Stretch> = Vec::with_capacity(all.len());
    for s in all {
        match out.last_mut().filter(|l| s.from_s <= l.to_s + gap_s) {
            Some(last) => {
                last.to_s = last.to_s.max(s.to_s);
                last.tallest_mau = last.tallest_mau.max(s.tallest_mau);
                last.ratio = last.ratio.max(s.ratio);
                last.several |= s.several;
            }
            None => out.push(s),
        }
    }
    out
}

impl Signs {
    /// Whether this is air, and how it is told.
    pub(crate) fn verdict(&self) -> Option<Air> {
        let wide = self.spikes.iter().filter(|s| s.several).count();
        if self.chaos.is_empty() && self.spikes.len() < 3 && wide < 2 {
            return None;
        }
        let all = || self.spikes.iter().chain(&self.chaos);
        Some(Air {
            spikes: self.spikes.len() as u64,
            tallest_mau: all().map(|s| s.tallest_mau).fold(0.0, f64::max),
            from_min: all()
                .map(|s| s.from_s)
                .fold(f64::INFINITY, f64::min)
                .max(0.0)
                / 60.0,
            to_min: all().map(|s| s.to_s).fold(0.0, f64::max) / 60.0,
            roughness_ratio: all().map(|s| s.ratio).fold(1.0, f64::max),
        })
    }

    /// The signal with every spike replaced by a straight line between its neighbours; `None` where there is none.
    pub(crate) fn bridged(&self, time_s: &[f64], signal_mau: &[f64]) -> Option<Vec<f64>> {
        if self.spikes.is_empty() {
            return None;
        }
        let mut out = signal_mau.to_vec();
        for s in &self.spikes {
            let from = time_s.partition_point(|t| *t < s.from_s);
            let to = time_s.partition_point(|t| *t <= s.to_s);
            if from == 0 || to >= time_s.len() || to <= from {
                continue;
            }
            let (a, b) = (from - 1, to);
            let slope = (out[b] - out[a]) / (time_s[b] - time_s[a]);
            let (level, origin) = (out[a], time_s[a]);
            for i in from..to {
                out[i] = level + slope * (time_s[i] - origin);
            }
        }
        Some(out)
    }
}

/// Looks at a whole trace: [`Air`] where it shows. `narrowest_s` as a function of time, s.
pub fn air(time_s: &[f64], signal_mau: &[f64], narrowest_s: impl Fn(f64) -> f64) -> Option<Air> {
    let n = time_s.len().min(signal_mau.len());
    let (time_s, signal_mau) = (&time_s[..n], &signal_mau[..n]);
    look(
        time_s,
        signal_mau,
        narrowest_s,
        spread::digit_step(signal_mau),
    )
    .verdict()
}

/// Noise of single samples, standard deviation: from the residuals of the running trace, mAU.
pub(crate) fn sample_noise(running: &Running) -> f64 {
    // Var of the residual of white noise: 1 + (2 * 16 + 2) / 36.
    sigma(running.signal_mau(), 0.0) / (1.0 + 34.0f64 / 36.0).sqrt()
}
