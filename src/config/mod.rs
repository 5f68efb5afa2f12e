//! The configuration: where traces come from, where results go, whom to tell.
//!
//! This file holds the checked values; [`mod@file`] reads them from TOML.

mod alert;
pub(crate) mod bounds;
pub(crate) mod document;
mod email;
pub mod error;
pub mod file;
pub(crate) mod paths;
pub(crate) mod pattern;
mod station;
pub(crate) mod table;
mod webhook;

use std::path::{Path, PathBuf};

use crate::trace::Settings;

/// A checked configuration. Every path is absolute or relative to the file's folder, already joined.
#[derive(Debug, Clone)]
pub struct Config {
    /// The file it came from.
    pub path: PathBuf,
    /// Folder of the ledger; a local disk.
    pub state_dir: PathBuf,
    /// Folder of the results; may be a network share.
    pub results_dir: PathBuf,
    /// At least one; names are unique and safe as folder names.
    pub stations: Vec<Station>,
    /// Whom to tell, and when.
    pub alert: Alert,
}

/// One instrument.
#[derive(Debug, Clone)]
pub struct Station {
    /// Its name, used as a folder name.
    pub name: String,
    /// The folder into which traces are exported, subfolders too.
    pub watch: PathBuf,
    /// Patterns of file names that are traces (matched against the name, whatever its letters' case).
    pub files: Vec<String>,
    /// Unchanged for so long: whole. Seconds.
    pub settle_s: f64,
    /// Look at the folder this often instead of waiting for events. Seconds; `None`: automatic.
    pub poll_s: Option<f64>,
    /// Pattern of the run lists' paths, absolute.
    pub run_list: Option<String>,
    /// The method's file.
    pub method: PathBuf,
    /// The stored calibration's file, where one is kept.
    pub calibration: Option<PathBuf>,
    /// Pattern of file names for traces that no run list names, e.g. `{position}_{kind}_{name}`.
    pub name_pattern: Option<String>,
    /// What is known of the traces' layout; what is left out is sniffed.
    pub trace: Settings,
    /// The pressure log, where there is one.
    pub pressure: Option<Pressure>,
}

/// The growing pressure log.
#[derive(Debug, Clone, PartialEq)]
pub struct Pressure {
    /// Its file.
    pub file: PathBuf,
    /// Its unit; `None`: the log's header says it.
    pub unit: Option<crate::pressure::unit::Unit>,
}

/// Whom to tell, and when.
#[derive(Debug, Clone, PartialEq)]
pub struct Alert {
    /// A condition that goes on is told again after so many minutes.
    pub remind_min: f64,
    /// Local time of day at which a queue that still runs gets a summary so far: hour and minute.
    pub summary_at: Option<(u8, u8)>,
    /// The mail server and its recipients.
    pub email: Option<Email>,
    /// The address that gets every letter as JSON.
    pub webhook: Option<Webhook>,
    /// The sign of life.
    pub heartbeat: Option<Heartbeat>,
}

/// Mail servers and recipients. Addresses are syntactically valid.
#[derive(Debug, Clone, PartialEq)]
pub struct Email {
    /// At least one; tried in this order.
    pub servers: Vec<MailServer>,
    /// Each step of a delivery may take so long, seconds.
    pub timeout_s: f64,
    /// Sender.
    pub from: String,
    /// Who is told now.
    pub to: Vec<String>,
    /// Who gets the summary.
    pub summary_to: Vec<String>,
}

/// One mail server.
#[derive(Debug, Clone, PartialEq)]
pub struct MailServer {
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// How the connection is protected.
    pub security: Security,
    /// Certificates (PEM) that the server's must come from; `None`: the machine's own store.
    pub ca_file: Option<PathBuf>,
    /// User name and where the password is, where the server wants them.
    pub login: Option<(String, Password)>,
}

impl MailServer {
    /// `smtp.lab.example:587`.
    pub fn name(&self) -> String {
        format!("{}:{}", self.host, self.port)
    }

    /// Its host without the brackets of an address: `::1` for `[::1]`.
    pub fn bare_host(&self) -> &str {
        bare_host(&self.host)
    }
}

pub(crate) fn bare_host(host: &str) -> &str {
    let inside = host.strip_prefix('[').and_then(|h| h.strip_suffix(']'));
    inside.unwrap_or(host)
}

/// Where a password is. The password itself is read when it is needed and never kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Password {
    /// A file that holds it and nothing else.
    File(PathBuf),
    /// The name of a credential that systemd hands to the service.
    Credential(String),
}

impl Password {
    /// The variable in which systemd names the folder of a service's credentials.
    pub const CREDENTIALS: &'static str = "CREDENTIALS_DIRECTORY";

    /// True where systemd has handed credentials to this program.
    pub fn has_credentials() -> bool {
        std::env::var_os(Self::CREDENTIALS).is_some()
    }
}

/// Protection of the connection to the mail server.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Security {
    /// Plain first, then TLS; refused where the server offers none.
    StartTls,
    /// TLS from the first byte.
    Tls,
    /// None; only to this machine itself.
    None,
}

/// An address to which letters are posted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Webhook {
    /// `https`, or `http` to this machine itself.
    pub url: String,
    /// File that holds the secret of the signature and nothing else.
    pub secret_file: PathBuf,
}

/// The sign of life: a file, an address, or both.
#[derive(Debug, Clone, PartialEq)]
pub struct Heartbeat {
    /// File that is rewritten.
    pub file: Option<PathBuf>,
    /// Address that is called: `https`, or `http` to this machine itself.
    pub url: Option<String>,
    /// How often, seconds.
    pub every_s: f64,
}

impl Config {
    /// The station with this name.
    pub fn station(&self, name: &str) -> Option<&Station> {
        self.stations.iter().find(|s| s.name == name)
    }

    /// The station whose watched folder holds this path.
    pub fn station_of(&self, path: &Path) -> Option<&Station> {
        self.stations
            .iter()
            .filter(|s| path.starts_with(&s.watch))
            .max_by_key(|s| s.watch.as_os_str().len())
    }
}
