//! Held against what is made once more: a plain evaluation of the folder, and results made again from the ledger alone.

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;
use std::rc::Rc;
use std::time::{Duration, SystemTime};

use super::held::{Held, Row};
use crate::intake::scan;
use crate::ledger::Ledger;
use crate::outside::{World, play};
use crate::service::desk::Desk;
use crate::service::evaluate::hex;
use crate::service::process::process;

impl Held<'_> {
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
    pub(super) fn as_evaluated_again(&self) -> Result<(), String> {
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
    pub(super) fn made_again(&self) -> Result<(), String> {
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
}
