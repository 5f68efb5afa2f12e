//! Names of files that every file system takes.

/// Text as part of a file name: at most so many bytes, no path, no reserved or hidden character, no leading or trailing
/// dot or blank; `unnamed` where nothing is left. One run of reserved characters may become several `-`.
pub fn safe(text: &str, longest_bytes: usize) -> String {
    let mut out = String::new();
    for c in text.chars() {
        let c = if is_reserved(c) { '-' } else { c };
        if out.len() + c.len_utf8() > longest_bytes {
            break;
        }
        out.push(c);
    }
    let kept = out.trim_matches(|c: char| c == '.' || c == '-' || c.is_whitespace());
    if kept.is_empty() {
        "unnamed".to_owned()
    } else {
        kept.to_owned()
    }
}

/// The same, told apart from every other text: what had to be changed gets a short checksum of the original.
pub fn distinct(text: &str, longest_bytes: usize) -> String {
    let kept = safe(text, longest_bytes);
    if kept == text {
        return kept;
    }
    let kept = safe(text, longest_bytes.saturating_sub(9));
    format!("{kept}-{:08x}", checksum(text))
}

/// FNV-1a, 32 bits (offset basis and prime from memory): short, and the same on every machine.
pub(crate) fn checksum(text: &str) -> u32 {
    text.bytes().fold(0x811c_9dc5, |h, b| {
        (h ^ u32::from(b)).wrapping_mul(0x0100_0193)
    })
}

fn is_reserved(c: char) -> bool {
    c.is_control()
        || crate::text::is_hidden(c)
        || matches!(
            c,
            '/' | '\\' | ':' | '*' | '?' | '"' | '<' | '>' | '|' | '\'' | '%'
        )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_leaves_the_folder() {
        assert_eq!(safe("../../etc/passwd", 120), "etc-passwd");
        assert_eq!(safe("..\\C:evil*?", 120), "C-evil");
        assert_eq!(safe("a\r\nb\u{202e}c", 120), "a--b-c");
        assert_eq!(safe("...", 120), "unnamed");
        assert_eq!(safe("", 120), "unnamed");
        assert_eq!(safe("crock 3, Tag 2 (ä)", 120), "crock 3, Tag 2 (ä)");
    }

    #[test]
    fn what_was_changed_stays_distinct() {
        assert_eq!(distinct("crocks", 32), "crocks");
        let (a, b) = (distinct("a/b", 32), distinct("a:b", 32));
        assert!(a != b && a.starts_with("a-b-"), "{a} {b}");
        assert!(distinct(&"x".repeat(300), 40).len() <= 40);
        // Published check value of FNV-1a, 32 bits, from memory: "a" gives e40c292c.
        assert_eq!(checksum("a"), 0xe40c_292c);
    }

    #[test]
    fn a_cut_never_splits_a_letter() {
        assert_eq!(safe("ääää", 5), "ää");
    }
}
