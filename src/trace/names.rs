//! What the name of a column says of its part.

use super::header::Header;
use super::units;

/// Whether a name is that of a time.
pub(crate) fn is_time_name(name: &str) -> bool {
    const NOT: [&str; 21] = [
        "ml",
        "ul",
        "µl",
        "nl",
        "flow",
        "rate",
        "pressure",
        "bar",
        "psi",
        "mpa",
        "kpa",
        "temp",
        "temperature",
        "gradient",
        "pump",
        "area",
        "height",
        "width",
        "nm",
        "wavelength",
        "date",
    ];
    const IS: [&str; 14] = [
        "t",
        "rt",
        "tr",
        "temps",
        "tiempo",
        "tempo",
        "tid",
        "tijd",
        "czas",
        "elapsed",
        "retention",
        "durée",
        "время",
        "aika",
    ];
    if name.len() > 200 {
        return false;
    }
    let words: Vec<String> = units::words(name)
        .iter()
        .map(|w| w.to_lowercase())
        .collect();
    if words.iter().any(|w| NOT.contains(&w.as_str())) {
        // A date with its time of day is a time as well.
        return words.iter().any(|w| w == "date") && words.iter().any(|w| w == "time");
    }
    let has = |w: &String| {
        w.contains("time")
            || w.contains("zeit")
            || w.contains("时间")
            || w.contains("時間")
            || IS.contains(&w.as_str())
    };
    // `s` alone is no name of a time in `counts per s`.
    words.iter().any(has) || (words.len() == 1 && units::time_in(name).is_some())
}

/// Whether a name says that the column counts the rows.
pub(crate) fn is_index_name(name: &str) -> bool {
    let words: Vec<String> = units::words(name)
        .iter()
        .map(|w| w.to_lowercase())
        .collect();
    const IS: [&str; 13] = [
        "no", "nr", "#", "index", "idx", "point", "points", "scan", "row", "number", "num", "lfd",
        "pos",
    ];
    !words.is_empty() && words.iter().all(|w| IS.contains(&w.as_str()))
}

/// Whether a name is that of a wavelength: the axis of a spectrum.
pub(super) fn is_spectrum_name(name: &str) -> bool {
    let lower = name.to_lowercase();
    lower.contains("wavelength") || units::words(&lower).iter().any(|w| w == "nm")
}

/// Words of a detector's signal.
const SIGNAL: [&str; 22] = [
    "absorbance",
    "abs",
    "absorption",
    "extinktion",
    "uv",
    "vis",
    "dad",
    "pda",
    "signal",
    "intensity",
    "intensität",
    "response",
    "detector",
    "detektor",
    "channel",
    "value",
    "ri",
    "rid",
    "height",
    "y",
    "wvl",
    "ch",
];

/// Words of other quantities.
const OTHER: [&str; 26] = [
    "flow",
    "pressure",
    "bar",
    "psi",
    "mpa",
    "kpa",
    "temp",
    "temperature",
    "oven",
    "pump",
    "gradient",
    "percent",
    "%",
    "%b",
    "%a",
    "°c",
    "wavelength",
    "flag",
    "event",
    "status",
    "note",
    "time",
    "date",
    "zeit",
    "scan",
    "index",
];

/// Words of a signal that is not the first choice.
const LESSER: [&str; 6] = ["baseline", "ref", "reference", "raw", "blank", "corrected"];

/// How much a name speaks for a signal; below zero: something else.
pub(super) fn signal_score(column: usize, header: &Header) -> i32 {
    let name = header.name(column);
    let words: Vec<String> = units::words(name)
        .iter()
        .map(|w| w.to_lowercase())
        .collect();
    let any = |list: &[&str]| {
        words.iter().any(|w| {
            list.contains(&w.trim_end_matches(|c: char| c.is_ascii_digit()))
                || list.contains(&w.as_str())
        })
    };
    let mut score = 0;
    match header.signal_unit(column) {
        Some((s, _)) if s.is_absorbance() => score += 100,
        Some(_) => score += 60,
        None => {}
    }
    if score == 0 && header.wavelength_nm(column).is_some() {
        score += 60;
    }
    if any(&SIGNAL) {
        score += 50;
    }
    if any(&LESSER) && score > 0 {
        score -= 20;
    }
    let is_other = any(&OTHER) || is_time_name(name) || is_index_name(name);
    if is_other && score < 100 { -100 } else { score }
}
