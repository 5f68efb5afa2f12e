//! Same bytes in, same numbers out: on any platform, on any number of threads, alone or among others.

use std::fs;
use std::path::Path;

use runsitter::intake::Seen;
use runsitter::intake::scan::look_at;
use runsitter::method::{Method, file};
use runsitter::reading::Evaluation;
use runsitter::rehearsal::{Night, Scenario};
use runsitter::service::evaluate::{Bench, Outcome, evaluate, evaluate_all, hex, work_out};
use runsitter::trace::Settings;

/// One sample of the quiet rehearsal: its bytes and what they evaluate to. The made trace is the same to the bit on
/// every platform, so another hash of the evaluation means that this platform, or this version, counts otherwise. A change
/// that is meant to move numbers or fields says so, and puts the hash that the failing test prints here.
const POSITION: usize = 10;
const TRACE_SHA256: &str = "1df57f1c46454312abfc5c6022e6c68dd3f6c86847fafd0f108431cdfbbfd128";
const EVALUATION_SHA256: &str = "cf35095732891d35b03b95e2f76b3a6e28cccc31b66ac4d38b95b937af354ede";

fn night() -> (Vec<String>, Method) {
    let night = Night::build(Scenario::Calm, 1);
    let texts = night.chromatograms.iter().map(|c| c.text(0.0)).collect();
    let method = file::parse(&night.method_toml(), Path::new("method.toml")).unwrap();
    (texts, method)
}

fn json(evaluation: &Evaluation) -> String {
    serde_json::to_string(evaluation).unwrap()
}

fn of_bytes(text: &str, method: &Method) -> String {
    let settings = Settings::default();
    let bench = Bench {
        settings: &settings,
        method,
    };
    json(&work_out(text.as_bytes(), bench).0)
}

fn taken(outcome: Outcome) -> (Seen, String, Evaluation) {
    match outcome {
        Outcome::Taken(taken) => (taken.seen, taken.sha256, taken.evaluation),
        other => panic!("{other:?}"),
    }
}

#[test]
fn an_evaluation_is_the_same_on_every_platform() {
    let (texts, method) = night();
    let text = &texts[POSITION - 1];
    assert_eq!(
        hex(text.as_bytes()),
        TRACE_SHA256,
        "the simulated trace itself differs"
    );
    let json = of_bytes(text, &method);
    assert_eq!(hex(json.as_bytes()), EVALUATION_SHA256, "{json}");
}

/// Every trace of a night: alone, twice in a row in the same buffer, on eight threads at once, and by the program's own pool.
#[test]
fn an_evaluation_is_the_same_on_any_number_of_threads() {
    let (texts, method) = night();
    let alone: Vec<String> = texts.iter().map(|t| of_bytes(t, &method)).collect();
    let (texts, method, expected) = (&texts, &method, &alone);
    std::thread::scope(|scope| {
        for thread in 0..8 {
            scope.spawn(move || {
                // Each begins elsewhere, so that unlike traces meet.
                for k in 0..texts.len() {
                    let at = (k + 3 * thread) % texts.len();
                    assert_eq!(of_bytes(&texts[at], method), expected[at], "trace {at}");
                }
            });
        }
    });

    let folder = tempfile::tempdir().unwrap();
    let files: Vec<Seen> = texts
        .iter()
        .enumerate()
        .map(|(k, text)| {
            let path = folder.path().join(format!("{k:02}.csv"));
            fs::write(&path, text).unwrap();
            look_at(&path).unwrap()
        })
        .collect();
    let settings = Settings::default();
    let bench = Bench {
        settings: &settings,
        method,
    };
    let mut buffer = Vec::new();
    let one_by_one: Vec<_> = files
        .iter()
        .map(|seen| taken(evaluate(seen.clone(), bench, &mut buffer)))
        .collect();
    let mut pooled = Vec::new();
    evaluate_all(files.clone(), bench, |outcome| pooled.push(taken(outcome)));
    assert_eq!(one_by_one, pooled);
    for (k, (seen, sha256, evaluation)) in pooled.iter().enumerate() {
        assert_eq!(seen, &files[k], "outcomes come in the files' order");
        assert_eq!(sha256, &hex(texts[k].as_bytes()));
        assert_eq!(json(evaluation), alone[k]);
    }
}

/// Writing an evaluation to the ledger and reading it back changes no digit.
#[test]
fn an_evaluation_survives_its_own_text() {
    let (texts, method) = night();
    for text in &texts {
        let first = of_bytes(text, &method);
        let back: Evaluation = serde_json::from_str(&first).unwrap();
        assert_eq!(json(&back), first);
    }
}
