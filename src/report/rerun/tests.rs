use super::*;
use crate::night::fixture::{Night, bubble, mid, trace};

/// The list in short: kind's letter, position of the original, dilution where it is not 1.
fn short(queue: &Queue) -> String {
    let word = |i: &Injection| {
        let from = i
            .stem
            .trim_start_matches("t-")
            .split('-')
            .next()
            .unwrap_or("")
            .to_owned();
        let letter = match i.kind {
            Kind::Blank => "b",
            Kind::Standard => "P",
            Kind::Calibrator => "C",
            Kind::Sample => "s",
            Kind::Conditioning => "w",
        };
        if i.dilution == 1.0 {
            format!("{letter}{from}")
        } else {
            format!("{letter}{from}x{}", i.dilution)
        }
    };
    list(queue, &[])
        .injections
        .iter()
        .map(word)
        .collect::<Vec<_>>()
        .join(" ")
}

#[test]
fn nothing_to_repeat_is_a_header_alone() {
    let mut night = Night::new("bPsP");
    night.good(1).good(2).good(3).good(4);
    assert_eq!(
        csv(night.judged(), &["remark".to_owned()]),
        "position,tray,vial,kind,name,file,volume_ul,dilution,level,series,time_h,replicate,remark,repeats\n"
    );
}

#[test]
fn a_failed_bracket_is_repeated_between_blank_and_standards() {
    let mut night = Night::new("bPssPssPb");
    for p in [1, 2, 3, 4, 6, 7, 8, 9] {
        night.good(p);
    }
    night.land(5, mid(&[0.8, 1.0]));
    assert_eq!(short(night.judged()), "b1 P2 s3 s4 P5 s6 s7 P8 b9");
    let list = list(night.queue(), &["remark".to_owned()]);
    assert!(
        list.injections
            .iter()
            .enumerate()
            .all(|(k, i)| i.position == k as u64 + 1 && i.extra.len() == 2)
    );
    let repeats: Vec<&str> = list
        .injections
        .iter()
        .map(|i| i.extra[1].as_str())
        .collect();
    let of = |p: u64| format!("crocks/t-{p}");
    assert_eq!(
        repeats,
        ["", "", &of(3), &of(4), "", &of(6), &of(7), "", ""]
    );
    assert_eq!(list.injections[2].name, "sample 3");
    let mut stems: Vec<_> = list
        .injections
        .iter()
        .map(|i| i.stem.to_lowercase())
        .collect();
    stems.sort();
    stems.dedup();
    assert_eq!(stems.len(), list.injections.len());
}

#[test]
fn the_list_reads_back_as_it_was() {
    let mut night = Night::new("bPssP");
    night.group("=crock", 24.5, &[3, 4]).plan(3, |p| {
        (p.volume_ul, p.name) = (Some(5.0), "a,\"b\"".to_owned())
    });
    night
        .good(1)
        .good(2)
        .good(3)
        .good(4)
        .land(5, mid(&[0.8, 1.0]));
    let made = list(night.judged(), &[]);
    let text = csv(night.queue(), &[]);
    let read =
        crate::runlist::file::parse(text.as_bytes(), std::path::Path::new("rerun.csv")).unwrap();
    assert_eq!(read.injections, made.injections, "{text}");
}

#[test]
fn above_and_below_get_their_dilutions() {
    let mut night = Night::new("bPssssP");
    night
        .plan(4, |p| p.dilution = 50.0)
        .plan(5, |p| p.dilution = 10.0);
    night.good(1).good(2);
    // 40 of 20: the middle of the range is near 10.25, so 5 (8) or so; the other analyte stays as it is and is accepted.
    night.land(3, trace(&[Some(40.0), Some(5.0)]));
    // 0.2 at 50: 10 in all.
    night.land(4, trace(&[Some(0.2), Some(5.0)]));
    // 40 at 10 and 0.1 at 10: two rows.
    night.land(5, trace(&[Some(40.0), Some(0.1)]));
    night.good(6).good(7);
    assert_eq!(short(night.judged()), "b1 P2 s3x5 s4 s5 s5x50 P7 b1");
}

#[test]
fn one_vial_holds_one_dilution() {
    let mut night = Night::new("PssssP");
    for (p, vial) in [(2, "A3"), (3, "A3"), (4, "A4"), (5, "A4")] {
        night.plan(p, |i| {
            (i.tray, i.vial, i.dilution) = ("1".to_owned(), vial.to_owned(), 10.0)
        });
    }
    // 40 at 10 and 0.1 at 10: two dilutions of one sample. 40 at 10: another dilution than its replicate's, in a failed bracket.
    night.good(1).land(2, trace(&[Some(40.0), Some(0.1)]));
    night.land(3, trace(&[Some(40.0), Some(5.0)]));
    night.good(4).land(5, trace(&[Some(40.0), Some(5.0)]));
    night.land(6, mid(&[0.8, 1.0]));
    let list = list(night.judged(), &[]);
    let mut content: std::collections::HashMap<(&str, &str), f64> = Default::default();
    let samples = list.injections.iter().filter(|i| i.kind == Kind::Sample);
    let drawn: Vec<(&str, f64)> = samples
        .clone()
        .map(|i| (i.vial.as_str(), i.dilution))
        .collect();
    for i in samples.filter(|i| !i.vial.is_empty()) {
        let dilution = *content
            .entry((i.tray.as_str(), i.vial.as_str()))
            .or_insert(i.dilution);
        assert_eq!(dilution, i.dilution, "{} holds two: {drawn:?}", i.vial);
    }
    // No trays are described: whoever runs the list chooses a place. What stood in a vial keeps it.
    assert_eq!(
        drawn,
        [
            ("A3", 1.0),
            ("", 50.0),
            ("", 50.0),
            ("A4", 10.0),
            ("", 50.0)
        ]
    );
}

#[test]
fn one_dilution_serves_two_analytes_where_it_can() {
    let mut night = Night::new("PsP");
    night
        .good(1)
        .land(2, trace(&[Some(40.0), Some(60.0)]))
        .good(3);
    let queue = night.judged();
    assert_eq!(dilutions(queue, &queue.slots()[1]), [5.0]);
}

#[test]
fn other_failures_keep_the_dilution() {
    let mut night = Night::new("PssssP");
    (2..=5).for_each(|p| {
        night.plan(p, |i| i.dilution = 4.0);
    });
    let mut air = trace(&[Some(90.0), Some(5.0)]);
    air.air = Some(bubble());
    let mut cut = mid(&[1.0, 1.0]);
    cut.analytes[0].as_mut().unwrap().saturated = true;
    night
        .good(1)
        .land(2, air)
        .broken(3)
        .land(4, cut)
        .good(6)
        .end();
    assert_eq!(
        short(night.judged()),
        "bblank P1 s2x4 s3x4 s4x40 s5x4 P6 bblank"
    );
}

#[test]
fn long_lists_have_checkpoints_as_the_queue_had() {
    let mut night = Night::new("PsssPsssPsP");
    for p in [2, 3, 4, 6, 7, 8, 10] {
        night.good(p);
    }
    night
        .land(1, mid(&[0.5, 0.5]))
        .land(5, mid(&[0.5, 0.5]))
        .land(9, mid(&[0.5, 0.5]))
        .good(11);
    // Not one sample stands: the night comes again.
    assert_eq!(
        short(night.judged()),
        "bblank P1 s2 s3 s4 P5 s6 s7 s8 P9 s10 P11 bblank"
    );
}

#[test]
fn a_part_of_a_night_has_as_few_checkpoints_as_its_spacing_allows() {
    let mut night = Night::new("bPssPsPsPssPb");
    for p in [1, 3, 4, 6, 8, 10, 11, 12, 13] {
        night.good(p);
    }
    night.good(2).land(5, mid(&[0.5, 0.5])).good(7).good(9);
    night.land(7, mid(&[0.5, 0.5]));
    // The first three brackets failed, with four samples; the last one stands. At most two between checkpoints.
    assert_eq!(short(night.judged()), "b1 P2 s3 s4 P5 s6 s8 P7 b13");
}

#[test]
fn the_rules_of_the_plan_serve_where_the_queue_shows_none() {
    let mut method = crate::night::fixture::method();
    method.plan.conditioning = 2;
    method.plan.samples_between = 2;
    method.plan.standard_levels = vec!["low".to_owned(), "high".to_owned()];
    let short_of = |method: &crate::method::Method, letters: &str| {
        let plans = Night::new(letters).list().injections;
        let mut night = Night::of_method(method.clone(), plans);
        for p in 1..=letters.len() {
            night.broken(p);
        }
        let queue = night.judged();
        let levels: Vec<String> = list(queue, &[])
            .injections
            .iter()
            .map(|i| i.level.clone())
            .collect();
        (short(queue), levels)
    };
    let (made, levels) = short_of(&method, "sss");
    assert_eq!(
        made,
        "wconditioning wconditioning bblank Pstandard s1 s2 Pstandard s3 Pstandard bblank"
    );
    assert_eq!([&levels[3], &levels[6], &levels[8]], ["low", "high", "low"]);
    // The queue's own conditioning, spacing and levels go before.
    assert_eq!(short_of(&method, "wbPsssPb").0, "w1 b2 P3 s4 s5 s6 P7 b8");
    // Without blanks in the queue, as the rules have it.
    (method.plan.blank_first, method.plan.blank_last) = (false, false);
    method.plan.conditioning = 0;
    assert_eq!(short_of(&method, "PsP").0, "P1 s2 P3");
    assert_eq!(short_of(&method, "bPsP").0, "b1 P2 s3 P4");
}

#[test]
fn calibrators_that_cannot_be_fitted_come_again_all_of_them() {
    let mut night = Night::new("CCCbPsP");
    night
        .good(1)
        .land(2, trace(&[None, Some(5.0)]))
        .good(3)
        .good(4)
        .good(5)
        .good(6)
        .good(7);
    assert_eq!(short(night.judged()), "b4 C1 C2 C3 P5 b4");
}

#[test]
fn a_lost_calibrator_is_done_without_where_the_others_serve() {
    let mut night = Night::new("CCCCbPsP");
    let levels = [(1, "low", 0.1), (2, "mid", 1.0), (4, "high", 4.0)];
    for (p, level, _) in levels {
        night.plan(p, |i| i.level = level.to_owned());
    }
    for (p, _, share) in levels {
        night.land(p, mid(&[share, share]));
    }
    night.good(5).good(6).good(7).good(8).end();
    let queue = night.judged();
    assert!(queue.slots()[2].is_rerun(), "it never came");
    assert!(queue.serving().is_own(0) && queue.serving().is_own(1));
    assert_eq!(short(queue), "");
}
