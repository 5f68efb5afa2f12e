//! The run list as text, in the columns that users are promised.

use crate::runlist::Injection;
use crate::text::csv_field;

/// The columns.
const HEADER: &str =
    "position,tray,vial,kind,name,file,volume_ul,dilution,level,series,time_h,replicate\n";

/// The whole list.
pub(super) fn csv(injections: &[Injection]) -> String {
    let number = |value: Option<f64>| value.map(|v| v.to_string()).unwrap_or_default();
    let mut text = HEADER.to_owned();
    for i in injections {
        let cells = [
            i.position.to_string(),
            i.tray.clone(),
            i.vial.clone(),
            i.kind.word().to_owned(),
            i.name.clone(),
            format!("{}.csv", i.stem),
            number(i.volume_ul),
            number(Some(i.dilution)),
            i.level.clone(),
            i.series.clone(),
            number(i.time_h),
            i.replicate.clone(),
        ];
        for (n, cell) in cells.iter().enumerate() {
            if n > 0 {
                text.push(',');
            }
            csv_field(&mut text, cell);
        }
        text.push('\n');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::super::{Night, Scenario};
    use super::*;

    #[test]
    fn every_row_has_every_column() {
        let text = csv(&Night::build(Scenario::Calm, 1).injections);
        let rows: Vec<Vec<&str>> = text.lines().map(|l| l.split(',').collect()).collect();
        assert_eq!(rows.len(), 25);
        assert!(rows.iter().all(|r| r.len() == 12));
        assert_eq!(
            rows[1][..6],
            ["1", "1", "1", "blank", "eluent", "crocks-01.csv"]
        );
        assert_eq!(
            rows[17],
            [
                "17",
                "1",
                "15",
                "sample",
                "crock A day 7",
                "crocks-17.csv",
                "10",
                "10",
                "",
                "crock A",
                "168",
                "2"
            ]
        );
        assert_eq!(rows[23][8], "mid");
    }
}
