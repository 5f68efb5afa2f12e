//! The budget in sentences.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::{Budget, Expected, Shortfall, Shutdown, Use, Vial};
use crate::check::Check;
use crate::night::pace::later;
use crate::text::{count, fixed, local, one_line, significant};

/// The clock at the start, where it is known.
struct Clock<'a> {
    start: Option<Timestamp>,
    zone: &'a TimeZone,
}

impl Clock<'_> {
    fn stamp(&self, at_min: f64) -> Option<jiff::ZonedDateTime> {
        Some(local(later(self.start?, at_min * 60.0)?, self.zone))
    }

    /// `after 20.8 h`, or with a start `after 20.8 h, Sun 2026-03-29 16:50`.
    fn after(&self, at_min: f64) -> String {
        let after = format!("after {}", length(at_min));
        match self.stamp(at_min) {
            Some(at) => format!("{after}, {}", at.strftime("%a %Y-%m-%d %H:%M")),
            None => after,
        }
    }
}

impl Budget {
    /// What people read: one fact on a line, without a final stop. With a `start` the times of day stand beside the
    /// durations, on the clock of `zone`, through a change to summer time and back.
    pub fn lines(&self, start: Option<Timestamp>, zone: &TimeZone) -> Vec<String> {
        let mut out = self.facts(start, zone);
        if self.injections > 0 {
            out.extend(self.pressure.as_ref().map(Expected::line));
        }
        out.extend(
            self.shortfall_lines(start, zone)
                .into_iter()
                .map(|(_, l)| l),
        );
        out
    }

    /// What does not last, a line for each with the name of its check before it.
    pub fn shortfall_lines(
        &self,
        start: Option<Timestamp>,
        zone: &TimeZone,
    ) -> Vec<(Option<Check>, String)> {
        let clock = Clock { start, zone };
        let line = |s: &Shortfall| (s.check, shortfall(s, &clock));
        self.shortfalls().iter().map(line).collect()
    }

    /// What the list needs in a few words: `about 4.2 h and 151 mL of eluent`, and which check fails where that is more than
    /// bottle or waste container takes.
    pub fn brief(&self) -> String {
        let mut out = format!("about {} h", fixed(self.duration_min() / 60.0, 1));
        let bottles = self
            .containers
            .iter()
            .filter(|u| u.container.check == Check::EluentShort);
        let several = bottles.clone().count() > 1;
        let drunk: Vec<String> = bottles
            .map(|u| {
                let name = if several { &u.container.name } else { "eluent" };
                format!("{} mL of {name}", fixed(u.used_ml, 0))
            })
            .collect();
        if !drunk.is_empty() {
            out += &format!(" and {}", drunk.join(", "));
        }
        for check in [Check::EluentShort, Check::WasteFull] {
            if self.shortfalls().iter().any(|s| s.check == Some(check)) {
                out += &format!("; more than may be used ({check})");
            }
        }
        out
    }

    /// The same without the pressure to expect and without what does not last.
    pub fn facts(&self, start: Option<Timestamp>, zone: &TimeZone) -> Vec<String> {
        let clock = Clock { start, zone };
        let mut out = Vec::new();
        if self.injections == 0 {
            return out;
        }
        out.push(self.duration(&clock));
        let end_min = self.duration_min();
        out.extend(
            self.containers
                .iter()
                .map(|u| container(u, end_min, &clock)),
        );
        if self.containers.is_empty() {
            out.push(
                "eluent and waste: not reckoned, as the method gives no flow_ml_min".to_owned(),
            );
        }
        out.extend(self.left_behind());
        out.extend(self.fullest_vial());
        out.push(self.end(&clock));
        out
    }

    fn duration(&self, clock: &Clock<'_>) -> String {
        let cycle_min = self.runs_min / self.injections as f64;
        let mut parts = vec![format!(
            "{} of {} min",
            count(self.injections, "injection"),
            significant(cycle_min, 4)
        )];
        for (minutes, what) in [
            (self.before_min, "conditioning before"),
            (self.after_min, "flushing after"),
        ] {
            if minutes > 0.0 {
                parts.push(format!("{} min {what}", significant(minutes, 4)));
            }
        }
        let total = length(self.duration_min());
        let mut line = format!("time: {total} ({})", parts.join(", "));
        let ends = clock.stamp(0.0).zip(clock.stamp(self.duration_min()));
        if let Some((from, to)) = ends {
            let format = "%a %Y-%m-%d %H:%M";
            line += &format!("; {} to {}", from.strftime(format), to.strftime(format));
            line += &turned(from.offset().seconds(), to.offset().seconds());
        }
        line
    }

    /// What stays in the bottles after each checkpoint, where it is known.
    fn left_behind(&self) -> Vec<String> {
        let bottles = self
            .containers
            .iter()
            .enumerate()
            .filter(|(_, u)| u.container.check == Check::EluentShort);
        let of = |(k, used): (usize, &Use)| {
            let left: Vec<String> = self
                .checkpoints
                .iter()
                .filter_map(|c| {
                    let ml = (*c.left_ml.get(k)?)?;
                    Some(if ml < 0.0 {
                        let short = ml_text(-ml);
                        format!("empty at position {}, {short} mL short", c.position)
                    } else {
                        format!("{} mL at position {}", ml_text(ml), c.position)
                    })
                })
                .collect();
            let name = &used.container.name;
            (!left.is_empty()).then(|| {
                format!(
                    "left of {name:?} after each checkpoint: {}",
                    shortened(&left)
                )
            })
        };
        bottles.filter_map(of).collect()
    }

    /// The vial from which most is drawn.
    fn fullest_vial(&self) -> Option<String> {
        let most = self.vials.iter().reduce(|most, v| {
            if v.needed_ul > most.needed_ul {
                v
            } else {
                most
            }
        })?;
        if self.vial_filled_ul.is_none() && most.positions.len() < 2 {
            return None;
        }
        let filled = match self.vial_filled_ul {
            Some(ul) => format!(", {} µL are in it", ml_text(ul)),
            None => String::new(),
        };
        Some(format!(
            "vials: at most {} µL from one ({}, {}, {} µL with what the needle cannot reach){filled}",
            ml_text(most.drawn_ul),
            place(most),
            count(most.positions.len(), "injection"),
            ml_text(most.needed_ul),
        ))
    }

    /// How the night ends, and what happens if nobody stops the pump.
    fn end(&self, clock: &Clock<'_>) -> String {
        let reminder = match &self.shutdown {
            Shutdown::Listed { position, name } => {
                return format!(
                    "the list ends with a shutdown: position {position}, {:?}",
                    one_line(name)
                );
            }
            Shutdown::Flushed {
                minutes,
                flow_ml_min,
            } => format!(
                "no shutdown is in the list: queue one on the instrument behind it that flushes for {} min at {} mL/min and then stops pump and lamp",
                significant(*minutes, 4),
                significant(*flow_ml_min, 4)
            ),
            Shutdown::Missing => {
                "no shutdown is in the list: queue one on the instrument behind it".to_owned()
            }
        };
        let first = self
            .containers
            .iter()
            .filter(|u| u.container.check == Check::EluentShort)
            .filter_map(|u| Some((u, u.dry_at_min?)))
            .min_by(|a, b| a.1.total_cmp(&b.1));
        match first.zip(self.hold_flow_ml_min) {
            Some(((used, dry_min), flow)) => format!(
                "{reminder}; a pump that goes on at {} mL/min empties {:?} {}",
                significant(flow, 4),
                used.container.name,
                clock.after(dry_min)
            ),
            None => reminder,
        }
    }
}

/// What becomes of one container.
fn container(used: &Use, end_min: f64, clock: &Clock<'_>) -> String {
    let (c, needed) = (&used.container, ml_text(used.used_ml));
    let waste = c.check == Check::WasteFull;
    let line = match (c.start_ml, used.left_ml, waste) {
        (None, _, true) => {
            format!("waste: {needed} mL come together (no waste_free_ml given: not checked)")
        }
        (None, _, false) => format!(
            "eluent: {needed} mL of {:?} are needed (no bottle_ml given: not checked)",
            c.name
        ),
        (Some(start), Some(left), true) => format!(
            "waste: {needed} mL come together, {} mL of {} mL stay free",
            ml_text(left.max(0.0)),
            ml_text(start)
        ),
        (Some(start), left, _) => format!(
            "eluent: {needed} mL of {:?} are needed, {} mL of {} mL stay in the bottle, {} mL must",
            c.name,
            ml_text(left.unwrap_or(0.0).max(0.0)),
            ml_text(start),
            ml_text(c.reserve_ml)
        ),
    };
    let state = if waste { "full" } else { "at its reserve" };
    match used.reserve_at_min {
        Some(at) if at > end_min => {
            format!("{line}; {state} {}, if the pump goes on", clock.after(at))
        }
        Some(at) => format!("{line}; {state} {}", clock.after(at)),
        None => line,
    }
}

fn shortfall(short: &Shortfall, clock: &Clock<'_>) -> String {
    let name = short.check.map_or("vial", Check::name);
    let at = match short.at_min.and_then(|m| clock.stamp(m)) {
        Some(at) => format!(", {}", at.strftime("%a %Y-%m-%d %H:%M")),
        None => String::new(),
    };
    format!("{name}: {}{at}", short.message)
}

/// Sentence of a bottle or waste container that does not last.
pub(super) fn short_container(used: &Use, affected: &[u64]) -> String {
    let c = &used.container;
    let (needed, may) = told_apart(used.used_ml, c.may_ml().unwrap_or(0.0));
    let what = match c.check {
        Check::WasteFull => {
            format!("{needed} mL of waste come together and {may} mL are free: full")
        }
        _ => format!(
            "{needed} mL of {:?} are needed and {may} mL may be drawn: at its reserve",
            c.name
        ),
    };
    let when = used
        .reserve_at_min
        .map(|t| format!(" after {}", length(t)))
        .unwrap_or_default();
    let whom = match affected.first() {
        Some(position) => format!(", before the end of position {position}"),
        None => ", after the last run".to_owned(),
    };
    format!("{what}{when}{whom}")
}

pub(super) fn short_vial(vial: &Vial, filled_ul: f64) -> String {
    format!(
        "{} needs {} µL for {} with what the needle cannot reach, and {} µL are in it",
        place(vial),
        ml_text(vial.needed_ul),
        count(vial.positions.len(), "injection"),
        ml_text(filled_ul)
    )
}

/// `vial 12`, `vial 12 of tray 2`.
pub(super) fn place(vial: &Vial) -> String {
    let place = format!("vial {}", one_line(&vial.vial));
    match vial.tray.as_str() {
        "" => place,
        tray => format!("{place} of tray {}", one_line(tray)),
    }
}

impl Expected {
    /// The pressure to expect with its caution, on one line.
    pub fn line(&self) -> String {
        let liquid = match (self.as_water, self.temperature_assumed) {
            (true, false) => "taken as water",
            (true, true) => "taken as water in a room, as the method gives no oven_c",
            (false, _) => "viscosity as given",
        };
        format!(
            "expected pressure: in the order of {} MPa ({} bar) for the packed bed alone, at {} mL/min and {} °C ({liquid}, porosity {}); \
frits, tubing and soft gel add several times as much, and the column's papers and the laboratory's rules decide",
            significant(self.bed_mpa, 1),
            significant(self.bed_mpa * 10.0, 1),
            significant(self.flow_ml_min, 4),
            significant(self.column_c, 4),
            significant(self.porosity, 2),
        )
    }
}

/// What the clocks did between two moments.
fn turned(from_s: i32, to_s: i32) -> String {
    let hours = significant(f64::from((to_s - from_s).abs()) / 3600.0, 3);
    match from_s.cmp(&to_s) {
        std::cmp::Ordering::Equal => String::new(),
        std::cmp::Ordering::Less => format!(" (the clocks go forward by {hours} h meanwhile)"),
        std::cmp::Ordering::Greater => format!(" (the clocks go back by {hours} h meanwhile)"),
    }
}

/// A list for people: where it is long, its beginning and its end.
fn shortened(items: &[String]) -> String {
    const SHOWN: usize = 10;
    match (items.get(..SHOWN), items.last()) {
        (Some(first), Some(last)) if items.len() > SHOWN + 2 => format!(
            "{}, … ({} more), {last}",
            first.join(", "),
            items.len() - SHOWN - 1
        ),
        _ => items.join(", "),
    }
}

/// `45 min`, `7.04 h`.
fn length(minutes: f64) -> String {
    if minutes < 100.0 {
        format!("{} min", significant(minutes, 3))
    } else {
        format!("{} h", significant(minutes / 60.0, 3))
    }
}

/// What is needed and what may be used, both whole unless that hides which is more.
pub fn told_apart(needed: f64, may: f64) -> (String, String) {
    let pair = |decimals| (fixed(needed, decimals), fixed(may, decimals));
    let apart = (0..4).map(pair).find(|(a, b)| a != b);
    apart.unwrap_or_else(|| pair(0))
}

/// A volume for people: a tenth below ten, else whole.
fn ml_text(volume: f64) -> String {
    fixed(volume, if volume.abs() < 10.0 { 1 } else { 0 })
}
