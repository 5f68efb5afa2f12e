//! Nights of long ago, found at the first start.

use super::*;

/// A start over a night that lies in the folder and was written so many hours before.
fn found(hours: u64) -> Post {
    let mut post = Post::new(Scenario::DriftingStandard, "remind_min = 60");
    post.begin();
    post.now = Timestamp::now();
    let first = std::time::SystemTime::now() - std::time::Duration::from_secs(3600 * hours);
    for position in 1..=24 {
        let minutes = 22 * u64::try_from(position).unwrap();
        post.land_written(
            position,
            first + std::time::Duration::from_secs(60 * minutes),
        );
    }
    post.now = Timestamp::now();
    post.settle();
    post.with(|desk, _| desk.is_complete());
    post
}

#[test]
fn a_night_of_long_ago_is_kept_and_no_letter_is_sent() {
    let mut post = found(30 * 24);
    assert_eq!(post.subjects(), [] as [&str; 0]);
    let files = |post: &mut Post| {
        post.with(|desk, ledger| ledger.messages(&desk.station.name).unwrap().len())
    };
    assert_eq!(files(&mut post), 3, "the alert files tell all the same");
    let ended = |post: &Post| post.desk.as_ref().unwrap().queues()["crocks"].is_ended();
    assert!(ended(&post));
    post.wait(600);
    post.start();
    post.wait(600);
    assert_eq!(
        post.subjects(),
        [] as [&str; 0],
        "nor later, nor after a restart"
    );
}

#[test]
fn last_night_is_told_though_it_was_over_at_the_start() {
    let mut post = found(20);
    let kinds = post.kinds();
    assert!(
        kinds.contains(&"alert".to_owned()) && kinds.contains(&"queue-ended".to_owned()),
        "{kinds:?}"
    );
}

#[test]
fn what_came_while_the_daemon_was_away_over_a_weekend_is_told() {
    let mut post = Post::new(Scenario::DriftingStandard, "remind_min = 60");
    post.land(1);
    post.wait(22);
    post.begin();
    post.now = Timestamp::now();
    let friday = std::time::SystemTime::now() - std::time::Duration::from_secs(3600 * 60);
    for position in 2..=24 {
        post.land_written(position, friday);
    }
    post.settle();
    post.with(|desk, _| desk.is_complete());
    let kinds = post.kinds();
    assert!(
        kinds.contains(&"alert".to_owned()) && kinds.contains(&"queue-ended".to_owned()),
        "{kinds:?}"
    );
}

#[test]
fn what_lands_while_it_watches_is_told_whatever_its_clock_says() {
    let mut post = Post::new(Scenario::DriftingStandard, "remind_min = 60");
    post.now = Timestamp::now();
    let long_ago = std::time::SystemTime::now() - std::time::Duration::from_secs(86_400 * 2000);
    for position in 1..=19 {
        post.now = Timestamp::now();
        post.land_written(
            position,
            long_ago + std::time::Duration::from_secs(1320 * u64::try_from(position).unwrap()),
        );
        post.settle();
    }
    let subjects = post.subjects();
    assert!(
        subjects.iter().any(|s| s.starts_with("standard low")),
        "{subjects:?}"
    );
}

#[test]
fn an_old_night_that_goes_on_is_told_from_then_on() {
    let mut post = Post::new(Scenario::DriftingStandard, "remind_min = 60");
    post.begin();
    post.now = Timestamp::now();
    let long_ago = std::time::SystemTime::now() - std::time::Duration::from_secs(86_400 * 30);
    for position in 1..=19 {
        post.land_written(position, long_ago);
    }
    post.now = Timestamp::now();
    post.settle();
    post.with(|desk, _| desk.is_complete());
    assert_eq!(post.subjects(), [] as [&str; 0]);
    post.now = Timestamp::now();
    post.land(20);
    post.settle();
    let subjects = post.subjects();
    assert!(
        subjects.iter().any(|s| s.starts_with("standard low")),
        "nothing is lost: {subjects:?}"
    );
}

#[test]
fn a_bad_list_of_long_ago_calls_nobody_and_one_of_today_does() {
    let mut post = Post::new(Scenario::Calm, "remind_min = 60");
    post.begin();
    let path = post.exports.join("old.runlist.csv");
    let mut take = |text: &str, age_s: u64| {
        std::fs::write(&path, text).unwrap();
        let written = std::time::SystemTime::now() - std::time::Duration::from_secs(age_s);
        let file = std::fs::File::options().write(true).open(&path).unwrap();
        file.set_modified(written).unwrap();
        let (seen, now) = (scan::look_at(&path).unwrap(), Timestamp::now());
        post.with(|desk, ledger| {
            desk.take_list(ledger, &seen, text.as_bytes().to_vec(), now)
                .unwrap();
            desk.settle(ledger, now).unwrap();
        });
        post.subjects()
    };
    assert_eq!(
        take("position,kind,name\n1,blonk,x\n", 86_400 * 300),
        [] as [&str; 0]
    );
    assert_eq!(
        take("position,kind,name\n1,blink,x\n", 60),
        ["old: the run list cannot be used"]
    );
}
