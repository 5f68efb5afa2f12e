//! The one who carries letters: a thread of its own, so that a server that hangs delays no trace.
//!
//! It knows nothing of the ledger: jobs go in, what became of each comes out. Each carrier has a line of its own, in which
//! one letter after the other is tried once. When to try again is decided by who sends the jobs.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use tokio::sync::{mpsc, oneshot};

use super::{Carrier, Letter, Refusal};

/// A delivery that takes longer than this has hung, whatever its steps say. Several mail servers, each of them slow, are met
/// one after the other within it.
const LONGEST: Duration = Duration::from_secs(3600);

/// A letter to hand over.
#[derive(Debug)]
pub struct Job {
    /// Its number in the outbox.
    pub id: i64,
    /// The letter as it goes out.
    pub letter: Letter,
}

/// What became of a letter.
#[derive(Debug)]
pub struct Report {
    /// Its number in the outbox.
    pub id: i64,
    /// The carrier's name.
    pub carrier: String,
    /// The other side's word.
    pub result: Result<(), Refusal>,
}

/// Who carries letters.
pub trait Courier {
    /// Takes a job; false where there is no such carrier, or nobody at work any more.
    fn send(&self, carrier: &str, job: Job) -> bool;
}

/// The thread. Dropping this ends it at once, whatever is on its way: a letter without a report is sent again.
pub struct Worker {
    lines: BTreeMap<String, mpsc::UnboundedSender<Job>>,
    _end: oneshot::Sender<()>,
}

impl Worker {
    /// Starts the thread; `report` is called on it.
    ///
    /// # Errors
    /// When the system gives no thread or no timer.
    pub fn start(
        carriers: Vec<Arc<dyn Carrier>>,
        report: impl Fn(Report) + Send + Sync + 'static,
    ) -> std::io::Result<Worker> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()?;
        let report: Arc<dyn Fn(Report) + Send + Sync> = Arc::new(report);
        let mut lines = BTreeMap::new();
        let mut work = Vec::new();
        for carrier in carriers {
            let (send, jobs) = mpsc::unbounded_channel();
            lines.insert(carrier.name().to_owned(), send);
            work.push(line(carrier, jobs, Arc::clone(&report)));
        }
        let (end, ended) = oneshot::channel::<()>();
        std::thread::Builder::new()
            .name("post".to_owned())
            .spawn(move || {
                runtime.block_on(async {
                    for line in work {
                        tokio::spawn(line);
                    }
                    // Resolves when the other end is dropped.
                    let _ = ended.await;
                });
                runtime.shutdown_background();
            })?;
        Ok(Worker { lines, _end: end })
    }
}

impl Courier for Worker {
    fn send(&self, carrier: &str, job: Job) -> bool {
        self.lines
            .get(carrier)
            .is_some_and(|line| line.send(job).is_ok())
    }
}

async fn line(
    carrier: Arc<dyn Carrier>,
    mut jobs: mpsc::UnboundedReceiver<Job>,
    report: Arc<dyn Fn(Report) + Send + Sync>,
) {
    while let Some(job) = jobs.recv().await {
        let id = job.id;
        let result = attempt(Arc::clone(&carrier), job.letter).await;
        report(Report {
            id,
            carrier: carrier.name().to_owned(),
            result,
        });
    }
}

/// One attempt in a task of its own: a carrier that fails in an unforeseen way takes only this letter with it.
async fn attempt(carrier: Arc<dyn Carrier>, letter: Letter) -> Result<(), Refusal> {
    let task = tokio::spawn(async move {
        let now = Timestamp::now();
        tokio::time::timeout(LONGEST, carrier.deliver(&letter, now)).await
    });
    match task.await {
        Ok(Ok(result)) => result,
        Ok(Err(_)) => Err(Refusal::Transient(format!(
            "no answer within {} s",
            LONGEST.as_secs()
        ))),
        Err(_) => Err(Refusal::Transient(
            "the carrier failed; this is a defect of the program".to_owned(),
        )),
    }
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc;
    use std::time::Instant;

    use super::*;
    use crate::post::{Audience, Delivery};

    /// Hangs, panics or delivers, by the letter's subject.
    struct Odd(&'static str);

    impl Carrier for Odd {
        fn name(&self) -> &str {
            self.0
        }

        fn deliver<'a>(&'a self, letter: &'a Letter, _: Timestamp) -> Delivery<'a> {
            Box::pin(async move {
                match letter.subject.as_str() {
                    "hang" => std::future::pending().await,
                    "panic" => panic!("as the test wants it"),
                    _ => Ok(()),
                }
            })
        }
    }

    fn job(id: i64, subject: &str) -> Job {
        let letter = Letter {
            key: id.to_string(),
            repeat: 0,
            station: String::new(),
            queue: String::new(),
            audience: Audience::Now,
            subject: subject.to_owned(),
            text: String::new(),
            html: String::new(),
            attachments: Vec::new(),
            raised_at: Timestamp::UNIX_EPOCH,
            payload: serde_json::Value::Null,
        };
        Job { id, letter }
    }

    fn worker() -> (Worker, mpsc::Receiver<Report>) {
        let (send, receive) = mpsc::channel();
        let carriers: Vec<Arc<dyn Carrier>> = vec![Arc::new(Odd("mail")), Arc::new(Odd("webhook"))];
        let worker = Worker::start(carriers, move |r| drop(send.send(r))).unwrap();
        (worker, receive)
    }

    #[test]
    fn one_that_hangs_holds_up_its_own_line_alone_and_not_the_end() {
        let (worker, reports) = worker();
        assert!(worker.send("mail", job(1, "hang")));
        assert!(worker.send("webhook", job(2, "well")));
        assert!(!worker.send("pigeon", job(3, "well")));
        let report = reports.recv_timeout(Duration::from_secs(20)).unwrap();
        assert_eq!((report.id, report.result), (2, Ok(())));
        let started = Instant::now();
        drop(worker);
        // The thread is gone when its end of the channel is.
        assert!(reports.recv_timeout(Duration::from_secs(20)).is_err());
        assert!(started.elapsed() < Duration::from_secs(10));
    }

    #[test]
    fn one_that_fails_unforeseen_takes_only_its_letter_with_it() {
        let (worker, reports) = worker();
        worker.send("mail", job(1, "panic"));
        worker.send("mail", job(2, "well"));
        let first = reports.recv_timeout(Duration::from_secs(20)).unwrap();
        assert!(
            matches!(first.result, Err(Refusal::Transient(_))),
            "{first:?}"
        );
        let second = reports.recv_timeout(Duration::from_secs(20)).unwrap();
        assert_eq!((second.id, second.result), (2, Ok(())));
    }
}
