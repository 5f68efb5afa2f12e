//! What went wrong with a server, in plain words.

use std::error::Error as _;
use std::time::Duration;

use lettre::transport::smtp::Error;
use lettre::transport::smtp::response::Response;

use crate::text::{one_line, significant};

/// Longest text of a server that is passed on, characters.
const LONGEST: usize = 200;

/// The TLS library's words, and what a person makes of them.
const CERTIFICATES: [(&str, &str); 7] = [
    (
        "CaUsedAsEndEntity",
        "the server shows the certificate of an authority (CA:TRUE) as its own: it needs one that the authority has issued for it",
    ),
    (
        "UnknownIssuer",
        "the server's certificate comes from no authority that is trusted here: name the laboratory's with ca_file, if that is meant",
    ),
    (
        "BadSignature",
        "the server's certificate does not come from the authority that it names",
    ),
    (
        "not valid for name",
        "the server's certificate is for another name than host: write the name that it has",
    ),
    (
        "expired",
        "the server's certificate has expired (or this machine's clock is wrong)",
    ),
    (
        "not valid yet",
        "the server's certificate is not valid yet (or this machine's clock is wrong)",
    ),
    (
        "InvalidContentType",
        "the server does not speak TLS at this port: \"starttls\" usually has 587, \"tls\" 465",
    ),
];

/// Nothing came within a step's limit.
pub(super) fn no_answer(limit: Duration, what: &str) -> String {
    format!(
        "no answer within {} s ({what})",
        significant(limit.as_secs_f64(), 3)
    )
}

/// An error at a step.
pub(super) fn of(error: &Error, what: &str) -> String {
    if error.status().is_some() {
        return format!("{what} refused ({})", reply(error));
    }
    if error.is_response() {
        let text = plain(error);
        // The parser's own words help nobody; what it stumbled at does.
        let said = text.split_once(" at: ").map_or(text.as_str(), |(_, s)| s);
        return format!("found no reply of a mail server ({what}): {}", said.trim());
    }
    let text = plain(error);
    let known = CERTIFICATES.iter().find(|(word, _)| text.contains(word));
    match known {
        Some((_, said)) => format!("{said} ({text})"),
        None => format!("{what} failed: {text}"),
    }
}

/// `550 5.1.1 no such user`: what the server said.
pub(super) fn reply(error: &Error) -> String {
    let code = error.status().map(|c| c.to_string()).unwrap_or_default();
    let said = error.source().map(ToString::to_string).unwrap_or_default();
    shorten(format!("{code} {said}").trim())
}

/// A positive reply that does not belong to the command.
pub(super) fn out_of_place(response: &Response, what: &str) -> String {
    let said = response.first_line().unwrap_or_default();
    shorten(&format!(
        "found the reply {} {said} to {what}, which does not belong there",
        response.code()
    ))
}

/// The error's innermost text, on one line.
pub(super) fn plain(error: &Error) -> String {
    let mut inner: &dyn std::error::Error = error;
    while let Some(source) = inner.source() {
        inner = source;
    }
    let whole = error.source().map(ToString::to_string).unwrap_or_default();
    let text = inner.to_string();
    shorten(if whole.contains(&text) { &whole } else { &text })
}

/// Servers put lines, and anything else, into their replies.
fn shorten(text: &str) -> String {
    let line = one_line(&text.replace(['\r', '\n'], " "));
    line.chars().take(LONGEST).collect()
}
