//! One injection in two text forms.

use runsitter::trace::{Delimiter, SignalUnit, TimeUnit};

use crate::stated::{export, seen};

/// The log as the unit wrote it: tabs, decimal commas, dates with the day first, thirteen columns. It reads to the very
/// numbers of the table that was taken from it, so every figure after that is the same as well.
#[test]
fn a_log_of_another_form_reads_to_the_same_numbers() {
    let log = export("lc-unit-log-one-peak/unit_log.txt");
    let table = export("lc-unit-log-one-peak/trace.csv");
    assert_eq!(log.layout.delimiter, Delimiter::Tab);
    assert_eq!(log.layout.decimal, b',');
    assert_eq!(log.layout.columns, 13);
    assert_eq!(log.layout.signal_name.trim(), "UV detector 1 (mAU)");
    assert_eq!(log.layout.signal_unit, SignalUnit::MilliAu);
    assert_eq!(log.layout.time_unit, TimeUnit::Seconds);
    assert_eq!(log.time_s.len(), 745);
    assert_eq!(log.time_s, table.time_s);
    assert_eq!(log.signal_mau, table.signal_mau);
    assert_eq!(seen(&log), seen(&table));
}
