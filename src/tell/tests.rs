use super::*;
use crate::night::condition::Condition;
use crate::night::fixture::{Night, bubble, mid, start, trace, zone};
use crate::pressure::digest::{Digest, Extreme};

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

/// A night whose pressure rises, passes its limit and falls, ten minutes apart.
fn clogged() -> Night {
    let mut night = Night::new("PsP");
    night.good(1).judged();
    let all = [Check::PressureRise, Check::PressureHigh, Check::PressureLow];
    for (k, check) in (0_i64..).zip(all) {
        let condition = Condition {
            measured: Some(9.05),
            limit: "9".to_owned(),
            message: format!("{check} it is"),
            ..Condition::default()
        };
        let at = start() + jiff::SignedDuration::from_mins(10 * k);
        night.queue().set_condition(check, Some(condition), at);
    }
    night.judged();
    night
}

#[test]
fn a_reminder_leads_with_what_came_last_and_says_where_the_pressure_stands() {
    let mut night = clogged();
    let later = |min| start() + jiff::SignedDuration::from_mins(min);
    let extreme = |mpa| Extreme { mpa, at: later(75) };
    night.queue().pressure = Some(Digest {
        readings: 9,
        lowest: extreme(0.05),
        highest: extreme(9.05),
        median_mpa: 5.0,
        slope_mpa_per_h: None,
        usual_mpa: None,
        furthest: None,
        outside: None,
        sides: (false, false),
        last: Some(extreme(0.05)),
    });
    let settings = policy::Settings::new(60.0, 1.0);
    let ask = |book: &policy::Book, queue: &Queue, min| {
        let now = policy::Now {
            cases: &cases(queue),
            complete: true,
            ended: false,
            at: later(min),
        };
        policy::decide(book, now, &settings)
    };
    let told = ask(&policy::Book::default(), night.queue(), 20);
    let said = |queue: &Queue, post: &policy::Post, book, min| {
        letter_of("acids", queue, post, book, later(min), &settings, &zone())
    };
    let high = said(night.queue(), &told.posts[1], &told.book, 20);
    assert!(
        high.text
            .starts_with("May be a consequence of what was told at "),
        "{}",
        high.text
    );
    let low = said(night.queue(), &told.posts[2], &told.book, 20).text;
    let cut_out = "A pump that meets its pressure limit stops by itself.";
    assert!(
        low.contains(cut_out) && !high.text.contains(cut_out),
        "{low}"
    );
    let again = ask(&told.book, night.queue(), 80);
    assert_eq!(again.posts.len(), 1, "{:?}", again.posts);
    let letter = said(night.queue(), &again.posts[0], &again.book, 80);
    assert_eq!(
        letter.subject,
        "still, 1 h: crocks: pressure low, 9.05 MPa (limit 9)"
    );
    for part in [
        "This goes on for 1 h, since ",
        "The pressure stood at 0.05 MPa at 19:15.",
        "Also going on: crocks: pressure high, 9.05 MPa (limit 9) (for 1 h 10 min); crocks: pressure rising, 9.05 of 9 MPa (for 1 h 20 min).",
        "pressure-low it is",
    ] {
        assert!(letter.text.contains(part), "{part}:\n{}", letter.text);
    }
}

#[test]
fn the_end_of_a_pressure_does_not_say_that_all_is_well() {
    let mut night = clogged();
    night
        .queue()
        .set_condition(Check::PressureLow, None, start());
    let over = told(&mut night).remove(0);
    assert!(
        over.body.contains("the pressure is back within its limits")
            && !over.body.contains("nothing needs"),
        "{}",
        over.body
    );
}

#[test]
fn an_early_warning_sends_no_sample_back() {
    // The standard at 4 drifts and passes; that at 6, found at once, fails and takes the sample between with it.
    let mut night = Night::new("PPPPsPsP");
    night.good(1).good(2).good(3).land(4, mid(&[0.93, 0.93]));
    night.good(5).land(6, mid(&[0.8, 0.8]));
    let all: Vec<String> = told(&mut night).into_iter().map(|m| m.subject).collect();
    assert!(
        all.iter()
            .any(|s| s.starts_with("standard drifts: ") && s.ends_with(" at 4 of 8"))
            && all
                .iter()
                .any(|s| s.starts_with("standard low") && s.ends_with("1 sample to rerun")),
        "{all:?}"
    );
}

#[test]
fn a_long_queue_name_gives_way_to_what_happens() {
    let mut night = Night::new("P");
    night.land(1, mid(&[0.5, 0.5])).judged();
    let mut alert = night.changes.alerts.raised[0].clone();
    alert.check = "pressure-rise".to_owned();
    alert.limit = "9".to_owned();
    alert.affected = vec![18, 19, 20];
    let subject = |queue| of_condition(queue, &[&alert], &zone()).subject;
    assert_eq!(
        subject("crocks"),
        "crocks: pressure rising to 9 MPa 3 injections before the end"
    );
    assert_eq!(
        subject("crocks of the north cellar, second week"),
        "crocks of the..: pressure rising to 9 MPa 3 injections before the end"
    );
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

#[test]
fn a_queue_of_thousands_is_not_laid_out_again_for_every_message() {
    let says = |samples: usize| {
        let plan = format!("P{}P", "s".repeat(samples));
        let mut night = Night::new(&plan);
        night.broken(2);
        let all = told(&mut night);
        assert_eq!(all.len(), 1, "{all:#?}");
        all[0].body.clone()
    };
    let (within, beyond) = (says(1998), says(1999));
    assert!(within.contains("rerun.csv holds so far"), "{within}");
    assert!(beyond.contains("rerun.csv and the summary say"), "{beyond}");
}
