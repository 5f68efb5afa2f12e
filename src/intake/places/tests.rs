use std::fs;
use std::path::Path;

use crate::config::Config;
use crate::intake::filter::{Filter, Role};

/// A house in a temporary folder, whose configuration says so much more than names.
struct House(tempfile::TempDir);

impl House {
    fn new(folders: &[&str]) -> House {
        let house = House(tempfile::tempdir().unwrap());
        for folder in folders {
            fs::create_dir_all(house.0.path().join(folder)).unwrap();
        }
        house
    }

    /// What files are to the first station: `t`race, `l`ist, `-` nothing.
    fn roles(&self, text: &str, files: &[&str]) -> String {
        let filter = self.filter(text);
        let letter = |file: &&str| match filter.role(&self.0.path().join(file)) {
            Some(Role::Trace) => 't',
            Some(Role::RunList) => 'l',
            None => '-',
        };
        files.iter().map(letter).collect()
    }

    fn filter(&self, text: &str) -> Filter {
        let config = self.config(text);
        Filter::new(&config, &config.stations[0]).unwrap()
    }

    fn config(&self, text: &str) -> Config {
        let path = self.0.path().join("c.toml");
        crate::config::file::parse(text, &path).unwrap()
    }

    fn path(&self, file: &str) -> std::path::PathBuf {
        self.0.path().join(file)
    }
}

fn config(results: &str, watch: &str, run_list: &str, more: &str) -> String {
    format!(
        "state_dir = \"state\"\nresults_dir = \"{results}\"\n[[station]]\nname = \"acids\"\nmethod = \"m.toml\"\nwatch = \"{watch}\"\nrun_list = \"{run_list}\"\n{more}"
    )
}

fn sugars(watch: &str) -> String {
    format!("[[station]]\nname = \"sugars\"\nmethod = \"m.toml\"\nwatch = \"{watch}\"\n")
}

#[test]
fn the_nearest_folder_decides() {
    let house = House::new(&["exports"]);
    let files = [
        "exports/a.csv",
        "exports/a.list.csv",
        "exports/deep/b.csv",
        "exports/results/old/c.csv",
        "exports/sugars/d.csv",
        "exports/sugars/d.list.csv",
        "e.csv",
        "results/acids/f.csv",
        "g.list.csv",
    ];
    let roles = |results, run_list, more: &str| {
        house.roles(&config(results, "exports", run_list, more), &files)
    };
    let inner = sugars("exports/sugars");
    assert_eq!(roles("results", "exports/*.list.csv", ""), "tltttt---");
    assert_eq!(
        roles("exports/results", "exports/*.list.csv", &inner),
        "tlt------"
    );
    assert_eq!(roles("exports/results", "*.list.csv", &inner), "ttt-----l");
    // The traces may lie below the results, and below what another station watches.
    assert_eq!(roles(".", "exports/*.list.csv", ""), "tltttt---");
    assert_eq!(
        roles("results", "exports/*.list.csv", &sugars(".")),
        "tltttt---"
    );
}

#[cfg(unix)]
#[test]
fn links_and_spellings_change_nothing() {
    use std::os::unix::fs::symlink;
    let house = House::new(&["exports/lists"]);
    symlink(house.path("exports"), house.path("link")).unwrap();
    let files = [
        "exports/a.csv",
        "exports/results/b.csv",
        "exports/lists/c.csv",
    ];
    // The results are not there yet.
    let text = config("link/results", "exports", "link/lists/*.csv", "");
    assert_eq!(house.roles(&text, &files), "t-l");
    let text = config("exports/results", "link", "exports/lists/*.csv", "");
    let linked = ["link/a.csv", "link/results/b.csv", "link/lists/c.csv"];
    assert_eq!(house.roles(&text, &linked), "t-l");
    // A link that is made later is known after the next look.
    let text = config("later/results", "exports", "*.list.csv", "");
    let mut filter = house.filter(&text);
    symlink(house.path("exports"), house.path("later")).unwrap();
    let file = house.path(files[1]);
    assert_eq!(filter.role(&file), Some(Role::Trace));
    filter.look_again();
    assert_eq!(filter.role(&file), None);
}

#[test]
fn what_a_person_names_is_meant_unless_it_is_ours() {
    let house = House::new(&["exports/results/acids", "archive"]);
    let text = config(
        "exports/results",
        "exports",
        "exports/*.list.csv",
        &sugars("archive/b"),
    );
    let anywhere = |named: &str, file: &str| {
        let filter = house.filter(&text).naming(&house.path(named));
        filter.role_anywhere(&house.path(file))
    };
    let trace = Some(Role::Trace);
    assert_eq!(anywhere("archive", "archive/a.csv"), trace);
    assert_eq!(
        anywhere("archive", "archive/a.list.csv"),
        Some(Role::RunList)
    );
    assert_eq!(anywhere("archive", "archive/b/a.csv"), None);
    assert_eq!(anywhere("archive/b", "archive/b/a.csv"), trace);
    assert_eq!(anywhere("", "exports/a.csv"), trace);
    assert_eq!(anywhere("", "exports/results/acids/q/sheet.csv"), None);
    assert_eq!(anywhere("exports/day", "exports/day/a.csv"), trace);
    let named = "exports/results/acids/q";
    assert_eq!(anywhere(named, "exports/results/acids/q/sheet.csv"), None);
}

#[test]
fn folders_on_the_way_to_what_is_the_stations_are_entered() {
    let house = House::new(&["results/acids", "results/exports"]);
    let text = config("results", "results/exports", "*/*/*.list.csv", "");
    let filter = house.filter(&text);
    let skips = |folder: &str| filter.skips(&house.path(folder));
    assert!(!skips("results") && !skips("results/exports") && skips("results/acids"));
    let skips = |folder: &str| filter.skips_for_lists(&house.path(folder));
    assert!(!skips("a/b") && skips("a/b/c") && skips("results/acids"));
    assert!(filter.role(Path::new("/a.csv")).is_none());
}
