//! Made-up traces with known truth, for tests: exponentially modified Gaussians and a small generator of noise.

/// erfc(x) exp(x²), after W. J. Cody's rational forms' successor by continued fraction; good to 1e-10 for x >= 0.
fn scaled_erfc(x: f64) -> f64 {
    if x < 2.0 {
        // Series of erf by Kummer: erf x = 2/sqrt(pi) e^-x² sum 2^n x^(2n+1)/(2n+1)!!.
        let (mut term, mut sum) = (x, x);
        for n in 1..200 {
            term *= 2.0 * x * x / f64::from(2 * n + 1);
            sum += term;
            if term.abs() < 1e-17 * sum.abs() {
                break;
            }
        }
        return (x * x).exp() - 2.0 / std::f64::consts::PI.sqrt() * sum;
    }
    let mut tail = 0.0;
    for k in (1..=60).rev() {
        tail = f64::from(k) / 2.0 / (x + tail);
    }
    1.0 / ((x + tail) * std::f64::consts::PI.sqrt())
}

/// Density of an exponentially modified Gaussian of area 1; `tau` 0: a Gaussian.
pub(crate) fn emg(t: f64, mu: f64, sigma: f64, tau: f64) -> f64 {
    let u = (t - mu) / sigma;
    let bell = (-0.5 * u * u).exp();
    if tau <= 0.0 {
        return bell / (sigma * (2.0 * std::f64::consts::PI).sqrt());
    }
    let z = (sigma / tau - u) / 2f64.sqrt();
    if z >= 0.0 {
        return bell * scaled_erfc(z) / (2.0 * tau);
    }
    let decay = (0.5 * (sigma / tau).powi(2) - (t - mu) / tau).exp();
    (2.0 * decay - bell * scaled_erfc(-z)) / (2.0 * tau)
}

/// A generator whose numbers are the same everywhere (SplitMix64).
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Dice(
            seed.wrapping_mul(0x9E37_79B9_7F4A_7C15)
                .wrapping_add(0x1234_5678_9ABC_DEF1),
        )
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Even between two values.
    pub(crate) fn even(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Standard normal (Box and Muller).
    pub(crate) fn normal(&mut self) -> f64 {
        let (a, b) = (self.even(1e-300, 1.0), self.even(0.0, 1.0));
        (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
    }
}

/// A trace in the making.
pub(crate) struct Made {
    pub(crate) time_s: Vec<f64>,
    pub(crate) signal_mau: Vec<f64>,
    pub(crate) dice: Dice,
}

impl Made {
    /// Flat, of so many minutes at so many samples per second.
    pub(crate) fn flat(minutes: f64, rate: f64, seed: u64) -> Self {
        let n = (minutes * 60.0 * rate) as usize + 1;
        let time_s: Vec<f64> = (0..n).map(|i| i as f64 / rate).collect();
        Made {
            signal_mau: vec![1.5; n],
            time_s,
            dice: Dice::new(seed),
        }
    }

    /// Adds a function of time.
    pub(crate) fn add(mut self, f: impl Fn(f64) -> f64) -> Self {
        for (t, y) in self.time_s.iter().zip(&mut self.signal_mau) {
            *y += f(*t);
        }
        self
    }

    /// Adds a peak of an area in mAU·s; times in s.
    pub(crate) fn peak(self, area: f64, mu: f64, sigma: f64, tau: f64) -> Self {
        let (from, to) = (mu - 9.0 * sigma, mu + 9.0 * sigma + 40.0 * tau);
        self.add(|t| {
            if t > from && t < to {
                area * emg(t, mu, sigma, tau)
            } else {
                0.0
            }
        })
    }

    /// White noise.
    pub(crate) fn white(mut self, sd: f64) -> Self {
        for y in &mut self.signal_mau {
            *y += sd * self.dice.normal();
        }
        self
    }

    /// Noise whose neighbours are correlated over `memory_s`.
    pub(crate) fn coloured(mut self, sd: f64, memory_s: f64) -> Self {
        let rho = (-(self.time_s[1] - self.time_s[0]) / memory_s).exp();
        let mut state = self.dice.normal();
        for y in &mut self.signal_mau {
            *y += sd * state;
            state = rho * state + (1.0 - rho * rho).sqrt() * self.dice.normal();
        }
        self
    }

    /// Drift, mAU/h, and slow wander.
    pub(crate) fn wander(self, drift: f64, amplitude: f64, period_s: f64, phase: f64) -> Self {
        self.add(|t| {
            drift * t / 3600.0 + amplitude * (std::f64::consts::TAU * t / period_s + phase).sin()
        })
    }

    /// The injection front: a peak and a dip near the void.
    pub(crate) fn front(self, at_s: f64) -> Self {
        self.peak(25.0, at_s, 6.0, 3.0)
            .peak(-14.0, at_s + 18.0, 6.0, 3.0)
    }

    /// Rounds to steps.
    pub(crate) fn rounded(mut self, step: f64) -> Self {
        for y in &mut self.signal_mau {
            *y = (*y / step).round() * step;
        }
        self
    }

    /// Cuts at a ceiling.
    pub(crate) fn cut(mut self, ceiling: f64) -> Self {
        for y in &mut self.signal_mau {
            *y = y.min(ceiling);
        }
        self
    }
}

/// Area under [`emg`] of the demo's usual acids: retention s, sigma s, tau s, response mAU·s per mmol/L.
pub(crate) const ACIDS: [(f64, f64, f64, f64); 7] = [
    (414.0, 7.0, 3.0, 410.0),
    (483.0, 7.5, 3.2, 150.0),
    (681.0, 8.5, 3.5, 62.0),
    (774.0, 9.0, 3.8, 48.0),
    (843.0, 9.5, 4.0, 31.0),
    (912.0, 10.0, 4.2, 36.0),
    (1086.0, 11.0, 4.6, 34.0),
];
