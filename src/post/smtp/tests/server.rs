//! A mail server for tests: the protocol is another library's, the sockets are here.

use std::io::{Read, Write};
use std::net::{IpAddr, Ipv4Addr, TcpListener, TcpStream};
use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use mailin::{Action, AuthMechanism, Handler, Response, SessionBuilder};
use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, DnType, IsCa, KeyPair};
use rustls::pki_types::{PrivateKeyDer, PrivatePkcs8KeyDer};
use rustls::{ServerConfig, ServerConnection, StreamOwned};

use crate::config::Security;

/// A message as it came in.
#[derive(Debug, Clone, Default)]
pub(super) struct Got {
    pub(super) from: String,
    pub(super) to: Vec<String>,
    pub(super) user: Option<String>,
    pub(super) data: Vec<u8>,
}

type Judge = Arc<dyn Fn(&str) -> Response + Send + Sync>;

/// What a server does.
#[derive(Clone)]
pub(super) struct Rules {
    pub(super) security: Security,
    pub(super) tls: Option<Arc<ServerConfig>>,
    pub(super) login: Option<(String, String)>,
    pub(super) rcpt: Judge,
    pub(super) end: Judge,
}

/// A reply of the server's own.
pub(super) fn reply(code: u16, text: &str) -> Response {
    Response::custom(code, text.to_owned())
}

impl Rules {
    pub(super) fn plain() -> Rules {
        let fine: Judge = Arc::new(|_| mailin::response::OK);
        Rules {
            security: Security::None,
            tls: None,
            login: None,
            rcpt: fine.clone(),
            end: fine,
        }
    }

    pub(super) fn protected(security: Security, certificate: &Certificate) -> Rules {
        Rules {
            security,
            tls: Some(certificate.server.clone()),
            ..Rules::plain()
        }
    }

    pub(super) fn rcpt(self, judge: impl Fn(&str) -> Response + Send + Sync + 'static) -> Rules {
        Rules {
            rcpt: Arc::new(judge),
            ..self
        }
    }
}

/// A server that runs until the test's process ends.
pub(super) struct Server {
    pub(super) port: u16,
    got: Arc<Mutex<Vec<Got>>>,
    calls: Arc<Mutex<usize>>,
}

impl Server {
    pub(super) fn start(rules: Rules) -> Server {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
        let port = listener.local_addr().unwrap().port();
        let got: Arc<Mutex<Vec<Got>>> = Arc::default();
        let calls: Arc<Mutex<usize>> = Arc::default();
        let (kept, called) = (got.clone(), calls.clone());
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                *called.lock().unwrap() += 1;
                let (rules, kept) = (rules.clone(), kept.clone());
                std::thread::spawn(move || serve(stream, &rules, kept));
            }
        });
        Server { port, got, calls }
    }

    /// What has been taken so far.
    pub(super) fn got(&self) -> Vec<Got> {
        self.got.lock().unwrap().clone()
    }

    /// How often somebody called.
    pub(super) fn calls(&self) -> usize {
        *self.calls.lock().unwrap()
    }
}

struct Clerk {
    rules: Rules,
    now: Got,
    user: Option<String>,
    got: Arc<Mutex<Vec<Got>>>,
}

impl Clerk {
    fn judge_login(&mut self, user: &str, password: &str) -> Response {
        let fits = self
            .rules
            .login
            .as_ref()
            .is_some_and(|(u, p)| u == user && p == password);
        if fits {
            self.user = Some(user.to_owned());
            mailin::response::AUTH_OK
        } else {
            mailin::response::INVALID_CREDENTIALS
        }
    }
}

impl Handler for Clerk {
    fn mail(&mut self, _: IpAddr, _: &str, from: &str) -> Response {
        self.now = Got {
            from: from.to_owned(),
            user: self.user.clone(),
            ..Got::default()
        };
        mailin::response::OK
    }

    fn rcpt(&mut self, to: &str) -> Response {
        let response = (self.rules.rcpt)(to);
        if !response.is_error {
            self.now.to.push(to.to_owned());
        }
        response
    }

    fn data(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        self.now.data.extend_from_slice(bytes);
        Ok(())
    }

    fn data_end(&mut self) -> Response {
        let response = (self.rules.end)("");
        if !response.is_error {
            self.got.lock().unwrap().push(self.now.clone());
        }
        response
    }

    fn auth_plain(&mut self, _: &str, user: &str, password: &str) -> Response {
        self.judge_login(user, password)
    }

    fn auth_login(&mut self, user: &str, password: &str) -> Response {
        self.judge_login(user, password)
    }
}

trait Line: Read + Write {}
impl<T: Read + Write> Line for T {}

fn encrypted(stream: &TcpStream, config: &Arc<ServerConfig>) -> Box<dyn Line> {
    let connection = ServerConnection::new(config.clone()).unwrap();
    Box::new(StreamOwned::new(connection, stream.try_clone().unwrap()))
}

/// One byte at a time: nothing of a handshake that follows is swallowed.
fn line(from: &mut dyn Line) -> Option<Vec<u8>> {
    let mut out = Vec::new();
    let mut byte = [0];
    while from.read(&mut byte).ok()? == 1 {
        out.push(byte[0]);
        if byte[0] == b'\n' {
            return Some(out);
        }
    }
    None
}

fn serve(stream: TcpStream, rules: &Rules, got: Arc<Mutex<Vec<Got>>>) {
    let mut builder = SessionBuilder::new("mail.test");
    if rules.security == Security::StartTls {
        builder.enable_start_tls();
    }
    if rules.login.is_some() {
        builder.enable_auth(AuthMechanism::Plain);
    }
    let clerk = Clerk {
        rules: rules.clone(),
        now: Got::default(),
        user: None,
        got,
    };
    let mut session = builder.build(IpAddr::V4(Ipv4Addr::LOCALHOST), clerk);
    let mut io: Box<dyn Line> = match (&rules.tls, rules.security) {
        (Some(config), Security::Tls) => {
            session.tls_active();
            encrypted(&stream, config)
        }
        _ => Box::new(stream.try_clone().unwrap()),
    };
    let mut response = session.greeting();
    loop {
        let sent = response
            .buffer()
            .and_then(|b| io.write_all(&b))
            .and_then(|()| io.flush());
        if sent.is_err() || response.action == Action::Close {
            return;
        }
        if response.action == Action::UpgradeTls {
            io = encrypted(&stream, rules.tls.as_ref().unwrap());
            session.tls_active();
        }
        let Some(line) = line(io.as_mut()) else {
            return;
        };
        response = session.process(&line);
    }
}

/// A server that says these replies, one for each line that comes in (the greeting first), and then nothing more.
pub(super) fn scripted(replies: &'static [&'static str]) -> u16 {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
    let port = listener.local_addr().unwrap().port();
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            std::thread::spawn(move || follow(stream, replies));
        }
    });
    port
}

/// In a script: the server closes the connection without waiting for anything.
pub(super) const CLOSED: &str = "closed";

fn follow(mut stream: TcpStream, replies: &[&str]) {
    for (k, reply) in replies.iter().enumerate() {
        if *reply == CLOSED {
            return;
        }
        // After DATA has been taken, a whole message is one line of the script.
        let in_data = k > 0 && replies[k - 1].starts_with("354");
        if k > 0 {
            loop {
                let Some(line) = line(&mut stream) else {
                    return;
                };
                if !in_data || line == b".\r\n" {
                    break;
                }
            }
        }
        if stream.write_all(reply.as_bytes()).is_err() {
            return;
        }
    }
    // Long enough for any test's limit.
    std::thread::sleep(Duration::from_secs(20));
}

/// Authorities have names of their own.
static ISSUED: AtomicUsize = AtomicUsize::new(0);

/// An authority and what it has issued.
pub(super) struct Certificate {
    server: Arc<ServerConfig>,
    folder: tempfile::TempDir,
}

impl Certificate {
    /// One issued for these names. `is_ca`: the server shows the authority's own instead.
    pub(super) fn issued(names: &[&str], is_ca: bool) -> Certificate {
        let names: Vec<String> = names.iter().map(|n| (*n).to_owned()).collect();
        let mut of_ca = CertificateParams::new(names.clone()).unwrap();
        of_ca.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let number = ISSUED.fetch_add(1, Ordering::Relaxed);
        let name = format!("authority {number}");
        of_ca.distinguished_name.push(DnType::CommonName, name);
        let ca = CertifiedIssuer::self_signed(of_ca, KeyPair::generate().unwrap()).unwrap();
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("ca.pem"), ca.pem()).unwrap();
        let key = KeyPair::generate().unwrap();
        let leaf = CertificateParams::new(names).unwrap();
        let leaf = leaf.signed_by(&key, &ca).unwrap();
        let (shown, key) = if is_ca {
            (ca.der().clone(), ca.key().serialize_der())
        } else {
            (leaf.der().clone(), key.serialize_der())
        };
        let key = PrivateKeyDer::Pkcs8(PrivatePkcs8KeyDer::from(key));
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let server = ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_no_client_auth()
            .with_single_cert(vec![shown], key)
            .unwrap();
        Certificate {
            server: Arc::new(server),
            folder,
        }
    }

    /// The authority's file.
    pub(super) fn ca_file(&self) -> PathBuf {
        self.folder.path().join("ca.pem")
    }
}
