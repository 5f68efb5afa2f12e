//! What must hold after every night.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::{Duration, SystemTime};

use super::world::Played;
use crate::config::Config;
use crate::intake::scan;
use crate::ledger::Ledger;
use crate::outside::{World, play};
use crate::service::desk::{Desk, stem_of};
use crate::service::evaluate::hex;
use crate::service::process::process;

/// A proof is due every half minute, and a beat may have been on its way.
pub(super) const PROOF: Duration = Duration::from_secs(36);

/// A night that is over.
pub(super) struct Held<'a> {
    pub root: &'a Path,
    pub config: &'a Config,
    pub world: &'a Rc<Played>,
}

type Row = BTreeMap<String, String>;

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

    fn database(&self) -> rusqlite::Connection {
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
        for (path, sha) in self.files() {
            let stem = stem_of(&path);
            if !landed.get(&stem).is_some_and(|l| l.contains(&sha)) {
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
    fn sheets(&self, results: &str) -> BTreeMap<String, Vec<Row>> {
        self.tables(results, "sheet.csv")
    }

    fn tables(&self, results: &str, name: &str) -> BTreeMap<String, Vec<Row>> {
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
            .prepare("SELECT id, state, key FROM outbox ORDER BY id")
            .unwrap();
        let fates: Vec<(i64, String, String)> = statement
            .query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))
            .unwrap()
            .map(Result::unwrap)
            .collect();
        let post = self.world.post.lock().unwrap();
        for (id, fate, key) in fates {
            let arrived = post.iter().any(|p| p.letter.key == key && p.arrived);
            match fate.as_str() {
                "waiting" => return Err(format!("letter {id} ({key}) still waits")),
                "sent" if !arrived => {
                    return Err(format!(
                        "letter {id} ({key}) counts as sent and never arrived"
                    ));
                }
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

    fn at_work<T>(&self, work: impl FnOnce() -> T) -> T {
        let shared: Rc<dyn World> = Rc::clone(self.world) as Rc<dyn World>;
        play(shared, work).unwrap()
    }

    /// What counts in the ledger and does not lie in the folder any more, since it was deleted, or written over after a pause,
    /// is laid beside it as it was; gives where.
    fn bring_back(&self) -> PathBuf {
        let folder = self.root.join("vanished");
        fs::create_dir_all(&folder).unwrap();
        let database = self.database();
        let mut statement = database
            .prepare(
                "SELECT id, path, sha256, modified_ns FROM landing
                 WHERE id IN (SELECT max(id) FROM landing GROUP BY queue, stem)",
            )
            .unwrap();
        let mut rows = statement.query([]).unwrap();
        let state = self.world.state.borrow();
        while let Some(row) = rows.next().unwrap() {
            let path: Vec<u8> = row.get(1).unwrap();
            let path = PathBuf::from(String::from_utf8(path).unwrap());
            let sha: String = row.get(2).unwrap();
            let written = Duration::from_nanos(row.get::<_, i64>(3).unwrap().unsigned_abs());
            let written = SystemTime::UNIX_EPOCH + written;
            let there = fs::metadata(&path).is_ok_and(|m| m.modified().unwrap() == written);
            if there && hex(&fs::read(&path).unwrap()) == sha {
                continue;
            }
            let beside = folder.join(row.get::<_, i64>(0).unwrap().to_string());
            fs::create_dir(&beside).unwrap();
            let copy = beside.join(path.file_name().unwrap());
            fs::write(&copy, &state.shown[&(path, sha)]).unwrap();
            let file = fs::File::options().write(true).open(&copy).unwrap();
            file.set_modified(written).unwrap();
        }
        folder
    }

    /// A plain evaluation of the folder as it is now comes to the same sheet.
    fn as_evaluated_again(&self) -> Result<(), String> {
        let mut config = self.config.clone();
        config.state_dir = self.root.join("again-state");
        config.results_dir = self.root.join("again");
        let exports = [self.root.join("exports"), self.bring_back()];
        let done = self.at_work(|| {
            let mut ledger = Ledger::open(&config.state_dir).unwrap();
            process(
                &config,
                &config.stations[0],
                &exports,
                &mut ledger,
                &mut |_, _| {},
            )
        });
        let done = done.map_err(|e| e.to_string())?;
        if !done.unread.is_empty() || !done.unwritten.is_empty() {
            return Err(format!("process: {:?} {:?}", done.unread, done.unwritten));
        }
        let plain = |results: &str| {
            let mut sheets = self.sheets(results);
            for rows in sheets.values_mut() {
                for row in rows.iter_mut() {
                    row.remove("landed_at");
                }
                rows.sort();
            }
            sheets
        };
        let (was, is) = (plain("results"), plain("again"));
        if was.keys().ne(is.keys()) {
            return Err(format!(
                "queues {:?}, evaluated again {:?}",
                was.keys(),
                is.keys()
            ));
        }
        for (queue, rows) in &was {
            for (a, b) in rows.iter().zip(&is[queue]) {
                if a != b {
                    let cells = a.keys().filter(|k| a.get(*k) != b.get(*k));
                    let cells: Vec<String> = cells
                        .map(|k| format!("{k}: {:?} / {:?}", a.get(k), b.get(k)))
                        .collect();
                    return Err(format!(
                        "{queue}: {} {} differs from a plain evaluation: {}",
                        a["position"],
                        a["analyte"],
                        cells.join(", ")
                    ));
                }
            }
            if rows.len() != is[queue].len() {
                return Err(format!(
                    "{queue}: {} rows, evaluated again {}",
                    rows.len(),
                    is[queue].len()
                ));
            }
        }
        self.same_failures()
    }

    /// What a plain evaluation tells at once of a trace was told.
    fn same_failures(&self) -> Result<(), String> {
        let was = self.tables("results", "alerts.csv");
        for (queue, alerts) in self.tables("again", "alerts.csv") {
            for alert in alerts
                .iter()
                .filter(|a| a["told"] == "now" && !a["trace"].is_empty())
            {
                let same = |a: &&Row| {
                    ["check", "position", "trace", "analyte"]
                        .iter()
                        .all(|c| a[*c] == alert[*c])
                };
                if !was
                    .get(&queue)
                    .is_some_and(|rows| rows.iter().any(|r| same(&r)))
                {
                    return Err(format!("{queue}: never told: {alert:?}"));
                }
            }
        }
        Ok(())
    }

    /// Made again from the ledger alone, the results are the same bytes.
    fn made_again(&self) -> Result<(), String> {
        let mut config = self.config.clone();
        config.results_dir = self.root.join("remade");
        let unwritten = self.at_work(|| {
            let mut ledger = Ledger::open(&config.state_dir).unwrap();
            let queues = ledger.queues("acids").unwrap();
            let mut unwritten = Vec::new();
            for (queue, ended) in queues {
                let mut desk = Desk::open(&config, &config.stations[0], &mut ledger, 1.0).unwrap();
                desk.load(&mut ledger, &queue).unwrap();
                if ended {
                    desk.end();
                }
                desk.settle(&mut ledger, crate::outside::wall()).unwrap();
                unwritten.extend(desk.flush(true));
            }
            unwritten
        });
        if !unwritten.is_empty() {
            return Err(format!("remade: {unwritten:?}"));
        }
        let (was, is) = (self.outputs("results"), self.outputs("remade"));
        if was.keys().ne(is.keys()) {
            return Err(format!("files {:?}, remade {:?}", was.keys(), is.keys()));
        }
        for (name, text) in &was {
            if *text != is[name] {
                let (a, b) = text
                    .lines()
                    .zip(is[name].lines())
                    .find(|(a, b)| a != b)
                    .unwrap_or(("", ""));
                return Err(format!(
                    "{}: made again it differs:\n{a}\n{b}",
                    name.display()
                ));
            }
        }
        Ok(())
    }

    fn outputs(&self, results: &str) -> BTreeMap<PathBuf, String> {
        let folder = self.root.join(results).join("acids");
        let look = scan::scan(
            &folder,
            &|p| !p.to_string_lossy().contains("/alerts/"),
            &|_| false,
        );
        look.files
            .into_iter()
            .map(|f| {
                let name = f.path.strip_prefix(&folder).unwrap().to_owned();
                (name, fs::read_to_string(&f.path).unwrap())
            })
            .collect()
    }

    /// While something that must work fails, the sign of life stops.
    fn silence_was_visible(&self) -> Result<(), String> {
        let state = self.world.state.borrow();
        for fault in &state.faults {
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
