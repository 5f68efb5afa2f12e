//! Small nights for tests: two acids, one stored calibration, a queue spelled by letters.

use std::sync::Arc;

use jiff::tz::{Offset, TimeZone};
use jiff::{SignedDuration, Timestamp};

use crate::method::{Analyte, Conditions, Fit, Level, Limits, Method, Weight};
use crate::night::Landing;
use crate::night::calibrate::Named;
use crate::night::queue::{Changes, Queue, Terms};
use crate::quant::calibration::{Calibration, Meta, Point};
use crate::reading::{Air, Evaluation, Found, Reading, Unreadable};
use crate::runlist::{Injection, Kind, RunList};

/// Response of both analytes, mAU·s per mmol/L.
const RESPONSE: f64 = 100.0;
/// What the standards contain, mmol/L.
const MID: f64 = 5.0;

pub(crate) fn method() -> Method {
    let analyte = |name: &str, retention_min| Analyte {
        name: name.to_owned(),
        retention_min,
        window_min: 0.4,
        unit: "mmol/L".to_owned(),
        molar_mass_g_mol: None,
        steering: Default::default(),
    };
    let level = |name: &str, x: f64| Level {
        name: name.to_owned(),
        nominal: vec![Some(x), Some(x)],
    };
    Method {
        name: "organic acids in brine".to_owned(),
        conditions: Conditions {
            run_time_min: 22.0,
            overhead_min: 1.0,
            flow_ml_min: Some(0.6),
            injection_ul: Some(10.0),
            wavelength_nm: Some(210.0),
            oven_c: Some(50.0),
            detector_max_mau: None,
            peak_width_s: None,
            dead_time_min: None,
        },
        column: None,
        eluent: None,
        pumping: Default::default(),
        analytes: vec![analyte("lactic acid", 12.9), analyte("acetic acid", 15.2)],
        levels: vec![level("low", 0.5), level("mid", MID), level("high", 20.0)],
        limits: Limits::default(),
        fit: Fit {
            weight: Weight::InverseX,
            through_zero: false,
            degree: crate::method::Degree::Straight,
        },
        integration: Default::default(),
        plan: Default::default(),
        scatter: Default::default(),
        quantify: Default::default(),
        sha256: "0123456789abcdef".repeat(4),
    }
}

pub(crate) fn terms() -> Terms {
    let method = method();
    let points: Vec<Point> = method
        .analytes
        .iter()
        .flat_map(|a| {
            [0.5, 2.0, 5.0, 10.0, 20.0]
                .iter()
                .enumerate()
                .map(|(i, x)| Point {
                    level: format!("c{i}"),
                    analyte: a.name.clone(),
                    nominal: *x,
                    // A scatter of 0.4 %, now up, now down.
                    area_mau_s: RESPONSE * x * if i % 2 == 0 { 1.004 } else { 0.996 },
                    height_mau: None,
                    trace: format!("c{i}.csv"),
                    sha256: String::new(),
                })
        })
        .collect();
    let calibration =
        Calibration::fit(points, &method.analytes, method.fit, Meta::default()).unwrap();
    let stored = Named {
        label: "brine-acids".to_owned(),
        calibration: Arc::new(calibration),
    };
    Terms {
        method: Arc::new(method),
        stored: Some(stored),
        time_scale: 1.0,
    }
}

pub(crate) fn zone() -> TimeZone {
    TimeZone::fixed(Offset::from_hours(2).unwrap())
}

/// 2026-09-21 18:00 in [`zone`].
pub(crate) fn start() -> Timestamp {
    Timestamp::from_second(1_790_006_400).unwrap()
}

/// A trace with so much of each acid in the vial, mmol/L.
pub(crate) fn trace(found: &[Option<f64>]) -> Reading {
    let method = method();
    let peak = |(k, x): (usize, &Option<f64>)| {
        let retention_min = method.analytes.get(k)?.retention_min + 0.0123;
        (*x).map(|x| Found {
            retention_min,
            area_mau_s: RESPONSE * x,
            height_mau: 4.0 * x,
            signal_to_noise: 160.0 * x,
            tailing: Some(1.1),
            plates: Some(9000.0),
            resolution: Some(4.0),
            width_half_s: Some(20.0),
            start_min: retention_min - 0.5,
            end_min: retention_min + 0.5,
            baseline_start_mau: 0.0,
            baseline_end_mau: 0.0,
            rule: "valley to valley".to_owned(),
            candidates: 1,
            saturated: false,
            doubtful: None,
            classical_area_mau_s: None,
            fitted: None,
            peak_to_valley: None,
            retention_factor: None,
        })
    };
    Reading {
        points: 6600,
        start_min: 0.0,
        end_min: 22.0,
        noise_mau: Some(0.05),
        drift_mau_per_h: Some(0.4),
        air: None,
        analytes: found.iter().enumerate().map(peak).collect(),
        signal_unit: "mAU".to_owned(),
        notes: Vec::new(),
    }
}

/// A trace with these shares of the standard's amounts.
pub(crate) fn mid(shares: &[f64]) -> Reading {
    trace(&shares.iter().map(|s| Some(MID * s)).collect::<Vec<_>>())
}

pub(crate) fn bubble() -> Air {
    Air {
        spikes: 3,
        tallest_mau: 120.0,
        from_min: 4.0,
        to_min: 6.5,
        roughness_ratio: 40.0,
    }
}

/// A queue spelled by letters (`b`lank, `P` standard, `C`alibrator, `s`ample, `w` conditioning), positions from 1.
pub(crate) struct Night {
    plans: Vec<Injection>,
    method: Option<Arc<Method>>,
    pub(crate) queue: Option<Queue>,
    now: Timestamp,
    landed: i64,
    pub(crate) changes: Changes,
}

impl Night {
    pub(crate) fn new(letters: &str) -> Night {
        let numbered = letters.chars().enumerate();
        Night::of(numbered.map(|(k, c)| plan(k as u64 + 1, c)).collect())
    }

    /// A queue of these injections, judged by another method.
    pub(crate) fn of_method(method: Method, plans: Vec<Injection>) -> Night {
        Night {
            method: Some(Arc::new(method)),
            ..Night::of(plans)
        }
    }

    /// A queue of these injections; positions from 1.
    pub(crate) fn of(plans: Vec<Injection>) -> Night {
        Night {
            plans,
            method: None,
            queue: None,
            now: start(),
            landed: 0,
            changes: Changes::default(),
        }
    }

    /// Changes a planned injection, before anything lands.
    pub(crate) fn plan(
        &mut self,
        position: usize,
        change: impl FnOnce(&mut Injection),
    ) -> &mut Night {
        change(&mut self.plans[position - 1]);
        self
    }

    /// Makes samples replicates of one series and time.
    pub(crate) fn group(&mut self, series: &str, time_h: f64, positions: &[usize]) -> &mut Night {
        for (r, p) in positions.iter().enumerate() {
            self.plan(*p, |i| {
                (i.series, i.time_h, i.replicate) =
                    (series.to_owned(), Some(time_h), (r + 1).to_string())
            });
        }
        self
    }

    pub(crate) fn list(&self) -> RunList {
        RunList {
            injections: self.plans.clone(),
            ..RunList::default()
        }
    }

    pub(crate) fn queue(&mut self) -> &mut Queue {
        let list = self.list();
        let method = self.method.clone();
        self.queue.get_or_insert_with(|| {
            let mut terms = terms();
            terms.method = method.unwrap_or(terms.method);
            Queue::planned("crocks", &terms, &list)
        })
    }

    /// Lands what a night without trouble gives.
    pub(crate) fn good(&mut self, position: usize) -> &mut Night {
        let empty = self.plans[position - 1].kind == Kind::Blank;
        self.land(
            position,
            if empty {
                trace(&[None, None])
            } else {
                mid(&[1.0, 1.0])
            },
        )
    }

    pub(crate) fn land(&mut self, position: usize, reading: Reading) -> &mut Night {
        self.settle(position, Evaluation::Read(reading))
    }

    pub(crate) fn broken(&mut self, position: usize) -> &mut Night {
        let message = "found `abc`, expected a number".to_owned();
        self.settle(
            position,
            Evaluation::Unreadable(Unreadable {
                line: Some(17),
                message,
            }),
        )
    }

    fn settle(&mut self, position: usize, evaluation: Evaluation) -> &mut Night {
        self.now = self
            .now
            .checked_add(SignedDuration::from_secs(1380))
            .unwrap();
        self.landed += 1;
        let stem = self.plans[position - 1].stem.clone();
        let landing = Landing {
            id: self.landed,
            file_name: format!("{stem}.csv"),
            stem,
            sha256: format!("{:064x}", self.landed),
            modified: self.now,
            landed_at: self.now,
            revision: 1,
            evaluation,
        };
        assert!(self.queue().land(Arc::new(landing)));
        self
    }

    /// No further injection will come.
    pub(crate) fn end(&mut self) -> &mut Night {
        self.queue().end();
        self
    }

    /// So much time passes.
    pub(crate) fn wait(&mut self, minutes: i64) -> &mut Night {
        self.now = self
            .now
            .checked_add(SignedDuration::from_mins(minutes))
            .unwrap();
        let now = self.now;
        self.queue().tick(now);
        self
    }

    pub(crate) fn judged(&mut self) -> &Queue {
        let now = self.now;
        self.changes = self.queue().judge(now);
        self.queue()
    }
}

fn plan(position: u64, letter: char) -> Injection {
    let kind = match letter {
        'b' => Kind::Blank,
        'P' => Kind::Standard,
        'C' => Kind::Calibrator,
        's' => Kind::Sample,
        _ => Kind::Conditioning,
    };
    let level = if matches!(kind, Kind::Standard | Kind::Calibrator) {
        "mid"
    } else {
        ""
    };
    Injection {
        position,
        tray: "1".to_owned(),
        vial: position.to_string(),
        kind,
        name: format!("{} {position}", kind.word()),
        stem: format!("t-{position}"),
        volume_ul: None,
        dilution: 1.0,
        level: level.to_owned(),
        series: String::new(),
        time_h: None,
        replicate: String::new(),
        extra: Vec::new(),
    }
}
