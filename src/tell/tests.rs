use super::*;
use crate::night::fixture::{Night, bubble, mid, trace, zone};

fn told(night: &mut Night) -> Vec<Message> {
    night.judged();
    let changes = night.changes.alerts.clone();
    messages(night.queue(), &changes, &zone())
}

#[test]
fn one_trace_is_one_message_however_many_checks_fail() {
    let mut night = Night::new("bPsssPsssP");
    for p in [1, 2, 3, 4, 5] {
        night.good(p);
    }
    night.land(6, mid(&[0.84, 0.86]));
    let all = told(&mut night);
    assert_eq!(all.len(), 1, "{all:#?}");
    assert_eq!(
        all[0].subject,
        "standard low: lactic acid 84 % at 6 of 10, 3 samples to rerun"
    );
    assert_eq!(all[0].file_name, "crocks-006-t-6.txt");
    assert!(all[0].body.starts_with(&all[0].subject));
    insta::assert_snapshot!(all[0].body);
    insta::assert_snapshot!("the_page_of_a_message", all[0].html);
}

#[test]
fn a_stopped_queue_is_told_and_cleared() {
    let mut night = Night::new("PssP");
    night.good(1).wait(60);
    let late = told(&mut night);
    assert_eq!(late[0].subject, "crocks has stopped: no trace for 60 min");
    assert_eq!(late[0].file_name, "crocks-late-trace-20260921T192300.txt");
    insta::assert_snapshot!(late[0].body);
    night.good(2);
    let over = told(&mut night);
    assert_eq!(
        over[0].file_name,
        "crocks-late-trace-20260921T192300-cleared.txt"
    );
    assert_eq!(over[0].subject, "over: late-trace (crocks)");
    insta::assert_snapshot!(over[0].body);
}

#[test]
fn what_is_told_in_the_summary_makes_no_message() {
    let mut night = Night::new("PsP");
    night.good(1).land(2, trace(&[Some(40.0), Some(5.0)]));
    assert_eq!(told(&mut night), []);
}

#[test]
fn a_new_export_that_is_well_clears_the_message() {
    let mut night = Night::new("PsP");
    night.broken(1);
    assert_eq!(
        told(&mut night)[0].subject,
        "unreadable trace t-1.csv at 1 of 3"
    );
    night.good(1);
    let over = told(&mut night);
    assert_eq!(
        (over.len(), over[0].file_name.as_str()),
        (1, "crocks-001-t-1-cleared.txt")
    );
}

#[test]
fn hostile_names_break_neither_line_nor_folder() {
    for hostile in [
        "../../x",
        "a\r\nBcc: all@lab.example",
        "\u{202e}txt.exe",
        "=1+1",
        "\"';--",
        &"y".repeat(5000),
    ] {
        let mut night = Night::new("sPs");
        night.plan(1, |p| {
            (p.stem, p.name) = (hostile.to_owned(), hostile.to_owned())
        });
        let mut air = mid(&[1.0, 1.0]);
        air.air = Some(bubble());
        night.land(1, air);
        let all = told(&mut night);
        let message = &all[0];
        assert!(message.file_name.len() <= 120, "{}", message.file_name);
        assert!(
            !message
                .file_name
                .contains(['/', '\\', '\n', '\r', '\u{202e}', '"']),
            "{}",
            message.file_name
        );
        assert!(
            message.subject.chars().count() <= 70
                && !message.subject.contains(['\n', '\r', '\u{202e}']),
            "{}",
            message.subject
        );
        assert!(
            !message.body.contains(['\r', '\u{202e}'])
                && message.body.lines().all(|l| !l.starts_with("Bcc")),
            "{}",
            message.body
        );
    }
}

#[test]
fn every_check_has_a_subject_that_fits() {
    let mut night = Night::new("P");
    night.land(1, mid(&[0.5, 0.5]));
    night.judged();
    let mut alert = night.changes.alerts.raised[0].clone();
    alert.analyte = "a very long name of a compound that nobody would write on a vial".to_owned();
    let queue = night.queue();
    for check in Check::ALL {
        alert.check = check.name().to_owned();
        let message = of_trace(queue, &queue.slots()[0], &[&alert], &zone());
        assert!(
            message.subject.chars().count() <= 70 && message.subject.ends_with("at 1 of 1"),
            "{}",
            message.subject
        );
        let message = of_condition("crocks", &[&alert], &zone());
        assert!(
            message.subject.chars().count() <= 70 && message.file_name.len() <= 120,
            "{message:?}"
        );
    }
}
