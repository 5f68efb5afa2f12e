//! The `[alert]` table.

use std::path::Path;

use super::bounds::Bounds;
use super::error::FileError;
use super::table::{Table, Value};
use super::{Alert, Heartbeat, email, paths, webhook};

pub(super) const KEYS: &[&str] = &["remind_min", "summary_at", "email", "webhook", "heartbeat"];
pub(super) const HEARTBEAT_KEYS: &[&str] = &["file", "url", "every_s"];

/// A condition that goes on is told again after so long where the configuration says nothing, min.
const REMIND_MIN: f64 = 60.0;
/// The sign of life where the configuration says nothing, s.
const EVERY_S: f64 = 60.0;

/// The table, or its defaults: alert files alone.
pub(super) fn read(root: &Table<'_>, file: &Path) -> Result<Alert, FileError> {
    let Some(value) = root.get("alert") else {
        return Ok(Alert {
            remind_min: REMIND_MIN,
            summary_at: None,
            email: None,
            webhook: None,
            heartbeat: None,
        });
    };
    let table = value.table(KEYS)?;
    Ok(Alert {
        remind_min: table.number_or(
            "remind_min",
            Bounds::range(1.0, 10_080.0, "min"),
            REMIND_MIN,
        )?,
        summary_at: table
            .get("summary_at")
            .map(|v| time_of_day(&v))
            .transpose()?,
        email: table
            .get("email")
            .map(|v| email::read(&v.table(email::KEYS)?, file))
            .transpose()?,
        webhook: table
            .get("webhook")
            .map(|v| webhook::read(&v.table(webhook::KEYS)?, file))
            .transpose()?,
        heartbeat: table
            .get("heartbeat")
            .map(|v| heartbeat(&v.table(HEARTBEAT_KEYS)?, file))
            .transpose()?,
    })
}

fn time_of_day(value: &Value<'_>) -> Result<(u8, u8), FileError> {
    const EXPECTED: &str = "a time of day from \"00:00\" to \"23:59\"";
    let text = value.text(EXPECTED)?;
    let two = |t: &str| {
        if t.len() == 2 && t.bytes().all(|b| b.is_ascii_digit()) {
            t.parse::<u8>().ok()
        } else {
            None
        }
    };
    let parts = text
        .split_once(':')
        .and_then(|(h, m)| Some((two(h)?, two(m)?)));
    parts
        .filter(|(h, m)| *h < 24 && *m < 60)
        .ok_or_else(|| value.found(EXPECTED))
}

fn heartbeat(table: &Table<'_>, file: &Path) -> Result<Heartbeat, FileError> {
    let url = table.get("url").map(|v| webhook::address(&v)).transpose()?;
    let alive = match table.get("file") {
        // With an address the file may be left out.
        None if url.is_some() => None,
        None => Some(table.need("file", "the file that shows life, or a url that is called")?),
        given => given,
    };
    let alive = alive.map(|v| paths::path(&v, file, "a file")).transpose()?;
    Ok(Heartbeat {
        file: alive,
        url,
        every_s: table.number_or("every_s", Bounds::range(1.0, 86_400.0, "s"), EVERY_S)?,
    })
}
