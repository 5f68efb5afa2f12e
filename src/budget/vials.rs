//! What is drawn from each vial against what is in it.

use std::collections::BTreeMap;

use crate::method::Method;
use crate::runlist::Injection;

/// One vial of a list.
#[derive(Debug, Clone, PartialEq)]
pub struct Vial {
    /// Its tray; may be empty.
    pub tray: String,
    /// Its place.
    pub vial: String,
    /// Positions of the injections from it, ascending.
    pub positions: Vec<u64>,
    /// What each of them draws, with what it draws beyond its volume, µL.
    pub draws_ul: Vec<f64>,
    /// What all of them draw together, µL.
    pub drawn_ul: f64,
    /// The same and what the needle cannot reach, µL.
    pub needed_ul: f64,
}

/// The vials in the order of the list. An injection without a vial, or whose volume neither list nor method says, draws
/// from none that could be reckoned.
pub fn vials(list: &[Injection], method: &Method) -> Vec<Vial> {
    let mut out: Vec<Vial> = Vec::new();
    let mut known: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    for injection in list.iter().filter(|i| !i.vial.is_empty()) {
        let Some(volume_ul) = injection.volume_ul.or(method.conditions.injection_ul) else {
            continue;
        };
        let k = *known
            .entry((&injection.tray, &injection.vial))
            .or_insert_with(|| {
                out.push(Vial {
                    tray: injection.tray.clone(),
                    vial: injection.vial.clone(),
                    positions: Vec::new(),
                    draws_ul: Vec::new(),
                    drawn_ul: 0.0,
                    needed_ul: method.pumping.vial_dead_ul,
                });
                out.len() - 1
            });
        if let Some(vial) = out.get_mut(k) {
            let drawn_ul = volume_ul + method.pumping.draw_extra_ul;
            vial.positions.push(injection.position);
            vial.draws_ul.push(drawn_ul);
            vial.drawn_ul += drawn_ul;
            vial.needed_ul += drawn_ul;
        }
    }
    out
}
