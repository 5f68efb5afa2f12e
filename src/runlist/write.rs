//! Writes a run list that [`parse`](super::file::parse) reads back as it was.

use super::header::Column;
use super::{Injection, RunList, stem};
use crate::text::{cell, csv_field, csv_quoted};

/// A run list as CSV: the twelve columns, then the extra ones; RFC 4180 quoting, line ends `\n`, decimal points.
/// Text that a spreadsheet would take for a formula gets an apostrophe, which reading takes off again.
pub fn write(list: &RunList) -> String {
    let mut out = String::new();
    let header = Column::ALL.iter().map(|c| c.name().to_owned());
    line(
        &mut out,
        header.chain(list.extra.iter().map(|e| cell(e).into_owned())),
    );
    for injection in &list.injections {
        let columns = Column::ALL.iter().map(|c| field(*c, injection));
        let extra = |i: usize| {
            injection
                .extra
                .get(i)
                .map(|e| cell(e).into_owned())
                .unwrap_or_default()
        };
        line(&mut out, columns.chain((0..list.extra.len()).map(extra)));
    }
    out
}

fn line(out: &mut String, fields: impl Iterator<Item = String>) {
    for (i, field) in fields.enumerate() {
        if i > 0 {
            out.push(',');
        }
        // Bare ones in the header would be counted when the delimiter is found.
        if field.contains([';', '\t']) {
            csv_quoted(out, &field);
        } else {
            csv_field(out, &field);
        }
    }
    out.push('\n');
}

fn field(column: Column, injection: &Injection) -> String {
    let number = |n: Option<f64>| n.map(|n| n.to_string()).unwrap_or_default();
    let text = |t: &str| cell(t).into_owned();
    match column {
        Column::Position => injection.position.to_string(),
        Column::Tray => text(&injection.tray),
        Column::Vial => text(&injection.vial),
        Column::Kind => injection.kind.word().to_owned(),
        Column::Name => text(&injection.name),
        Column::File => text(&file_name(&injection.stem)),
        Column::VolumeUl => number(injection.volume_ul),
        Column::Dilution => number(Some(injection.dilution)),
        Column::Level => text(&injection.level),
        Column::Series => text(&injection.series),
        Column::TimeH => number(injection.time_h),
        Column::Replicate => text(&injection.replicate),
    }
}

/// A stem with a dot in it would lose what follows the dot when it is read: it needs an extension to lose.
fn file_name(name: &str) -> String {
    if stem(name) == name {
        name.to_owned()
    } else {
        format!("{name}.csv")
    }
}
