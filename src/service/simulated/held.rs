//! What must hold after every night.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::Duration;

use super::fault::Part;
use super::world::Played;
use crate::config::Config;
use crate::intake::scan;
use crate::outside::World as _;
use crate::post::Letter;
use crate::service::desk::stem_of;
use crate::service::evaluate::hex;
use crate::tell;

/// A proof is due every half minute, and a beat may have been on its way.
pub(super) const PROOF: Duration = Duration::from_secs(36);

/// A night that is over.
pub(super) struct Held<'a> {
    pub root: &'a Path,
    pub config: &'a Config,
    pub world: &'a Rc<Played>,
}

pub(super) type Row = BTreeMap<String, String>;

impl Held<'_> {
    pub(super) fn all(&self) -> Result<(), String> {
        self.world
            .state
            .borrow_mut()
            .faults
            .retain(|f| f.times == u64::MAX);
        self.silence_was_visible()?;
        self.world.state.borrow_mut().faults.clear();
        self.world.state.borrow_mut().events.clear();
        self.once()?;
        self.nothing_left_half_written()?;
        self.told()?;
        self.letters()?;
        self.between_two_passing_checkpoints()?;
        self.as_evaluated_again()?;
        self.made_again()
    }

    /// What holds already when the night is over, before a start has looked at what it left.
    pub(super) fn before_another_start(&self) -> Result<(), String> {
        self.once()?;
        self.told()?;
        self.no_results_of_empty_queues()
    }

    /// Results of a queue that lost everything to another one are gone.
    fn no_results_of_empty_queues(&self) -> Result<(), String> {
        let database = self.database();
        let mut statement = database
            .prepare("SELECT count(*) FROM landing WHERE queue = ?1")
            .unwrap();
        for queue in self.sheets("results").keys() {
            let landed: i64 = statement.query_row([queue], |r| r.get(0)).unwrap();
            if landed == 0 {
                return Err(format!("{queue}: results of a queue without a trace"));
            }
        }
        Ok(())
    }

    pub(super) fn database(&self) -> rusqlite::Connection {
        rusqlite::Connection::open(self.root.join("state/ledger.sqlite")).unwrap()
    }

    /// Landings by stem, in their order.
    fn landed(&self) -> BTreeMap<String, Vec<String>> {
        let database = self.database();
        let mut statement = database
            .prepare("SELECT stem, sha256 FROM landing ORDER BY id")
            .unwrap();
        let rows = statement
            .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))
            .unwrap();
        let mut out: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for row in rows {
            let (stem, sha): (String, String) = row.unwrap();
            out.entry(stem).or_default().push(sha);
        }
        out
    }

    fn files(&self) -> Vec<(PathBuf, String)> {
        let wanted = |p: &Path| {
            p.extension().is_some_and(|e| e == "csv") && !p.to_string_lossy().contains("runlist")
        };
        let mut files = scan::scan(&self.root.join("exports"), &wanted, &|_| false).files;
        files.sort();
        files
            .into_iter()
            .map(|f| (f.path.clone(), hex(&fs::read(f.path).unwrap())))
            .collect()
    }

    /// Each whole file once for each of its contents, and nothing that was never there.
    fn once(&self) -> Result<(), String> {
        let landed = self.landed();
        let state = self.world.state.borrow();
        let files = self.files();
        for (path, sha) in &files {
            let stem = stem_of(path);
            let has_landed = landed.get(&stem).is_some_and(|l| l.contains(sha));
            if !has_landed && !files.iter().any(|(whole, _)| is_torn_off(path, whole)) {
                return Err(format!("{}: its content has not landed", path.display()));
            }
        }
        for (stem, shas) in &landed {
            if shas.windows(2).any(|w| w[0] == w[1]) {
                return Err(format!("{stem}: the same content landed twice running"));
            }
            let known: BTreeSet<&String> = state
                .shown
                .keys()
                .filter(|(p, _)| stem_of(p) == *stem)
                .map(|(_, s)| s)
                .collect();
            if let Some(sha) = shas.iter().find(|s| !known.contains(s)) {
                return Err(format!("{stem}: {sha} landed and was never there"));
            }
        }
        for (queue, rows) in self.sheets("results") {
            let mut seen = BTreeSet::new();
            for row in rows {
                let place = (row["position"].clone(), row["analyte"].clone());
                if !seen.insert(place.clone()) {
                    return Err(format!("{queue}: two rows of {place:?}"));
                }
            }
        }
        Ok(())
    }

    fn nothing_left_half_written(&self) -> Result<(), String> {
        let left = scan::scan(
            &self.root.join("results/acids"),
            &|p| p.extension().is_some_and(|e| e == "tmp"),
            &|_| false,
        );
        match left.files.first() {
            Some(file) => Err(format!("{} is left", file.path.display())),
            None => Ok(()),
        }
    }

    /// Queue → rows of its sheet.
    pub(super) fn sheets(&self, results: &str) -> BTreeMap<String, Vec<Row>> {
        self.tables(results, "sheet.csv")
    }

    pub(super) fn tables(&self, results: &str, name: &str) -> BTreeMap<String, Vec<Row>> {
        let folder = self.root.join(results).join("acids");
        let mut out = BTreeMap::new();
        for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
            let queue = entry.file_name().to_string_lossy().into_owned();
            if let Ok(text) = fs::read_to_string(entry.path().join(name)) {
                out.insert(queue, rows(&text));
            }
        }
        out
    }

    /// Every alert that is told at once has its message in a file, and what the ledger knows as told lies there.
    fn told(&self) -> Result<(), String> {
        let database = self.database();
        let mut statement = database
            .prepare("SELECT file_name, body FROM message")
            .unwrap();
        let messages: Vec<(String, String)> = statement
            .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))
            .unwrap()
            .map(Result::unwrap)
            .collect();
        for (name, body) in &messages {
            let path = self.root.join("results/acids/alerts").join(name);
            if fs::read_to_string(&path).ok().as_ref() != Some(body) {
                return Err(format!("{name}: the message is not in its file"));
            }
        }
        let letters = self.letters_to_those_told_now();
        for (queue, alerts) in self.tables("results", "alerts.csv") {
            for alert in alerts
                .iter()
                .filter(|a| a["told"] == "now" && !a["trace"].is_empty())
            {
                if !letters.iter().any(|l| l.contains(alert["trace"].as_str())) {
                    return Err(format!("{queue}: no letter tells of {alert:?}"));
                }
                let said = |(_, body): &(String, String)| body.contains(alert["trace"].as_str());
                if !messages.iter().any(said) {
                    return Err(format!("{queue}: nobody was told of {alert:?}"));
                }
            }
        }
        Ok(())
    }

    fn letters_to_those_told_now(&self) -> Vec<String> {
        let database = self.database();
        let mut statement = database
            .prepare("SELECT letter FROM outbox WHERE audience = 'now'")
            .unwrap();
        let letters = statement.query_map([], |r| r.get(0)).unwrap();
        letters.map(Result::unwrap).collect()
    }

    /// Every letter arrived, or its loss lies in the alert folder.
    fn letters(&self) -> Result<(), String> {
        let database = self.database();
        let mut statement = database
            .prepare("SELECT id, state, carrier, letter FROM outbox ORDER BY id")
            .unwrap();
        let fates: Vec<(i64, String, String, String)> = statement
            .query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?)))
            .unwrap()
            .map(Result::unwrap)
            .collect();
        let post = self.world.post.lock().unwrap();
        let (now, zone) = {
            let world = Rc::clone(self.world);
            (world.wall(), world.zone())
        };
        for (id, fate, carrier, letter) in fates {
            let letter: Letter = serde_json::from_str(&letter).unwrap();
            let key = &letter.key;
            let arrived = post
                .iter()
                .any(|p| p.letter.key == *key && p.letter.repeat == letter.repeat && p.arrived);
            let loss = tell::undelivered(&carrier, &letter, "", now, &zone).file_name;
            let told = self.root.join("results/acids/alerts").join(&loss).exists();
            match fate.as_str() {
                "waiting" => return Err(format!("letter {id} ({key}) still waits")),
                "sent" if !arrived => {
                    return Err(format!(
                        "letter {id} ({key}) counts as sent and never arrived"
                    ));
                }
                "sent" => {}
                _ if !told => return Err(format!("letter {id} ({key}) is lost without {loss}")),
                _ => {}
            }
        }
        Ok(())
    }

    /// The bracket rule once more, from the sheet alone.
    fn between_two_passing_checkpoints(&self) -> Result<(), String> {
        for (queue, rows) in self.sheets("results") {
            let mut injections: BTreeMap<u64, Vec<&Row>> = BTreeMap::new();
            for row in &rows {
                let position = row["position"].parse().unwrap();
                injections.entry(position).or_default().push(row);
            }
            let order: Vec<(u64, Vec<&Row>)> = injections.into_iter().collect();
            let passes = |found: Option<usize>, step: isize| {
                let Some(mut at) = found else { return false };
                loop {
                    let rows = &order[at].1;
                    match rows[0]["kind"].as_str() {
                        "sample" => return true,
                        "standard" if rows.iter().any(|r| r["verdict"] != "accepted") => {
                            return false;
                        }
                        _ => {}
                    }
                    match at.checked_add_signed(step).filter(|n| *n < order.len()) {
                        Some(next) => at = next,
                        None => return true,
                    }
                }
            };
            let standard = |k: &usize| order[*k].1[0]["kind"] == "standard";
            for (k, (position, rows)) in order.iter().enumerate() {
                let accepted =
                    rows[0]["kind"] == "sample" && rows.iter().any(|r| r["verdict"] == "accepted");
                if !accepted {
                    continue;
                }
                let before = (0..k).rev().find(standard);
                let after = (k..order.len()).find(standard);
                if !passes(before, -1) || !passes(after, 1) {
                    return Err(format!(
                        "{queue}: {position} is accepted outside two passing checkpoints"
                    ));
                }
            }
        }
        Ok(())
    }

    /// While something that must work fails, the sign of life stops.
    fn silence_was_visible(&self) -> Result<(), String> {
        let state = self.world.state.borrow();
        if let Some(beat) = state.false_beats.first() {
            return Err(format!("a sign of life at {beat}"));
        }
        let results = [Part::Results, Part::Sheet, Part::Alerts];
        for fault in state.faults.iter().filter(|f| !results.contains(&f.part)) {
            let Some(first) = fault.failed_first else {
                continue;
            };
            let silent = first + PROOF..fault.until;
            if let Some(beat) = state.beats.iter().find(|b| silent.contains(*b)) {
                return Err(format!("a sign of life at {beat:?} during {fault:?}"));
            }
        }
        Ok(())
    }
}

/// Whoever reads a result at the instant of a kill, or ever after, reads it whole.
pub(super) fn results_are_whole(root: &Path) -> Result<(), String> {
    let is_result = |p: &Path| p.extension().is_some_and(|e| e == "csv" || e == "txt");
    for file in scan::scan(&root.join("results"), &is_result, &|_| false).files {
        let text = fs::read_to_string(&file.path).map_err(|e| e.to_string())?;
        let mut records = csv::Reader::from_reader(text.as_bytes()).into_records();
        let is_table = file.path.extension().is_some_and(|e| e == "csv");
        if !text.ends_with('\n') || is_table && records.any(|r| r.is_err()) {
            let end = text.lines().last().unwrap_or_default();
            let path = file.path.display();
            return Err(format!("{path}: a kill left half of it, up to {end:?}"));
        }
    }
    Ok(())
}

fn rows(text: &str) -> Vec<Row> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let header = reader.headers().unwrap().clone();
    reader
        .records()
        .map(|r| {
            let record = r.unwrap();
            header
                .iter()
                .map(str::to_owned)
                .zip(record.iter().map(str::to_owned))
                .collect()
        })
        .collect()
}

/// The one is no whole file but the beginning of the other, which has the same name and was written later: it may be passed over.
fn is_torn_off(torn: &Path, whole: &Path) -> bool {
    let written = |p: &Path| fs::metadata(p).and_then(|m| m.modified()).unwrap();
    stem_of(torn) == stem_of(whole) && written(torn) < written(whole) && {
        let (torn, whole) = (fs::read(torn).unwrap(), fs::read(whole).unwrap());
        torn.len() < whole.len() && whole.starts_with(&torn)
    }
}
