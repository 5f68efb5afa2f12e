//! A message as people read it: one structure, written as plain text and as a page that needs nothing from outside.

use std::fmt::Write as _;

use super::html;
use crate::report::words::{cut, wrap};

/// Width of a line of the plain text, characters.
const WIDTH: usize = 78;
/// So many rows are shown; the rest is counted.
const SHOWN: usize = 12;

const SMALL_PRINT: &str = "This program reads exported files only. It controls nothing and is no safety device: for \
pressure, leaks, acid and waste the rules of your laboratory count, not this message.";

/// What a message says, in the order in which it is read: what and where, what to do, the numbers, the small print.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Page {
    /// What and where, one line: also the subject.
    pub subject: String,
    /// Which queue and injection, a sentence.
    pub place: String,
    /// The parts, the most urgent first.
    pub sections: Vec<Section>,
}

/// One part of a message.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Section {
    /// Its heading, a word or two in small letters; may be empty.
    pub title: String,
    /// Its sentences, each an item of a list.
    pub items: Vec<Item>,
    /// Injections, one a row.
    pub rows: Vec<Row>,
}

/// A sentence, with the check or time that it is about before it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Item {
    /// What it is about; may be empty.
    pub label: String,
    /// The sentence. Text from outside stands on one line already.
    pub text: String,
}

/// One injection that is touched.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// Its position in the queue.
    pub position: u64,
    /// Its name, as it came from outside.
    pub name: String,
    /// `to rerun`, or nothing.
    pub state: String,
}

impl Section {
    /// A part made of sentences; empty ones are left out.
    pub fn of(title: &str, sentences: impl IntoIterator<Item = String>) -> Section {
        let item = |text| Item {
            label: String::new(),
            text,
        };
        Section {
            title: title.to_owned(),
            items: sentences
                .into_iter()
                .filter(|s| !s.is_empty())
                .map(item)
                .collect(),
            rows: Vec::new(),
        }
    }

    /// The rows that are shown, and how many are not.
    pub(super) fn shown(&self) -> (&[Row], usize) {
        let n = self.rows.len().min(SHOWN);
        (self.rows.get(..n).unwrap_or(&[]), self.rows.len() - n)
    }

    fn is_empty(&self) -> bool {
        self.items.is_empty() && self.rows.is_empty()
    }
}

impl Page {
    /// Adds a part; an empty one is left out.
    pub fn add(&mut self, section: Section) {
        if !section.is_empty() {
            self.sections.push(section);
        }
    }

    /// As plain text: the subject first, lines of at most 78 characters that end with `\n`.
    pub fn text(&self) -> String {
        let mut out = format!("{}\n\n", self.subject);
        wrap(&mut out, "", &self.place, WIDTH);
        for section in &self.sections {
            section_text(&mut out, section);
        }
        out.push('\n');
        wrap(&mut out, "", SMALL_PRINT, WIDTH);
        out
    }

    /// As a whole HTML page: no script, nothing that is loaded from anywhere, readable on a phone.
    pub fn html(&self) -> String {
        html::page(self, SMALL_PRINT)
    }
}

fn section_text(out: &mut String, section: &Section) {
    out.push('\n');
    if !section.title.is_empty() {
        let _ = writeln!(out, "{}", section.title.to_uppercase());
    }
    for item in &section.items {
        let line = if item.label.is_empty() {
            item.text.clone()
        } else {
            format!("{}: {}", item.label, item.text)
        };
        wrap(out, "  - ", &line, WIDTH);
    }
    let (rows, more) = section.shown();
    for row in rows {
        let line = format!(
            "  {:>6}  {:<50} {}",
            row.position,
            cut(&row.name, 50),
            row.state
        );
        let _ = writeln!(out, "{}", line.trim_end());
    }
    if more > 0 {
        let _ = writeln!(out, "          and {more} more");
    }
}
