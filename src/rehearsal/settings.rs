//! The simulated station's method and configuration as text. Every path is relative to the file that names it, so the
//! folder can stand anywhere.

use super::chemistry::{ACIDS, CALIBRATORS, STANDARD, WINDOW_MIN};
use super::queue::INJECTION_UL;
use super::{QUEUE, RUN_TIME_MIN, STATION};

/// Name of the method's file beside the configuration.
pub(super) const METHOD_FILE: &str = "brine-acids.toml";
/// Name of the configuration's file.
pub(super) const CONFIG_FILE: &str = "runsitter.toml";
/// Name of the stored calibration's file beside the configuration, where there is one.
pub(super) const CALIBRATION_FILE: &str = "stored-calibration.toml";
/// Name of the pressure log in the export folder.
pub(super) const PRESSURE_FILE: &str = "pressure.csv";

/// The configuration: no mail, everything in folders beside it; with a stored calibration or without.
pub(super) fn config_toml(settle_s: f64, stored: bool) -> String {
    let calibration = if stored {
        format!("calibration = \"{CALIBRATION_FILE}\"\n")
    } else {
        String::new()
    };
    format!(
        r#"# A simulated night: made by `runsitter rehearse`.
state_dir   = "state"
results_dir = "results"

[[station]]
name        = "{STATION}"
watch       = "exports"
files       = ["{QUEUE}-*.csv"]
settle_s    = {settle_s:?}
run_list    = "exports/*.runlist.csv"
method      = "{METHOD_FILE}"
{calibration}
[station.pressure]
file        = "exports/{PRESSURE_FILE}"
unit        = "MPa"

[alert]
remind_min  = 60
"#
    )
}

/// The method with its levels and limits.
pub(super) fn method_toml() -> String {
    let mut text = head();
    for acid in ACIDS {
        text += &format!(
            "\n[[analyte]]\nname = \"{}\"\nretention_min = {:?}\nwindow_min = {WINDOW_MIN:?}\nunit = \"mmol/L\"\nmolar_mass_g_mol = {:?}\n",
            acid.name, acid.retention_min, acid.molar_mass_g_mol
        );
    }
    for (level, amount) in CALIBRATORS.into_iter().chain([STANDARD]) {
        let amounts = ACIDS
            .map(|acid| format!("\"{}\" = {amount:?}", acid.name))
            .join(", ");
        text += &format!("\n[[level]]\nname = \"{level}\"\nnominal = {{ {amounts} }}\n");
    }
    text + LIMITS
}

/// Conditions, column and eluent.
fn head() -> String {
    format!(
        r#"# A simulated night: made by `runsitter rehearse`.
name = "organic acids in brine"

[conditions]
run_time_min  = {RUN_TIME_MIN:?}
flow_ml_min   = 0.6
injection_ul  = {INJECTION_UL:?}
wavelength_nm = 210.0
oven_c        = 50.0

[column]
length_mm = 300
inner_diameter_mm = 7.8
particle_um = 8

[eluent]
name = "5 mmol/L sulfuric acid"
bottle_ml = 1000
reserve_ml = 100
waste_free_ml = 2000
"#
    )
}

/// Limits; the pressures are those of a soft ion-exclusion gel.
const LIMITS: &str = "
[limits]
blank_noise_mau = 0.5
blank_drift_mau_per_h = 5.0
carry_over_percent_of_lowest = 20
recovery_percent = [90.0, 110.0]
standard_area_drift_percent = 5.0
retention_shift_percent = 2.0
tailing_max = 2.0
plates_min = 2000
resolution_min = 1.5
replicate_rsd_percent = 10.0
pressure_normal_mpa = [3.0, 6.0]
pressure_max_mpa = 9.0
pressure_min_mpa = 1.0
late_trace_min = 10.0
";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_configuration_is_toml() {
        let table: toml::Table = config_toml(0.3, false).parse().unwrap();
        let station = &table["station"][0];
        assert_eq!(station["settle_s"].as_float(), Some(0.3));
        assert_eq!(
            station["pressure"]["file"].as_str(),
            Some("exports/pressure.csv")
        );
        assert_eq!(
            config_toml(1.0, true).parse::<toml::Table>().unwrap()["station"][0]["settle_s"]
                .as_float(),
            Some(1.0)
        );
    }

    #[test]
    fn the_method_is_toml_and_names_every_acid_in_every_level() {
        let table: toml::Table = method_toml().parse().unwrap();
        assert_eq!(table["analyte"].as_array().unwrap().len(), 4);
        let levels = table["level"].as_array().unwrap();
        assert_eq!(levels.len(), 6);
        for level in levels {
            for acid in ACIDS {
                assert!(level["nominal"][acid.name].as_float().unwrap() > 0.0);
            }
        }
        assert_eq!(table["limits"]["late_trace_min"].as_float(), Some(10.0));
        assert_eq!(table["conditions"]["run_time_min"].as_float(), Some(22.0));
    }
}
