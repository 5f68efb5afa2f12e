//! Where every vial stands.
//!
//! One vial for each sample, from which all its replicates are drawn; one for the blank; one for each level. Where a vial may be
//! pierced only so often, the next one of the same content follows it. They are filled in in row order: blank, standards'
//! levels, calibrators' levels, samples in the order of the sheet.

use std::collections::{HashMap, HashSet};

use crate::config::error::{FileError, quoted};

use super::sample::Samples;
use super::sheet::Sheet;
use super::tray::{Place, Tray};

/// What a vial holds.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Content {
    /// Eluent or water.
    Blank,
    /// A level of the method.
    Level(String),
    /// The sample with this index.
    Sample(usize),
}

/// A vial as the run list calls it.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Default)]
pub struct Vial {
    /// The tray.
    pub tray: String,
    /// The place in it.
    pub vial: String,
}

/// The vials of a plan.
#[derive(Debug, Default)]
pub struct Rack {
    /// Vials of each content in the order of their use.
    vials: HashMap<Content, Vec<Vial>>,
    /// Injections drawn so far.
    drawn: HashMap<Content, u64>,
    per_vial: Option<u64>,
}

impl Rack {
    /// Places vials. `contents`: each once with its number of injections, in the order in which they are filled in.
    ///
    /// # Errors
    /// More vials than free places; a sample's own vial that no tray has, is taken or stands twice.
    pub fn fill(
        contents: &[(Content, u64)],
        per_vial: Option<u64>,
        tray: Option<&Tray>,
        sheet: &Sheet,
        samples: &Samples,
    ) -> Result<Rack, FileError> {
        let mut rack = Rack {
            per_vial,
            ..Rack::default()
        };
        let own = own_vials(tray, sheet, samples)?;
        let used: HashSet<&Vial> = own.values().collect();
        let mut free = free(tray, &used);
        let needed = |(content, injections): &(Content, u64)| match content {
            Content::Sample(s) if own.contains_key(s) => 0,
            _ => per_vial.map_or(1, |most| injections.div_ceil(most.max(1))),
        };
        for (content, _) in contents.iter() {
            if let Content::Sample(s) = content
                && let Some(vial) = own.get(s)
            {
                rack.put(content, vial.clone());
            }
        }
        for entry in contents {
            for _ in 0..needed(entry) {
                let Some(vial) = free.next() else {
                    let all: u64 = contents.iter().map(needed).sum();
                    return Err(too_many(all, &entry.0, tray, own.len(), sheet, samples));
                };
                rack.put(&entry.0, vial);
            }
        }
        Ok(rack)
    }

    /// The vial of the next injection of this content.
    pub fn draw(&mut self, content: &Content) -> Vial {
        let drawn = self.drawn.entry(content.clone()).or_insert(0);
        let index = self.per_vial.map_or(0, |most| *drawn / most.max(1));
        *drawn += 1;
        let vials = self.vials.get(content);
        let index = usize::try_from(index).unwrap_or(usize::MAX);
        vials
            .and_then(|v| v.get(index).or(v.last()))
            .cloned()
            .unwrap_or_default()
    }

    fn put(&mut self, content: &Content, vial: Vial) {
        self.vials.entry(content.clone()).or_default().push(vial);
    }

    /// The vials of each of these contents, in this order.
    pub fn of(&self, contents: &[(Content, u64)]) -> Vec<(Content, Vec<Vial>)> {
        let vials = |c: &Content| self.vials.get(c).cloned().unwrap_or_default();
        contents
            .iter()
            .map(|(c, _)| (c.clone(), vials(c)))
            .collect()
    }
}

/// Free places in the order in which they are filled.
fn free<'t>(tray: Option<&'t Tray>, used: &HashSet<&Vial>) -> Box<dyn Iterator<Item = Vial> + 't> {
    let used: HashSet<Vial> = used.iter().map(|v| (*v).clone()).collect();
    match tray {
        Some(tray) => Box::new(
            tray.places()
                .filter(|p| !tray.taken.contains(p))
                .map(|p| vial_at(tray, p))
                .filter(move |v| !used.contains(v)),
        ),
        None => Box::new(
            (1_u64..)
                .map(|n| Vial {
                    tray: "1".to_owned(),
                    vial: n.to_string(),
                })
                .filter(move |v| !used.contains(v)),
        ),
    }
}

fn vial_at(tray: &Tray, place: Place) -> Vial {
    Vial {
        tray: place.tray.saturating_add(1).to_string(),
        vial: tray.label(place),
    }
}

/// Vials that stand already, by sample, called as the trays call them.
fn own_vials(
    tray: Option<&Tray>,
    sheet: &Sheet,
    samples: &Samples,
) -> Result<HashMap<usize, Vial>, FileError> {
    let mut own = HashMap::new();
    let mut lines: HashMap<Vial, u64> = HashMap::new();
    for (s, sample) in samples.all.iter().enumerate() {
        let Some(row) = sheet.rows.get(sample.row) else {
            continue;
        };
        let column = samples.vial_column.filter(|_| !sample.vial.is_empty());
        let Some(column) = column else {
            match samples.tray_column {
                Some(tray) if !sample.tray.is_empty() => {
                    return Err(sheet.found(row, tray, "a column vial with its place beside it"));
                }
                _ => continue,
            }
        };
        let named = Vial {
            tray: if sample.tray.is_empty() {
                "1".to_owned()
            } else {
                sample.tray.clone()
            },
            vial: sample.vial.clone(),
        };
        let vial = match tray {
            None => named,
            Some(tray) => {
                known(tray, &named).map_err(|expected| sheet.found(row, column, &expected))?
            }
        };
        if let Some(first) = lines.insert(vial.clone(), row.line) {
            let expected = format!("another place than line {first}");
            return Err(sheet.found(row, column, &expected));
        }
        own.insert(s, vial);
    }
    Ok(own)
}

/// A vial as the trays call it; else what was expected.
fn known(tray: &Tray, named: &Vial) -> Result<Vial, String> {
    let place = named
        .tray
        .parse::<u64>()
        .ok()
        .filter(|t| (1..=tray.trays).contains(t))
        .zip(tray.number(&named.vial))
        .map(|(t, number)| Place {
            tray: t - 1,
            number,
        });
    match place {
        Some(place) if tray.taken.contains(&place) => {
            Err(format!("a place that is not taken in tray {}", named.tray))
        }
        Some(place) => Ok(vial_at(tray, place)),
        None => {
            let trays = match tray.trays {
                1 => "tray 1".to_owned(),
                n => format!("trays 1 to {n}"),
            };
            Err(format!(
                "a place in {trays} of {} rows and {} columns (the tray given is {})",
                tray.rows,
                tray.columns,
                quoted(&named.tray)
            ))
        }
    }
}

fn too_many(
    needed: u64,
    at: &Content,
    tray: Option<&Tray>,
    own: usize,
    sheet: &Sheet,
    samples: &Samples,
) -> FileError {
    let own = own as u64;
    let (places, taken) = tray.map_or((0, 0), |t| {
        (t.size().saturating_mul(t.trays), t.taken.len() as u64)
    });
    let free = places.saturating_sub(taken).saturating_sub(own);
    let short = needed.saturating_sub(free);
    let of = match taken {
        0 => format!("{places} places"),
        _ => format!("{places} places of which {taken} are taken"),
    };
    let own = match own {
        0 => String::new(),
        n => format!(", {n} by samples' own"),
    };
    let message = format!(
        "found {needed} vials to be placed, expected at most {free}: {short} more than the trays hold ({of}{own})"
    );
    let line = match at {
        Content::Sample(s) => samples
            .all
            .get(*s)
            .and_then(|sample| sheet.rows.get(sample.row))
            .map(|row| row.line),
        _ => None,
    };
    match line {
        Some(line) => sheet.error(line, message),
        None => FileError::whole(&sheet.path, message),
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::method::Plan;
    use crate::plan::sample;
    use crate::plan::tray::Labels;

    fn read(text: &str) -> (Sheet, Samples) {
        let sheet = Sheet::parse(text.as_bytes(), Path::new("s.csv")).unwrap();
        let samples = sample::read(&sheet, &Plan::default()).unwrap();
        (sheet, samples)
    }

    fn contents(samples: usize, injections: u64) -> Vec<(Content, u64)> {
        let mut out = vec![(Content::Blank, 2), (Content::Level("mid".to_owned()), 5)];
        out.extend((0..samples).map(|s| (Content::Sample(s), injections)));
        out
    }

    fn tray(taken: &[&str]) -> Tray {
        let mut tray = Tray {
            rows: 2,
            columns: 3,
            trays: 1,
            labels: Labels::Letters,
            taken: HashSet::new(),
        };
        for t in taken {
            let places = tray.read_taken(t).unwrap();
            tray.taken.extend(places);
        }
        tray
    }

    fn drawn(rack: &mut Rack, content: &Content, times: usize) -> String {
        let vials: Vec<String> = (0..times)
            .map(|_| {
                let v = rack.draw(content);
                format!("{}:{}", v.tray, v.vial)
            })
            .collect();
        vials.join(" ")
    }

    #[test]
    fn vials_stand_in_row_order_around_what_is_taken() {
        let (sheet, samples) = read("name,vial\nx,\ny,B3\nz,\n");
        let t = tray(&["A2"]);
        let mut rack = Rack::fill(&contents(3, 2), None, Some(&t), &sheet, &samples).unwrap();
        assert_eq!(drawn(&mut rack, &Content::Blank, 2), "1:A1 1:A1");
        assert_eq!(
            drawn(&mut rack, &Content::Level("mid".to_owned()), 1),
            "1:A3"
        );
        let at: Vec<String> = (0..3)
            .map(|s| drawn(&mut rack, &Content::Sample(s), 2))
            .collect();
        assert_eq!(at, ["1:B1 1:B1", "1:B3 1:B3", "1:B2 1:B2"]);
        let placed: usize = rack.of(&contents(3, 2)).iter().map(|(_, v)| v.len()).sum();
        assert_eq!(placed, 5);
    }

    #[test]
    fn a_vial_that_was_pierced_often_enough_is_followed_by_the_next() {
        let (sheet, samples) = read("name\nx\n");
        let mut rack = Rack::fill(&contents(1, 3), Some(2), None, &sheet, &samples).unwrap();
        assert_eq!(
            drawn(&mut rack, &Content::Level("mid".to_owned()), 5),
            "1:2 1:2 1:3 1:3 1:4"
        );
        assert_eq!(drawn(&mut rack, &Content::Sample(0), 3), "1:5 1:5 1:6");
    }

    #[test]
    fn more_vials_than_places_are_counted() {
        let error = |text: &str, taken: &[&str]| {
            let (sheet, samples) = read(text);
            let n = samples.all.len();
            Rack::fill(&contents(n, 1), None, Some(&tray(taken)), &sheet, &samples)
                .unwrap_err()
                .to_string()
        };
        assert_eq!(
            error("name\na\nb\nc\nd\ne\nf\n", &[]),
            "s.csv:6: found 8 vials to be placed, expected at most 6: 2 more than the trays hold (6 places)"
        );
        assert_eq!(
            error("name,vial\na,B1\nb,\n", &["A1", "A2", "A3"]),
            "s.csv:3: found 3 vials to be placed, expected at most 2: 1 more than the trays hold (6 places of which 3 are taken, 1 by samples' own)"
        );
        assert_eq!(
            error("name,vial\na,B1\nb,4\n", &[]),
            "s.csv:3: column vial: found \"4\", expected another place than line 2"
        );
        assert_eq!(
            error("name,vial\na,A2\n", &["A2"]),
            "s.csv:2: column vial: found \"A2\", expected a place that is not taken in tray 1"
        );
        assert_eq!(
            error("name,tray\na,2\n", &[]),
            "s.csv:2: column tray: found \"2\", expected a column vial with its place beside it"
        );
        assert_eq!(
            error("name,vial,tray\na,A2,2\n", &[]),
            "s.csv:2: column vial: found \"A2\", expected a place in tray 1 of 2 rows and 3 columns (the tray given is \"2\")"
        );
    }
}
