//! A CSV result, read as any other program would read it.

use std::collections::BTreeMap;
use std::path::Path;

/// A table with a header.
#[derive(Debug, Clone)]
pub struct Table {
    pub rows: Vec<Cells>,
}

/// One row: column name → text.
#[derive(Debug, Clone, PartialEq)]
pub struct Cells(BTreeMap<String, String>);

impl Table {
    /// Reads a file; a table without rows where there is none.
    pub fn read(path: &Path) -> Table {
        std::fs::read(path).map_or(Table { rows: Vec::new() }, |bytes| Table::parse(&bytes))
    }

    /// Every row must have as many cells as the header.
    pub fn parse(bytes: &[u8]) -> Table {
        let mut reader = csv::Reader::from_reader(bytes);
        let header = reader.headers().unwrap().clone();
        let row = |record: Result<csv::StringRecord, csv::Error>| {
            let record = record.unwrap();
            Cells(header.iter().map(str::to_owned).zip(record.iter().map(str::to_owned)).collect())
        };
        Table { rows: reader.records().map(row).collect() }
    }

    /// The row of a position and an analyte.
    pub fn row(&self, position: u64, analyte: &str) -> &Cells {
        let found: Vec<&Cells> = self.of(position).filter(|r| r.text("analyte") == analyte).collect();
        assert_eq!(found.len(), 1, "rows of {analyte} at {position}: {:#?}", self.rows);
        found[0]
    }

    /// All rows of a position.
    pub fn of(&self, position: u64) -> impl Iterator<Item = &Cells> {
        let position = position.to_string();
        self.rows.iter().filter(move |r| r.text("position") == position)
    }

    /// Rows of a check (of `alerts.csv`).
    pub fn check(&self, check: &str) -> Vec<&Cells> {
        self.rows.iter().filter(|r| r.text("check") == check).collect()
    }

    /// A column from top to bottom.
    pub fn column(&self, name: &str) -> Vec<&str> {
        self.rows.iter().map(|r| r.text(name)).collect()
    }

    /// `verdict reasons` of a position where all analytes agree.
    pub fn verdict(&self, position: u64) -> String {
        let mut all: Vec<String> = self.of(position).map(Cells::judgement).collect();
        assert!(!all.is_empty(), "no row at {position}: {:#?}", self.rows);
        all.dedup();
        assert_eq!(all.len(), 1, "the analytes of {position} are judged differently: {all:?}");
        all.remove(0)
    }
}

impl Cells {
    pub fn text(&self, column: &str) -> &str {
        self.0.get(column).unwrap_or_else(|| panic!("no column {column}: {self:?}"))
    }

    pub fn number(&self, column: &str) -> f64 {
        self.text(column).parse().unwrap_or_else(|_| panic!("{column} is no number: {self:?}"))
    }

    pub fn is_empty(&self, column: &str) -> bool {
        self.text(column).is_empty()
    }

    /// `verdict reasons`, as in `rerun bracket-failed`.
    pub fn judgement(&self) -> String {
        format!("{} {}", self.text("verdict"), self.text("reasons")).trim_end().to_owned()
    }

    /// Holds a number against what it should be, in percent of that.
    pub fn close(&self, column: &str, expected: f64, percent: f64) {
        let found = self.number(column);
        assert!(
            (found / expected - 1.0).abs() * 100.0 <= percent,
            "{column}: found {found}, expected {expected} within {percent} %: {self:?}"
        );
    }
}
