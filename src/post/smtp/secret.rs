//! Passwords: read when they are needed, never kept, never logged.

use std::io::Read as _;
use std::path::Path;

use lettre::transport::smtp::authentication::Credentials;
use sha2::{Digest as _, Sha256};

use crate::config::Password;

/// Longest password, bytes.
const LONGEST: u64 = 1024;

/// A user name with its password.
pub(super) struct Login {
    /// As the library takes them; it does not print them.
    pub(super) credentials: Credentials,
    /// Tells whether they have changed.
    pub(super) hash: [u8; 32],
}

impl Login {
    pub(super) fn of(user: &str, password: String) -> Login {
        let mut hash = Sha256::new();
        hash.update((user.len() as u64).to_be_bytes());
        hash.update(user.as_bytes());
        hash.update(password.as_bytes());
        Login {
            credentials: Credentials::new(user.to_owned(), password),
            hash: hash.finalize().into(),
        }
    }
}

/// The password. An error says what is wrong with where it is, never what it is.
pub(super) fn read(place: &Password) -> Result<String, String> {
    match place {
        Password::File(path) => read_file(path, true),
        Password::Credential(name) => {
            let folder = std::env::var_os(Password::CREDENTIALS).ok_or_else(|| {
                format!(
                    "credential {name:?}: this program was not started by systemd with LoadCredential={name}:FILE"
                )
            })?;
            read_file(&Path::new(&folder).join(name), false)
        }
    }
}

/// `guarded`: nobody but its owner, and its group for reading, may have access.
fn read_file(path: &Path, guarded: bool) -> Result<String, String> {
    let shown = path.display();
    let cannot = |e: std::io::Error| format!("password file {shown}: cannot be read: {e}");
    let mut file = std::fs::File::open(path).map_err(cannot)?;
    let metadata = file.metadata().map_err(cannot)?;
    if !metadata.is_file() {
        return Err(format!(
            "password file {shown}: found something that is no file"
        ));
    }
    if guarded {
        closed_to_others(&metadata).map_err(|e| format!("password file {shown}: {e}"))?;
    }
    let mut bytes = Vec::new();
    let mut limited = file.by_ref().take(LONGEST + 1);
    limited.read_to_end(&mut bytes).map_err(cannot)?;
    password(&bytes).map_err(|e| format!("password file {shown}: {e}"))
}

fn password(bytes: &[u8]) -> Result<String, String> {
    if bytes.len() as u64 > LONGEST {
        return Err(format!(
            "found more than {LONGEST} bytes, expected the password and nothing else"
        ));
    }
    let text = std::str::from_utf8(bytes).map_err(
        |_| "found bytes that are no UTF-8 text, expected the password and nothing else",
    )?;
    let line = text.strip_suffix('\n').unwrap_or(text);
    let line = line.strip_suffix('\r').unwrap_or(line);
    if line.is_empty() {
        return Err("found nothing in it, expected the password".to_owned());
    }
    if line.chars().any(char::is_control) {
        return Err(
            "found several lines or a control character, expected the password and nothing else"
                .to_owned(),
        );
    }
    Ok(line.to_owned())
}

#[cfg(unix)]
pub(in crate::post) fn closed_to_others(metadata: &std::fs::Metadata) -> Result<(), String> {
    use std::os::unix::fs::PermissionsExt as _;
    let mode = metadata.permissions().mode() & 0o777;
    if mode & 0o027 == 0 {
        Ok(())
    } else {
        Err(format!(
            "found mode {mode:o}, open to others, expected 600 or 640 (chmod 600)"
        ))
    }
}

#[cfg(not(unix))]
pub(in crate::post) fn closed_to_others(_: &std::fs::Metadata) -> Result<(), String> {
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_line_is_the_password() {
        assert_eq!(password(b"pa ss\xc3\xa4\n").as_deref(), Ok("pa ss\u{e4}"));
        assert_eq!(password(b"x\r\n").as_deref(), Ok("x"));
        for (bad, said) in [
            (&b""[..], "found nothing"),
            (b"\n", "found nothing"),
            (b"a\nb\n", "found several lines"),
            (b"\xff", "found bytes that are no UTF-8"),
            (&[b'x'; 1025], "found more than 1024 bytes"),
        ] {
            let error = password(bad).unwrap_err();
            assert!(error.starts_with(said), "{error}");
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_file_that_others_can_read_is_refused() {
        use std::os::unix::fs::PermissionsExt as _;
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("password");
        std::fs::write(&path, "sesame-77\n").unwrap();
        for (mode, fine) in [
            (0o600, true),
            (0o640, true),
            (0o400, true),
            (0o644, false),
            (0o660, false),
            (0o604, false),
        ] {
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
            let read = read(&Password::File(path.clone()));
            assert_eq!(read.is_ok(), fine, "{mode:o}: {read:?}");
            if let Err(error) = read {
                assert!(
                    error.contains(&format!("found mode {mode:o}")) && !error.contains("sesame"),
                    "{error}"
                );
            }
        }
    }

    #[test]
    fn a_login_tells_whether_it_changed() {
        let hash = |u: &str, p: &str| Login::of(u, p.to_owned()).hash;
        assert_eq!(hash("a", "b"), hash("a", "b"));
        assert_ne!(hash("ab", "c"), hash("a", "bc"));
    }
}
