//! Units as people write them: in a column's name, below it, or in the lines before the data.

use super::{SignalUnit, TimeUnit};

/// A unit of time found in a text; some are not among those that a layout can name, but can be converted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Time {
    /// The unit that the layout names.
    pub unit: TimeUnit,
    /// Seconds in one.
    pub factor_s: f64,
    /// The unit as found, where it is another than `unit`.
    pub other: Option<&'static str>,
}

/// A unit of a signal found in a text.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Signal {
    /// The unit that the layout names.
    pub unit: SignalUnit,
    /// What a value is multiplied by (mAU where the unit is an absorbance).
    pub factor: f64,
    /// What a value is divided by: so that thousandths come out exactly as written.
    pub divisor: f64,
    /// The unit as found, where it is another than `unit`.
    pub other: Option<&'static str>,
}

impl From<TimeUnit> for Time {
    fn from(unit: TimeUnit) -> Self {
        let factor_s = match unit {
            TimeUnit::Seconds => 1.0,
            TimeUnit::Minutes => 60.0,
        };
        Self {
            unit,
            factor_s,
            other: None,
        }
    }
}

impl From<SignalUnit> for Signal {
    fn from(unit: SignalUnit) -> Self {
        let (factor, divisor) = match unit {
            SignalUnit::MicroAu => (1.0, 1e3),
            SignalUnit::Au => (1e3, 1.0),
            SignalUnit::MilliAu
            | SignalUnit::NanoRiu
            | SignalUnit::MicroVolt
            | SignalUnit::MilliVolt => (1.0, 1.0),
        };
        Self {
            unit,
            factor,
            divisor,
            other: None,
        }
    }
}

impl Signal {
    /// Whether values come out in mAU.
    pub(super) fn is_absorbance(&self) -> bool {
        matches!(
            self.unit,
            SignalUnit::MicroAu | SignalUnit::MilliAu | SignalUnit::Au
        )
    }
}

/// One word as a unit of time.
pub(super) fn time_word(word: &str) -> Option<Time> {
    let other = |factor_s, name| {
        Some(Time {
            unit: TimeUnit::Seconds,
            factor_s,
            other: Some(name),
        })
    };
    // One capital letter is a quantity, not a unit.
    if matches!(word, "S" | "H" | "MS" | "С") {
        return None;
    }
    match word.to_lowercase().as_str() {
        "min" | "mins" | "minute" | "minutes" | "minuten" | "minuti" | "minutos" | "minut"
        | "minuter" | "мин" | "分" | "分钟" | "分鐘" => Some(TimeUnit::Minutes.into()),
        "s" | "sec" | "secs" | "second" | "seconds" | "sek" | "sekunde" | "sekunden"
        | "secondes" | "secondi" | "segundos" | "сек" | "с" | "秒" => {
            Some(TimeUnit::Seconds.into())
        }
        "ms" | "msec" | "millisecond" | "milliseconds" => other(1e-3, "ms"),
        "h" | "hr" | "hrs" | "hour" | "hours" | "stunden" => other(3600.0, "h"),
        _ => None,
    }
}

/// One word as a unit of a signal. `UV` is a detector, `uV` a unit.
pub(super) fn signal_word(word: &str) -> Option<Signal> {
    let other = |unit, factor, name| {
        Some(Signal {
            factor,
            other: Some(name),
            ..Signal::from(unit)
        })
    };
    let micro = |rest: &str| {
        word.strip_suffix(rest)
            .is_some_and(|p| !p.is_empty() && p.chars().all(|c| !c.is_ascii()))
    };
    match word {
        "uV" => return Some(SignalUnit::MicroVolt.into()),
        "mV" | "mv" => return Some(SignalUnit::MilliVolt.into()),
        "V" => return other(SignalUnit::MilliVolt, 1e3, "V"),
        // The µ of another encoding, or lost on the way, is still a sign before the unit.
        _ if micro("AU") => return Some(SignalUnit::MicroAu.into()),
        _ if micro("V") => return Some(SignalUnit::MicroVolt.into()),
        _ if micro("RIU") => return other(SignalUnit::NanoRiu, 1e3, "µRIU"),
        _ => {}
    }
    match word.to_lowercase().as_str() {
        "mau" | "mabs" | "milliau" => Some(SignalUnit::MilliAu.into()),
        "uau" | "µau" | "μau" | "microau" => Some(SignalUnit::MicroAu.into()),
        "au" => Some(SignalUnit::Au.into()),
        "nriu" => Some(SignalUnit::NanoRiu.into()),
        "uriu" | "µriu" | "μriu" => other(SignalUnit::NanoRiu, 1e3, "µRIU"),
        "riu" => other(SignalUnit::NanoRiu, 1e9, "RIU"),
        "microvolt" | "microvolts" | "µv" | "μv" => Some(SignalUnit::MicroVolt.into()),
        "millivolt" | "millivolts" => Some(SignalUnit::MilliVolt.into()),
        "volt" | "volts" => other(SignalUnit::MilliVolt, 1e3, "V"),
        _ => None,
    }
}

/// The words of a name: `time_min`, `Zeit [min]`, `timeMin`, `Signal210mAU` all give their unit as a word.
pub(crate) fn words(name: &str) -> Vec<String> {
    // A question mark directly before a unit is a µ that an encoding lost.
    let name = name
        .replace("?AU", "µAU")
        .replace("?V", "µV")
        .replace("?RIU", "µRIU");
    let mut out = Vec::new();
    for word in name
        .split(|c: char| !(c.is_alphanumeric() || matches!(c, 'µ' | '\u{fffd}' | '%' | '°' | '#')))
    {
        split_joined(word, &mut out);
    }
    out
}

/// Splits a word where a unit or a capital follows small letters.
fn split_joined(word: &str, out: &mut Vec<String>) {
    if word.is_empty() {
        return;
    }
    for unit in ["mAU", "uAU", "µAU", "μAU", "nRIU"] {
        if let Some(head) = word.strip_suffix(unit)
            && !head.is_empty()
            && head.is_ascii()
        {
            out.extend([head.to_owned(), unit.to_owned()]);
            return;
        }
    }
    let mut small = 0;
    for (place, c) in word.char_indices() {
        if c.is_uppercase() && small >= 3 {
            let (head, tail) = word.split_at(place);
            out.extend([head.to_owned(), tail.to_owned()]);
            return;
        }
        small = if c.is_lowercase() { small + 1 } else { 0 };
    }
    out.push(word.to_owned());
}

/// What stands in the last pair of brackets.
fn bracketed(name: &str) -> Option<&str> {
    let (open, _) = name
        .char_indices()
        .rev()
        .find(|(_, c)| matches!(c, '(' | '[' | '<' | '{' | '（'))?;
    let inner = name
        .get(open..)?
        .trim_start_matches(['(', '[', '<', '{', '（']);
    inner.split([')', ']', '>', '}', '）']).next()
}

/// The unit in a name: in brackets first, else its last word that is one.
fn in_name<T>(name: &str, word: impl Fn(&str) -> Option<T>) -> Option<T> {
    let last = |text: &str| words(text).iter().rev().find_map(|w| word(w));
    bracketed(name).and_then(last).or_else(|| last(name))
}

/// The unit of time in the name of a time column.
pub(super) fn time_in(name: &str) -> Option<Time> {
    in_name(name, time_word)
}

/// The unit of the signal in the name of a signal column.
pub(super) fn signal_in(name: &str) -> Option<Signal> {
    in_name(name, signal_word)
}

/// A cell that is a unit and nothing else, in brackets or not.
fn bare(cell: &str) -> &str {
    cell.trim()
        .trim_matches(['(', ')', '[', ']', '<', '>', '"', '\''])
        .trim()
}

/// A cell that is a unit of time and nothing else.
pub(super) fn exact_time(cell: &str) -> Option<Time> {
    time_word(bare(cell).trim_end_matches('.'))
}

/// A cell that is a unit of a signal and nothing else.
pub(super) fn exact_signal(cell: &str) -> Option<Signal> {
    let cell = bare(cell);
    signal_word(cell).or_else(|| {
        if cell == "?AU" {
            signal_word("µAU")
        } else {
            None
        }
    })
}

/// Whether the cell is some unit, known here or not: short, or with a slash.
pub(super) fn looks_like_unit(cell: &str) -> bool {
    let cell = bare(cell);
    let known = [
        "bar", "psi", "mpa", "kpa", "°c", "c", "%", "ml/min", "ul/min", "nm", "us/cm", "ms/cm",
        "-", "",
    ];
    exact_time(cell).is_some()
        || exact_signal(cell).is_some()
        || known.contains(&cell.to_lowercase().as_str())
}

/// Whether a line is a statement about an axis or a unit, not the names of columns.
pub(super) fn is_statement(line: &str) -> bool {
    says(&line.to_lowercase()) && stated(line) != (None, None)
}

/// Whether a line in small letters speaks of a unit or an axis.
fn says(lower: &str) -> bool {
    [
        "unit", "axis", "einheit", "achse", "unité", "unidad", "单位",
    ]
    .iter()
    .any(|w| lower.contains(w))
}

/// Units that a line before the data states for an axis: `X unit: min`, `Y Axis Units,mAU`.
pub(super) fn stated(line: &str) -> (Option<Time>, Option<Signal>) {
    const ELSE: [&str; 12] = [
        "flow",
        "press",
        "temp",
        "gradient",
        "rate",
        "interval",
        "sampling",
        "area",
        "volume",
        "conc",
        "wavelength",
        "amount",
    ];
    let lower = line.to_lowercase();
    if !(says(&lower) || names_axis(&lower)) || ELSE.iter().any(|w| lower.contains(w)) {
        return (None, None);
    }
    let parts = || line.split([':', '=', '\t', ';', ',', '|']).map(str::trim);
    let find = |part: &str| (exact_time(part), exact_signal(part));
    let mut found = (None, None);
    for part in parts() {
        for (time, signal) in [find(part), bracketed(part).map(find).unwrap_or_default()] {
            found = (found.0.or(time), found.1.or(signal));
        }
    }
    // `Time unit min` with blanks only: the last word.
    if found == (None, None)
        && let Some(last) = line.split_whitespace().last()
    {
        found = find(last);
    }
    found
}

/// Whether a line starts with the bare name of an axis: `Time: min`, `y = mAU`.
fn names_axis(lower: &str) -> bool {
    let key = lower
        .split([':', '=', '\t', ';', ','])
        .next()
        .unwrap_or_default();
    let key = key.trim_matches(|c: char| !c.is_alphanumeric());
    [
        "time",
        "zeit",
        "x",
        "y",
        "signal",
        "absorbance",
        "intensity",
        "detector",
        "response",
    ]
    .contains(&key)
}

/// What stands in brackets in a name, where it is no unit that is known: `Signal (pA)`.
pub(super) fn unknown_in(name: &str) -> Option<&str> {
    bracketed(name).map(str::trim).filter(|u| {
        !u.is_empty()
            && u.len() <= 12
            && !u.contains("nm")
            && !u.chars().any(|c| c.is_ascii_digit())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_are_found_in_names() {
        for name in [
            "time_min",
            "Time (min)",
            "RT [min]",
            "Zeit [min]",
            "t/min",
            "timeMin",
            "Minutes",
            "Time, min.",
        ] {
            assert_eq!(time_in(name).map(|t| t.factor_s), Some(60.0), "{name}");
        }
        for name in ["t/s", "time_s", "Time(sec)", "Zeit [s]", "Seconds"] {
            assert_eq!(time_in(name).map(|t| t.factor_s), Some(1.0), "{name}");
        }
        assert_eq!(time_in("Time (ms)").map(|t| t.factor_s), Some(1e-3));
        assert_eq!((time_in("Time"), time_in("S")), (None, None));
        for (name, unit) in [
            ("signal_mau", SignalUnit::MilliAu),
            ("Intensity (mAU)", SignalUnit::MilliAu),
            ("UV210mAU", SignalUnit::MilliAu),
            ("Value (µAU)", SignalUnit::MicroAu),
            ("Value (μAU)", SignalUnit::MicroAu),
            ("Value (\u{fffd}AU)", SignalUnit::MicroAu),
            ("Value (?AU)", SignalUnit::MicroAu),
            ("uAU", SignalUnit::MicroAu),
            ("Absorbance [AU]", SignalUnit::Au),
            ("RI (nRIU)", SignalUnit::NanoRiu),
            ("Signal uV", SignalUnit::MicroVolt),
            ("Signal_mV", SignalUnit::MilliVolt),
        ] {
            assert_eq!(signal_in(name).map(|s| s.unit), Some(unit), "{name}");
        }
        for name in ["UV", "UV 210 nm", "Absorbance (a.u.)", "Signal"] {
            assert_eq!(signal_in(name), None, "{name}");
        }
    }

    #[test]
    fn units_are_found_in_lines_before_the_data() {
        assert_eq!(stated("X unit: min").0, Some(TimeUnit::Minutes.into()));
        assert_eq!(
            stated("Y Axis Units,mAU").1,
            Some(SignalUnit::MilliAu.into())
        );
        assert_eq!(
            stated("Y axis: Absorbance [AU]").1,
            Some(SignalUnit::Au.into())
        );
        assert_eq!(
            stated("Units;s;mAU"),
            (
                Some(TimeUnit::Seconds.into()),
                Some(SignalUnit::MilliAu.into())
            )
        );
        assert_eq!(stated("# time: min").0, Some(TimeUnit::Minutes.into()));
        assert_eq!(stated("Flow unit: mL/min"), (None, None));
        assert_eq!(stated("Run time (min);22"), (None, None));
    }
}
