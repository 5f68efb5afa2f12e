//! The night after: somebody loads the rerun list of the first one, and it runs without trouble.

use std::path::Path;

use super::QUEUE;
use super::chromatogram::{Chromatogram, Vial};
use super::export::{Action, Deed, Event, Exporter, Pace, land};
use super::fault::condition;
use super::night::{Night, in_vial};
use super::scenario::Scenario;
use crate::config::error::FileError;
use crate::runlist::file::parse;
use crate::runlist::{Injection, Kind};

/// A second night on the same crocks.
#[derive(Debug, Clone, PartialEq)]
pub struct SecondNight {
    /// What is injected.
    pub injections: Vec<Injection>,
    list: Vec<u8>,
    chromatograms: Vec<Chromatogram>,
}

impl SecondNight {
    /// The name of its queue.
    pub fn queue() -> String {
        format!("{QUEUE}-rerun")
    }

    /// Whether a rerun list holds by now every sample of the first night that must be injected again.
    pub fn is_whole(night: &Night, list: &[u8]) -> bool {
        let Ok(list) = parse(list, Path::new("rerun.csv")) else {
            return false;
        };
        let samples = |all: &[Injection]| all.iter().filter(|i| i.kind == Kind::Sample).count();
        let story = night.expected_story();
        let again: Vec<Injection> = night
            .injections
            .iter()
            .filter(|i| story.reruns.iter().any(|r| r.position == i.position))
            .cloned()
            .collect();
        samples(&list.injections) == samples(&again)
    }

    /// The night in which this run list is injected.
    ///
    /// # Errors
    /// When the list cannot be used, with its line and column.
    pub fn build(night: &Night, list: Vec<u8>) -> Result<SecondNight, FileError> {
        let injections = parse(&list, Path::new("rerun.csv"))?.injections;
        let chromatogram = |(position, injection): (u32, &Injection)| {
            let vial = Vial {
                amounts: in_vial(night.brines(), injection),
                brine: injection.kind == Kind::Sample,
            };
            let well = condition(Scenario::Calm, position);
            // Other noise than the first night's.
            let seed = night.seed.wrapping_add(1);
            Chromatogram::new(&vial, well, seed, injection.position)
        };
        let chromatograms = (1u32..).zip(&injections).map(chromatogram).collect();
        Ok(SecondNight {
            injections,
            list,
            chromatograms,
        })
    }

    /// What the instrument writes. The pressure log is that of the first night.
    pub fn exporter(&self, pace: &Pace) -> Exporter {
        let list = Deed::Write {
            file: format!("{}.runlist.csv", SecondNight::queue()),
            bytes: self.list.clone(),
        };
        let mut actions = vec![Action {
            at_s: 0.0,
            deed: list,
            event: None,
        }];
        for (injection, chromatogram) in self.injections.iter().zip(&self.chromatograms) {
            let position = injection.position;
            actions.extend(land(
                position,
                format!("{}.csv", injection.stem),
                chromatogram.text(0.0),
                pace.at_s(position as f64),
                pace,
                Event::Landed(position),
            ));
        }
        actions.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        Exporter { actions }
    }
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;

    use super::*;

    const LIST: &str = "position,kind,name,file,dilution,level,series,time_h,repeats\n\
1,standard,mid,crocks-07-repeat,1,mid,,,\n\
2,sample,crock A day 7,crocks-16-repeat,20,,crock A,168,crocks/crocks-16\n";

    #[test]
    fn the_list_is_played_with_what_is_in_the_vials() {
        let night = Night::build(Scenario::RerunJoins, 1);
        assert!(!SecondNight::is_whole(&night, LIST.as_bytes()));
        let second = SecondNight::build(&night, LIST.as_bytes().to_vec()).unwrap();
        let area = |k: usize, name: &str| {
            let mut peaks = second.chromatograms[k].peaks.iter();
            peaks.find(|p| p.name == name).unwrap().area_mau_s
        };
        // 128 mmol/L diluted by 20, and a standard of 5.
        let ratio = area(1, "lactic acid") / area(0, "lactic acid");
        assert!((ratio - 128.0 / 20.0 / 5.0).abs() < 0.02, "{ratio}");
        let exporter = second.exporter(&Pace::new(1.0, Timestamp::UNIX_EPOCH));
        let landed: Vec<_> = exporter.actions.iter().filter_map(|a| a.event).collect();
        assert_eq!(landed, [Event::Landed(1), Event::Landed(2)]);
        assert!(
            matches!(&exporter.actions[0].deed, Deed::Write { file, bytes }
            if file == "crocks-rerun.runlist.csv" && bytes == LIST.as_bytes())
        );
    }

    #[test]
    fn a_list_that_is_none_is_refused() {
        let night = Night::build(Scenario::RerunJoins, 1);
        assert!(SecondNight::build(&night, b"kind\nsample\n".to_vec()).is_err());
    }
}
