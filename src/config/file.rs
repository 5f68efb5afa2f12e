//! Reads the configuration from TOML. Every mistake is an error that names file, line and key.

use std::path::Path;

use super::document::{self, Document};
use super::error::FileError;
use super::table::Table;
use super::{Config, alert, paths, station};

const KEYS: &[&str] = &["state_dir", "results_dir", "station", "alert"];

/// Reads and checks the configuration file.
///
/// # Errors
/// The file cannot be read, or the first mistake in it.
pub fn load(path: &Path) -> Result<Config, FileError> {
    parse(&document::read(path)?, path)
}

/// Checks the text of a configuration file. Relative paths count from the folder of `path`; nothing is opened.
///
/// # Errors
/// The first mistake: what is no TOML, an unknown or missing key, a wrong type, a value out of its range, two
/// stations of one name, results among the traces.
pub fn parse(text: &str, path: &Path) -> Result<Config, FileError> {
    let doc = Document::parse(text, path)?;
    let root = doc.root(KEYS)?;
    let config = Config {
        path: path.to_owned(),
        state_dir: paths::path(
            &root.need("state_dir", "the ledger's folder")?,
            path,
            "a folder",
        )?,
        results_dir: paths::path(
            &root.need("results_dir", "the results' folder")?,
            path,
            "a folder",
        )?,
        stations: station::read_all(&root, path)?,
        alert: alert::read(&root, path)?,
    };
    own_folders(&root, &config)?;
    Ok(config)
}

/// What the program writes must never look like a trace that has landed.
fn own_folders(root: &Table<'_>, config: &Config) -> Result<(), FileError> {
    for (key, folder) in [
        ("state_dir", &config.state_dir),
        ("results_dir", &config.results_dir),
    ] {
        let Some(station) = config
            .stations
            .iter()
            .find(|s| folder.starts_with(&s.watch))
        else {
            continue;
        };
        let expected = format!(
            "a folder outside the one that station {} watches",
            super::error::quoted(&station.name)
        );
        return Err(root.need(key, "a folder")?.found(&expected));
    }
    Ok(())
}

#[cfg(test)]
mod tests;
