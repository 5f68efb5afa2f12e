//! File-name patterns such as `{position}_{kind}_{name}`: what a trace is that no run list names.
//!
//! Text between the placeholders is matched exactly, letter by letter. One placeholder is elastic and may hold the
//! text between placeholders itself: `{name}`, else the last `{*}`, else the last one. Placeholders before it take
//! the shortest text from the left, those after it the shortest from the right. So every stem has one reading, and
//! finding it takes time in proportion to its length.

use super::{Injection, Kind};
use crate::config::error::{either, quoted};

/// A file-name pattern that can be used.
#[derive(Debug, Clone, PartialEq)]
pub struct Pattern {
    /// Text before the first placeholder.
    start: String,
    /// Placeholders before the elastic one, each with the text after it.
    before: Vec<(Field, String)>,
    elastic: Field,
    /// Placeholders after the elastic one, each with the text before it.
    after: Vec<(String, Field)>,
    /// Text after the last placeholder.
    end: String,
}

/// What a file name says of its trace. Text that the pattern does not name is empty.
#[derive(Debug, Clone, PartialEq)]
pub struct Named {
    /// Place in the queue, from 1.
    pub position: Option<u64>,
    /// Tray.
    pub tray: String,
    /// Vial.
    pub vial: String,
    /// What it is; a sample where the pattern does not say.
    pub kind: Kind,
    /// What it is called; the stem where the pattern does not say.
    pub name: String,
    /// Injected volume, µL.
    pub volume_ul: Option<f64>,
    /// Total dilution; 1 where the pattern does not say.
    pub dilution: f64,
    /// Name of the method's level.
    pub level: String,
    /// What is followed over time.
    pub series: String,
    /// Time in the series, h.
    pub time_h: Option<f64>,
    /// Replicate number or word.
    pub replicate: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Field {
    Position,
    Tray,
    Vial,
    Kind,
    Name,
    VolumeUl,
    Dilution,
    Level,
    Series,
    TimeH,
    Replicate,
    Anything,
}

const FIELDS: [(&str, Field); 12] = [
    ("position", Field::Position),
    ("tray", Field::Tray),
    ("vial", Field::Vial),
    ("kind", Field::Kind),
    ("name", Field::Name),
    ("volume_ul", Field::VolumeUl),
    ("dilution", Field::Dilution),
    ("level", Field::Level),
    ("series", Field::Series),
    ("time_h", Field::TimeH),
    ("replicate", Field::Replicate),
    ("*", Field::Anything),
];

impl Pattern {
    /// Reads a pattern.
    ///
    /// # Errors
    /// What was found and what was expected: no placeholder, an unknown one, one twice (`{*}` may repeat), two
    /// without text between them, a brace without its partner.
    pub fn parse(text: &str) -> Result<Pattern, String> {
        let (start, mut parts) = split(text)?;
        let elastic_at = |field: Field| parts.iter().rposition(|(f, _)| *f == field);
        let at = elastic_at(Field::Name)
            .or_else(|| elastic_at(Field::Anything))
            .unwrap_or(parts.len().saturating_sub(1));
        let tail = parts.split_off(at.saturating_add(1).min(parts.len()));
        let Some((elastic, mut literal)) = parts.pop() else {
            return Err(format!(
                "found {}, expected at least one placeholder such as {{name}}",
                quoted(text)
            ));
        };
        let mut after = Vec::with_capacity(tail.len());
        for (field, next) in tail {
            after.push((std::mem::replace(&mut literal, next), field));
        }
        Ok(Pattern {
            start,
            before: parts,
            elastic,
            after,
            end: literal,
        })
    }

    /// What a stem says, or `None` where it does not fit: text missing between the placeholders, a position that is
    /// no whole number above 0, an unknown kind, a time that is no number, an empty name.
    pub fn apply(&self, stem: &str) -> Option<Named> {
        let mut named = Named::unsaid(stem);
        let mut rest = stem
            .strip_prefix(self.start.as_str())?
            .strip_suffix(self.end.as_str())?;
        for (field, literal) in &self.before {
            let (value, tail) = rest.split_once(literal.as_str())?;
            named.set(*field, value)?;
            rest = tail;
        }
        for (literal, field) in self.after.iter().rev() {
            let (head, value) = rest.rsplit_once(literal.as_str())?;
            named.set(*field, value)?;
            rest = head;
        }
        named.set(self.elastic, rest)?;
        Some(named)
    }
}

/// Splits a pattern into the text at its start and its placeholders, each with the text after it.
fn split(text: &str) -> Result<(String, Vec<(Field, String)>), String> {
    let mut pieces = text.split('{');
    let start = pieces.next().unwrap_or_default().to_owned();
    let stray = || {
        format!(
            "found {} with a brace without its partner, expected placeholders such as {{name}}",
            quoted(text)
        )
    };
    if start.contains('}') {
        return Err(stray());
    }
    let mut parts: Vec<(Field, String)> = Vec::new();
    for piece in pieces {
        let (word, literal) = piece.split_once('}').ok_or_else(stray)?;
        if literal.contains('}') {
            return Err(stray());
        }
        let field = field(word)?;
        if field != Field::Anything && parts.iter().any(|(f, _)| *f == field) {
            return Err(format!(
                "found {{{word}}} twice, expected each placeholder once"
            ));
        }
        if parts.last().is_some_and(|(_, between)| between.is_empty()) {
            return Err(format!(
                "found nothing before {{{word}}}, expected text that parts it from the placeholder before it"
            ));
        }
        parts.push((field, literal.to_owned()));
    }
    Ok((start, parts))
}

fn field(word: &str) -> Result<Field, String> {
    let found = FIELDS.iter().find(|(w, _)| *w == word).map(|(_, f)| *f);
    found.ok_or_else(|| {
        let expected = match crate::text::nearest(
            word,
            FIELDS.iter().map(|(w, _)| *w).filter(|w| *w != "*"),
        ) {
            Some(near) => format!("a known one; the nearest is {}", quoted(near)),
            None => either(FIELDS.iter().map(|(w, _)| *w)),
        };
        format!(
            "found the placeholder {}, expected {expected}",
            quoted(word)
        )
    })
}

impl Named {
    fn unsaid(stem: &str) -> Named {
        Named {
            position: None,
            tray: String::new(),
            vial: String::new(),
            kind: Kind::Sample,
            name: stem.to_owned(),
            volume_ul: None,
            dilution: 1.0,
            level: String::new(),
            series: String::new(),
            time_h: None,
            replicate: String::new(),
        }
    }

    /// The injection that a trace of this stem is, at a position where its name gives none.
    pub fn into_injection(self, stem: &str, position: u64) -> Injection {
        Injection {
            position: self.position.unwrap_or(position),
            tray: self.tray,
            vial: self.vial,
            kind: self.kind,
            name: self.name,
            stem: stem.to_owned(),
            volume_ul: self.volume_ul,
            dilution: self.dilution,
            level: self.level,
            series: self.series,
            time_h: self.time_h,
            replicate: self.replicate,
            extra: Vec::new(),
        }
    }

    /// Takes the text of one placeholder; `None` where it cannot be meant so.
    fn set(&mut self, field: Field, text: &str) -> Option<()> {
        let owned = || text.trim().to_owned();
        match field {
            Field::Position => self.position = Some(position(text)?),
            Field::Tray => self.tray = owned(),
            Field::Vial => self.vial = owned(),
            Field::Kind => self.kind = Kind::parse(text)?,
            Field::Name => self.name = Some(owned()).filter(|n| !n.is_empty())?,
            Field::VolumeUl => {
                self.volume_ul = Some(number(text).filter(|n| *n > 0.0 && *n <= 1e6)?)
            }
            Field::Dilution => self.dilution = number(text).filter(|n| *n > 0.0 && *n <= 1e9)?,
            Field::Level => self.level = owned(),
            Field::Series => self.series = owned(),
            Field::TimeH if text.trim().is_empty() => self.time_h = None,
            Field::TimeH => self.time_h = Some(number(text).filter(|n| n.abs() <= 1e6)?),
            Field::Replicate => self.replicate = owned(),
            Field::Anything => {}
        }
        Some(())
    }
}

fn position(text: &str) -> Option<u64> {
    let digits = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    if digits {
        text.parse()
            .ok()
            .filter(|n| (1..=1_000_000_000).contains(n))
    } else {
        None
    }
}

/// A number; many file systems' names have no dots but the last, so a comma may stand for the point.
fn number(text: &str) -> Option<f64> {
    fast_float2::parse::<f64, _>(text.trim().replace(',', "."))
        .ok()
        .filter(|n| n.is_finite())
}

#[cfg(test)]
mod tests;
