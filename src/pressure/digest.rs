//! What the summary says of a queue's pressure.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::cycle::{Point, middle};
use crate::quant::trend::theil_sen;

/// Medians of cycles that are kept; of more, every second is left out.
const MOST_CYCLES: usize = 400;
/// Cycles that show what is usual.
const USUAL_CYCLES: usize = 3;
/// A change from the usual that deserves a look, % (common practice, no source).
pub const LOOK_PERCENT: f64 = 20.0;

/// A reading that stands out.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Extreme {
    /// MPa.
    pub mpa: f64,
    /// When.
    pub at: Timestamp,
}

/// The pressure of a queue in a few numbers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Digest {
    /// Readings.
    pub readings: u64,
    /// Lowest reading.
    pub lowest: Extreme,
    /// Highest reading.
    pub highest: Extreme,
    /// Median, MPa.
    pub median_mpa: f64,
    /// Slope over the queue with its 95 % interval, MPa/h; `None` with fewer than three cycles.
    pub slope_mpa_per_h: Option<[f64; 3]>,
    /// What the first cycles stood at, MPa.
    pub usual_mpa: Option<f64>,
    /// The cycle furthest from the usual: its median, at its middle.
    pub furthest: Option<Extreme>,
    /// How long the pressure stood outside its normal band, min, and since when first.
    pub outside: Option<(f64, Timestamp)>,
    /// It stood above the band, below it.
    pub sides: (bool, bool),
    /// What it stood at last.
    #[serde(default)]
    pub last: Option<Extreme>,
}

/// What the ledger keeps of a queue's pressure.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Record {
    /// Readings up to here have been judged: nothing of them is told a second time.
    pub until: Option<Timestamp>,
    /// For the summary.
    pub digest: Option<Digest>,
}

/// Gathers a digest from points.
#[derive(Debug, Clone, Default)]
pub struct Gather {
    readings: u64,
    lowest: Option<Extreme>,
    highest: Option<Extreme>,
    /// Median and middle time of each cycle, s.
    cycles: Vec<(f64, f64)>,
    /// Points of the cycle that runs.
    open: Vec<(i64, f64, f64)>,
    usual: Vec<f64>,
    furthest: Option<(f64, f64)>,
    outside_s: f64,
    outside_since_s: Option<f64>,
    sides: (bool, bool),
    last: Option<Extreme>,
}

/// How seconds of a course become moments and hours.
#[derive(Debug, Clone, Copy)]
pub struct Scale {
    /// The course's start.
    pub start: Timestamp,
    /// Seconds of a minute: 60 in life.
    pub minute_s: f64,
}

impl Scale {
    /// The moment of so many seconds.
    pub fn at(&self, s: f64) -> Timestamp {
        crate::night::pace::later(self.start, s).unwrap_or(self.start)
    }
}

impl Gather {
    /// A reading was counted.
    pub fn count(&mut self) {
        self.readings = self.readings.saturating_add(1);
    }

    /// A stretch has ended; it lasted `length_s`.
    pub fn add(&mut self, point: &Point, length_s: f64, band: Option<[f64; 2]>, scale: Scale) {
        self.extremes(point, scale);
        if let Some([low, high]) = band {
            let (above, below) = (point.mpa > high, point.mpa < low);
            if above || below {
                self.outside_s += length_s;
                self.outside_since_s.get_or_insert(point.at_s);
                self.sides = (self.sides.0 || above, self.sides.1 || below);
            }
        }
        if self
            .open
            .first()
            .is_some_and(|(c, ..)| *c != point.place.cycle)
        {
            self.close_cycle();
        }
        self.open.push((point.place.cycle, point.at_s, point.mpa));
    }

    fn extremes(&mut self, point: &Point, scale: Scale) {
        let at = scale.at(point.at_s);
        self.last = Some(Extreme { mpa: point.mpa, at });
        let less = |e: Option<Extreme>| e.is_none_or(|e| point.lowest_mpa < e.mpa);
        let more = |e: Option<Extreme>| e.is_none_or(|e| point.highest_mpa > e.mpa);
        if less(self.lowest) {
            self.lowest = Some(Extreme {
                mpa: point.lowest_mpa,
                at,
            });
        }
        if more(self.highest) {
            self.highest = Some(Extreme {
                mpa: point.highest_mpa,
                at,
            });
        }
    }

    fn close_cycle(&mut self) {
        let open = std::mem::take(&mut self.open);
        let (Some(mpa), Some(at_s)) = (
            middle(&mut open.iter().map(|p| p.2).collect::<Vec<_>>()),
            middle(&mut open.iter().map(|p| p.1).collect::<Vec<_>>()),
        ) else {
            return;
        };
        if self.usual.len() < USUAL_CYCLES {
            self.usual.push(mpa);
        } else if let Some(usual) = self.usual_mpa() {
            let far = |x: f64| (x - usual).abs();
            if self.furthest.is_none_or(|(old, _)| far(mpa) > far(old)) {
                self.furthest = Some((mpa, at_s));
            }
        }
        self.cycles.push((at_s, mpa));
        if self.cycles.len() > MOST_CYCLES {
            let mut k = 0;
            self.cycles.retain(|_| {
                k += 1;
                k % 2 == 1
            });
        }
    }

    /// What the first cycles stood at, MPa.
    pub fn usual_mpa(&self) -> Option<f64> {
        (self.usual.len() == USUAL_CYCLES)
            .then(|| middle(&mut self.usual.clone()))
            .flatten()
    }

    /// The digest so far, `open` being the stretch that runs; `None` without readings.
    pub fn digest(&self, open: Option<Point>, scale: Scale) -> Option<Digest> {
        let mut whole = self.clone();
        if let Some(point) = open {
            whole.add(&point, 0.0, None, scale);
        }
        whole.close_cycle();
        let (x, y): (Vec<f64>, Vec<f64>) = whole.cycles.iter().copied().unzip();
        let hour_s = 60.0 * scale.minute_s;
        let slope = theil_sen(&x, &y, 0.95)
            .and_then(|fit| Some([fit.slope * hour_s, fit.low? * hour_s, fit.high? * hour_s]));
        let extreme = |(mpa, s): (f64, f64)| Extreme {
            mpa,
            at: scale.at(s),
        };
        Some(Digest {
            readings: whole.readings,
            lowest: whole.lowest?,
            highest: whole.highest?,
            median_mpa: middle(&mut y.clone())?,
            slope_mpa_per_h: slope,
            usual_mpa: whole.usual_mpa(),
            furthest: whole.furthest.map(extreme),
            outside: whole
                .outside_since_s
                .map(|s| (whole.outside_s / scale.minute_s, scale.at(s))),
            sides: whole.sides,
            last: whole.last,
        })
    }
}

impl Digest {
    /// The change of the cycle furthest from the usual, %, where it deserves a look.
    pub fn change_percent(&self) -> Option<f64> {
        let (usual, furthest) = (self.usual_mpa?, self.furthest?);
        let change = 100.0 * (furthest.mpa - usual) / usual;
        (change.is_finite() && change.abs() > LOOK_PERCENT).then_some(change)
    }
}

#[cfg(test)]
mod tests {
    use super::super::cycle::{BINS, Place};
    use super::*;

    fn gathered(cycles: i64, mpa: impl Fn(i64) -> f64) -> Digest {
        let scale = Scale {
            start: Timestamp::from_second(1_790_006_400).unwrap(),
            minute_s: 60.0,
        };
        let mut gather = Gather::default();
        for k in 0..cycles * BINS {
            let x = mpa(k / BINS);
            let point = Point {
                place: Place {
                    cycle: k / BINS,
                    bin: k % BINS,
                },
                at_s: k as f64 * 100.0,
                mpa: x,
                lowest_mpa: x - 0.1,
                highest_mpa: x + 0.1,
            };
            gather.count();
            gather.add(&point, 100.0, Some([4.0, 8.0]), scale);
        }
        gather.digest(None, scale).unwrap()
    }

    #[test]
    fn a_night_is_brought_down_to_a_few_numbers() {
        let digest = gathered(10, |c| 4.0 + 0.1 * c as f64);
        assert_eq!(digest.readings, 120);
        assert_eq!((digest.lowest.mpa, digest.highest.mpa), (3.9, 5.0));
        assert_eq!(digest.last.map(|l| l.mpa), Some(4.9));
        assert!((digest.median_mpa - 4.45).abs() < 1e-12);
        // 0.1 MPa in each cycle of 20 min.
        let slope = digest.slope_mpa_per_h.unwrap();
        assert!((slope[0] - 0.3).abs() < 1e-9 && slope[1] <= slope[0] && slope[2] >= slope[0]);
        assert!((digest.usual_mpa.unwrap() - 4.1).abs() < 1e-12);
        assert_eq!(digest.outside, None);
    }

    #[test]
    fn a_fifth_from_the_usual_deserves_a_look() {
        let change = |to: f64| gathered(6, |c| if c < 4 { 5.0 } else { to }).change_percent();
        assert_eq!(change(5.99), None);
        assert!((change(6.01).unwrap() - 20.2).abs() < 1e-9);
        assert!(change(3.9).unwrap() < -20.0);
    }

    #[test]
    fn leaving_the_band_is_counted_in_minutes() {
        let digest = gathered(6, |c| if c == 4 { 8.1 } else { 8.0 });
        let (minutes, since) = digest.outside.unwrap();
        assert!((minutes - 20.0).abs() < 1e-9);
        assert_eq!(since.as_second(), 1_790_006_400 + 4800);
        assert_eq!(digest.sides, (true, false));
    }

    #[test]
    fn a_week_stays_small() {
        let mut gather = Gather::default();
        let scale = Scale {
            start: Timestamp::UNIX_EPOCH,
            minute_s: 60.0,
        };
        for k in 0..2000 * BINS {
            let point = Point {
                place: Place {
                    cycle: k / BINS,
                    bin: k % BINS,
                },
                at_s: k as f64,
                mpa: 4.0,
                lowest_mpa: 4.0,
                highest_mpa: 4.0,
            };
            gather.add(&point, 1.0, None, scale);
        }
        assert!(gather.cycles.len() <= MOST_CYCLES + 1 && gather.open.len() <= BINS as usize);
    }
}
