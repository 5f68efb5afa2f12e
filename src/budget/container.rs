//! The containers of a night: bottles that are drawn from, the waste that is filled.

use super::draw::{Draw, Share};
use crate::check::Check;
use crate::method::{Method, Program};
use crate::text::one_line;

/// One bottle, or the waste container.
#[derive(Debug, Clone, PartialEq)]
pub struct Container {
    /// What is in it; for the waste: `waste`.
    pub name: String,
    /// The check that fails when it does not last.
    pub check: Check,
    /// What is in the bottle at the start, or what the waste container takes, mL; `None`: not said, not checked.
    pub start_ml: Option<f64>,
    /// What must stay in the bottle, mL.
    pub reserve_ml: f64,
    /// What goes out, or in.
    pub draw: Draw,
}

impl Container {
    /// What may be used, mL.
    pub fn may_ml(&self) -> Option<f64> {
        self.start_ml.map(|ml| (ml - self.reserve_ml).max(0.0))
    }
}

/// The containers of a method, the waste last; none where the method gives no flow.
pub fn containers(method: &Method) -> Vec<Container> {
    let mut out: Vec<Container> = bottles(method);
    let all = Program::constant(100.0);
    let share = Share {
        program: &all,
        before: 1.0,
        after: 1.0,
    };
    out.extend(
        Draw::of(method, &share, method.pumping.needle_wash_ml).map(|draw| Container {
            name: "waste".to_owned(),
            check: Check::WasteFull,
            start_ml: method.eluent.as_ref().and_then(|e| e.waste_free_ml),
            reserve_ml: 0.0,
            draw,
        }),
    );
    out
}

fn bottles(method: &Method) -> Vec<Container> {
    let bottle = |name: &str, start_ml, reserve_ml, share: &Share<'_>| {
        Some(Container {
            name: one_line(name),
            check: Check::EluentShort,
            start_ml,
            reserve_ml,
            draw: Draw::of(method, share, 0.0)?,
        })
    };
    let several = &method.pumping.bottles;
    if !several.is_empty() {
        return several
            .iter()
            .filter_map(|b| {
                let share = Share {
                    program: &b.share_percent,
                    before: b.before_percent / 100.0,
                    after: b.after_percent / 100.0,
                };
                bottle(&b.name, b.bottle_ml, b.reserve_ml, &share)
            })
            .collect();
    }
    let all = Program::constant(100.0);
    let share = Share {
        program: &all,
        before: 1.0,
        after: 1.0,
    };
    let eluent = method.eluent.as_ref();
    let name = eluent.and_then(|e| e.name.as_deref()).unwrap_or("eluent");
    let start_ml = eluent.and_then(|e| e.bottle_ml);
    let reserve_ml = eluent.and_then(|e| e.reserve_ml).unwrap_or(0.0);
    bottle(name, start_ml, reserve_ml, &share)
        .into_iter()
        .collect()
}
