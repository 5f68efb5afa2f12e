//! The pressure that a packed bed puts up against the eluent.

use super::draw::flow;
use crate::method::Method;

/// Share of a bed of equal spheres that is not sphere, where the method does not say: 0.40. Random packings of spheres
/// have 0.36 to 0.42 (common practice, no source).
const POROSITY: f64 = 0.40;
/// Where the method gives no oven: a room.
const ROOM_C: f64 = 25.0;

/// A pressure to expect, and what it was reckoned from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// Of the packed bed alone, MPa.
    pub bed_mpa: f64,
    /// At this flow, mL/min: the highest of the program.
    pub flow_ml_min: f64,
    /// Temperature of the column, °C.
    pub column_c: f64,
    /// The method gives no `oven_c`: a room was assumed.
    pub temperature_assumed: bool,
    /// Viscosity at that temperature, mPa·s.
    pub viscosity_mpa_s: f64,
    /// The viscosity is that of water: the method gives none.
    pub as_water: bool,
    /// Share of the column that is no particle.
    pub porosity: f64,
}

/// Pressure over the bed by Kozeny and Carman, Δp = 180 µ L u (1 − ε)² / (d² ε³), with the superficial velocity
/// u = F / (π D² / 4). Carman 1937, from memory. `None` where the method lacks a dimension of the column or the flow, or
/// where water is no liquid.
///
/// It is a lower bound: frits, tubing and a soft gel add several times as much. Dilute acid is taken as water.
pub fn expected(method: &Method) -> Option<Expected> {
    let column = method.column.as_ref()?;
    let length_m = column.length_mm? * 1e-3;
    let diameter_m = column.inner_diameter_mm? * 1e-3;
    let particle_m = column.particle_um? * 1e-6;
    let conditions = &method.conditions;
    let flow_ml_min = flow(method)?.highest(conditions.run_time_min);
    let column_c = conditions.oven_c.unwrap_or(ROOM_C);
    let given = method.pumping.viscosity_mpa_s;
    let viscosity_mpa_s = given.or_else(|| water_viscosity_mpa_s(column_c))?;
    let porosity = method.pumping.porosity.unwrap_or(POROSITY);
    let area_m2 = std::f64::consts::PI * diameter_m * diameter_m / 4.0;
    let velocity_m_s = flow_ml_min * 1e-6 / 60.0 / area_m2;
    let packed = (1.0 - porosity).powi(2) / porosity.powi(3);
    let bed_pa = 180.0 * viscosity_mpa_s * 1e-3 * length_m * velocity_m_s * packed
        / (particle_m * particle_m);
    Some(Expected {
        bed_mpa: bed_pa * 1e-6,
        flow_ml_min,
        column_c,
        temperature_assumed: conditions.oven_c.is_none(),
        viscosity_mpa_s,
        as_water: given.is_none(),
        porosity,
    })
}

/// Viscosity of liquid water at 0.1 MPa, mPa·s, from 0 to 100 °C: IAPWS SR6-08,
/// µ / µPa·s = 280.68 T⁻¹·⁹ + 511.45 T⁻⁷·⁷ + 61.131 T⁻¹⁹·⁶ + 0.45903 T⁻⁴⁰ with T in units of 300 K. Coefficients verified in
/// a library's source.
pub fn water_viscosity_mpa_s(celsius: f64) -> Option<f64> {
    if !(0.0..=100.0).contains(&celsius) {
        return None;
    }
    let t = (celsius + 273.15) / 300.0;
    let terms = [
        (280.68, -1.9),
        (511.45, -7.7),
        (61.131, -19.6),
        (0.45903, -40.0),
    ];
    Some(terms.iter().map(|(a, b)| a * t.powf(*b)).sum::<f64>() * 1e-3)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::method::Column;

    fn method(column: [f64; 3], flow_ml_min: f64, oven_c: Option<f64>) -> Method {
        let mut m = crate::night::fixture::method();
        m.conditions.flow_ml_min = Some(flow_ml_min);
        m.conditions.oven_c = oven_c;
        m.column = Some(Column {
            length_mm: Some(column[0]),
            inner_diameter_mm: Some(column[1]),
            particle_um: Some(column[2]),
        });
        m
    }

    fn close(found: f64, expected: f64, relative: f64) {
        assert!(
            (found / expected - 1.0).abs() < relative,
            "found {found}, expected {expected}"
        );
    }

    #[test]
    fn water_flows_as_the_tables_say() {
        // IAPWS SR6-08 at 0.1 MPa (verified) and a handbook's three figures (from memory).
        for (celsius, iapws, handbook) in [
            (20.0, 1.0016, Some(1.002)),
            (25.0, 0.8900, Some(0.890)),
            (30.0, 0.7972, Some(0.798)),
            (35.0, 0.7191, None),
            (40.0, 0.6527, Some(0.653)),
            (50.0, 0.5465, Some(0.547)),
            (55.0, 0.5036, None),
            (60.0, 0.4660, Some(0.467)),
            (65.0, 0.4329, None),
            (70.0, 0.4035, Some(0.404)),
            (80.0, 0.3540, Some(0.354)),
        ] {
            let found = water_viscosity_mpa_s(celsius).unwrap();
            assert!((found - iapws).abs() < 1e-4, "{celsius} °C: {found}");
            if let Some(rounded) = handbook {
                close(found, rounded, 0.003);
            }
        }
        assert_eq!(water_viscosity_mpa_s(-0.1), None);
        assert_eq!(water_viscosity_mpa_s(100.1), None);
    }

    #[test]
    fn a_bed_puts_up_what_kozeny_and_carman_say() {
        // Formula from memory; figures recomputed apart, in another language.
        let ion = expected(&method([300.0, 7.8, 9.0], 0.6, None)).unwrap();
        close(ion.bed_mpa, 0.698_458_510_191_406, 1e-9);
        assert!(ion.temperature_assumed && ion.as_water);
        let warm = expected(&method([300.0, 7.8, 9.0], 0.6, Some(60.0))).unwrap();
        close(warm.bed_mpa, 0.365_741_900_091_477, 1e-9);
        let mut fine = method([150.0, 4.6, 5.0], 1.0, Some(40.0));
        fine.pumping.viscosity_mpa_s = Some(0.890);
        let fine = expected(&fine).unwrap();
        close(fine.bed_mpa, 5.422_249_455_337_78, 1e-9);
        assert!(!fine.as_water);
    }

    #[test]
    fn the_highest_flow_of_a_program_counts() {
        let mut m = method([300.0, 7.8, 9.0], 0.6, None);
        let pairs = vec![[0.0, 0.3], [10.0, 1.2], [12.0, 0.3], [40.0, 5.0]];
        m.pumping.flow_program = crate::method::Program::of(pairs);
        let found = expected(&m).unwrap();
        // At the end of the run, minute 22, the line to minute 40 stands at 0.3 + 4.7 · 10/28.
        close(found.flow_ml_min, 0.3 + 4.7 * 10.0 / 28.0, 1e-12);
        close(
            found.bed_mpa,
            0.698_458_510_191_406 * found.flow_ml_min / 0.6,
            1e-9,
        );
    }

    #[test]
    fn nothing_is_expected_of_a_column_that_is_not_described() {
        let mut m = method([300.0, 7.8, 9.0], 0.6, Some(150.0));
        assert_eq!(expected(&m), None, "steam");
        m.conditions.oven_c = Some(50.0);
        m.conditions.flow_ml_min = None;
        assert_eq!(expected(&m), None);
        m.conditions.flow_ml_min = Some(0.6);
        assert!(expected(&m).is_some());
        m.column = None;
        assert_eq!(expected(&m), None);
    }
}
