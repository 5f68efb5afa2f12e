//! The sign of life by a web address: one GET at a time, on a thread of its own.
//!
//! A call is made at once or not at all: one that waited behind a slow one would say that everything works when it no
//! longer may.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::Duration;

use crate::post::web::{agent, place};

/// Finding the host, connecting, each of the further steps.
const STEP: Duration = Duration::from_secs(10);
/// A whole call.
const WHOLE: Duration = Duration::from_secs(20);

/// Calls one address.
#[derive(Debug)]
pub(super) struct Caller {
    url: Arc<str>,
    state: Arc<State>,
}

#[derive(Debug, Default)]
struct State {
    /// A call is on its way.
    busy: AtomicBool,
    /// What was wrong last time, told once.
    told: Mutex<Option<String>>,
}

impl Caller {
    /// For a checked address.
    pub(super) fn new(url: &str) -> Caller {
        Caller {
            url: url.into(),
            state: Arc::default(),
        }
    }

    /// Begins a call and waits for nothing; none is begun while the last one is on its way.
    pub(super) fn call(&self) {
        if self.state.busy.swap(true, Ordering::AcqRel) {
            return;
        }
        let (url, state) = (Arc::clone(&self.url), Arc::clone(&self.state));
        let begun = thread::Builder::new()
            .name("sign of life".to_owned())
            .spawn(move || {
                state.note(get(&url), &url);
                state.busy.store(false, Ordering::Release);
            });
        if let Err(error) = begun {
            self.state.note(Err(error.to_string()), &self.url);
            self.state.busy.store(false, Ordering::Release);
        }
    }
}

impl State {
    /// Tells what is new about the calls.
    fn note(&self, result: Result<(), String>, url: &str) {
        let mut told = self.told.lock().unwrap_or_else(PoisonError::into_inner);
        match result {
            Ok(()) => {
                if told.take().is_some() {
                    tracing::info!("{} takes the sign of life again", place(url));
                }
            }
            Err(why) => {
                if told.as_ref() != Some(&why) {
                    tracing::error!(
                        "the sign of life does not reach {}: {why}; trying again",
                        place(url)
                    );
                    *told = Some(why);
                }
            }
        }
    }
}

fn get(url: &str) -> Result<(), String> {
    let answer = agent(url, STEP, WHOLE).get(url).call();
    let status = answer.map_err(|e| e.to_string())?.status().as_u16();
    match status {
        200..=299 => Ok(()),
        300..=399 => Err(format!(
            "found status {status}, expected 200: redirects are not followed, configure the address that is meant"
        )),
        _ => Err(format!("found status {status}, expected 200")),
    }
}

#[cfg(test)]
mod tests {
    use std::io::{BufRead as _, BufReader, Write as _};
    use std::net::{TcpListener, TcpStream};
    use std::sync::mpsc::{Receiver, channel};
    use std::time::Instant;

    use super::*;

    /// What came in on each connection, which is kept open until the test answers it.
    fn listen() -> (String, Receiver<(Vec<String>, TcpStream)>) {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}/ping?of=hplc", listener.local_addr().unwrap());
        let (send, receive) = channel();
        thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let reader = BufReader::new(stream.try_clone().unwrap());
                let head = reader.lines().map_while(Result::ok);
                let head = head.take_while(|l| !l.is_empty()).collect();
                if send.send((head, stream)).is_err() {
                    return;
                }
            }
        });
        (url, receive)
    }

    fn answer(mut stream: &TcpStream, status: &str) {
        let text = format!("HTTP/1.1 {status}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
        stream.write_all(text.as_bytes()).unwrap();
    }

    const SOON: Duration = Duration::from_secs(10);

    fn until_free(caller: &Caller) {
        let started = Instant::now();
        while caller.state.busy.load(Ordering::Acquire) {
            assert!(started.elapsed() < SOON, "the call does not end");
            thread::sleep(Duration::from_millis(5));
        }
    }

    fn told(caller: &Caller) -> Option<String> {
        caller.state.told.lock().unwrap().clone()
    }

    #[test]
    fn a_call_is_a_get_and_nothing_else() {
        let (url, calls) = listen();
        let caller = Caller::new(&url);
        caller.call();
        let (head, stream) = calls.recv_timeout(SOON).unwrap();
        assert_eq!(head[0], "GET /ping?of=hplc HTTP/1.1");
        answer(&stream, "204 fine");
        until_free(&caller);
        assert_eq!(told(&caller), None);
    }

    #[test]
    fn a_slow_answer_holds_nobody_up_and_no_second_call_waits_behind_it() {
        let (url, calls) = listen();
        let caller = Caller::new(&url);
        caller.call();
        let (_, stream) = calls.recv_timeout(SOON).unwrap();
        let started = Instant::now();
        caller.call();
        assert!(started.elapsed() < Duration::from_secs(1));
        answer(&stream, "200 fine");
        until_free(&caller);
        assert!(calls.recv_timeout(Duration::from_millis(300)).is_err());
        caller.call();
        let (_, stream) = calls.recv_timeout(SOON).unwrap();
        answer(&stream, "200 fine");
    }

    #[test]
    fn a_failure_is_kept_until_it_is_over_and_a_redirect_is_one() {
        let (url, calls) = listen();
        let caller = Caller::new(&url);
        for (status, part) in [
            ("500 no", Some("found status 500")),
            (
                "302 there\r\nLocation: /elsewhere",
                Some("redirects are not followed"),
            ),
            ("200 fine", None),
        ] {
            caller.call();
            let (_, stream) = calls.recv_timeout(SOON).unwrap();
            answer(&stream, status);
            until_free(&caller);
            match (told(&caller), part) {
                (Some(why), Some(part)) => assert!(why.contains(part), "{why}"),
                (why, part) => assert_eq!(why.as_deref(), part),
            }
        }
        assert!(
            calls.recv_timeout(Duration::from_millis(300)).is_err(),
            "a redirect was followed"
        );
    }

    #[test]
    fn nobody_there_is_said_without_the_path() {
        let free = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}/hidden", free.local_addr().unwrap());
        drop(free);
        let caller = Caller::new(&url);
        caller.call();
        until_free(&caller);
        let why = told(&caller).unwrap();
        assert!(!why.contains("hidden") && !why.is_empty(), "{why}");
    }
}
