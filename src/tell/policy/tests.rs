use std::collections::BTreeMap;

use super::*;

/// A night in minutes: at each one what fails (`place:check`, `!` before a second failure of it), and what is sent then.
struct Story {
    book: Book,
    raised: BTreeMap<String, Timestamp>,
    next: Option<Timestamp>,
}

fn at(min: i64) -> Timestamp {
    Timestamp::from_second(1_790_000_000 + 60 * min).unwrap()
}

impl Story {
    fn new() -> Story {
        Story {
            book: Book::default(),
            raised: BTreeMap::new(),
            next: None,
        }
    }

    fn case(&mut self, word: &str, min: i64) -> Case {
        let (more, word) = word.strip_prefix('!').map_or((false, word), |w| (true, w));
        let (place, check) = word.split_once(':').unwrap();
        let lead = Check::parse(check).unwrap();
        let raised_at = *self.raised.entry(place.to_owned()).or_insert(at(min));
        let mut keys = vec![format!("{check}|{place}")];
        if more {
            keys.push(format!("more|{place}"));
        }
        let goes_on = super::super::follows::goes_on(lead);
        Case {
            place: if goes_on {
                place.to_owned()
            } else {
                format!("slot:{place}")
            },
            key: if goes_on {
                format!("{place}/{raised_at}")
            } else {
                place.to_owned()
            },
            lead,
            keys,
            raised_at,
            goes_on,
            subject: word.to_owned(),
        }
    }

    fn ask(&mut self, min: i64, open: &str, ended: bool) -> String {
        let words: Vec<&str> = open.split_whitespace().collect();
        self.raised.retain(|place, _| {
            words
                .iter()
                .any(|w| w.trim_start_matches('!').starts_with(&format!("{place}:")))
        });
        let cases: Vec<Case> = words.iter().map(|w| self.case(w, min)).collect();
        let now = Now {
            cases: &cases,
            complete: true,
            ended,
            at: at(min),
        };
        let decided = decide(&self.book, now, &Settings::new(60.0, 1.0));
        // Asked again at once, it has nothing to add: a kill after the records are kept repeats nothing.
        let again = decide(&decided.book, now, &Settings::new(60.0, 1.0));
        assert_eq!(again.posts, [], "asked twice at {min}");
        self.book = decided.book;
        self.next = decided.next;
        let said: Vec<String> = decided.posts.iter().map(|p| self.say(p)).collect();
        said.join(", ")
    }

    fn say(&self, post: &Post) -> String {
        let short = |k: &String| k.split('/').next().unwrap_or_default().to_owned();
        let all = |keys: &[String]| keys.iter().map(short).collect::<Vec<_>>().join("+");
        let under = |u: &Option<String>| {
            u.as_ref()
                .map(|u| format!("<{}", short(u)))
                .unwrap_or_default()
        };
        let what = match &post.act {
            Act::Tell { key, under: u } => format!("tell {}{}", short(key), under(u)),
            Act::Remind { keys } => format!("remind {}", all(keys)),
            Act::Over { key } => format!("over {}", short(key)),
            Act::Digest { keys, under: u } => format!("digest {}{}", all(keys), under(u)),
        };
        match post.repeat {
            0 => what,
            n => format!("{what} #{n}"),
        }
    }
}

/// Each night: rows of minute, what fails, what is sent.
#[track_caller]
fn night(rows: &[(i64, &str, &str)]) -> Story {
    let mut story = Story::new();
    for (min, open, sent) in rows {
        assert_eq!(story.ask(*min, open, false), *sent, "at minute {min}");
    }
    story
}

#[test]
fn a_failing_trace_is_told_once_and_its_mending_too() {
    night(&[
        (0, "", ""),
        (1, "a:recovery", "tell a"),
        (2, "a:recovery", ""),
        (500, "a:recovery", ""),
        (501, "", "over a #1"),
        (502, "", ""),
        (503, "a:recovery", "tell a #2"),
    ]);
}

#[test]
fn another_failure_of_a_trace_is_news() {
    night(&[
        (0, "a:retention-shift", "tell a"),
        (100, "!a:retention-shift", "tell a #1"),
        (101, "!a:retention-shift", ""),
    ]);
}

#[test]
fn a_condition_is_reminded_and_cleared() {
    let story = night(&[
        (0, "p:pressure-high", "tell p"),
        (59, "p:pressure-high", ""),
        (60, "p:pressure-high", "remind p #1"),
        (119, "p:pressure-high", ""),
        (120, "p:pressure-high", "remind p #2"),
        (130, "", "over p #3"),
        (300, "", ""),
    ]);
    assert_eq!(story.next, None);
}

#[test]
fn it_says_when_it_must_be_asked_again() {
    let mut story = Story::new();
    story.ask(0, "p:late-trace", false);
    assert_eq!(story.next, Some(at(60)));
    story.ask(60, "p:late-trace", false);
    assert_eq!(story.next, Some(at(120)));
    let mut story = Story::new();
    story.ask(0, "a:recovery b:recovery", false);
    assert_eq!(story.next, Some(at(5)));
}

#[test]
fn a_reminder_tires_after_a_day() {
    let mut story = Story::new();
    let sent = (0..=40 * 60)
        .filter(|min| story.ask(*min, "w:waste-full", false).starts_with("remind"))
        .count();
    assert_eq!(sent, 23);
}

#[test]
fn nothing_is_repeated_when_the_queue_has_ended() {
    let mut story = Story::new();
    assert_eq!(story.ask(0, "l:late-trace", false), "tell l");
    assert_eq!(story.ask(70, "l:late-trace", true), "");
    assert_eq!(story.ask(600, "l:late-trace", true), "");
    assert_eq!(story.next, None);
}

#[test]
fn a_storm_at_one_moment_is_one_letter_and_a_digest() {
    let all: Vec<String> = (1..=20).map(|k| format!("s{k:02}:recovery")).collect();
    let all = all.join(" ");
    let mut story = Story::new();
    assert_eq!(story.ask(0, &all, false), "tell s01");
    assert_eq!(story.ask(4, &all, false), "");
    let digest = story.ask(5, &all, false);
    assert!(
        digest.starts_with("digest s02+s03+") && digest.ends_with("+s20 #1"),
        "{digest}"
    );
    assert_eq!(story.ask(600, &all, false), "");
}

#[test]
fn a_storm_over_the_night_is_one_letter_an_hour_at_most() {
    // A standard fails every ten minutes, for five hours.
    let mut story = Story::new();
    let (mut open, mut letters, mut told) = (String::new(), 0, 0);
    for min in 0..360 {
        if min % 10 == 0 && min < 300 {
            open += &format!(" s{min:03}:recovery");
        }
        let sent = story.ask(min, &open, false);
        if !sent.is_empty() {
            letters += 1;
            told += sent.matches("s0").count()
                + sent.matches("s1").count()
                + sent.matches("s2").count();
        }
    }
    assert!((5..=8).contains(&letters), "{letters}");
    assert_eq!(told, 30, "each failure is told exactly once");
}

#[test]
fn what_was_told_by_a_clock_that_ran_ahead_holds_nothing_up() {
    let mut night = Story::new();
    night.ask(1500, "a:recovery", false);
    night.ask(1501, "a:recovery b:recovery", false);
    assert_ne!(night.ask(1520, "a:recovery b:recovery", false), "");
    night.ask(60, "a:recovery b:recovery c:recovery", false);
    assert!(
        night.next.is_some_and(|next| next <= at(120)),
        "{:?}",
        night.next
    );
}

#[test]
fn a_second_failure_waits_minutes_not_an_hour() {
    night(&[
        (0, "a:recovery", "tell a"),
        (23, "a:recovery b:recovery", ""),
        (28, "a:recovery b:recovery", "tell b"),
        (46, "a:recovery b:recovery c:recovery", ""),
        (69, "a:recovery b:recovery c:recovery d:recovery", ""),
        (
            88,
            "a:recovery b:recovery c:recovery d:recovery",
            "digest c+d #1",
        ),
        // The storm is over: the next one is told at once again.
        (
            200,
            "a:recovery b:recovery c:recovery d:recovery e:recovery",
            "tell e",
        ),
    ]);
}

#[test]
fn other_causes_are_not_held_up_by_a_storm() {
    night(&[
        (0, "a:recovery b:recovery", "tell a"),
        (1, "a:recovery b:recovery c:unreadable-trace", "tell c"),
        (
            2,
            "a:recovery b:recovery c:unreadable-trace p:pressure-high",
            "tell p",
        ),
        (
            5,
            "a:recovery b:recovery c:unreadable-trace p:pressure-high",
            "tell b",
        ),
    ]);
}

#[test]
fn what_is_gathered_goes_when_the_queue_ends() {
    let mut story = Story::new();
    assert_eq!(
        story.ask(0, "a:recovery b:recovery c:recovery", true),
        "tell a, digest b+c #1"
    );
    let mut story = Story::new();
    story.ask(0, "a:recovery", false);
    assert_eq!(story.ask(1, "a:recovery b:recovery", false), "");
    assert_eq!(story.ask(2, "a:recovery b:recovery", true), "tell b");
}

#[test]
fn what_was_mended_before_it_was_told_is_told_all_the_same() {
    night(&[
        (0, "a:recovery b:recovery", "tell a"),
        (2, "a:recovery", ""),
        (5, "a:recovery", "tell b"),
        (6, "a:recovery", ""),
    ]);
}

#[test]
fn twenty_mended_traces_are_not_twenty_letters() {
    let all = "a:recovery b:recovery c:recovery";
    night(&[
        (0, all, "tell a"),
        (5, all, "digest b+c #1"),
        (90, "", "over a #2"),
        (91, "", ""),
    ]);
}

#[test]
fn a_clogging_filter_is_one_story() {
    let rise = "p:pressure-rise";
    night(&[
        (0, rise, "tell p"),
        // What spoils nothing by itself goes under the pressure, gathered.
        (20, "p:pressure-rise a:retention-shift", ""),
        (25, "p:pressure-rise a:retention-shift", "digest a<p #1"),
        // The limit itself is told at once, and says from what it follows.
        (
            40,
            "p:pressure-rise a:retention-shift h:pressure-high",
            "tell h<p",
        ),
        (
            43,
            "p:pressure-rise a:retention-shift h:pressure-high b:retention-shift",
            "",
        ),
        // A letter about what followed tells that the pressure goes on: no reminder an hour after the first.
        (
            60,
            "p:pressure-rise a:retention-shift h:pressure-high b:retention-shift",
            "",
        ),
        (
            85,
            "p:pressure-rise a:retention-shift h:pressure-high b:retention-shift",
            "digest b<p #2",
        ),
        // A standard that fails its bracket is never held up by what went before.
        (90, "p:pressure-rise h:pressure-high s:recovery", "tell s"),
        (
            95,
            "h:pressure-high s:recovery l:late-trace",
            "over p #3, tell l<h",
        ),
    ]);
}

#[test]
fn a_story_is_reminded_in_one_letter_led_by_what_came_last() {
    let all = "p:pressure-rise h:pressure-high d:pressure-low l:late-trace w:waste-full";
    night(&[
        (0, "p:pressure-rise", "tell p"),
        (30, "p:pressure-rise h:pressure-high", "tell h<p"),
        (
            50,
            "p:pressure-rise h:pressure-high d:pressure-low w:waste-full",
            "tell d<p, tell w",
        ),
        (58, all, "tell l<p"),
        (90, all, ""),
        // The waste's hour is over; the story's is not, but it would be in a few minutes more than others wait for.
        (110, all, "remind w #1"),
        (117, all, ""),
        (118, all, "remind l+d+h+p #1"),
        (170, all, "remind w #2"),
        // The rise has no end of its own while the pump stands still; what is over is not reminded.
        (
            171,
            "l:late-trace p:pressure-rise",
            "over h #1, over d #1, over w #3",
        ),
        (178, "l:late-trace p:pressure-rise", "remind l+p #2"),
    ]);
}

#[test]
fn times_are_told_as_in_the_night_that_is_told_of() {
    let minute = SignedDuration::from_mins(1);
    for min in [1, 10, 20, 30, 60, 70, 120, 1440] {
        let told = Settings::new(60.0, 1.0).told_s(minute * min);
        assert_eq!(told, i64::from(min) * 60);
    }
    // A rehearsal that runs a thousand times as fast: 3.6 s are an hour.
    let told = Settings::new(60.0, 0.001).told_s(SignedDuration::from_millis(3600));
    assert_eq!(told, 3600);
}

#[test]
fn a_reminder_does_not_put_another_off() {
    let mut story = night(&[
        (0, "p:pressure-ripple", "tell p"),
        (20, "p:pressure-ripple w:waste-full", "tell w"),
    ]);
    let sent = story.ask(60, "p:pressure-ripple w:waste-full", false);
    assert_eq!((sent.as_str(), story.next), ("remind p #1", Some(at(80))));
}

#[test]
fn conditions_due_together_are_one_reminder() {
    night(&[
        (0, "p:pressure-ripple", "tell p"),
        (3, "p:pressure-ripple w:waste-full", "tell w"),
        (60, "p:pressure-ripple w:waste-full", "remind p+w #1"),
        (119, "p:pressure-ripple w:waste-full", ""),
        (120, "p:pressure-ripple w:waste-full", "remind p+w #2"),
    ]);
}

#[test]
fn what_flickers_is_told_every_few_minutes_at_most() {
    night(&[
        (0, "p:pressure-low", "tell p"),
        (1, "", "over p #1"),
        (2, "p:pressure-low", ""),
        (3, "", ""),
        (4, "p:pressure-low", ""),
        (5, "p:pressure-low", ""),
        (6, "p:pressure-low", "tell p"),
        (20, "", "over p #1"),
        (21, "p:pressure-low", "tell p"),
    ]);
}

#[test]
fn what_came_before_is_no_consequence() {
    night(&[
        (0, "a:retention-shift", "tell a"),
        (10, "a:retention-shift p:pressure-rise", "tell p"),
    ]);
}

#[test]
fn nothing_is_over_while_not_everything_is_known() {
    let mut story = Story::new();
    story.ask(0, "r:run-list", false);
    let now = |complete, min| Now {
        cases: &[],
        complete,
        ended: false,
        at: at(min),
    };
    let settings = Settings::new(60.0, 1.0);
    let early = decide(&story.book, now(false, 10), &settings);
    assert_eq!((early.posts.len(), &early.book), (0, &story.book));
    let late = decide(&story.book, now(true, 10), &settings);
    assert!(matches!(late.posts[0].act, Act::Over { .. }));
}

#[test]
fn a_kill_before_the_records_are_kept_repeats_the_same_key() {
    let mut story = Story::new();
    let cases = [
        story.case("a:recovery", 0),
        story.case("p:pressure-high", 0),
    ];
    let now = Now {
        cases: &cases,
        complete: true,
        ended: false,
        at: at(0),
    };
    let once = decide(&Book::default(), now, &Settings::new(60.0, 1.0));
    let twice = decide(&Book::default(), now, &Settings::new(60.0, 1.0));
    assert_eq!(once.posts, twice.posts);
    assert_eq!(once.posts.len(), 2);
}

#[test]
fn the_book_survives_the_ledger() {
    let mut story = Story::new();
    story.ask(0, "a:recovery b:recovery p:pressure-rise", false);
    let text = serde_json::to_string(&story.book).unwrap();
    assert_eq!(serde_json::from_str::<Book>(&text).unwrap(), story.book);
}

#[test]
fn the_book_forgets_what_is_over() {
    let mut story = Story::new();
    for k in 0..500 {
        let open = if k % 2 == 0 {
            format!("s{k}:unreadable-trace")
        } else {
            String::new()
        };
        story.ask(k * 30, &open, false);
    }
    assert!(story.book.told.len() < 10, "{}", story.book.told.len());
}

#[test]
fn random_nights_tell_every_failure_and_never_flood() {
    // A seeded walk: traces fail and are mended, pressure comes and goes.
    let mut seed = 12_345_u64;
    let mut random = move |n: u64| {
        seed = seed
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) % n
    };
    for _ in 0..40 {
        let mut story = Story::new();
        let mut open: Vec<String> = Vec::new();
        let (mut failed, mut letters, mut told) = (0, 0, BTreeMap::<String, u32>::new());
        for min in 0..300 {
            match random(12) {
                0 => {
                    failed += 1;
                    let check = ["recovery", "air-bubble", "retention-shift"]
                        [usize::try_from(random(3)).unwrap()];
                    open.push(format!("t{failed:03}:{check}"));
                }
                1 if !open.is_empty() => {
                    let gone = random(open.len() as u64);
                    open.remove(usize::try_from(gone).unwrap());
                }
                2 if !open.iter().any(|o| o.starts_with("p:")) => {
                    open.push("p:pressure-low".to_owned())
                }
                _ => {}
            }
            let sent = story.ask(min, &open.join(" "), false);
            for word in sent.split(", ").filter(|w| !w.is_empty()) {
                letters += 1;
                let first = word.split(' ').nth(1).unwrap().split('<').next().unwrap();
                if word.starts_with("tell") || word.starts_with("digest") {
                    for key in first.split('+') {
                        *told.entry(key.to_owned()).or_insert(0) += 1;
                    }
                }
            }
        }
        story.ask(301, &open.join(" "), true);
        let last = story
            .book
            .told
            .iter()
            .filter(|t| t.waits_since.is_some())
            .count();
        assert_eq!(last, 0, "the end of the queue leaves nothing untold");
        let twice: Vec<_> = told
            .iter()
            .filter(|(k, n)| k.starts_with('t') && **n > 1)
            .collect();
        assert!(twice.is_empty(), "{twice:?}");
        assert!(letters <= 120, "{letters}");
    }
}
