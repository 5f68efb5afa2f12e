//! A stand-in for the server that takes messages: on this machine, away for a part of the night, and it counts.
//!
//! While it is away it hangs up without a word, as a server does whose program is not running behind its port.

use std::io::{self, BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

/// It is away once this injection has landed …
pub const AWAY_FROM: usize = 9;
/// … and back once this one has.
pub const BACK_AT: usize = 20;
/// A caller that says nothing for so long is hung up on.
const PATIENCE: Duration = Duration::from_secs(5);
/// Largest message, bytes.
const LARGEST: usize = 16 * 1024 * 1024;

/// A message that arrived.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Arrived {
    /// Its key and repeat: the same for the same message.
    pub id: (String, u64),
    /// Its subject.
    pub subject: String,
    /// So long it waited, in the time of the night that is played, s.
    pub age_s: i64,
}

/// The server. Dropping it ends its thread.
pub struct Recipient {
    address: SocketAddr,
    away: Arc<AtomicBool>,
    stop: Arc<AtomicBool>,
    arrived: Arc<Mutex<Vec<Arrived>>>,
    thread: Option<JoinHandle<()>>,
}

impl Recipient {
    /// Opens a port of this machine; `tell` hears of each message as it arrives.
    ///
    /// # Errors
    /// When the system gives no port.
    pub fn start(tell: impl Fn(&Arrived) + Send + 'static) -> io::Result<Recipient> {
        let listener = TcpListener::bind("127.0.0.1:0")?;
        let address = listener.local_addr()?;
        let (away, stop) = (
            Arc::new(AtomicBool::new(false)),
            Arc::new(AtomicBool::new(false)),
        );
        let arrived = Arc::new(Mutex::new(Vec::new()));
        let shared = (Arc::clone(&away), Arc::clone(&stop), Arc::clone(&arrived));
        let thread = std::thread::spawn(move || {
            let (away, stop, arrived) = shared;
            for stream in listener.incoming().flatten() {
                if stop.load(Ordering::Relaxed) {
                    return;
                }
                if away.load(Ordering::Relaxed) {
                    continue;
                }
                // A caller that hangs up in the middle calls again.
                if let Ok(Some(message)) = take(stream) {
                    tell(&message);
                    if let Ok(mut all) = arrived.lock() {
                        all.push(message);
                    }
                }
            }
        });
        Ok(Recipient {
            address,
            away,
            stop,
            arrived,
            thread: Some(thread),
        })
    }

    /// Its address.
    pub fn url(&self) -> String {
        format!("http://{}/messages", self.address)
    }

    /// The switch: true while it is away.
    pub fn away(&self) -> Arc<AtomicBool> {
        Arc::clone(&self.away)
    }

    /// What has arrived, in order.
    pub fn arrived(&self) -> Vec<Arrived> {
        self.arrived
            .lock()
            .map(|all| all.clone())
            .unwrap_or_default()
    }
}

impl Drop for Recipient {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        // The thread wakes by a call; where none gets through there is no thread to wait for.
        if TcpStream::connect_timeout(&self.address, PATIENCE).is_ok()
            && let Some(thread) = self.thread.take()
        {
            let _ = thread.join();
        }
    }
}

/// Reads one message and says that it is here.
fn take(stream: TcpStream) -> io::Result<Option<Arrived>> {
    stream.set_read_timeout(Some(PATIENCE))?;
    let mut reader = BufReader::new(stream);
    let mut length = 0;
    loop {
        let mut line = String::new();
        if reader.by_ref().take(8192).read_line(&mut line)? == 0 {
            return Ok(None);
        }
        if line.trim_end().is_empty() {
            break;
        }
        if let Some((name, value)) = line.split_once(':')
            && name.eq_ignore_ascii_case("content-length")
        {
            length = value.trim().parse().unwrap_or(0);
        }
    }
    if length > LARGEST {
        return Ok(None);
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body)?;
    let message = parse(&body);
    let status = if message.is_some() {
        "204 No Content"
    } else {
        "400 Bad Request"
    };
    let answer = format!("HTTP/1.1 {status}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
    reader.get_mut().write_all(answer.as_bytes())?;
    Ok(message)
}

fn parse(body: &[u8]) -> Option<Arrived> {
    let value: serde_json::Value = serde_json::from_slice(body).ok()?;
    Some(Arrived {
        id: (
            value.get("key")?.as_str()?.to_owned(),
            value.get("repeat")?.as_u64()?,
        ),
        subject: value.get("subject")?.as_str()?.to_owned(),
        age_s: value.get("age_s")?.as_i64()?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn call(recipient: &Recipient, body: &str) -> io::Result<String> {
        let mut stream = TcpStream::connect(recipient.address)?;
        stream.set_read_timeout(Some(PATIENCE))?;
        write!(
            stream,
            "POST / HTTP/1.1\r\ncontent-length: {}\r\n\r\n{body}",
            body.len()
        )?;
        let mut answer = String::new();
        stream.read_to_string(&mut answer)?;
        Ok(answer)
    }

    #[test]
    fn it_takes_messages_and_is_away_when_it_should_be() {
        let recipient = Recipient::start(|_| {}).unwrap();
        let body = r#"{"key":"a","repeat":2,"subject":"standard low","age_s":7}"#;
        assert!(call(&recipient, body).unwrap().starts_with("HTTP/1.1 204"));
        assert!(
            call(&recipient, "nonsense")
                .unwrap()
                .starts_with("HTTP/1.1 400")
        );
        recipient.away().store(true, Ordering::Relaxed);
        assert!(call(&recipient, body).map_or(true, |answer| answer.is_empty()));
        recipient.away().store(false, Ordering::Relaxed);
        assert!(call(&recipient, body).unwrap().starts_with("HTTP/1.1 204"));
        let all = recipient.arrived();
        assert_eq!(
            (all.len(), all[0].id.clone(), all[0].age_s),
            (2, ("a".to_owned(), 2), 7)
        );
    }
}
