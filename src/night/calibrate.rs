//! Calibrators inside a queue: fitted when the last of them is in; a fit that meets its limits serves the queue.

use std::sync::Arc;

use crate::check::{Check, Effect, Failure, volume_correction};
use crate::method::Method;
use crate::quant::calibration::{Blank, Calibration, Meta, Point};
use crate::quant::curve::Curve;
use crate::reading::{Evaluation, Reading};
use crate::runlist::Kind;
use crate::text::significant;

use super::Landing;
use super::slot::Slot;

/// A calibration with the name that the sheet gives it.
#[derive(Debug, Clone)]
pub struct Named {
    /// As in the sheet's `calibration` column.
    pub label: String,
    /// The curves.
    pub calibration: Arc<Calibration>,
}

/// Which curve serves each analyte: from the queue's own calibrators where that fit meets its limits, else the stored one.
#[derive(Debug, Clone, Default)]
pub struct Serving {
    own: Option<Named>,
    stored: Option<Named>,
    /// For each analyte: true where the queue's own curve serves.
    own_serves: Vec<bool>,
}

impl Serving {
    /// Only the stored calibration, as at the start of every queue.
    pub fn stored(stored: Option<Named>) -> Serving {
        Serving {
            own: None,
            stored,
            own_serves: Vec::new(),
        }
    }

    fn named(&self, analyte: usize) -> Option<&Named> {
        if self.is_own(analyte) {
            self.own.as_ref()
        } else {
            self.stored.as_ref()
        }
    }

    /// The curve that serves an analyte of the method.
    pub fn curve(&self, method: &Method, analyte: usize) -> Option<&Curve> {
        let name = &method.analytes.get(analyte)?.name;
        self.named(analyte)?.calibration.curve(name)
    }

    /// The curves of all analytes of the method, in its order.
    pub fn curves(&self, method: &Method) -> Vec<Option<&Curve>> {
        (0..method.analytes.len())
            .map(|k| self.curve(method, k))
            .collect()
    }

    /// The name of the calibration that serves an analyte; empty where none does.
    pub fn label(&self, method: &Method, analyte: usize) -> &str {
        if self.curve(method, analyte).is_none() {
            return "";
        }
        self.named(analyte).map_or("", |n| n.label.as_str())
    }

    /// Some analyte has a curve of the queue's own calibrators, and no stored one.
    pub fn only_own(&self, method: &Method) -> bool {
        let stored = |name: &str| self.stored.as_ref()?.calibration.curve(name).map(drop);
        let mut pairs = method.analytes.iter().zip(&self.own_serves);
        pairs.any(|(analyte, own)| *own && stored(&analyte.name).is_none())
    }

    /// The queue's own curve serves this analyte.
    pub fn is_own(&self, analyte: usize) -> bool {
        self.own_serves.get(analyte).copied().unwrap_or(false)
    }

    /// The fit of the queue's own calibrators, whether it serves or not.
    pub fn own(&self) -> Option<&Calibration> {
        self.own.as_ref().map(|n| n.calibration.as_ref())
    }
}

/// What the calibrators gave.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    /// What serves from now on.
    pub serving: Serving,
    /// One for each limit that was missed.
    pub failures: Vec<Failure>,
}

/// The slots of one kind whose trace was read and shows no air, with what landed in them.
fn sound<'a>(
    slots: impl Iterator<Item = &'a Slot>,
    kind: Kind,
) -> impl Iterator<Item = (&'a Slot, &'a Landing, &'a Reading)> {
    slots
        .filter(move |s| s.plan.kind == kind)
        .filter_map(|slot| {
            let landing = slot.landing.as_deref()?;
            match &landing.evaluation {
                Evaluation::Read(reading) if reading.air.is_none() => {
                    Some((slot, landing, reading))
                }
                _ => None,
            }
        })
}

/// The points that the calibrators in these slots give. Air, a cut-off top and a missing peak keep a point out.
pub fn points<'a>(slots: impl Iterator<Item = &'a Slot>, method: &Method) -> Vec<Point> {
    let mut out = Vec::new();
    for (slot, landing, reading) in sound(slots, Kind::Calibrator) {
        let Some(level) = method.level(&slot.plan.level) else {
            continue;
        };
        for (k, analyte) in method.analytes.iter().enumerate() {
            let nominal = level.nominal.get(k).copied().flatten();
            let found = reading
                .analytes
                .get(k)
                .and_then(Option::as_ref)
                .filter(|f| !f.saturated);
            if let (Some(nominal), Some(found)) = (nominal, found) {
                out.push(Point {
                    level: level.name.clone(),
                    analyte: analyte.name.clone(),
                    nominal,
                    area_mau_s: found.area_mau_s * volume_correction(&slot.plan, method),
                    height_mau: Some(found.height_mau * volume_correction(&slot.plan, method)),
                    trace: landing.file_name.clone(),
                    sha256: landing.sha256.clone(),
                });
            }
        }
    }
    out
}

/// What the blanks in these slots show of each analyte: the area in its window, corrected for the injected volume as
/// calibrators are, and the trace's noise. Air keeps a blank out.
pub fn blanks<'a>(slots: impl Iterator<Item = &'a Slot>, method: &Method) -> Vec<Blank> {
    let mut out = Vec::new();
    for (slot, landing, reading) in sound(slots, Kind::Blank) {
        for (k, analyte) in method.analytes.iter().enumerate() {
            let found = reading.analytes.get(k).and_then(Option::as_ref);
            out.push(Blank {
                analyte: analyte.name.clone(),
                area_mau_s: found.map(|f| f.area_mau_s * volume_correction(&slot.plan, method)),
                noise_mau: reading.noise_mau,
                trace: landing.file_name.clone(),
                sha256: landing.sha256.clone(),
            });
        }
    }
    out
}

/// Fits the calibrators and decides, analyte by analyte, what serves. `created` is the time of the last calibrator, RFC 3339.
pub fn fit(
    queue: &str,
    points: Vec<Point>,
    method: &Method,
    stored: Option<Named>,
    created: String,
) -> Outcome {
    let mut failures = Vec::new();
    let mut own_serves = vec![false; method.analytes.len()];
    let mut usable = Vec::new();
    for (k, (analyte, serves)) in method.analytes.iter().zip(&mut own_serves).enumerate() {
        let own: Vec<&Point> = points
            .iter()
            .filter(|p| p.analyte == analyte.name)
            .collect();
        if own.is_empty() {
            continue;
        }
        match Curve::fit(&analyte.name, &analyte.unit, &own, method.fit) {
            Ok(_) => {
                *serves = true;
                usable.extend(own.into_iter().cloned());
            }
            Err(error) => failures.push(unfit(k, &analyte.name, &error.to_string())),
        }
    }
    let meta = Meta {
        name: format!("queue {queue}"),
        method_name: method.name.clone(),
        method_sha256: method.sha256.clone(),
        created,
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
    };
    let own = Calibration::fit(usable, &method.analytes, method.fit, meta).ok();
    for miss in own.iter().flat_map(|c| c.acceptable(&method.limits)) {
        let Some(k) = method.analytes.iter().position(|a| a.name == miss.analyte) else {
            continue;
        };
        if let Some(serves) = own_serves.get_mut(k) {
            *serves = false;
        }
        failures.push(Failure {
            check: Check::Calibration,
            analyte: Some(k),
            measured: Some(miss.measured),
            limit: significant(miss.limit, 6),
            unit: miss.unit.to_owned(),
            message: miss.message,
            effect: Effect::None,
        });
    }
    failures.sort_by_key(|f| f.analyte);
    let own = own.map(|c| Named {
        label: format!("queue:{queue}"),
        calibration: Arc::new(c),
    });
    Outcome {
        serving: Serving {
            own,
            stored,
            own_serves,
        },
        failures,
    }
}

fn unfit(k: usize, analyte: &str, why: &str) -> Failure {
    Failure {
        check: Check::Calibration,
        analyte: Some(k),
        measured: None,
        limit: String::new(),
        unit: String::new(),
        message: format!("{analyte}: the calibrators cannot be fitted: {why}"),
        effect: Effect::None,
    }
}
