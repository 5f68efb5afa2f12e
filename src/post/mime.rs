//! A letter as a mail message (RFC 5322, MIME): the one place where headers are written.
//!
//! Names from outside reach a header only through [`crate::text::one_line`]; encoding is the library's.

use std::time::{Duration, SystemTime};

use jiff::Timestamp;
use lettre::Message;
use lettre::address::Envelope;
use lettre::message::header::{
    ContentDisposition, ContentTransferEncoding, ContentType, HeaderName, HeaderValue,
};
use lettre::message::{Body, Mailbox, MultiPart, SinglePart};
use sha2::{Digest as _, Sha256};

use super::{Attachment, Letter};
use crate::text::one_line;

/// Longest subject that is sent, characters: a letter's own keep to 70.
const LONGEST_SUBJECT: usize = 200;
/// Domain of Message-IDs where the sender's own is not ASCII.
const NO_DOMAIN: &str = "runsitter.invalid";
/// The last second of the year 9998.
const LAST_SECOND: u64 = 253_370_764_799;

/// Why a letter cannot be written as a message.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MimeError {
    /// An address that mail does not know.
    #[error("found {0:?}, expected an e-mail address")]
    Address(String),
    /// Something that the library refuses.
    #[error("the message cannot be written: {0}")]
    Message(String),
}

/// The message with all of its headers. `to`: those who are to get it. `now` becomes its `Date`.
///
/// `Message-ID` is made of the letter's key: a repeat names the first letter in `In-Reply-To` and `References`, so that mail
/// programs show both together, and a letter sent twice after a crash is the same message to them.
///
/// # Errors
/// An address that is none; nothing else is expected to fail.
pub fn message(
    letter: &Letter,
    from: &str,
    to: &[String],
    now: Timestamp,
) -> Result<Message, MimeError> {
    let from = mailbox(from)?;
    let to: Vec<Mailbox> = to.iter().map(|a| mailbox(a)).collect::<Result<_, _>>()?;
    // A Message-ID is plain ASCII.
    let domain = Some(from.email.domain()).filter(|d| d.is_ascii());
    let domain = domain.unwrap_or(NO_DOMAIN).to_owned();
    let recipients = to.iter().map(|m| m.email.clone()).collect();
    let envelope = Envelope::new(Some(from.email.clone()), recipients).map_err(refused)?;
    let mut builder = Message::builder()
        .envelope(envelope)
        .from(from)
        .subject(subject(&letter.subject))
        .date(system_time(now))
        .message_id(Some(message_id(letter, letter.repeat, &domain)))
        .raw_header(plain_header("Auto-Submitted", "auto-generated")?)
        .raw_header(plain_header("X-Auto-Response-Suppress", "All")?);
    for mailbox in to {
        builder = builder.to(mailbox);
    }
    if letter.repeat > 0 {
        let first = message_id(letter, 0, &domain);
        builder = builder.in_reply_to(first.clone()).references(first);
    }
    builder.multipart(body(letter)?).map_err(refused)
}

/// The library's dates run from 1970 to 9999.
fn system_time(at: Timestamp) -> SystemTime {
    let seconds = u64::try_from(at.as_second()).unwrap_or(0);
    SystemTime::UNIX_EPOCH + Duration::from_secs(seconds.min(LAST_SECOND))
}

fn refused(error: lettre::error::Error) -> MimeError {
    MimeError::Message(one_line(&error.to_string()))
}

fn mailbox(text: &str) -> Result<Mailbox, MimeError> {
    let mailbox: Option<Mailbox> = text.parse().ok();
    mailbox.ok_or_else(|| MimeError::Address(one_line(text)))
}

/// One line; what a reader would take for an encoded word is broken up.
fn subject(text: &str) -> String {
    let line: String = one_line(text).chars().take(LONGEST_SUBJECT).collect();
    line.replace("=?", "= ?")
}

fn plain_header(name: &'static str, value: &str) -> Result<HeaderValue, MimeError> {
    let name = HeaderName::new_from_ascii(name.to_owned())
        .map_err(|e| MimeError::Message(e.to_string()))?;
    Ok(HeaderValue::new(name, value.to_owned()))
}

/// `<9f2c….0@lab.example>`: the same for the same station, key and number, whatever their letters.
pub fn message_id(letter: &Letter, repeat: u32, domain: &str) -> String {
    let mut hash = Sha256::new();
    for part in [&letter.station, &letter.key] {
        // Lengths keep "a" + "bc" apart from "ab" + "c".
        hash.update((part.len() as u64).to_be_bytes());
        hash.update(part.as_bytes());
    }
    let digest = hash.finalize();
    let hex: String = digest.iter().take(16).map(|b| format!("{b:02x}")).collect();
    format!("<{hex}.{repeat}@{domain}>")
}

fn body(letter: &Letter) -> Result<MultiPart, MimeError> {
    let both = MultiPart::alternative()
        .singlepart(text_part(ContentType::TEXT_PLAIN, &letter.text)?)
        .singlepart(text_part(ContentType::TEXT_HTML, &letter.html)?);
    if letter.attachments.is_empty() {
        return Ok(both);
    }
    let mut all = MultiPart::mixed().multipart(both);
    for attachment in &letter.attachments {
        all = all.singlepart(attached(attachment)?);
    }
    Ok(all)
}

/// Always quoted-printable: no line of it is longer than 76 characters, whatever the text holds.
fn text_part(kind: ContentType, text: &str) -> Result<SinglePart, MimeError> {
    // Mail's line end is CR LF; a bare CR from anywhere would be taken for one by some programs.
    let text = text.replace("\r\n", "\n").replace('\r', "");
    let body = Body::new_with_encoding(text, ContentTransferEncoding::QuotedPrintable)
        .map_err(|_| MimeError::Message("a text that cannot be encoded".to_owned()))?;
    Ok(SinglePart::builder().content_type(kind).body(body))
}

/// Base64, so that the file arrives byte for byte.
fn attached(attachment: &Attachment) -> Result<SinglePart, MimeError> {
    let kind = ContentType::parse(&attachment.media_type).unwrap_or(ContentType::TEXT_PLAIN);
    let bytes = attachment.content.clone().into_bytes();
    let body = Body::new_with_encoding(bytes, ContentTransferEncoding::Base64)
        .map_err(|_| MimeError::Message("a file that cannot be encoded".to_owned()))?;
    let name = crate::tell::name::safe(&attachment.file_name, 100);
    Ok(SinglePart::builder()
        .content_type(kind)
        .header(ContentDisposition::attachment(&name))
        .body(body))
}

#[cfg(test)]
mod tests;
