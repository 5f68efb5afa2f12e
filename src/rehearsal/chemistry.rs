//! The acids, the solutions of known content, and what is in the crocks. All figures are made up, of ordinary size for
//! an ion-exclusion column of 300 × 7.8 mm at 0.6 mL/min.

use super::scenario::Scenario;

/// One acid as this column and detector show it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Acid {
    /// Name.
    pub(super) name: &'static str,
    /// Apex at the set flow, min.
    pub(super) retention_min: f64,
    /// Gaussian part of the peak's width, s.
    pub(super) sigma_s: f64,
    /// Exponential part, s.
    pub(super) tau_s: f64,
    /// Area for each mmol/L in the vial, mAU·s.
    pub(super) response_mau_s: f64,
    /// Molar mass, g/mol.
    pub(super) molar_mass_g_mol: f64,
}

/// The method's analytes, in order of retention.
pub(super) const ACIDS: [Acid; 4] = [
    acid("citric acid", 8.30, 7.5, 3.2, 150.0, 192.12),
    acid("succinic acid", 11.35, 8.5, 3.5, 62.0, 118.09),
    acid("lactic acid", 12.90, 9.0, 3.8, 48.0, 90.08),
    acid("acetic acid", 15.20, 10.0, 4.2, 36.0, 60.05),
];

/// Half-width of each search window, min.
pub(super) const WINDOW_MIN: f64 = 0.40;

/// Calibrators: name and concentration of every acid, mmol/L.
pub(super) const CALIBRATORS: [(&str, f64); 5] = [
    ("cal 1", 0.5),
    ("cal 2", 2.0),
    ("cal 3", 5.0),
    ("cal 4", 10.0),
    ("cal 5", 20.0),
];

/// The standard that brackets the samples: name and concentration of every acid, mmol/L.
pub(super) const STANDARD: (&str, f64) = ("mid", 5.0);

/// How far the brine is diluted into the vial.
pub(super) const DILUTION: f64 = 10.0;

/// One crock on one day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Brine {
    /// The crock.
    pub(super) crock: &'static str,
    /// Since the crock was filled, h.
    pub(super) time_h: f64,
    /// Concentrations in the undiluted brine in the order of [`ACIDS`], mmol/L.
    pub(super) amounts: [f64; 4],
}

/// The crocks and days of the queue, in the order of injection.
pub(super) fn brines(scenario: Scenario) -> [Brine; 4] {
    // 26.2 mmol/L in the vial is above the top calibrator, 0.31 below the lowest.
    let over = scenario == Scenario::OverRange;
    let strong_lactic = if over { 262.0 } else { 128.0 };
    let weak_citric = if over { 3.1 } else { 7.8 };
    [
        Brine {
            crock: "crock A",
            time_h: 72.0,
            amounts: [9.0, 7.5, 62.0, 18.0],
        },
        Brine {
            crock: "crock B",
            time_h: 72.0,
            amounts: [11.0, 8.2, 48.0, 15.0],
        },
        Brine {
            crock: "crock A",
            time_h: 168.0,
            amounts: [6.5, 11.0, strong_lactic, 31.0],
        },
        Brine {
            crock: "crock B",
            time_h: 168.0,
            amounts: [weak_citric, 12.4, 104.0, 27.0],
        },
    ]
}

/// Concentration of every acid in a solution of this level, mmol/L.
pub(super) fn nominal(level: &str) -> Option<f64> {
    CALIBRATORS
        .into_iter()
        .chain([STANDARD])
        .find(|(name, _)| *name == level)
        .map(|(_, amount)| amount)
}

/// Shorthand for the table above.
const fn acid(
    name: &'static str,
    retention_min: f64,
    sigma_s: f64,
    tau_s: f64,
    response_mau_s: f64,
    molar_mass_g_mol: f64,
) -> Acid {
    Acid {
        name,
        retention_min,
        sigma_s,
        tau_s,
        response_mau_s,
        molar_mass_g_mol,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the crocks hold stays inside the calibrators' range in every scenario but the one that is about it.
    #[test]
    fn vials_are_in_range_except_where_the_scenario_says() {
        let outside = |scenario| {
            let vials = brines(scenario).map(|b| b.amounts.map(|a| a / DILUTION));
            vials
                .iter()
                .flatten()
                .filter(|v| !(0.5..=20.0).contains(*v))
                .count()
        };
        for scenario in Scenario::all() {
            assert_eq!(
                outside(scenario),
                if scenario == Scenario::OverRange {
                    2
                } else {
                    0
                }
            );
        }
    }

    #[test]
    fn levels_are_found_by_name() {
        assert_eq!(nominal("mid"), Some(5.0));
        assert_eq!(nominal("cal 5"), Some(20.0));
        assert_eq!(nominal(""), None);
    }
}
