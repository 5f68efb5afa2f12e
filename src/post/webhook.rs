//! The webhook: the same letters as JSON, posted to one address and signed.
//!
//! `Runsitter-Signature: sha256=<hex>` is the HMAC-SHA256 (RFC 2104) of the body's bytes under the configured secret;
//! the body is described by `config/webhook.schema.json`. Redirects are not followed: a signed alert goes where it was
//! meant to go, or nowhere.

use std::path::{Path, PathBuf};
use std::time::Duration;

use hmac::{Hmac, KeyInit as _, Mac as _};
use jiff::Timestamp;
use sha2::Sha256;

use super::web::{agent, place};
use super::{Carrier, Delivery, Letter, Refusal};

/// Name of this carrier.
pub const NAME: &str = "webhook";
/// The header that carries the signature.
pub const SIGNATURE_HEADER: &str = "Runsitter-Signature";
/// Shortest secret, bytes: a short one can be guessed.
const SHORTEST_SECRET: usize = 16;
/// Largest file that is taken for a secret, bytes.
const LARGEST_SECRET: u64 = 4096;
/// Finding the host, connecting, each of the further steps.
const STEP: Duration = Duration::from_secs(15);
/// A whole delivery.
const WHOLE: Duration = Duration::from_secs(45);

/// One address.
pub struct Webhook {
    url: String,
    secret_file: PathBuf,
}

/// Reads a secret; white space at its ends does not count.
///
/// # Errors
/// When the file cannot be read, is open to others, or what is in it is too short or too long for a secret.
pub fn read_secret(path: &Path) -> Result<Vec<u8>, String> {
    let wrong = |what: String| format!("{}: {what}", path.display());
    let meta = std::fs::metadata(path).map_err(|e| wrong(e.to_string()))?;
    if !meta.is_file() || meta.len() > LARGEST_SECRET {
        return Err(wrong(format!(
            "found {} bytes, expected a file with a secret of at most {LARGEST_SECRET}",
            meta.len()
        )));
    }
    super::smtp::secret::closed_to_others(&meta).map_err(&wrong)?;
    let bytes = std::fs::read(path).map_err(|e| wrong(e.to_string()))?;
    let secret = bytes.trim_ascii().to_vec();
    if secret.len() < SHORTEST_SECRET {
        return Err(wrong(format!(
            "found a secret of {} bytes, expected at least {SHORTEST_SECRET}",
            secret.len()
        )));
    }
    Ok(secret)
}

/// `sha256=` and the HMAC-SHA256 of the body in small hexadecimal digits.
pub fn signature(secret: &[u8], body: &[u8]) -> String {
    let mut out = "sha256=".to_owned();
    // HMAC takes a key of any length.
    if let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(secret) {
        mac.update(body);
        for byte in mac.finalize().into_bytes() {
            out.push_str(&format!("{byte:02x}"));
        }
    }
    out
}

impl Webhook {
    /// For a checked address and the file of its secret, which is read for each letter: a changed secret needs no restart.
    pub fn new(url: &str, secret_file: &Path) -> Webhook {
        Webhook {
            url: url.to_owned(),
            secret_file: secret_file.to_owned(),
        }
    }
}

impl Carrier for Webhook {
    fn name(&self) -> &str {
        NAME
    }

    fn deliver<'a>(&'a self, letter: &'a Letter, _: Timestamp) -> Delivery<'a> {
        Box::pin(async move {
            let body = serde_json::to_vec(&letter.payload)
                .map_err(|e| Refusal::Permanent(e.to_string()))?;
            // Somebody may be about to correct the file.
            let secret = read_secret(&self.secret_file).map_err(Refusal::Transient)?;
            let url = self.url.clone();
            // The client blocks; the runtime has threads for that.
            tokio::task::spawn_blocking(move || post(&url, &secret, &body))
                .await
                .map_err(|e| Refusal::Transient(e.to_string()))?
        })
    }
}

fn post(url: &str, secret: &[u8], body: &[u8]) -> Result<(), Refusal> {
    let answer = agent(url, STEP, WHOLE)
        .post(url)
        .header("Content-Type", "application/json")
        .header(SIGNATURE_HEADER, &signature(secret, body))
        .send(body)
        .map_err(|error| Refusal::Transient(format!("{}: {error}", place(url))))?;
    judge(answer.status().as_u16(), url)
}

/// What a status says: 2xx is the other side's word that it has the letter. Of the client errors, 408 (time-out), 425 (too
/// early) and 429 (too many) ask to try again (RFC 9110, 8470, 6585); the others, and redirects, would be the same again.
fn judge(status: u16, url: &str) -> Result<(), Refusal> {
    let said = format!("{} answered with status {status}", place(url));
    match status {
        200..=299 => Ok(()),
        300..=399 => Err(Refusal::Permanent(format!(
            "{said}: redirects are not followed, configure the address that is meant"
        ))),
        408 | 425 | 429 | 500.. => Err(Refusal::Transient(said)),
        _ => Err(Refusal::Permanent(said)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4231, test cases 1, 2 and 6 (from memory, recomputed with another library).
    #[test]
    fn signatures_are_those_of_the_standard() {
        let long = [0xaa; 131];
        for (key, data, expected) in [
            (
                &[0x0b; 20][..],
                &b"Hi There"[..],
                "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7",
            ),
            (
                b"Jefe",
                b"what do ya want for nothing?",
                "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
            ),
            (
                &long[..],
                b"Test Using Larger Than Block-Size Key - Hash Key First",
                "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
            ),
        ] {
            assert_eq!(signature(key, data), format!("sha256={expected}"));
        }
    }

    #[test]
    fn a_status_is_final_or_not() {
        let url = "https://lab.example:8443/hook?token=hidden";
        for status in [200, 202, 204, 299] {
            assert_eq!(judge(status, url), Ok(()));
        }
        for status in [301, 302, 307, 400, 401, 403, 404, 410, 413] {
            assert!(
                matches!(judge(status, url), Err(Refusal::Permanent(_))),
                "{status}"
            );
        }
        for status in [408, 425, 429, 500, 502, 503, 599] {
            assert!(
                matches!(judge(status, url), Err(Refusal::Transient(_))),
                "{status}"
            );
        }
        let error = judge(404, url).unwrap_err().to_string();
        assert_eq!(error, "https://lab.example:8443 answered with status 404");
    }

    #[cfg(unix)]
    fn write(file: &Path, text: &str, mode: u32) {
        use std::os::unix::fs::PermissionsExt as _;
        std::fs::write(file, text).unwrap();
        std::fs::set_permissions(file, std::fs::Permissions::from_mode(mode)).unwrap();
    }

    #[cfg(unix)]
    #[test]
    fn a_secret_is_long_enough_and_a_file() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("secret");
        write(&file, "  0123456789abcdef\r\n", 0o600);
        assert_eq!(read_secret(&file).unwrap(), b"0123456789abcdef");
        write(&file, "0123456789abcde\n", 0o600);
        assert!(
            read_secret(&file)
                .unwrap_err()
                .contains("found a secret of 15 bytes")
        );
        write(&file, "0123456789abcdef", 0o644);
        assert!(read_secret(&file).is_err(), "open to others");
        assert!(read_secret(dir.path()).is_err());
        assert!(read_secret(&dir.path().join("none")).is_err());
    }
}
