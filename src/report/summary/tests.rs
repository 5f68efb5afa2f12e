use super::*;
use crate::night::fixture::{Night, bubble, mid, trace, zone};

fn lines_fit(text: &str) {
    for line in text.lines() {
        assert!(
            line.chars().count() <= WIDTH,
            "{} characters: {line}",
            line.chars().count()
        );
    }
}

/// Two crocks, three replicates, trouble of most kinds.
fn eventful() -> Night {
    let mut night = Night::new("wbPsssPsssPbsssP");
    night
        .group("crock 1", 24.0, &[4, 5, 6])
        .group("crock 2", 24.0, &[8, 9, 10])
        .group("crock 1", 48.0, &[13, 14, 15]);
    night
        .plan(9, |p| p.volume_ul = Some(5.0))
        .plan(10, |p| p.dilution = 10.0);
    night.land(1, mid(&[0.1, 0.1])).good(2).good(3);
    night
        .land(4, trace(&[Some(4.0), Some(2.1)]))
        .land(5, trace(&[Some(5.9), None]))
        .land(6, trace(&[Some(4.1), Some(30.0)]));
    night
        .good(7)
        .land(8, trace(&[Some(3.0), Some(1.0)]))
        .good(9)
        .land(10, trace(&[Some(0.3), Some(6.0)]));
    night.land(11, mid(&[0.84, 0.86]));
    let mut noisy = trace(&[Some(0.2), None]);
    noisy.noise_mau = Some(0.82);
    let mut air = mid(&[1.0, 1.0]);
    air.air = Some(bubble());
    let mut short = mid(&[0.9, 0.8]);
    short.notes.push("stops at 18.20 min of 22.00".to_owned());
    night
        .land(12, noisy)
        .land(13, short)
        .land(14, air)
        .broken(15)
        .good(16)
        .end();
    night
}

#[test]
fn an_eventful_night_on_a_page() {
    let mut night = eventful();
    let text = text(night.judged(), &zone());
    lines_fit(&text);
    insta::assert_snapshot!(text);
}

/// Three times of one crock, three replicates each, one of them apart at 24 h.
#[test]
fn a_course_shows_how_fast_it_changes_and_who_stands_apart() {
    let mut night = Night::new("PssssssssssP");
    for (k, time_h) in [0.0, 24.0, 48.0].into_iter().enumerate() {
        let p = 2 + 3 * k;
        night.group("crock 1", time_h, &[p, p + 1, p + 2]);
    }
    night.good(1);
    let lactic = [4.0, 4.1, 4.2, 5.0, 5.01, 6.5, 7.0, 7.1, 7.4];
    for (k, l) in lactic.into_iter().enumerate() {
        night.land(2 + k, trace(&[Some(l), (k > 2).then_some(2.0)]));
    }
    let text = text(night.good(11).good(12).end().judged(), &zone());
    lines_fit(&text);
    let at = text.find("\nTIME COURSE").unwrap();
    let end = text.find("\nCALIBRATION").unwrap();
    insta::assert_snapshot!(&text[at..end]);
}

#[test]
fn a_course_of_long_names_keeps_within_the_width() {
    let mut night = Night::new("PsssssssssP");
    for (k, time_h) in [0.125, 1240.25, 9480.75].into_iter().enumerate() {
        let p = 2 + 3 * k;
        night.group(&"long name ".repeat(4), time_h, &[p, p + 1, p + 2]);
    }
    for k in 2..=10 {
        night.plan(k, |p| p.dilution = 1000.0);
    }
    night.good(1);
    let lactic = [4.0, 4.1, 4.2, 5.0, 5.01, 6.5, 17.0, 17.1, 17.4];
    for (k, l) in lactic.into_iter().enumerate() {
        night.land(2 + k, trace(&[Some(l), Some(1.23 * l)]));
    }
    let text = text(night.judged(), &zone());
    lines_fit(&text);
    assert!(text.contains(", provisional\n"), "{text}");
}

#[test]
fn a_quiet_night_says_so_first() {
    let mut night = Night::new("bPssPb");
    (1..=6).for_each(|p| {
        night.good(p);
    });
    let text = text(night.end().judged(), &zone());
    assert!(
        text.starts_with("crocks: all 4 results can be used\n"),
        "{text}"
    );
    assert!(
        text.contains("\nWHAT TO DO NOW\n  1. Nothing: all results can be used.\n"),
        "{text}"
    );
    assert!(
        !text.contains("WHAT HAPPENED") && text.matches("no safety device").count() == 1,
        "{text}"
    );
}

#[test]
fn a_running_queue_claims_no_more_than_it_knows() {
    let mut night = Night::new("bPsssP");
    night.good(1).good(2).good(3).good(4);
    let text = text(night.judged(), &zone());
    assert!(
        text.starts_with("crocks, so far: none of 6 results can be used; 4 wait for their next standard; 2 are not in yet\n"),
        "{text}"
    );
    assert!(text.contains("Nothing yet"), "{text}");
}

#[test]
fn an_end_without_a_standard_stays_provisional() {
    let mut night = Night::new("Ps");
    let text = text(night.good(1).good(2).end().judged(), &zone());
    assert!(
        text.starts_with("crocks: none of 2 results can be used; 2 stay provisional\n"),
        "{text}"
    );
    assert!(text.contains("1 sample at position 2 lack"), "{text}");
}

#[test]
fn nothing_found_is_given_as_below_the_limit_of_detection() {
    let mut night = Night::new("PsP");
    let text = text(
        night
            .good(1)
            .land(2, trace(&[Some(5.0), None]))
            .good(3)
            .end()
            .judged(),
        &zone(),
    );
    assert!(
        text.starts_with("crocks: all 2 results can be used\n"),
        "{text}"
    );
    let line = text
        .lines()
        .find(|l| l.contains("below-range") && l.contains("acetic"))
        .unwrap();
    assert!(line.contains("< 0."), "{line}");
}

#[test]
fn hostile_names_stay_on_their_line() {
    let mut night = Night::new("Ps");
    night.plan(2, |p| {
        (p.name, p.series) = ("a\nNOTES\n".to_owned(), "\u{202e}x\r\n".repeat(40))
    });
    let text = text(night.good(1).broken(2).end().judged(), &zone());
    lines_fit(&text);
    assert!(
        !text.contains(['\r', '\u{202e}']) && !text.contains("\nNOTES\n"),
        "{text}"
    );
}

#[test]
fn a_long_night_is_cut_with_a_count() {
    let mut night = Night::new(&"s".repeat(150));
    (1..=150).for_each(|p| {
        night.good(p);
    });
    let text = text(night.end().judged(), &zone());
    assert!(
        text.contains("  .. and 50 more: sheet.csv has them all\n"),
        "{text}"
    );
}

/// Thousands of results: no output may grow with their square. The times are printed; the bound only catches a square.
#[test]
fn a_very_long_queue_is_written_in_no_time() {
    let letters: String = (0..4000)
        .map(|k| if k % 11 == 0 { 'P' } else { 's' })
        .collect();
    let mut night = Night::new(&letters);
    for p in 1..=4000 {
        if p % 11 != 1 {
            night.group(&format!("crock {}", p % 700), 1.0, &[p]);
        }
    }
    for p in 1..=4000 {
        let mut reading = mid(&[if p % 88 == 1 { 0.8 } else { 1.0 }, 1.0]);
        reading.notes.push(format!("stops at {}.20 min", p));
        night.land(p, reading);
    }
    let queue = night.end().judged();
    let timed = |name: &str, made: &dyn Fn() -> String| {
        let begun = std::time::Instant::now();
        let text = made();
        let ms = begun.elapsed().as_secs_f64() * 1e3;
        eprintln!("{name}: {ms:.1} ms, {} bytes", text.len());
        assert!(ms < 2000.0, "{name} {ms}");
    };
    timed("summary", &|| text(queue, &zone()));
    timed("sheet", &|| crate::report::sheet::whole(queue, &zone()));
    timed("time course", &|| crate::report::time_course::csv(queue));
    timed("rerun", &|| crate::report::rerun::csv(queue, &[]));
    timed("alerts", &|| {
        crate::report::alerts::csv(queue.alerts(), &zone())
    });
}
