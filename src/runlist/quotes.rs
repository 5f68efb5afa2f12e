//! Blanks around quoted cells, as people and some programs write them: `1, "crock 1, left" ,x`. By the letter of
//! RFC 4180 such a quotation mark is text; here it is taken as meant.

/// Where the reading of a line stands.
#[derive(Clone, Copy, PartialEq)]
enum State {
    /// Nothing but blanks yet.
    Start,
    /// In a cell without quotation marks, or behind the closing one.
    Plain,
    /// Between quotation marks.
    Quoted,
    /// Just behind a quotation mark that may be the closing one.
    Closing,
}

/// The text without blanks between a delimiter and a quotation mark. Line ends stay where they are.
///
/// # Errors
/// The line, from 1, of a quotation mark that is never closed: it would swallow every row after it.
pub(super) fn unpad(text: &str, delimiter: char) -> Result<String, u64> {
    let mut out = String::with_capacity(text.len());
    let mut blanks = String::new();
    let (mut state, mut line, mut opened) = (State::Start, 1_u64, 1_u64);
    for c in text.chars() {
        let blank = c != delimiter && matches!(c, ' ' | '\t' | '\u{a0}');
        let quoted =
            state == State::Quoted || (state == State::Closing && c == '"' && blanks.is_empty());
        if quoted {
            state = if c == '"' && state == State::Quoted {
                State::Closing
            } else {
                State::Quoted
            };
        } else if c == '\n' || c == delimiter {
            state = State::Start;
            blanks.clear();
        } else if state == State::Start && c == '"' {
            (state, opened) = (State::Quoted, line);
            blanks.clear();
        } else if blank && state != State::Plain {
            // Whether they count is known at what follows.
            blanks.push(c);
            continue;
        } else {
            state = State::Plain;
        }
        line += u64::from(c == '\n');
        out.push_str(&blanks);
        blanks.clear();
        out.push(c);
    }
    if state == State::Quoted {
        Err(opened)
    } else {
        Ok(out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blanks_around_quotation_marks_go_and_all_others_stay() {
        for (written, meant) in [
            ("a, \"b, c\" ,d\n \"e\"", "a,\"b, c\",d\n\"e\""),
            ("\"a \"\" , b\" \nx", "\"a \"\" , b\"\nx"),
            ("a 6\" b , c\n", "a 6\" b , c\n"),
            ("\"a\" b, c", "\"a\" b, c"),
            ("\"a\" \"b", "\"a\" \"b"),
            ("\"\",  x", "\"\",  x"),
            ("a,\u{a0}\t\"b\nc\"", "a,\"b\nc\""),
        ] {
            assert_eq!(unpad(written, ',').as_deref(), Ok(meant), "{written}");
        }
        assert_eq!(
            unpad("a\t\"b\"\t\"c\"", '\t').as_deref(),
            Ok("a\t\"b\"\t\"c\"")
        );
    }

    #[test]
    fn a_mark_without_partner_is_found() {
        assert_eq!(unpad("a,b\nc, \"d\ne,f\n", ','), Err(2));
        assert_eq!(unpad("a,\"b\"\"\n", ','), Err(1));
    }
}
