//! A web server of the standard library's parts: it answers as a test wants it to and keeps what was posted.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

use sha2::{Digest, Sha256};

/// How it answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mood {
    /// With this status.
    Status(u16),
    /// It hangs up without a word.
    Gone,
    /// It takes the connection and says nothing.
    Silent,
}

/// One request as it came.
#[derive(Debug, Clone)]
pub struct Posted {
    pub method: String,
    pub path: String,
    pub signature: String,
    pub content_type: String,
    pub body: String,
}

impl Posted {
    /// A text of the payload.
    #[track_caller]
    pub fn text(&self, key: &str) -> String {
        let payload: serde_json::Value = serde_json::from_str(&self.body).unwrap();
        match &payload[key] {
            serde_json::Value::String(text) => text.clone(),
            other => other.to_string(),
        }
    }
}

/// The server; it ends with the test.
pub struct Hook {
    address: std::net::SocketAddr,
    mood: Arc<Mutex<Mood>>,
    accepted: Arc<Mutex<Vec<Posted>>>,
    refused: Arc<Mutex<Vec<Posted>>>,
    calls: Arc<Mutex<usize>>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Hook {
    pub fn new(mood: Mood) -> Hook {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        let mut hook = Hook {
            address,
            mood: Arc::new(Mutex::new(mood)),
            accepted: Arc::default(),
            refused: Arc::default(),
            calls: Arc::default(),
            stop: Arc::default(),
            thread: None,
        };
        let (mood, accepted, refused) = (
            Arc::clone(&hook.mood),
            Arc::clone(&hook.accepted),
            Arc::clone(&hook.refused),
        );
        let (calls, stop) = (Arc::clone(&hook.calls), Arc::clone(&hook.stop));
        hook.thread = Some(std::thread::spawn(move || {
            let mut silent = Vec::new();
            for stream in listener.incoming().flatten() {
                if stop.load(Ordering::Relaxed) {
                    return;
                }
                *calls.lock().unwrap() += 1;
                let mood = *mood.lock().unwrap();
                match mood {
                    Mood::Gone => drop(stream),
                    Mood::Silent => silent.push(stream),
                    Mood::Status(status) => {
                        let kept = if status < 300 { &accepted } else { &refused };
                        serve(stream, status, kept);
                    }
                }
            }
        }));
        hook
    }

    pub fn set(&self, mood: Mood) {
        *self.mood.lock().unwrap() = mood;
    }

    pub fn url(&self) -> String {
        format!("http://{}/hook?from=test", self.address)
    }

    /// What it has taken.
    pub fn accepted(&self) -> Vec<Posted> {
        self.accepted.lock().unwrap().clone()
    }

    /// What it has read and not taken.
    pub fn refused(&self) -> Vec<Posted> {
        self.refused.lock().unwrap().clone()
    }

    /// How often somebody connected.
    pub fn calls(&self) -> usize {
        *self.calls.lock().unwrap()
    }
}

impl Drop for Hook {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        // Wakes the thread.
        let _ = TcpStream::connect(self.address);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn serve(stream: TcpStream, status: u16, kept: &Mutex<Vec<Posted>>) {
    let _ = stream.set_read_timeout(Some(Duration::from_secs(10)));
    let mut reader = BufReader::new(stream);
    if let Some(posted) = read(&mut reader) {
        kept.lock().unwrap().push(posted);
    }
    let more = if (300..400).contains(&status) {
        "Location: http://127.0.0.1:1/elsewhere\r\n"
    } else {
        ""
    };
    let answer = format!(
        "HTTP/1.1 {status} As the test wants it\r\nContent-Length: 0\r\n{more}Connection: close\r\n\r\n"
    );
    let _ = reader.get_mut().write_all(answer.as_bytes());
}

fn read(reader: &mut BufReader<TcpStream>) -> Option<Posted> {
    let mut line = String::new();
    reader.read_line(&mut line).ok()?;
    let mut words = line.split(' ').map(str::to_owned);
    let (method, path) = (words.next()?, words.next()?);
    let (mut length, mut signature, mut content_type) = (0, String::new(), String::new());
    loop {
        line.clear();
        reader.read_line(&mut line).ok()?;
        let Some((name, value)) = line.trim_end().split_once(':') else {
            break;
        };
        let value = value.trim().to_owned();
        match name.to_ascii_lowercase().as_str() {
            "content-length" => length = value.parse().ok()?,
            "runsitter-signature" => signature = value,
            "content-type" => content_type = value,
            _ => {}
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body).ok()?;
    Some(Posted {
        method,
        path,
        signature,
        content_type,
        body: String::from_utf8(body).ok()?,
    })
}

/// HMAC-SHA256 by its definition (RFC 2104), apart from the program's own: H(K ^ opad, H(K ^ ipad, text)).
pub fn hmac(secret: &[u8], text: &[u8]) -> String {
    let mut key = [0_u8; 64];
    if secret.len() > 64 {
        key[..32].copy_from_slice(&Sha256::digest(secret));
    } else {
        key[..secret.len()].copy_from_slice(secret);
    }
    let inner = Sha256::new()
        .chain_update(key.map(|b| b ^ 0x36))
        .chain_update(text)
        .finalize();
    let outer = Sha256::new()
        .chain_update(key.map(|b| b ^ 0x5c))
        .chain_update(inner)
        .finalize();
    outer.iter().map(|b| format!("{b:02x}")).collect()
}
