//! The letters of a night with kills, as a webhook took them.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;

use crate::drifting;
use crate::hook::{Hook, Mood, Posted};
use crate::lab::Lab;

/// Kind and key of a letter.
pub type Told = BTreeSet<(String, String)>;

/// A web server that takes every letter.
pub fn hook() -> Hook {
    Hook::new(Mood::Status(200))
}

/// A laboratory that posts its letters there.
pub fn posting_to(lab: Lab, hook: &Hook) -> Lab {
    use std::os::unix::fs::PermissionsExt as _;
    let lab = lab.section(&format!(
        "[alert.webhook]\nurl = \"{}\"\nsecret_file = \"secret\"\n",
        hook.url()
    ));
    let path = lab.write("secret", "a secret of some length\n");
    fs::set_permissions(path, fs::Permissions::from_mode(0o600)).unwrap();
    lab
}

/// What was told, apart from what is told of the kills themselves.
pub fn told(hook: &Hook) -> Told {
    let all = hook.accepted();
    all.iter()
        .map(|p| (p.text("kind"), p.text("key")))
        .filter(|(kind, _)| kind != "unwatched")
        .collect()
}

/// What an undisturbed daemon tells of the night.
pub fn of_an_undisturbed_night(lab: Lab) -> Told {
    let hook = hook();
    let lab = posting_to(lab, &hook);
    lab.list("crocks", &drifting::rows());
    let mut daemon = lab.watch();
    for position in 1..=super::INJECTIONS {
        drifting::export(&lab, position);
    }
    daemon.wait_until("the summary is sent", || {
        told(&hook).iter().any(|(kind, _)| kind == "queue-ended")
    });
    daemon.stop();
    let told = told(&hook);
    assert!(told.iter().any(|(kind, _)| kind == "alert"), "{told:?}");
    assert_eq!(hook.accepted().len(), told.len(), "each of them once");
    told
}

/// A letter that came again is the same letter, but for when it was sent.
pub fn repeats_are_the_same(hook: &Hook) -> usize {
    let mut first: BTreeMap<(String, String), serde_json::Value> = BTreeMap::new();
    let mut again = 0;
    for posted in hook.accepted() {
        let letter = without_sending(&posted);
        match first.get(&(posted.text("key"), posted.text("repeat"))) {
            Some(before) => {
                assert_eq!(*before, letter, "one key, two letters");
                again += 1;
            }
            None => {
                first.insert((posted.text("key"), posted.text("repeat")), letter);
            }
        }
    }
    again
}

fn without_sending(posted: &Posted) -> serde_json::Value {
    let mut letter: serde_json::Value = serde_json::from_str(&posted.body).unwrap();
    let fields = letter.as_object_mut().unwrap();
    fields.remove("sent_at");
    fields.remove("age_s");
    // A letter that waited says so at its head.
    if let Some(serde_json::Value::String(text)) = fields.get_mut("text") {
        let from = text.find("\n").unwrap_or(0);
        *text = text.split_off(from);
    }
    letter
}
