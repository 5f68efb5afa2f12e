//! The corpus of the fuzz targets, fed through the same code without the fuzzer.

use std::path::{Path, PathBuf};

#[path = "../fuzz/src/bodies.rs"]
mod bodies;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus")
}

/// Names of a folder's entries, in order.
fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    let mut names: Vec<String> = entries
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

#[test]
fn every_corpus_has_a_target_and_every_target_a_corpus() {
    let mut targets: Vec<&str> = bodies::ALL.iter().map(|(name, _)| *name).collect();
    targets.sort_unstable();
    assert_eq!(names(&folder()), targets);
    let programs = names(&folder().join("../targets"));
    let expected: Vec<String> = targets.iter().map(|t| format!("{t}.rs")).collect();
    assert_eq!(programs, expected);
}

#[test]
fn the_corpus_breaks_no_promise() {
    for (target, body) in bodies::ALL {
        let folder = folder().join(target);
        let files = names(&folder);
        assert!(!files.is_empty(), "{target} has no corpus");
        for name in files {
            // Shown where what follows panics.
            println!("{target}/{name}");
            body(&std::fs::read(folder.join(&name)).unwrap());
        }
    }
}

#[test]
fn a_torn_or_flipped_corpus_breaks_none_either() {
    for (target, body) in bodies::ALL {
        let folder = folder().join(target);
        for name in names(&folder).iter().take(12) {
            let bytes = std::fs::read(folder.join(name)).unwrap();
            for part in 1..8 {
                let at = bytes.len() * part / 8;
                println!("{target}/{name} at {at}");
                body(&bytes[..at]);
                let mut flipped = bytes.clone();
                if let Some(byte) = flipped.get_mut(at) {
                    *byte ^= 1 << part;
                    body(&flipped);
                }
            }
        }
    }
}
