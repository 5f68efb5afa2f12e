//! `alerts.csv`: every alert of a queue, raised and cleared.

use std::fmt::Write as _;

use jiff::tz::TimeZone;

use super::cells;
use crate::night::alarm::{Alert, Alerts};

/// The first line.
pub const HEADER: &str = "raised_at,cleared_at,told,check,position,name,trace,analyte,measured,limit,unit,affected,message\n";

/// The whole file.
pub fn csv(alerts: &Alerts, zone: &TimeZone) -> String {
    let mut out = HEADER.to_owned();
    for alert in alerts.in_order() {
        row(&mut out, alert, zone);
    }
    out
}

fn row(out: &mut String, alert: &Alert, zone: &TimeZone) {
    cells::time(out, alert.raised_at, zone);
    out.push(',');
    if let Some(at) = alert.cleared_at {
        cells::time(out, at, zone);
    }
    let _ = write!(out, ",{},", alert.told().word());
    cells::text(out, &alert.check);
    out.push(',');
    if let Some(position) = alert.position {
        let _ = write!(out, "{position}");
    }
    for text in [&alert.name, &alert.trace, &alert.analyte] {
        out.push(',');
        cells::text(out, text);
    }
    out.push(',');
    cells::significant(out, alert.measured, 6);
    for text in [&alert.limit, &alert.unit] {
        out.push(',');
        cells::text(out, text);
    }
    for (i, position) in alert.affected.iter().enumerate() {
        out.push(if i == 0 { ',' } else { ' ' });
        let _ = write!(out, "{position}");
    }
    if alert.affected.is_empty() {
        out.push(',');
    }
    out.push(',');
    cells::text(out, &alert.message);
    out.push(cells::END);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::fixture::{Night, mid, zone};

    #[test]
    fn a_failed_standard_names_what_it_touches() {
        let mut night = Night::new("PssP");
        night.good(1).good(2).good(3).land(4, mid(&[0.84, 1.0]));
        let text = csv(night.judged().alerts(), &zone());
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[0], HEADER.trim_end());
        assert!(
            lines[1].contains(",,now,recovery,4,standard 4,t-4.csv,lactic acid,83.")
                && lines[1].contains(",90-110,%,2 3,\""),
            "{text}"
        );
        assert_eq!(
            lines
                .iter()
                .filter(|l| l.contains("standard-drift"))
                .count(),
            1,
            "{text}"
        );
    }

    #[test]
    fn hostile_names_stay_in_their_cell() {
        let mut night = Night::new("P");
        night
            .plan(1, |p| p.name = "=cmd|'/C calc'!A0,\"x\"\ny".to_owned())
            .land(1, mid(&[0.5, 0.5]));
        let text = csv(night.judged().alerts(), &zone());
        assert!(
            text.contains(",1,\"'=cmd|'/C calc'!A0,\"\"x\"\"\ny\",t-1.csv,"),
            "{text}"
        );
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let records: Vec<_> = reader.records().map(Result::unwrap).collect();
        assert!(records.iter().all(|r| r.len() == 13), "{records:?}");
    }
}
