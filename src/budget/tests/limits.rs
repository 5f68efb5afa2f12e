//! What does not last.

use super::*;

/// 10 mL a cycle from a bottle that may give 90 mL.
fn narrow() -> Method {
    let mut m = with(20.0, 0.5, Some(100.0));
    let e = m.eluent.as_mut().unwrap();
    e.reserve_ml = Some(10.0);
    e.waste_free_ml = Some(120.0);
    m
}

#[test]
fn just_inside_fits_and_one_more_does_not() {
    let fits = reckon(&list(&"s".repeat(9)), &narrow());
    assert!(!fits.short(), "{:?}", fits.shortfalls());
    close(fits.containers[0].left_ml.unwrap(), 10.0);
    let b = reckon(&list(&"s".repeat(10)), &narrow());
    assert!(b.short());
    let [short] = b.shortfalls() else {
        panic!("{:?}", b.shortfalls())
    };
    assert_eq!(short.check, Some(Check::EluentShort));
    assert_eq!((short.needed, short.may), (100.0, 90.0));
    close(short.at_min.unwrap(), 180.0);
    assert_eq!(short.affected, [10]);
    assert_eq!(
        short.message,
        "100 mL of \"5 mmol/L sulfuric acid\" are needed and 90 mL may be drawn: at its reserve after 3 h, before the end of position 10"
    );
}

#[test]
fn waste_is_checked_by_itself() {
    let mut m = narrow();
    m.eluent.as_mut().unwrap().bottle_ml = None;
    m.pumping.needle_wash_ml = 2.5;
    // 12.5 mL a cycle: the tenth injection brings 125 mL.
    assert!(!reckon(&list(&"s".repeat(9)), &m).short());
    let b = reckon(&list(&"s".repeat(10)), &m);
    let checks: Vec<_> = b.shortfalls().iter().map(|s| s.check).collect();
    assert_eq!(checks, [Some(Check::WasteFull)]);
    assert_eq!(b.containers[0].left_ml, None);
}

#[test]
fn a_bottle_that_nobody_described_is_not_checked() {
    let mut m = narrow();
    m.eluent = None;
    let b = reckon(&list(&"s".repeat(5000)), &m);
    assert!(!b.short());
    assert!(b.containers.iter().all(|u| u.reserve_at_min.is_none()));
    close(b.containers[0].used_ml, 50_000.0);
}

#[test]
fn ten_thousand_injections_are_reckoned_at_once() {
    let started = std::time::Instant::now();
    let b = reckon(&list(&"sP".repeat(5000)), &narrow());
    assert_eq!(b.shortfalls().len(), 2);
    assert_eq!(b.shortfalls()[0].affected.len(), 9991);
    assert!(started.elapsed().as_secs_f64() < 0.5);
}

#[test]
fn a_vial_gives_its_filling_less_what_the_needle_cannot_reach() {
    let mut m = narrow();
    m.conditions.injection_ul = Some(10.0);
    m.pumping.draw_extra_ul = 5.0;
    m.pumping.vial_dead_ul = 100.0;
    m.pumping.vial_filled_ul = Some(150.0);
    let mut rows = list("ssss");
    for row in &mut rows {
        (row.tray, row.vial) = ("2".to_owned(), "7".to_owned());
    }
    rows[1].volume_ul = Some(20.0);
    // 15 + 25 + 15 + 15 = 70 µL of the 50 µL that can be drawn: the first two fit.
    let b = reckon(&rows, &m);
    let [vial] = b.vials.as_slice() else {
        panic!("{:?}", b.vials)
    };
    assert_eq!((vial.drawn_ul, vial.needed_ul), (70.0, 170.0));
    let [short] = b.shortfalls() else {
        panic!("{:?}", b.shortfalls())
    };
    assert_eq!(
        (short.check, short.affected.as_slice()),
        (None, &[3, 4][..])
    );
    assert_eq!(
        short.message,
        "vial 7 of tray 2 needs 170 µL for 4 injections with what the needle cannot reach, and 150 µL are in it"
    );
    assert!(!b.short(), "a vial is no check");
    m.pumping.vial_filled_ul = Some(170.0);
    assert!(reckon(&rows, &m).shortfalls().is_empty());
    m.conditions.injection_ul = None;
    assert_eq!(reckon(&rows, &m).vials[0].drawn_ul, 25.0);
}

#[test]
fn a_shutdown_is_a_last_conditioning_row_that_says_so() {
    let m = narrow();
    let ending = |name: &str, letters: &str| {
        let mut rows = list(letters);
        rows.last_mut().unwrap().name = name.to_owned();
        Shutdown::of(&rows, &m)
    };
    for name in [
        "shutdown",
        "Shut down",
        "column flush",
        "SHUT-DOWN 1",
        "rinse_out",
    ] {
        assert!(
            matches!(ending(name, "Psw"), Shutdown::Listed { position: 3, .. }),
            "{name}"
        );
    }
    assert_eq!(ending("wake up", "Psw"), Shutdown::Missing);
    assert_eq!(
        ending("brine from the rinsed crock", "Psw"),
        Shutdown::Missing
    );
    assert_eq!(
        ending("shutdown", "Pss"),
        Shutdown::Missing,
        "a sample is none"
    );
    let mut flushing = narrow();
    flushing.pumping.after = Some(Phase {
        minutes: 60.0,
        flow_ml_min: 0.2,
    });
    assert!(matches!(
        Shutdown::of(&list("Ps"), &flushing),
        Shutdown::Flushed { minutes: 60.0, .. }
    ));
}
