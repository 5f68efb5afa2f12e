//! The `[alert]` table.

use std::net::IpAddr;
use std::path::Path;

use lettre::message::Mailbox;

use super::bounds::Bounds;
use super::error::FileError;
use super::table::{Table, Value};
use super::{Alert, Email, Heartbeat, Security, paths};

pub(super) const KEYS: &[&str] = &["remind_min", "summary_at", "email", "heartbeat"];
pub(super) const EMAIL_KEYS: &[&str] = &[
    "host",
    "port",
    "security",
    "user",
    "password_file",
    "from",
    "to",
    "summary_to",
];
pub(super) const HEARTBEAT_KEYS: &[&str] = &["file", "every_s"];

/// A condition that goes on is told again after so long where the configuration says nothing, min.
const REMIND_MIN: f64 = 60.0;
/// The sign of life where the configuration says nothing, s.
const EVERY_S: f64 = 60.0;
const MOST_RECIPIENTS: usize = 50;

/// The table, or its defaults: alert files alone.
pub(super) fn read(root: &Table<'_>, file: &Path) -> Result<Alert, FileError> {
    let Some(value) = root.get("alert") else {
        return Ok(Alert {
            remind_min: REMIND_MIN,
            summary_at: None,
            email: None,
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
            .map(|v| email(&v.table(EMAIL_KEYS)?, file))
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

fn email(table: &Table<'_>, file: &Path) -> Result<Email, FileError> {
    let host_value = table.need("host", "the mail server's name")?;
    let host = host_value.text("a host name")?;
    if host.contains(char::is_whitespace) {
        return Err(host_value.found("a host name without blanks"));
    }
    let security = security(table, host)?;
    let usual_port = match security {
        Security::StartTls => 587,
        Security::Tls => 465,
        Security::None => 25,
    };
    let port = table.get("port").map(|v| v.whole(1, 65_535)).transpose()?;
    let to = addresses(&table.need("to", "a list of e-mail addresses")?)?;
    let summary_to = table.get("summary_to").map(|v| addresses(&v)).transpose()?;
    let user = table
        .get("user")
        .map(|v| v.text("a user name"))
        .transpose()?
        .map(str::to_owned);
    let password_file = table
        .get("password_file")
        .map(|v| paths::path(&v, file, "a file"))
        .transpose()?;
    if user.is_some() != password_file.is_some() {
        return Err(
            table.error("found only one of user and password_file, expected both or neither")
        );
    }
    Ok(Email {
        host: host.to_owned(),
        port: port
            .and_then(|p| u16::try_from(p).ok())
            .unwrap_or(usual_port),
        security,
        user,
        password_file,
        from: address(&table.need("from", "the sender's e-mail address")?)?,
        summary_to: summary_to.unwrap_or_else(|| to.clone()),
        to,
    })
}

/// Passwords and results never cross a network in the clear.
fn security(table: &Table<'_>, host: &str) -> Result<Security, FileError> {
    const WORDS: [(&str, Security); 3] = [
        ("starttls", Security::StartTls),
        ("tls", Security::Tls),
        ("none", Security::None),
    ];
    let Some(value) = table.get("security") else {
        return Ok(Security::StartTls);
    };
    let security = value.word(&WORDS)?;
    if security == Security::None && !is_loopback(host) {
        return Err(value.found(
            "\"starttls\" or \"tls\": \"none\" is only for a server on this machine (localhost)",
        ));
    }
    Ok(security)
}

fn is_loopback(host: &str) -> bool {
    let bare = host
        .strip_prefix('[')
        .and_then(|h| h.strip_suffix(']'))
        .unwrap_or(host);
    host.eq_ignore_ascii_case("localhost")
        || bare.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

fn addresses(value: &Value<'_>) -> Result<Vec<String>, FileError> {
    let values = value.list("a list of e-mail addresses")?;
    if values.is_empty() || values.len() > MOST_RECIPIENTS {
        let n = values.len();
        return Err(value.error(&format!(
            "found {n} addresses, expected 1 to {MOST_RECIPIENTS}"
        )));
    }
    values.iter().map(address).collect()
}

fn address(value: &Value<'_>) -> Result<String, FileError> {
    const EXPECTED: &str = "an e-mail address like \"Lab <lab@example.org>\"";
    let text = value.text(EXPECTED)?;
    match text.parse::<Mailbox>() {
        Ok(_) => Ok(text.to_owned()),
        Err(_) => Err(value.found(EXPECTED)),
    }
}

fn heartbeat(table: &Table<'_>, file: &Path) -> Result<Heartbeat, FileError> {
    let value = table.need("file", "the file that shows life")?;
    let alive = paths::path(&value, file, "a file")?;
    Ok(Heartbeat {
        file: alive,
        every_s: table.number_or("every_s", Bounds::range(1.0, 86_400.0, "s"), EVERY_S)?,
    })
}
