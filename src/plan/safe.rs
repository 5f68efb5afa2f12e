//! File stems that every file system takes.

/// Longest stem, bytes: with the mark of a repeat and an extension every file system takes it.
pub const LONGEST_STEM: usize = 100;

/// Names that some systems keep for devices, with any extension and in any case.
const DEVICES: [&str; 6] = ["con", "prn", "aux", "nul", "conin$", "conout$"];
/// The same with a digit behind.
const NUMBERED_DEVICES: [&str; 2] = ["com", "lpt"];

/// A stem for this text: reserved and hidden characters become `-`, no dot or blank at its ends, not longer than
/// [`LONGEST_STEM`]; a name that means a device gets a `_` before it. `None` where nothing is left.
pub fn stem(text: &str) -> Option<String> {
    let kept = crate::tell::name::safe(text, LONGEST_STEM);
    if kept == "unnamed" && !text.contains("unnamed") {
        return None;
    }
    if is_device(&kept) {
        let mut guarded = format!("_{kept}");
        while guarded.len() > LONGEST_STEM {
            guarded.pop();
        }
        return Some(guarded);
    }
    Some(kept)
}

fn is_device(stem: &str) -> bool {
    let base = stem.split('.').next().unwrap_or_default().trim_end();
    let base = base.to_lowercase();
    let numbered = |device: &str| {
        base.strip_prefix(device).is_some_and(|rest| {
            matches!(rest, "¹" | "²" | "³") || matches!(rest.as_bytes(), [b'0'..=b'9'])
        })
    };
    DEVICES.contains(&base.as_str()) || NUMBERED_DEVICES.iter().any(|d| numbered(d))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reserved_names_and_characters_go() {
        for (text, expected) in [
            ("crock A day 3", "crock A day 3"),
            ("a/b\\c:d*e?f\"g<h>i|j", "a-b-c-d-e-f-g-h-i-j"),
            ("crock.", "crock"),
            (" .crock. ", "crock"),
            ("con", "_con"),
            ("NUL.v2", "_NUL.v2"),
            ("Com1", "_Com1"),
            ("lpt³", "_lpt³"),
            ("com10", "com10"),
            ("control", "control"),
            ("aux .x", "_aux .x"),
            ("ä\u{202e}b", "ä-b"),
            ("unnamed", "unnamed"),
        ] {
            assert_eq!(stem(text).as_deref(), Some(expected), "{text}");
        }
        assert_eq!(stem("..."), None);
        assert_eq!(stem(""), None);
    }

    #[test]
    fn long_stems_are_cut_between_letters() {
        assert_eq!(stem(&"ä".repeat(80)).unwrap().len(), 100);
        assert!(stem(&format!("con.{}", "x".repeat(200))).unwrap().len() <= 100);
    }
}
