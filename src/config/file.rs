//! Reads the configuration from TOML. Every mistake is an error that names file, line and key.

use std::path::Path;

use super::document::{self, Document};
use super::error::FileError;
use super::{Config, alert, paths, station};

const KEYS: &[&str] = &["state_dir", "results_dir", "station", "alert"];

/// Reads and checks the configuration file.
///
/// # Errors
/// The file cannot be read, or the first mistake in it.
pub fn load(path: &Path) -> Result<Config, FileError> {
    let config = parse(&document::read(path)?, path)?;
    paths::really_outside_watched(&config, "state_dir", &config.state_dir)?;
    paths::really_outside_watched(&config, "results_dir", &config.results_dir)?;
    Ok(config)
}

/// Checks the text of a configuration file. Relative paths count from the folder of `path`; nothing is opened.
///
/// # Errors
/// The first mistake: what is no TOML, an unknown or missing key, a wrong type, a value out of its range, two
/// stations of one name, results among the traces.
pub fn parse(text: &str, path: &Path) -> Result<Config, FileError> {
    let doc = Document::parse(text, path)?;
    let root = doc.root(KEYS)?;
    let stations = station::read_all(&root, path)?;
    let own_folder = |key: &str, what: &str| {
        let value = root.need(key, what)?;
        let folder = paths::path(&value, path, "a folder")?;
        paths::outside_watched(&value, &folder, &stations)?;
        Ok(folder)
    };
    Ok(Config {
        path: path.to_owned(),
        state_dir: own_folder("state_dir", "the ledger's folder")?,
        results_dir: own_folder("results_dir", "the results' folder")?,
        alert: alert::read(&root, path)?,
        stations,
    })
}

#[cfg(test)]
mod tests;
