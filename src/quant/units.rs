//! Concentration units: molar and mass concentrations, and the way between them by the molar mass.

/// What a unit counts in a litre.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Amount of substance, mol/L.
    Molar,
    /// Mass, g/L.
    Mass,
}

/// A concentration unit that is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// What it counts.
    pub kind: Kind,
    /// Power of ten of its size in mol/L or g/L: −3 for mmol/L.
    pub exponent: i32,
}

/// Why a concentration cannot be brought to another unit.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum UnitError {
    /// A text that is no known unit.
    #[error(
        "`{unit}` is not a unit that can be converted; known are mol/L, mmol/L, µmol/L, nmol/L, g/L, mg/L, µg/L, ng/L and the same per mL"
    )]
    Unknown {
        /// As written.
        unit: String,
    },
    /// Molar on one side, mass on the other, and no molar mass.
    #[error(
        "{from} and {to} differ by the molar mass: give the analyte's `molar_mass_g_mol` in the method"
    )]
    NoMolarMass {
        /// As written.
        from: String,
        /// As written.
        to: String,
    },
    /// A molar mass that is none.
    #[error("a molar mass of {value} g/mol is none: it must be a number above zero")]
    BadMolarMass {
        /// As given.
        value: String,
    },
}

impl Unit {
    /// Reads a unit: `mol`, `g` with no prefix or `m`, `µ` (or `u`), `n`, `p`, and for grams `k`, per `L`, `l`, `mL`,
    /// `µL`, `dm³`, `m³`; `M`, `mM`, `µM`, `nM` stand for mol/L and its parts. `None` for anything else: `ppm` is a
    /// share of mass and no concentration until a density is known, `%` may be any of three things, and a `M` alone is
    /// never a prefix.
    pub fn parse(text: &str) -> Option<Unit> {
        // Both code points of the micro sign, and the letter that stands for it.
        let plain = text.trim().replace(['\u{b5}', '\u{3bc}'], "u");
        let plain = plain.replace('³', "3").replace("^3", "3");
        if let Some(prefix) = plain.strip_suffix('M') {
            let exponent = prefixed(prefix)?;
            return Some(Unit {
                kind: Kind::Molar,
                exponent,
            });
        }
        let (above, below) = plain
            .split_once('/')
            .map(|(a, b)| (a.trim(), b.trim()))
            .or_else(|| {
                let per = plain.split_once(" per ")?;
                Some((per.0.trim(), per.1.trim()))
            })?;
        let (kind, exponent) = match above.strip_suffix("mol") {
            Some(prefix) => (Kind::Molar, prefixed(prefix)?),
            None if above == "kg" => (Kind::Mass, 3),
            None => (Kind::Mass, prefixed(above.strip_suffix('g')?)?),
        };
        let volume = match below {
            "L" | "l" | "dm3" => 0,
            "mL" | "ml" | "cm3" => -3,
            "uL" | "ul" => -6,
            "m3" => 3,
            _ => return None,
        };
        Some(Unit {
            kind,
            exponent: exponent - volume,
        })
    }
}

/// Power of ten of a prefix.
fn prefixed(prefix: &str) -> Option<i32> {
    match prefix {
        "" => Some(0),
        "m" => Some(-3),
        "u" => Some(-6),
        "n" => Some(-9),
        "p" => Some(-12),
        _ => None,
    }
}

/// The factor that brings a concentration in `from` to `to`: c(to) = factor · c(from). Units that are spelt alike need
/// no knowledge of them and have the factor 1. From molar to mass c · M, from mass to molar c / M (definition).
///
/// # Errors
/// An unknown unit, or a change between molar and mass without a molar mass (g/mol) above zero.
pub fn factor(from: &str, to: &str, molar_mass_g_mol: Option<f64>) -> Result<f64, UnitError> {
    if from.trim() == to.trim() {
        return Ok(1.0);
    }
    let known = |text: &str| {
        Unit::parse(text).ok_or_else(|| UnitError::Unknown {
            unit: text.to_owned(),
        })
    };
    let (a, b) = (known(from)?, known(to)?);
    let scale = |value: f64| {
        // Powers of ten are exact; their inverses are not, so that division keeps 1000 mg/L at 1 g/L.
        let shift = a.exponent - b.exponent;
        if shift >= 0 {
            value * 10f64.powi(shift)
        } else {
            value / 10f64.powi(-shift)
        }
    };
    if a.kind == b.kind {
        return Ok(scale(1.0));
    }
    let mass = molar_mass_g_mol.ok_or_else(|| UnitError::NoMolarMass {
        from: from.to_owned(),
        to: to.to_owned(),
    })?;
    if !(mass.is_finite() && mass > 0.0) {
        return Err(UnitError::BadMolarMass {
            value: mass.to_string(),
        });
    }
    Ok(match a.kind {
        Kind::Molar => scale(mass),
        Kind::Mass => scale(1.0 / mass),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn units_are_read_as_people_write_them() {
        let (molar, mass) = (
            |exponent| Unit {
                kind: Kind::Molar,
                exponent,
            },
            |exponent| Unit {
                kind: Kind::Mass,
                exponent,
            },
        );
        for (text, unit) in [
            ("mol/L", molar(0)),
            ("mmol/L", molar(-3)),
            (" mmol / l ", molar(-3)),
            ("µmol/L", molar(-6)),
            ("\u{3bc}mol/L", molar(-6)),
            ("umol/L", molar(-6)),
            ("nmol/L", molar(-9)),
            ("mM", molar(-3)),
            ("M", molar(0)),
            ("mmol per L", molar(-3)),
            ("nmol/mL", molar(-6)),
            ("mol/m³", molar(-3)),
            ("g/L", mass(0)),
            ("mg/L", mass(-3)),
            ("ug/L", mass(-6)),
            ("µg/mL", mass(-3)),
            ("ng/L", mass(-9)),
            ("mg/mL", mass(0)),
            ("pg/mL", mass(-9)),
            ("kg/m^3", mass(0)),
        ] {
            assert_eq!(Unit::parse(text), Some(unit), "{text}");
        }
        for none in [
            "", "ppm", "%", "g", "mmol", "mmol/kg", "Mmol/L", "kmol/L", "L/mol", "mg/L/h", "/",
            "mmoll/L", "MM",
        ] {
            assert_eq!(Unit::parse(none), None, "{none}");
        }
    }

    /// By hand: lactic acid, 90.08 g/mol (reference table of molar masses: 90.078).
    #[test]
    fn lactic_acid_by_hand() {
        let m = Some(90.08);
        let close = |from, to, want: f64| {
            let got = factor(from, to, m).unwrap();
            assert!((got / want - 1.0).abs() < 4e-16, "{from} {to}: {got}");
        };
        close("mmol/L", "g/L", 0.09008);
        close("mmol/L", "mg/L", 90.08);
        close("mg/L", "mmol/L", 1.0 / 90.08);
        close("g/L", "mmol/L", 1000.0 / 90.08);
        close("nmol/L", "µg/L", 0.09008);
        close("mol/L", "mmol/L", 1000.0);
        close("mg/L", "g/L", 0.001);
        close("mg/mL", "g/L", 1.0);
        close("mM", "mmol/L", 1.0);
    }

    #[test]
    fn nothing_is_converted_without_knowing_how() {
        assert_eq!(factor("drops", "drops", None), Ok(1.0));
        let e = factor("drops", "g/L", None).unwrap_err().to_string();
        assert!(e.starts_with("`drops`"), "{e}");
        let e = factor("mmol/L", "g/L", None).unwrap_err().to_string();
        assert!(e.contains("molar_mass_g_mol"), "{e}");
        for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(factor("mmol/L", "g/L", Some(bad)).is_err());
        }
        assert_eq!(factor("mmol/L", "µmol/L", None), Ok(1000.0));
    }

    proptest! {
        #[test]
        fn any_text_is_survived(a in "\\PC{0,12}", b in "[mµungpk]{0,2}(mol|g|M)?/?[mlL]{0,3}") {
            let _ = Unit::parse(&a);
            let _ = factor(&a, &b, Some(60.0));
        }

        #[test]
        fn there_and_back_is_one(i in 0..8_usize, j in 0..8_usize, mass in 1.0..1000.0_f64) {
            const UNITS: [&str; 8] = ["mol/L", "mmol/L", "µmol/L", "nmol/L", "g/L", "mg/L", "µg/L", "ng/L"];
            let there = factor(UNITS[i], UNITS[j], Some(mass)).unwrap();
            let back = factor(UNITS[j], UNITS[i], Some(mass)).unwrap();
            prop_assert!((there * back - 1.0).abs() < 1e-15);
        }
    }
}
