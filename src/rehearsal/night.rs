//! A whole simulated night: its injections, their traces, and what is true of them.

use std::fs;
use std::path::{Path, PathBuf};

use super::chemistry::{ACIDS, Brine, brines, nominal};
use super::chromatogram::{Chromatogram, Vial};
use super::fault::{condition, last_landing};
use super::play::RehearsalError;
use super::queue::injections;
use super::scenario::Scenario;
use super::settings::{CALIBRATION_FILE, CONFIG_FILE, METHOD_FILE, config_toml, method_toml};
use super::{QUEUE, list, stored};
use crate::runlist::{Injection, Kind};

/// The calibrator that is not what its label says, and the acid that it has lost.
const SPOILED_LEVEL: &str = "cal 4";
const SPOILED_ACID: &str = "acetic acid";

/// A simulated night.
#[derive(Debug, Clone, PartialEq)]
pub struct Night {
    /// What goes wrong.
    pub scenario: Scenario,
    /// Seed of every random number.
    pub seed: u64,
    /// The queue as planned: 24 injections at the positions 1 to 24.
    pub injections: Vec<Injection>,
    /// One trace for each injection, in the same order, also for those that never land.
    pub chromatograms: Vec<Chromatogram>,
    brines: [Brine; 4],
}

/// Where a night is played.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Folders {
    /// The configuration's file.
    pub config: PathBuf,
    /// The method's file.
    pub method: PathBuf,
    /// The folder in which exports land.
    pub exports: PathBuf,
    /// The folder of results.
    pub results: PathBuf,
    /// The folder of the ledger.
    pub state: PathBuf,
}

impl Night {
    /// The areas of its calibrators, as a table for `runsitter calibrate`.
    pub fn calibrator_areas(&self) -> String {
        let mut text = "level,analyte,area_mau_s\n".to_owned();
        let all = self.injections.iter().zip(&self.chromatograms);
        for (injection, trace) in all.skip(1).take(5) {
            for peak in trace.peaks.iter().filter(|p| !p.name.is_empty()) {
                let (level, name) = (&injection.level, &peak.name);
                text.push_str(&format!("{level},{name},{:.2}\n", peak.area_mau_s));
            }
        }
        text
    }

    /// The night of this scenario and seed; the same arguments give the same night.
    pub fn build(scenario: Scenario, seed: u64) -> Night {
        let brines = brines(scenario);
        let injections = injections(&brines, scenario);
        let chromatograms = (1u32..)
            .zip(&injections)
            .map(|(position, injection)| {
                let vial = Vial {
                    amounts: spoiled(scenario, injection, in_vial(&brines, injection)),
                    brine: injection.kind == Kind::Sample,
                };
                Chromatogram::new(
                    &vial,
                    condition(scenario, position),
                    seed,
                    injection.position,
                )
            })
            .collect();
        Night {
            scenario,
            seed,
            injections,
            chromatograms,
            brines,
        }
    }

    /// True concentration of an analyte, mmol/L: in the undiluted brine for a sample, the nominal one for a standard or
    /// calibrator. `None` for blanks, unknown positions and unknown analytes.
    pub fn truth(&self, position: u64, analyte: &str) -> Option<f64> {
        let injection = self.injections.iter().find(|i| i.position == position)?;
        let (_, amount) = ACIDS
            .iter()
            .zip(in_vial(&self.brines, injection))
            .find(|(acid, _)| acid.name == analyte)?;
        (amount > 0.0).then_some(amount * injection.dilution)
    }

    pub(super) fn brines(&self) -> &[Brine] {
        &self.brines
    }

    /// Position of the last injection whose trace lands.
    pub fn last_landing(&self) -> u64 {
        u64::from(last_landing(self.scenario))
    }

    /// Names of the analytes, in the method's order.
    pub fn analytes() -> [&'static str; 4] {
        ACIDS.map(|acid| acid.name)
    }

    /// The run list's text.
    pub fn run_list_csv(&self) -> String {
        list::csv(&self.injections)
    }

    /// The run list's file name.
    pub fn run_list_file() -> String {
        format!("{QUEUE}.runlist.csv")
    }

    /// The method's text.
    pub fn method_toml(&self) -> String {
        method_toml()
    }

    /// The configuration's text; its paths are relative to the folder in which [`Night::lay_out`] puts it.
    pub fn config_toml(&self, settle_s: f64) -> String {
        config_toml(settle_s, self.stored_calibration().is_some())
    }

    /// The stored calibration's text, in the scenario that has one.
    pub fn stored_calibration(&self) -> Option<String> {
        (self.scenario == Scenario::OwnCalibrators)
            .then(stored::calibration_toml)
            .flatten()
    }

    /// Makes the folders of a night below `root` and writes configuration and method into it.
    ///
    /// # Errors
    /// Where a folder cannot be made or a file not be written, with its path.
    pub fn lay_out(&self, root: &Path, settle_s: f64) -> Result<Folders, RehearsalError> {
        let folders = Folders {
            config: root.join(CONFIG_FILE),
            method: root.join(METHOD_FILE),
            exports: root.join("exports"),
            results: root.join("results"),
            state: root.join("state"),
        };
        for folder in [&folders.exports, &folders.results, &folders.state] {
            fs::create_dir_all(folder).map_err(RehearsalError::while_doing(
                "cannot make the folder",
                folder,
            ))?;
        }
        for (file, text) in [
            (&folders.config, self.config_toml(settle_s)),
            (&folders.method, self.method_toml()),
        ] {
            fs::write(file, text).map_err(RehearsalError::while_doing("cannot write", file))?;
        }
        if let Some(text) = self.stored_calibration() {
            let file = root.join(CALIBRATION_FILE);
            fs::write(&file, text).map_err(RehearsalError::while_doing("cannot write", &file))?;
        }
        Ok(folders)
    }
}

/// What is really in the vial: in the spoiled calibrator less of the acid that evaporates than its label says.
fn spoiled(scenario: Scenario, injection: &Injection, mut amounts: [f64; 4]) -> [f64; 4] {
    if scenario == Scenario::OwnCalibrators && injection.level == SPOILED_LEVEL {
        for (acid, amount) in ACIDS.iter().zip(&mut amounts) {
            if acid.name == SPOILED_ACID {
                *amount *= 0.6;
            }
        }
    }
    amounts
}

/// What is in the vial of this injection, mmol/L in the order of the acids.
pub(super) fn in_vial(brines: &[Brine], injection: &Injection) -> [f64; 4] {
    if injection.kind == Kind::Sample {
        let own = brines
            .iter()
            .find(|b| b.crock == injection.series && Some(b.time_h) == injection.time_h);
        return own.map_or([0.0; 4], |b| b.amounts.map(|a| a / injection.dilution));
    }
    [nominal(&injection.level).unwrap_or(0.0); 4]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_scenario_builds_the_same_night_twice() {
        for scenario in Scenario::all() {
            let (a, b) = (Night::build(scenario, 5), Night::build(scenario, 5));
            assert_eq!(a, b);
            assert!(a.injections.iter().map(|i| i.position).eq(1..=24));
            assert_eq!(a.chromatograms.len(), 24);
            assert_eq!(a.chromatograms[8].text(0.0), b.chromatograms[8].text(0.0));
            assert_ne!(
                a.chromatograms[8].text(0.0),
                Night::build(scenario, 6).chromatograms[8].text(0.0)
            );
        }
    }

    #[test]
    fn the_truth_is_that_of_the_undiluted_brine() {
        let night = Night::build(Scenario::Calm, 1);
        assert_eq!(night.truth(1, "lactic acid"), None);
        assert_eq!(night.truth(2, "acetic acid"), Some(0.5));
        assert_eq!(night.truth(7, "citric acid"), Some(5.0));
        assert_eq!(night.truth(17, "lactic acid"), Some(128.0));
        assert_eq!(night.truth(17, "tartaric acid"), None);
        assert_eq!(night.truth(25, "lactic acid"), None);
        assert_eq!(
            Night::build(Scenario::OverRange, 1).truth(17, "lactic acid"),
            Some(262.0)
        );
    }

    #[test]
    fn a_night_is_laid_out_in_one_folder() {
        let root = tempfile::tempdir().unwrap();
        let folders = Night::build(Scenario::Calm, 1)
            .lay_out(root.path(), 0.3)
            .unwrap();
        assert!(folders.exports.is_dir() && folders.results.is_dir() && folders.state.is_dir());
        assert!(folders.config.is_file() && folders.method.is_file());
        let blocked = root.path().join(CONFIG_FILE);
        let error = Night::build(Scenario::Calm, 1)
            .lay_out(&blocked, 0.3)
            .unwrap_err();
        assert!(error.to_string().contains(CONFIG_FILE), "{error}");
    }
}
