//! A mail server of the standard library's parts: it takes every message and keeps it as it came.

use std::io::{BufRead, BufReader, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

/// It thinks so long before its greeting, that a look at the caller's connections finds one.
const THINKS: Duration = Duration::from_millis(100);

/// The server; it ends with the test.
pub struct Mailbox {
    address: SocketAddr,
    messages: Arc<Mutex<Vec<String>>>,
    commands: Arc<Mutex<Vec<String>>>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Mailbox {
    pub fn new() -> Mailbox {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let mut mailbox = Mailbox {
            address: listener.local_addr().unwrap(),
            messages: Arc::default(),
            commands: Arc::default(),
            stop: Arc::default(),
            thread: None,
        };
        let (messages, commands, stop) = (
            Arc::clone(&mailbox.messages),
            Arc::clone(&mailbox.commands),
            Arc::clone(&mailbox.stop),
        );
        mailbox.thread = Some(std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                if stop.load(Ordering::Relaxed) {
                    return;
                }
                // A caller that hangs up in the middle is the test's own business.
                let _ = talk(&stream, &messages, &commands);
            }
        }));
        mailbox
    }

    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// The table of the configuration that sends mail here, with a login.
    pub fn section(&self, password_file: &str) -> String {
        format!(
            "[alert.email]\nhost = \"127.0.0.1\"\nport = {}\nsecurity = \"none\"\nuser = \"hplc\"\npassword_file = \"{password_file}\"\ntimeout_s = 5\nfrom = \"hplc@lab.example\"\nto = [\"ada@lab.example\"]\n",
            self.address.port()
        )
    }

    /// Messages as they came, without the dots that the protocol doubles.
    pub fn messages(&self) -> Vec<String> {
        self.messages.lock().unwrap().clone()
    }

    /// Everything that was said beside messages.
    pub fn commands(&self) -> Vec<String> {
        self.commands.lock().unwrap().clone()
    }
}

impl Drop for Mailbox {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        drop(TcpStream::connect(self.address));
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn talk(
    stream: &TcpStream,
    messages: &Mutex<Vec<String>>,
    commands: &Mutex<Vec<String>>,
) -> std::io::Result<()> {
    stream.set_read_timeout(Some(Duration::from_secs(5)))?;
    std::thread::sleep(THINKS);
    let (mut reader, mut writer) = (BufReader::new(stream), stream);
    writer.write_all(b"220 mailbox\r\n")?;
    let mut line = String::new();
    while reader.read_line(&mut line)? > 0 {
        let command = line.trim_end().to_owned();
        line.clear();
        commands.lock().unwrap().push(command.clone());
        let verb = command.split([' ', ':']).next().unwrap_or_default();
        let answer: &[u8] = match verb {
            "EHLO" => b"250-mailbox\r\n250-8BITMIME\r\n250 AUTH PLAIN LOGIN\r\n",
            "AUTH" => b"235 welcome\r\n",
            "DATA" => {
                writer.write_all(b"354 go on\r\n")?;
                messages.lock().unwrap().push(message(&mut reader)?);
                b"250 taken\r\n"
            }
            "QUIT" => return writer.write_all(b"221 bye\r\n"),
            _ => b"250 ok\r\n",
        };
        writer.write_all(answer)?;
    }
    Ok(())
}

fn message(reader: &mut impl BufRead) -> std::io::Result<String> {
    let (mut text, mut line) = (String::new(), String::new());
    while reader.read_line(&mut line)? > 0 && line != ".\r\n" {
        text += line.strip_prefix('.').unwrap_or(&line);
        line.clear();
    }
    Ok(text)
}
