//! One conversation with one server, step by step, each with its limit.
//!
//! The library's own time-out covers the connection alone, and its `send` gives up where one of several recipients is
//! refused; so the steps are taken one by one here. Replies are held to the codes of RFC 5321: a positive one out of place
//! means that both sides do not talk of the same command any more.

use std::future::Future;
use std::net::SocketAddr;
use std::time::Duration;

use lettre::Address;
use lettre::transport::smtp::Error;
use lettre::transport::smtp::authentication::DEFAULT_MECHANISMS;
use lettre::transport::smtp::client::{
    AsyncSmtpConnection, Certificate, CertificateStore, TlsParameters,
};
use lettre::transport::smtp::commands::{Data, Mail, Rcpt};
use lettre::transport::smtp::extension::{ClientId, Extension, MailBodyParameter, MailParameter};
use lettre::transport::smtp::response::Response;

use super::secret::Login;
use super::{Word, words};
use crate::config::{MailServer, Security};

/// So many addresses of a server's name are tried.
const MOST_ADDRESSES: usize = 4;
/// A server looks through a message before it says that it has it: the last step may take so many times as long.
const LAST_STEP: u32 = 4;
/// A farewell is a courtesy.
const FAREWELL: Duration = Duration::from_secs(2);

/// What is handed over.
pub(super) struct Parcel<'a> {
    pub(super) from: Option<&'a Address>,
    pub(super) to: &'a [Address],
    /// The whole message.
    pub(super) bytes: &'a [u8],
}

/// Why the conversation ended before the server had the letter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Failure {
    /// True: the server refused the letter itself for good.
    pub(super) is_final: bool,
    /// True: it refused user name or password.
    pub(super) is_login: bool,
    /// In plain words.
    pub(super) text: String,
}

impl Failure {
    /// One that somebody or time can mend.
    fn passing(text: String) -> Failure {
        Failure {
            is_final: false,
            is_login: false,
            text,
        }
    }
}

/// What came of it.
pub(super) enum Answer {
    /// For each recipient, `None` where the server took the letter.
    Each(Vec<(Address, Option<Word>)>),
    /// The same for all of them.
    Failed(Failure),
}

/// Hands a message over to a server.
pub(super) async fn hand_over(
    server: &MailServer,
    login: Option<Login>,
    parcel: &Parcel<'_>,
    limit: Duration,
) -> Answer {
    let mut connection = match connect(server, limit).await {
        Ok(connection) => connection,
        Err(failure) => return Answer::Failed(failure),
    };
    let answer = converse(&mut connection, login, parcel, limit).await;
    let _ = tokio::time::timeout(limit.min(FAREWELL), connection.quit()).await;
    answer.unwrap_or_else(Answer::Failed)
}

/// One step within its limit.
async fn step<T>(
    limit: Duration,
    what: &str,
    future: impl Future<Output = Result<T, Error>>,
) -> Result<T, Failure> {
    match tokio::time::timeout(limit, future).await {
        Err(_) => Err(Failure::passing(words::no_answer(limit, what))),
        Ok(Err(error)) => Err(Failure::passing(words::of(&error, what))),
        Ok(Ok(value)) => Ok(value),
    }
}

/// One step in which a server may refuse the letter itself.
async fn letter_step(
    limit: Duration,
    what: &str,
    expected: &[u16],
    future: impl Future<Output = Result<Response, Error>>,
) -> Result<(), Failure> {
    match tokio::time::timeout(limit, future).await {
        Err(_) => Err(Failure::passing(words::no_answer(limit, what))),
        Ok(Err(error)) => Err(Failure {
            is_final: is_final(&error),
            is_login: false,
            text: words::of(&error, what),
        }),
        Ok(Ok(response)) if expected.iter().any(|code| response.has_code(*code)) => Ok(()),
        Ok(Ok(response)) => Err(Failure::passing(words::out_of_place(&response, what))),
    }
}

/// `530` asks for a login: that can be mended while the letter waits.
fn is_final(error: &Error) -> bool {
    error.is_permanent() && error.status().is_some_and(|c| u16::from(c) != 530)
}

/// What the server's certificate is held against.
pub(super) fn tls(server: &MailServer) -> Result<TlsParameters, String> {
    let mut builder = TlsParameters::builder(server.bare_host().to_owned());
    if let Some(path) = &server.ca_file {
        let shown = path.display();
        let pem =
            std::fs::read(path).map_err(|e| format!("ca_file {shown}: cannot be read: {e}"))?;
        let none = || format!("ca_file {shown}: found no certificate, expected PEM text");
        if !pem.windows(27).any(|w| w == b"-----BEGIN CERTIFICATE-----") {
            return Err(none());
        }
        let certificate = Certificate::from_pem(&pem).map_err(|_| none())?;
        builder = builder
            .certificate_store(CertificateStore::None)
            .add_root_certificate(certificate);
    }
    builder
        .build_rustls()
        .map_err(|e| format!("certificates cannot be used: {}", words::plain(&e)))
}

async fn addresses(server: &MailServer, limit: Duration) -> Result<Vec<SocketAddr>, Failure> {
    let looked_up = tokio::net::lookup_host((server.bare_host(), server.port));
    let found = match tokio::time::timeout(limit, looked_up).await {
        Err(_) => {
            return Err(Failure::passing(words::no_answer(
                limit,
                "looking up its name",
            )));
        }
        Ok(Err(error)) => {
            return Err(Failure::passing(format!(
                "its name cannot be looked up: {error}"
            )));
        }
        Ok(Ok(found)) => found,
    };
    // A name that means this machine may be told to mean another: nothing leaves in the clear.
    let allowed = |a: &SocketAddr| server.security != Security::None || a.ip().is_loopback();
    let all: Vec<SocketAddr> = found.filter(allowed).take(MOST_ADDRESSES).collect();
    if all.is_empty() {
        return Err(Failure::passing(
            "its name leads to no address that may be used".to_owned(),
        ));
    }
    Ok(all)
}

/// Connection, protection, greeting.
async fn connect(server: &MailServer, limit: Duration) -> Result<AsyncSmtpConnection, Failure> {
    let hello = ClientId::default();
    let all = addresses(server, limit).await?;
    let parameters = match server.security {
        Security::None => None,
        Security::Tls | Security::StartTls => Some(tls(server).map_err(Failure::passing)?),
    };
    let at_once = match server.security {
        Security::Tls => parameters.clone(),
        Security::StartTls | Security::None => None,
    };
    // An address that does not answer must leave time for the next one.
    let each = limit / u32::try_from(all.len().max(1)).unwrap_or(1);
    let connecting =
        AsyncSmtpConnection::connect_tokio1(all.as_slice(), Some(each), &hello, at_once, None);
    let mut connection = step(limit, "connection and greeting", connecting).await?;
    if let (Security::StartTls, Some(parameters)) = (server.security, parameters) {
        if !connection.can_starttls() {
            return Err(Failure::passing(
                "the server offers no STARTTLS: nothing is sent in the clear (is it a port for security = \"tls\"?)"
                    .to_owned(),
            ));
        }
        step(limit, "STARTTLS", connection.starttls(parameters, &hello)).await?;
    }
    Ok(connection)
}

async fn converse(
    connection: &mut AsyncSmtpConnection,
    login: Option<Login>,
    parcel: &Parcel<'_>,
    limit: Duration,
) -> Result<Answer, Failure> {
    if let Some(login) = login {
        authenticate(connection, &login, limit).await?;
    }
    let options = parameters(connection, parcel)?;
    let mail = connection.command(Mail::new(parcel.from.cloned(), options));
    letter_step(limit, "the sender", &[250], mail).await?;
    let mut each: Vec<(Address, Option<Word>)> = Vec::new();
    for address in parcel.to {
        let rcpt = connection.command(Rcpt::new(address.clone(), vec![]));
        let word = match tokio::time::timeout(limit, rcpt).await {
            Err(_) => return Err(Failure::passing(words::no_answer(limit, "a recipient"))),
            Ok(Ok(_)) => None,
            Ok(Err(e)) if e.status().is_some() => Some(Word {
                is_final: is_final(&e),
                text: words::of(&e, &format!("recipient {address}")),
            }),
            Ok(Err(e)) => return Err(Failure::passing(words::of(&e, "a recipient"))),
        };
        each.push((address.clone(), word));
    }
    if each.iter().any(|(_, word)| word.is_none()) {
        letter_step(limit, "DATA", &[354], connection.command(Data)).await?;
        let text = connection.message(parcel.bytes);
        letter_step(limit * LAST_STEP, "the message", &[250], text).await?;
    }
    Ok(Answer::Each(each))
}

async fn authenticate(
    connection: &mut AsyncSmtpConnection,
    login: &Login,
    limit: Duration,
) -> Result<(), Failure> {
    if connection
        .server_info()
        .get_auth_mechanism(DEFAULT_MECHANISMS)
        .is_none()
    {
        return Err(Failure::passing(
            "the server offers no login with user name and password (PLAIN or LOGIN)".to_owned(),
        ));
    }
    let auth = connection.auth(DEFAULT_MECHANISMS, &login.credentials);
    match tokio::time::timeout(limit, auth).await {
        Err(_) => Err(Failure::passing(words::no_answer(limit, "the login"))),
        Ok(Ok(response)) if response.has_code(235) => Ok(()),
        Ok(Ok(response)) => Err(Failure::passing(words::out_of_place(
            &response,
            "the login",
        ))),
        Ok(Err(error)) if error.is_permanent() => Err(Failure {
            is_final: false,
            is_login: true,
            text: format!("user name or password refused ({})", words::reply(&error)),
        }),
        Ok(Err(error)) => Err(Failure::passing(words::of(&error, "the login"))),
    }
}

/// What the server must be able to do for this letter.
fn parameters(
    connection: &AsyncSmtpConnection,
    parcel: &Parcel<'_>,
) -> Result<Vec<MailParameter>, Failure> {
    let mut out = Vec::new();
    let offers = |extension| connection.server_info().supports_feature(extension);
    if parcel.to.iter().chain(parcel.from).any(|a| !is_ascii(a)) {
        if !offers(Extension::SmtpUtfEight) {
            return Err(Failure::passing(
                "an address has letters beyond ASCII, and the server does not take such (SMTPUTF8)"
                    .to_owned(),
            ));
        }
        out.push(MailParameter::SmtpUtfEight);
    }
    // Bodies are encoded; an address in a header need not be.
    if !parcel.bytes.is_ascii() && offers(Extension::EightBitMime) {
        out.push(MailParameter::Body(MailBodyParameter::EightBitMime));
    }
    Ok(out)
}

fn is_ascii(address: &Address) -> bool {
    let text: &str = address.as_ref();
    text.is_ascii()
}
