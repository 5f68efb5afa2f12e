//! Trends and tails of the normal distribution.

use super::{agrees, column};
use crate::quant::describe::mean_interval_95;
use crate::quant::rate::rate;
use crate::quant::student::normal_tail;
use crate::quant::trend::{mann_kendall, theil_sen};

const CLOUDS: &str = include_str!("../../../tests/reference/theil_sen_cloud_seeding.csv");
const RECOVERY: &str = include_str!("../../../tests/reference/trend_recovery.csv");

/// Hollander and Wolfe, cloud seeding; Sen 1968 (from memory; recomputed).
#[test]
fn theil_sen_cloud_seeding() {
    let (x, y) = (column(CLOUDS, 0), column(CLOUDS, 1));
    agrees("ts.slope", theil_sen(&x, &y, 0.95).unwrap().slope);
    agrees("ts.S", mann_kendall(&y).unwrap().s as f64);
}

/// Sixteen recoveries with ties (data made here; recomputed with scipy).
#[test]
fn recoveries_fall() {
    let (x, y) = (column(RECOVERY, 0), column(RECOVERY, 1));
    let sen = theil_sen(&x, &y, 0.95).unwrap();
    agrees("mk.sen_slope", sen.slope);
    agrees("mk.sen_intercept", sen.intercept);
    agrees("mk.sen_lo", sen.low.unwrap());
    agrees("mk.sen_hi", sen.high.unwrap());
    let mk = mann_kendall(&y).unwrap();
    agrees("mk.S", mk.s as f64);
    agrees("mk.var", mk.variance);
    agrees("mk.Z", mk.z);
    agrees("mk.p", mk.p);
    agrees("mk.tau_b", mk.tau_b);
}

/// Two-sided tails beyond 2 and 3 σ (recomputed).
#[test]
fn tails_of_the_normal_distribution() {
    agrees("p.1_2s", 2.0 * normal_tail(2.0));
    agrees("p.1_3s", 2.0 * normal_tail(3.0));
}

/// NIST/SEMATECH e-Handbook 1.3.5.17.1 (from memory; recomputed).
#[test]
fn grubbs_handbook() {
    let x = column(
        include_str!("../../../tests/reference/grubbs_handbook.csv"),
        0,
    );
    let test = crate::quant::outlier::grubbs(&x, 0.05).unwrap();
    agrees("grubbs.G", test.g);
    agrees("grubbs.crit_upper", test.critical);
    assert!(test.stands_apart() && x[test.index] == 245.57);
}

/// Critical values at 5 % for a value on either side: ISO 5725-2, table 5 (from memory; recomputed from the beta distribution).
#[test]
fn grubbs_two_sided_critical_values() {
    for n in 3..=10 {
        let x: Vec<f64> = (0..n).map(f64::from).collect();
        let test = crate::quant::outlier::grubbs_two_sided(&x, 0.05).unwrap();
        agrees(&format!("grubbs_two_sided.crit_{n}"), test.critical);
    }
}

/// Rates of change with Welch's interval (data made here; recomputed with scipy).
#[test]
fn rates_of_change() {
    let text = include_str!("../../../tests/reference/rate_of_change.csv");
    let (times, values) = (column(text, 0), column(text, 1));
    let at = |time: f64| {
        let here: Vec<f64> = times
            .iter()
            .zip(&values)
            .filter(|(t, _)| **t == time)
            .map(|(_, v)| *v)
            .collect();
        mean_interval_95(&here).unwrap()
    };
    for (before, after) in [(24.0, 48.0), (48.0, 96.0)] {
        let r = rate(&at(before), &at(after), after - before).unwrap();
        agrees(&format!("rate_{after}.per_h"), r.per_h);
        agrees(&format!("rate_{after}.low"), r.low_95.unwrap());
        agrees(&format!("rate_{after}.high"), r.high_95.unwrap());
    }
}
