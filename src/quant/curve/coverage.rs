//! How often the 95 % interval holds the truth, for every model over the range down to the limit of quantification.
//!
//! 600 repeats a case; with RUNSITTER_FULL=1 in the environment 10,000, whose table `--nocapture` shows.

use super::tests::{Noise, points};
use super::{Curve, Point};
use crate::method::{Degree, Fit, Weight};
use crate::quant::describe::{Scatter, pooled_scatter};

const LEVELS: [f64; 6] = [0.5, 1.0, 2.0, 5.0, 10.0, 20.0];

/// A calibration that is true: scatter follows the weights of its fit.
#[derive(Clone, Copy)]
struct World {
    fit: Fit,
    /// Replicates of each level.
    replicates: usize,
    /// Scatter of the areas of samples and standards, as a fraction; 0: as the calibrators'.
    extra: f64,
}

impl World {
    fn area(&self, x: f64) -> f64 {
        let intercept = if self.fit.through_zero { 0.0 } else { 40.0 };
        let bend = match self.fit.degree {
            Degree::Straight => 0.0,
            Degree::Quadratic => -1.5,
        };
        intercept + (120.0 + bend * x) * x
    }

    fn scatter(&self, x: f64) -> f64 {
        // As weights do, scatter stays where the lowest level has it.
        let x = x.max(LEVELS[0]);
        match self.fit.weight {
            Weight::One => 6.0,
            Weight::InverseX => 8.0 * x.sqrt(),
            Weight::InverseX2 => 5.0 * x,
        }
    }

    fn read(&self, x: f64, noise: &mut Noise) -> f64 {
        self.area(x) + self.scatter(x) * noise.normal()
    }

    fn curve(&self, noise: &mut Noise) -> Curve {
        let data: Vec<(f64, f64)> = LEVELS
            .iter()
            .flat_map(|x| std::iter::repeat_n(*x, self.replicates))
            .map(|x| (x, self.read(x, noise)))
            .collect();
        let own = points(&data);
        let own: Vec<&Point> = own.iter().collect();
        Curve::fit("lactic acid", "mmol/L", &own, self.fit).unwrap()
    }

    /// Where the scatter of a reading is a tenth of the response above the intercept: the true limit of quantification.
    fn limit_of_quantification(&self) -> f64 {
        10.0 * self.scatter(0.0) / 120.0
    }

    /// What three standards in each of the two checkpoints around a sample show, where samples scatter like them.
    fn shown(&self, noise: &mut Noise) -> Option<Scatter> {
        if self.extra <= 0.0 {
            return None;
        }
        let mut three = || [0; 3].map(|_| 640.0 * (1.0 + self.extra * noise.normal()));
        pooled_scatter(&[&three(), &three()])
    }

    /// Share of intervals that hold `truth`, %, read `m` times.
    fn coverage(&self, truth: f64, m: u32, repeats: u32, seed: u64) -> f64 {
        let mut noise = Noise(seed);
        let mut held = 0;
        for _ in 0..repeats {
            let curve = self.curve(&mut noise);
            let mut total = 0.0;
            for _ in 0..m {
                let more = self.extra * self.area(truth) * noise.normal();
                total += if self.extra > 0.0 {
                    self.area(truth) + more
                } else {
                    self.read(truth, &mut noise)
                };
            }
            let p = curve.predict_with(total / f64::from(m), m, self.shown(&mut noise));
            held += u32::from(p.low_95 <= truth && truth <= p.high_95);
        }
        100.0 * f64::from(held) / f64::from(repeats)
    }
}

fn worlds() -> Vec<(String, World)> {
    let mut out = Vec::new();
    for degree in [Degree::Straight, Degree::Quadratic] {
        for through_zero in [false, true] {
            for weight in [Weight::One, Weight::InverseX, Weight::InverseX2] {
                for (replicates, extra) in [(1, 0.0), (3, 0.0), (1, 0.1), (3, 0.1)] {
                    let fit = Fit {
                        weight,
                        through_zero,
                        degree,
                    };
                    let zero = if through_zero { "zero" } else { "free" };
                    let name = format!("{degree:?} {zero} {weight:?} n {replicates} extra {extra}");
                    out.push((
                        name,
                        World {
                            fit,
                            replicates,
                            extra,
                        },
                    ));
                }
            }
        }
    }
    out
}

/// Exact theory gives 95 %; five standard errors of the count are allowed, 93 to 97 % in the full run (to 99 % where
/// standards are asked too).
#[test]
fn the_interval_holds_the_truth_from_the_limit_of_quantification_up() {
    let full = std::env::var_os("RUNSITTER_FULL").is_some_and(|v| v == "1");
    let (repeats, allowed) = if full { (10_000, 2.0) } else { (600, 4.5) };
    let mut wrong = Vec::new();
    for (k, (name, world)) in worlds().into_iter().enumerate() {
        let mut row = String::new();
        let low = world.limit_of_quantification();
        for (truth, m) in [(low, 1), (1.5, 1), (4.0, 2), (8.0, 1), (12.0, 4), (19.0, 1)] {
            let share = world.coverage(truth, m, repeats, 0x5EED_0000 + k as u64);
            row.push_str(&format!("  {truth:.2} x{m}: {share:.1}"));
            // Where standards and fit show the same scatter, the larger of two estimates is on the safe side.
            let above = if world.extra > 0.0 {
                4.0_f64.max(allowed)
            } else {
                allowed
            };
            if share < 95.0 - allowed || share > 95.0 + above {
                wrong.push(format!("{name} at {truth:.2} x{m}: {share} %"));
            }
        }
        println!("{name:<42}{row}");
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}
