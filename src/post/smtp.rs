//! Mail: a letter handed to the first configured server that takes it.
//!
//! Each delivery is a new conversation (`talk`); none is kept open, for a connection that died unnoticed would cost the
//! next letter. What a failure means is decided here: only a server's own `5xx` to the letter itself is final. Whatever
//! somebody can mend while the letter waits (a refused password, a certificate, a server that is away) is not.

pub(super) mod secret;
mod talk;
mod words;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use lettre::Address;

use super::{Audience, Carrier, Delivery, Letter, Refusal, mime};
use crate::config::{Email, MailServer, Password, Security};
use talk::{Answer, Parcel};

/// A password that was refused is not shown to the same server again for so long, lest the account be locked.
const HOLD: Duration = Duration::from_secs(600);
/// So many letters that only some have got are remembered; beyond that a few may arrive twice.
const REMEMBERED: usize = 1000;

/// Hands letters to mail servers.
pub struct Mail {
    email: Email,
    /// Who has got a letter that not everyone has got yet, by Message-ID.
    taken: Mutex<HashMap<String, BTreeSet<Address>>>,
    /// Passwords that were refused: by server, their hash and when.
    refused: Mutex<HashMap<usize, ([u8; 32], Instant)>>,
}

impl std::fmt::Debug for Mail {
    /// The configuration alone: a hash of a password is nobody's business either.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Mail")
            .field("email", &self.email)
            .finish_non_exhaustive()
    }
}

/// What became of one recipient at one server.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Word {
    /// True: the server refused for good.
    is_final: bool,
    text: String,
}

impl Mail {
    /// The way out over these servers. Nothing is opened yet: passwords and certificates are read for each delivery.
    pub fn new(email: &Email) -> Mail {
        Mail {
            email: email.clone(),
            taken: Mutex::default(),
            refused: Mutex::default(),
        }
    }

    /// What already shows that a server cannot be used: a password or authority file that is missing, unreadable, or
    /// open to others. Nothing is sent. A credential counts only where systemd has handed some over.
    pub fn problems(&self) -> Vec<String> {
        let of = |server: &MailServer| {
            let here =
                |p: &&Password| matches!(p, Password::File(_)) || Password::has_credentials();
            let password = server.login.as_ref().map(|(_, p)| p).filter(here);
            let login = password.map(|p| secret::read(p).map(|_| ()));
            let tls = (server.security != Security::None).then(|| talk::tls(server).map(|_| ()));
            [login, tls].into_iter().flatten().filter_map(Result::err)
        };
        self.email
            .servers
            .iter()
            .flat_map(|s| {
                of(s)
                    .map(|e| format!("{}: {e}", s.name()))
                    .collect::<Vec<_>>()
            })
            .collect()
    }

    /// Those who get letters of this kind.
    pub fn recipients(&self, audience: Audience) -> &[String] {
        match audience {
            Audience::Now => &self.email.to,
            Audience::Summary => &self.email.summary_to,
        }
    }

    async fn hand_over(&self, letter: &Letter, now: Timestamp) -> Result<(), Refusal> {
        let message = mime::message(
            letter,
            &self.email.from,
            self.recipients(letter.audience),
            now,
        )
        .map_err(|e| Refusal::Permanent(e.to_string()))?;
        let envelope = message.envelope();
        let id = mime::message_id(letter, letter.repeat, "");
        let mut taken = self.taken_of(&id);
        let mut words: BTreeMap<Address, Vec<Word>> = BTreeMap::new();
        let bytes = message.formatted();
        for (k, server) in self.email.servers.iter().enumerate() {
            let waiting: Vec<Address> = envelope
                .to()
                .iter()
                .filter(|a| !taken.contains(*a))
                .cloned()
                .collect();
            if waiting.is_empty() {
                break;
            }
            let parcel = Parcel {
                from: envelope.from(),
                to: &waiting,
                bytes: &bytes,
            };
            for (address, answer) in self.ask(k, server, &parcel).await {
                match answer {
                    None => drop(taken.insert(address)),
                    Some(word) => words.entry(address).or_default().push(word),
                }
            }
        }
        words.retain(|address, _| !taken.contains(address));
        let result = verdict(&words, taken.len(), self.email.servers.len());
        self.remember(id, taken, matches!(result, Err(Refusal::Transient(_))));
        result
    }

    /// One server's answer for each recipient, `None` where it took the letter.
    async fn ask(
        &self,
        k: usize,
        server: &MailServer,
        parcel: &Parcel<'_>,
    ) -> Vec<(Address, Option<Word>)> {
        let limit = Duration::from_secs_f64(self.email.timeout_s);
        let for_all = |is_final: bool, text: &str| -> Vec<(Address, Option<Word>)> {
            let word = Word {
                is_final,
                text: format!("{}: {text}", server.name()),
            };
            let same = |a: &Address| (a.clone(), Some(word.clone()));
            parcel.to.iter().map(same).collect()
        };
        let login = match self.login(k, server) {
            Ok(login) => login,
            Err(text) => return for_all(false, &text),
        };
        let hash = login.as_ref().map(|l| l.hash);
        let conversation = talk::hand_over(server, login, parcel, limit);
        // A server that drips a letter at a time keeps within each step's limit for hours.
        match tokio::time::timeout(limit * 10, conversation).await {
            Err(_) => for_all(false, &words::no_answer(limit * 10, "the whole message")),
            Ok(Answer::Failed(failure)) => {
                if failure.is_login {
                    self.hold(k, hash);
                }
                for_all(failure.is_final, &failure.text)
            }
            Ok(Answer::Each(each)) => {
                let named = |text| format!("{}: {text}", server.name());
                each.into_iter()
                    .map(|(address, word)| {
                        let word = word.map(|w| Word {
                            text: named(w.text),
                            ..w
                        });
                        (address, word)
                    })
                    .collect()
            }
        }
    }

    /// User name and password, read now; an error where they cannot be used or were refused a moment ago.
    fn login(&self, k: usize, server: &MailServer) -> Result<Option<secret::Login>, String> {
        let Some((user, password)) = &server.login else {
            return Ok(None);
        };
        let login = secret::Login::of(user, secret::read(password)?);
        let refused = self.refused.lock().unwrap_or_else(PoisonError::into_inner);
        match refused.get(&k) {
            Some((hash, at)) if *hash == login.hash && at.elapsed() < HOLD => Err(
                "user name or password were refused minutes ago; not shown again until they change or 10 min have passed"
                    .to_owned(),
            ),
            _ => Ok(Some(login)),
        }
    }

    fn hold(&self, k: usize, hash: Option<[u8; 32]>) {
        let mut refused = self.refused.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(hash) = hash {
            refused.insert(k, (hash, Instant::now()));
        }
    }

    fn taken_of(&self, id: &str) -> BTreeSet<Address> {
        let taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        taken.get(id).cloned().unwrap_or_default()
    }

    fn remember(&self, id: String, of: BTreeSet<Address>, goes_on: bool) {
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        if goes_on && !of.is_empty() {
            if taken.len() >= REMEMBERED {
                taken.clear();
            }
            taken.insert(id, of);
        } else {
            taken.remove(&id);
        }
    }
}

/// Done where nobody is left; final only where every server refused for good everyone who is left.
fn verdict(
    left: &BTreeMap<Address, Vec<Word>>,
    taken: usize,
    servers: usize,
) -> Result<(), Refusal> {
    if left.is_empty() {
        return Ok(());
    }
    let for_good = |words: &Vec<Word>| words.len() >= servers && words.iter().all(|w| w.is_final);
    let is_final = left.values().all(for_good);
    let mut texts: Vec<&str> = left.values().flatten().map(|w| w.text.as_str()).collect();
    texts.sort_unstable();
    texts.dedup();
    let mut text = texts.join("; ");
    if taken > 0 {
        let addresses: Vec<String> = left.keys().map(ToString::to_string).collect();
        text.push_str(&format!(
            " (of {} recipients {taken} have it, not {})",
            taken + left.len(),
            addresses.join(", ")
        ));
    }
    Err(if is_final {
        Refusal::Permanent(text)
    } else {
        Refusal::Transient(text)
    })
}

impl Carrier for Mail {
    fn name(&self) -> &str {
        "mail"
    }

    fn deliver<'a>(&'a self, letter: &'a Letter, now: Timestamp) -> Delivery<'a> {
        Box::pin(self.hand_over(letter, now))
    }
}

#[cfg(test)]
mod tests;
