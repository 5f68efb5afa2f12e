//! The `[alert.email]` table: mail servers and recipients.

use std::net::IpAddr;
use std::path::Path;

use lettre::message::Mailbox;

use super::bounds::Bounds;
use super::error::FileError;
use super::table::{Table, Value};
use super::{Email, MailServer, Password, Security, paths};

pub(super) const KEYS: &[&str] = &[
    "host",
    "port",
    "security",
    "ca_file",
    "user",
    "password_file",
    "credential",
    "server",
    "timeout_s",
    "from",
    "to",
    "summary_to",
];
/// Keys of a further server.
pub(super) const SERVER_KEYS: &[&str] = &[
    "host",
    "port",
    "security",
    "ca_file",
    "user",
    "password_file",
    "credential",
];

const MOST_RECIPIENTS: usize = 50;
const MOST_SERVERS: usize = 8;
/// Each step of a delivery may take so long where the configuration says nothing, s.
const TIMEOUT_S: f64 = 30.0;

pub(super) fn read(table: &Table<'_>, file: &Path) -> Result<Email, FileError> {
    let mut servers = vec![server(table, file)?];
    if let Some(value) = table.get("server") {
        let more = value.list("tables [[alert.email.server]]")?;
        if more.len() >= MOST_SERVERS {
            let n = more.len() + 1;
            return Err(value.error(&format!(
                "found {n} servers, expected at most {MOST_SERVERS}"
            )));
        }
        for value in &more {
            servers.push(server(&value.table(SERVER_KEYS)?, file)?);
        }
    }
    let to = addresses(&table.need("to", "a list of e-mail addresses")?)?;
    let summary_to = table.get("summary_to").map(|v| addresses(&v)).transpose()?;
    Ok(Email {
        servers,
        timeout_s: table.number_or("timeout_s", Bounds::range(0.1, 600.0, "s"), TIMEOUT_S)?,
        from: address(&table.need("from", "the sender's e-mail address")?)?,
        summary_to: summary_to.unwrap_or_else(|| to.clone()),
        to,
    })
}

fn server(table: &Table<'_>, file: &Path) -> Result<MailServer, FileError> {
    let host_value = table.need("host", "the mail server's name")?;
    let host = host_value.text("a host name")?;
    if host.is_empty() || host.contains(char::is_whitespace) {
        return Err(host_value.found("a host name without blanks"));
    }
    let security = security(table, host)?;
    let usual_port = match security {
        Security::StartTls => 587,
        Security::Tls => 465,
        Security::None => 25,
    };
    let port = table.get("port").map(|v| v.whole(1, 65_535)).transpose()?;
    let ca_file = table.get("ca_file");
    if let (Some(value), Security::None) = (&ca_file, security) {
        return Err(value.error("certificates are not looked at with security = \"none\""));
    }
    let user = table
        .get("user")
        .map(|v| v.text("a user name"))
        .transpose()?
        .map(str::to_owned);
    let password = password(table, file)?;
    if user.is_some() != password.is_some() {
        return Err(table.error(
            "found only one of user and password_file (or credential), expected both or neither",
        ));
    }
    Ok(MailServer {
        host: host.to_owned(),
        port: port
            .and_then(|p| u16::try_from(p).ok())
            .unwrap_or(usual_port),
        security,
        ca_file: ca_file
            .map(|v| paths::path(&v, file, "a file"))
            .transpose()?,
        login: user.zip(password),
    })
}

fn password(table: &Table<'_>, file: &Path) -> Result<Option<Password>, FileError> {
    const EXPECTED: &str =
        "the name of a systemd credential, letters, digits, \"-\", \"_\" or \".\"";
    let path = table
        .get("password_file")
        .map(|v| paths::path(&v, file, "a file"))
        .transpose()?;
    let Some(value) = table.get("credential") else {
        return Ok(path.map(Password::File));
    };
    let name = value.text(EXPECTED)?;
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
    if name.is_empty() || name.starts_with('.') || !name.chars().all(plain) {
        return Err(value.found(EXPECTED));
    }
    match path {
        Some(_) => Err(table.error("found password_file and credential, expected one of them")),
        None => Ok(Some(Password::Credential(name.to_owned()))),
    }
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
    host.eq_ignore_ascii_case("localhost")
        || super::bare_host(host)
            .parse::<IpAddr>()
            .is_ok_and(|ip| ip.is_loopback())
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
