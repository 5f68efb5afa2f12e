//! Mail of the daemon through a mail server: it arrives whole, hangs together, and holds nothing up.

use std::time::{Duration, Instant};

use mail_parser::{Message, MessageParser, MimeHeaders as _};

use crate::calm;
use crate::chromatogram::{both, trace};
use crate::lab::Lab;
use crate::post_office::{Mail, Manner, PostOffice};
use crate::runlist::{Row, sample, standard};

fn lab(office: &PostOffice) -> Lab {
    Lab::new()
        .station("poll_s = 0.2")
        .section(&office.section())
}

/// Standard, sample that is too strong, standard.
fn rows() -> Vec<Row> {
    vec![standard("mid"), sample("brine 2"), standard("mid")]
}

fn good(lab: &Lab) {
    lab.export("crocks-01", &both(5.0));
    lab.export("crocks-02", &trace().lactic(30.0).acetic(3.0));
}

fn low(lab: &Lab) {
    lab.export("crocks-03", &trace().lactic(4.2).acetic(5.0));
}

fn parsed(mail: &Mail) -> Message<'_> {
    MessageParser::default().parse(&mail.data).unwrap()
}

/// A text as it stands in a file: mail has its own line ends.
fn plain(text: &str) -> String {
    text.replace("\r\n", "\n").trim_end().to_owned()
}

#[test]
fn an_alert_and_the_summary_arrive_with_both_texts_and_the_rerun_list() {
    let office = PostOffice::new(Manner::Takes);
    let lab = lab(&office);
    lab.list("crocks", &rows());
    let mut daemon = lab.watch();
    good(&lab);
    low(&lab);
    daemon.wait_until("alert and summary arrive", || office.got().len() >= 2);
    daemon.stop();
    let got = office.got();
    assert_eq!(got.len(), 2);
    let (alert, summary) = (parsed(&got[0]), parsed(&got[1]));
    assert_eq!(got[0].to, ["ada@lab.example"]);
    assert_eq!(
        alert.subject(),
        Some("standard low: lactic acid 84 % at 3 of 3, 1 sample to rerun")
    );
    let file = &lab.messages()["crocks-003-crocks-03.txt"];
    assert_eq!(plain(&alert.body_text(0).unwrap()), plain(file));
    assert!(alert.body_html(0).unwrap().contains("standard low"));
    assert_eq!(got[1].to, ["lab@lab.example"]);
    assert_eq!(
        plain(&summary.body_text(0).unwrap()),
        plain(&lab.summary("crocks"))
    );
    let rerun = std::fs::read(lab.results("crocks").join("rerun.csv")).unwrap();
    for message in [&alert, &summary] {
        let attached: Vec<_> = message.attachments().collect();
        assert_eq!(attached.len(), 1);
        assert_eq!(attached[0].attachment_name(), Some("crocks-rerun.csv"));
        assert_eq!(attached[0].contents(), rerun);
    }
    assert_ne!(alert.message_id(), summary.message_id());
}

#[test]
fn the_end_of_a_condition_hangs_on_the_message_that_told_it() {
    let office = PostOffice::new(Manner::Takes);
    let lab = lab(&office);
    lab.raw_list("crocks", "position,kind,file\n1,nonsense,crocks-01\n");
    let mut daemon = lab.watch();
    daemon.wait_until("the list is told", || office.got().len() == 1);
    lab.list("crocks", &rows());
    daemon.wait_until("its end is told", || office.got().len() == 2);
    daemon.stop();
    let got = office.got();
    let (told, over) = (parsed(&got[0]), parsed(&got[1]));
    let first = told.message_id().unwrap();
    assert_eq!(told.references().as_text(), None);
    assert_eq!(over.references().as_text(), Some(first));
    assert_eq!(over.in_reply_to().as_text(), Some(first));
    assert_ne!(over.message_id(), Some(first));
}

#[test]
fn greylisting_is_survived() {
    let office = PostOffice::new(Manner::Greylists(1));
    let lab = lab(&office);
    lab.list("crocks", &rows());
    let mut daemon = lab.watch();
    low(&lab);
    daemon.wait_until("it is asked to come again", || office.calls() >= 1);
    let started = Instant::now();
    daemon.wait_until("it is taken", || !office.got().is_empty());
    // The first wait is 5 s, give or take a quarter.
    assert!(started.elapsed() > Duration::from_secs(3));
    daemon.stop();
    assert_eq!(office.got().len(), 1);
    assert!(lab.messages().keys().all(|n| !n.starts_with("not-sent")));
}

#[test]
fn a_refusal_for_good_is_told_in_the_alert_folder() {
    let office = PostOffice::new(Manner::Refuses);
    let lab = lab(&office);
    lab.list("crocks", &rows());
    let mut daemon = lab.watch();
    low(&lab);
    let not_sent = || -> Option<String> {
        let mut all = lab.messages().into_iter();
        all.find_map(|(n, t)| n.starts_with("not-sent-mail-").then_some(t))
    };
    daemon.wait_until("the folder says so", || not_sent().is_some());
    daemon.stop();
    let text = not_sent().unwrap();
    assert!(
        text.contains("554 not here") && text.contains("standard low"),
        "{text}"
    );
    assert_eq!(office.calls(), 1);
}

#[test]
fn a_server_that_hangs_delays_no_trace_and_not_the_end() {
    let office = PostOffice::new(Manner::Silent);
    let lab = lab(&office);
    lab.list("crocks", &calm::rows());
    let mut daemon = lab.watch();
    lab.export("crocks-02", &trace().lactic(4.2).acetic(5.0));
    daemon.wait_until("it hangs", || office.calls() >= 1);
    let started = Instant::now();
    for (k, position) in [1, 3, 4, 5].into_iter().enumerate() {
        calm::export(&lab, position);
        daemon.wait_until("the trace is in the sheet", || {
            let rows = lab.sheet("crocks").rows;
            rows.iter().filter(|r| !r.text("trace").is_empty()).count() >= 2 * (k + 2)
        });
    }
    // One that waited for the server would take the 30 s that a step may take.
    let took = started.elapsed();
    assert!(took < Duration::from_secs(15), "{took:?}");
    let stopping = Instant::now();
    daemon.stop();
    let took = stopping.elapsed();
    assert!(took < Duration::from_secs(3), "{took:?}");
}
