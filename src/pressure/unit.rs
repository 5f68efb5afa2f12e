//! Units of pressure.

use crate::trace::units::words;

/// Unit of a pressure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// Megapascal.
    Mpa,
    /// Bar.
    Bar,
    /// Pound-force per square inch.
    Psi,
    /// Kilopascal.
    Kpa,
}

/// As they are configured.
pub const WORDS: [(&str, Unit); 4] = [
    ("MPa", Unit::Mpa),
    ("bar", Unit::Bar),
    ("psi", Unit::Psi),
    ("kPa", Unit::Kpa),
];

impl Unit {
    /// MPa in one. NIST SP 811, appendix B: 1 bar = 10⁵ Pa, 1 psi = 6 894.757 Pa (from the pound and the inch: 6 894.757 293 168);
    /// from memory, recomputed.
    pub fn mpa(self) -> f64 {
        match self {
            Unit::Mpa => 1.0,
            Unit::Bar => 0.1,
            Unit::Psi => 0.006_894_757_293_168_361,
            Unit::Kpa => 0.001,
        }
    }

    /// The word for people.
    pub fn word(self) -> &'static str {
        WORDS
            .iter()
            .find(|(_, u)| *u == self)
            .map_or("MPa", |(w, _)| w)
    }

    /// The unit that a column's name gives: `pressure_bar`, `Pressure [MPa]`, `PumpPressurePsi`.
    pub fn in_name(name: &str) -> Option<Unit> {
        if name.len() > 200 {
            return None;
        }
        let lower: Vec<String> = words(name).iter().map(|w| w.to_lowercase()).collect();
        let exact = |w: &String| match w.as_str() {
            "mpa" => Some(Unit::Mpa),
            "bar" | "bars" | "barg" => Some(Unit::Bar),
            "psi" | "psig" | "psia" => Some(Unit::Psi),
            "kpa" => Some(Unit::Kpa),
            _ => None,
        };
        let joined = |w: &String| {
            let unit = |(word, unit): &(&str, Unit)| {
                w.strip_suffix(&word.to_lowercase())
                    .is_some_and(|head| head.contains("press") || head.contains("druck"))
                    .then_some(*unit)
            };
            WORDS.iter().find_map(unit)
        };
        let found = lower.iter().rev().find_map(exact);
        found.or_else(|| lower.iter().rev().find_map(joined))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn factors_are_those_of_the_si() {
        // 0.453 592 37 kg × 9.806 65 m/s² over (0.0254 m)², in MPa.
        let psi = 0.453_592_37 * 9.806_65 / (0.0254 * 0.0254) / 1e6;
        assert!((Unit::Psi.mpa() / psi - 1.0).abs() < 1e-15);
        assert_eq!(
            (Unit::Mpa.mpa(), Unit::Bar.mpa(), Unit::Kpa.mpa()),
            (1.0, 0.1, 0.001)
        );
        assert_eq!(Unit::Psi.word(), "psi");
    }

    #[test]
    fn names_give_their_unit() {
        for (name, unit) in [
            ("pressure_mpa", Some(Unit::Mpa)),
            ("Pressure [bar]", Some(Unit::Bar)),
            ("PumpPressurePsi", Some(Unit::Psi)),
            ("Druck (kPa)", Some(Unit::Kpa)),
            ("barrel", None),
            ("pressure", None),
        ] {
            assert_eq!(Unit::in_name(name), unit, "{name}");
        }
    }
}
