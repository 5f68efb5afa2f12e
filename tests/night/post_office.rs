//! A mail server in the same process: the protocol is another library's, the sockets are here.

use std::io::{BufRead as _, BufReader, Write as _};
use std::net::{IpAddr, Ipv4Addr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use mailin::{Action, Handler, Response, SessionBuilder};

/// How it takes mail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Manner {
    /// Whatever comes.
    Takes,
    /// So many messages are asked to come again first: greylisting.
    Greylists(usize),
    /// Nothing, ever.
    Refuses,
    /// It takes the connection and says nothing.
    Silent,
}

/// A message as it came in.
#[derive(Debug, Clone, Default)]
pub struct Mail {
    pub to: Vec<String>,
    pub data: Vec<u8>,
}

/// The server; it runs until the test's process ends.
pub struct PostOffice {
    port: u16,
    got: Arc<Mutex<Vec<Mail>>>,
    calls: Arc<AtomicUsize>,
}

impl PostOffice {
    pub fn new(manner: Manner) -> PostOffice {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
        let port = listener.local_addr().unwrap().port();
        let got: Arc<Mutex<Vec<Mail>>> = Arc::default();
        let calls: Arc<AtomicUsize> = Arc::default();
        let (kept, counted) = (Arc::clone(&got), Arc::clone(&calls));
        std::thread::spawn(move || {
            let mut silent = Vec::new();
            for stream in listener.incoming().flatten() {
                let call = counted.fetch_add(1, Ordering::SeqCst);
                if manner == Manner::Silent {
                    silent.push(stream);
                    continue;
                }
                let word = match manner {
                    Manner::Greylists(n) if call < n => Some((451, "greylisted, try again")),
                    Manner::Refuses => Some((554, "not here")),
                    _ => None,
                };
                let clerk = Clerk {
                    word,
                    now: Mail::default(),
                    got: Arc::clone(&kept),
                };
                std::thread::spawn(move || serve(stream, clerk));
            }
        });
        PostOffice { port, got, calls }
    }

    /// The configuration that names it.
    pub fn section(&self) -> String {
        format!(
            "[alert.email]\nhost = \"localhost\"\nport = {}\nsecurity = \"none\"\nfrom = \"HPLC <hplc@lab.example>\"\n\
to = [\"Ada <ada@lab.example>\"]\nsummary_to = [\"lab@lab.example\"]\n",
            self.port
        )
    }

    /// What has been taken so far.
    pub fn got(&self) -> Vec<Mail> {
        self.got.lock().unwrap().clone()
    }

    /// How often somebody called.
    pub fn calls(&self) -> usize {
        self.calls.load(Ordering::SeqCst)
    }
}

struct Clerk {
    /// Said to every recipient instead of taking the message.
    word: Option<(u16, &'static str)>,
    now: Mail,
    got: Arc<Mutex<Vec<Mail>>>,
}

impl Handler for Clerk {
    fn mail(&mut self, _: IpAddr, _: &str, _: &str) -> Response {
        self.now = Mail::default();
        mailin::response::OK
    }

    fn rcpt(&mut self, to: &str) -> Response {
        match self.word {
            Some((code, text)) => Response::custom(code, text.to_owned()),
            None => {
                self.now.to.push(to.to_owned());
                mailin::response::OK
            }
        }
    }

    fn data(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        self.now.data.extend_from_slice(bytes);
        Ok(())
    }

    fn data_end(&mut self) -> Response {
        self.got.lock().unwrap().push(self.now.clone());
        mailin::response::OK
    }
}

fn serve(stream: TcpStream, clerk: Clerk) {
    let mut session =
        SessionBuilder::new("mail.test").build(IpAddr::V4(Ipv4Addr::LOCALHOST), clerk);
    let mut reader = BufReader::new(stream);
    let mut response = session.greeting();
    loop {
        let sent = response
            .buffer()
            .and_then(|bytes| reader.get_mut().write_all(&bytes));
        if sent.is_err() || response.action == Action::Close {
            return;
        }
        let mut line = Vec::new();
        if !reader.read_until(b'\n', &mut line).is_ok_and(|n| n > 0) {
            return;
        }
        response = session.process(&line);
    }
}
