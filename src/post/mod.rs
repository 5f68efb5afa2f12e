//! The post: letters that leave the house, by mail or to a web address.
//!
//! A [`Letter`] is made from a message that has been written to its file already. It waits in the ledger's outbox until a
//! [`Carrier`] has handed it over; what a carrier says of a failure decides whether it is tried again.

pub mod age;
pub mod backoff;
pub mod mime;
pub mod smtp;
pub mod web;
pub mod webhook;
pub mod worker;

use std::future::Future;
use std::pin::Pin;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

/// Who gets a letter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Audience {
    /// Those who are told at once.
    Now,
    /// Those who get the summary.
    Summary,
}

/// A file that goes with a letter.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Attachment {
    /// Its name, without a folder.
    pub file_name: String,
    /// Its media type, `text/csv; charset=utf-8`.
    pub media_type: String,
    /// Its text.
    pub content: String,
}

/// One message on its way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Letter {
    /// Key of the alert, stable over repeats and restarts: a repeat carries the same one.
    pub key: String,
    /// 0 for the first letter of this key, then 1, 2, …
    pub repeat: u32,
    /// The station's name.
    pub station: String,
    /// The queue's name; empty where none is concerned.
    pub queue: String,
    /// Who gets it.
    pub audience: Audience,
    /// What and where, one line, at most 70 characters.
    pub subject: String,
    /// The plain text; lines end with `\n`.
    pub text: String,
    /// The same as a whole HTML page without anything from outside.
    pub html: String,
    /// Files that go with it.
    pub attachments: Vec<Attachment>,
    /// When the alert was raised.
    pub raised_at: Timestamp,
    /// The same for programs, as the webhook posts it.
    pub payload: serde_json::Value,
}

impl Letter {
    /// Puts a sentence before everything else, in the text and in the page: how old it is, what it follows from.
    pub fn put_first(&mut self, note: &str) {
        let note = crate::text::one_line(note);
        self.text = format!("{note}\n\n{}", self.text);
        self.html = crate::tell::html::put_first(&self.html, &note);
    }
}

/// Why a letter was not handed over.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// Trying again may help: no connection, a time-out, a busy or greylisting server.
    #[error("{0}")]
    Transient(String),
    /// Trying again cannot help: the server refused for good.
    #[error("{0}")]
    Permanent(String),
}

/// What a carrier does with a letter.
pub type Delivery<'a> = Pin<Box<dyn Future<Output = Result<(), Refusal>> + Send + 'a>>;

/// A way out of the house. Every step of a delivery has a time limit of its own.
pub trait Carrier: Send + Sync {
    /// What it is called in logs and in the outbox: `mail`, `webhook`.
    fn name(&self) -> &str;
    /// Hands a letter over. `Ok` only after the other side has said that it has it.
    fn deliver<'a>(&'a self, letter: &'a Letter, now: Timestamp) -> Delivery<'a>;
}
