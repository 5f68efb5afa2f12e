//! The HTML of a message: own small writer, everything from outside escaped.
//!
//! Mail programs drop style sheets, scripts and pictures, so each element carries its style. Dark on white, one column,
//! no width that a phone has not.

use std::fmt::Write as _;

use super::page::{Page, Section};
use crate::report::words::cut;
use crate::text::one_line;

const BODY: &str = "margin:0;padding:16px;background:#ffffff;color:#1b1b1b;\
font:16px/1.45 -apple-system,'Segoe UI',Roboto,'Liberation Sans',Arial,sans-serif";
const COLUMN: &str = "max-width:620px;margin:0 auto";
const TITLE: &str = "font-size:20px;line-height:1.3;margin:0 0 6px 0;overflow-wrap:anywhere";
const PLACE: &str = "margin:0 0 14px 0;color:#444444;font-size:15px;overflow-wrap:anywhere";
const HEADING: &str = "font-size:14px;margin:18px 0 4px 0;color:#444444;\
text-transform:uppercase;letter-spacing:0.04em";
const FIRST: &str =
    "border-left:5px solid #b3261e;background:#fdf3f2;padding:8px 12px;margin:0 0 4px 0";
const FIRST_HEADING: &str = "font-size:14px;margin:0 0 4px 0;color:#8c1d18;\
text-transform:uppercase;letter-spacing:0.04em";
const LIST: &str = "margin:0;padding-left:20px";
const ITEM: &str = "margin:0 0 4px 0;overflow-wrap:anywhere";
const TABLE: &str = "border-collapse:collapse;width:100%;margin:6px 0 0 0;font-size:15px";
const NUMBER: &str = "width:1%;text-align:right;vertical-align:top;padding:3px 10px 3px 0;border-top:1px solid #dddddd";
const NAME: &str =
    "vertical-align:top;padding:3px 10px 3px 0;border-top:1px solid #dddddd;overflow-wrap:anywhere";
const STATE: &str = "vertical-align:top;padding:3px 0;border-top:1px solid #dddddd;color:#8c1d18;\
font-weight:bold;text-align:right;white-space:nowrap";
const QUIET: &str = "vertical-align:top;padding:3px 0;border-top:1px solid #dddddd;color:#444444;text-align:right;white-space:nowrap";
const SMALL: &str =
    "margin:22px 0 0 0;padding-top:8px;border-top:1px solid #cccccc;font-size:13px;color:#555555";
const PLAIN: &str =
    "font:13px/1.4 'Liberation Mono',Consolas,monospace;white-space:pre;overflow-x:auto;margin:0";

/// Text as it may stand in an element or a quoted attribute.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            other => out.push(other),
        }
    }
    out
}

/// Escaped, and on one line with what hides made visible.
fn outside(text: &str) -> String {
    escape(&one_line(text))
}

fn open(title: &str) -> String {
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
<meta name=\"color-scheme\" content=\"light\">\n<title>{}</title>\n</head>\n\
<body style=\"{BODY}\">\n<div style=\"{COLUMN}\">\n",
        outside(title)
    )
}

const CLOSE: &str = "</div>\n</body>\n</html>\n";

/// The whole page of a message.
pub(super) fn page(page: &Page, small_print: &str) -> String {
    let mut out = open(&page.subject);
    let _ = writeln!(out, "<h1 style=\"{TITLE}\">{}</h1>", outside(&page.subject));
    let _ = writeln!(out, "<p style=\"{PLACE}\">{}</p>", outside(&page.place));
    for (k, part) in page.sections.iter().enumerate() {
        // What to do first is what the eye must meet first.
        section(&mut out, part, k == 0 && part.title == "do first");
    }
    let _ = writeln!(out, "<p style=\"{SMALL}\">{}</p>", outside(small_print));
    out.push_str(CLOSE);
    out
}

/// Plain text as a page: a text whose columns count (a summary) stays as it is and scrolls sideways where it must.
pub fn of_text(subject: &str, text: &str) -> String {
    let mut out = open(subject);
    let _ = write!(out, "<pre style=\"{PLAIN}\">");
    for line in text.lines() {
        let _ = writeln!(out, "{}", outside(line));
    }
    out.push_str("</pre>\n");
    out.push_str(CLOSE);
    out
}

/// A sentence to put before everything else of a page that [`page`] or [`of_text`] has written.
pub(crate) fn put_first(html: &str, note: &str) -> String {
    let body = format!("<div style=\"{COLUMN}\">\n");
    let paragraph = format!("{body}<p style=\"{ITEM}\"><b>{}</b></p>\n", outside(note));
    html.replacen(&body, &paragraph, 1)
}

fn section(out: &mut String, section: &Section, first: bool) {
    if first {
        let _ = writeln!(out, "<div style=\"{FIRST}\">");
    }
    if !section.title.is_empty() {
        let style = if first { FIRST_HEADING } else { HEADING };
        let _ = writeln!(
            out,
            "<h2 style=\"{style}\">{}</h2>",
            outside(&section.title)
        );
    }
    items(out, section);
    rows(out, section);
    if first {
        out.push_str("</div>\n");
    }
}

fn items(out: &mut String, section: &Section) {
    let line = |label: &str, text: &str| match label {
        "" => outside(text),
        label => format!("<b>{}</b>: {}", outside(label), outside(text)),
    };
    match section.items.as_slice() {
        [] => {}
        [only] => {
            let text = line(&only.label, &only.text);
            let _ = writeln!(out, "<p style=\"{ITEM}\">{text}</p>");
        }
        many => {
            let _ = writeln!(out, "<ul style=\"{LIST}\">");
            for item in many {
                let text = line(&item.label, &item.text);
                let _ = writeln!(out, "<li style=\"{ITEM}\">{text}</li>");
            }
            out.push_str("</ul>\n");
        }
    }
}

fn rows(out: &mut String, section: &Section) {
    let (rows, more) = section.shown();
    if rows.is_empty() {
        return;
    }
    let _ = writeln!(out, "<table style=\"{TABLE}\">");
    for row in rows {
        let state = if row.state == super::body::TO_RERUN {
            STATE
        } else {
            QUIET
        };
        let _ = writeln!(
            out,
            "<tr><td style=\"{NUMBER}\">{}</td><td style=\"{NAME}\">{}</td><td style=\"{state}\">{}</td></tr>",
            row.position,
            escape(&cut(&row.name, 60)),
            outside(&row.state)
        );
    }
    if more > 0 {
        let _ = writeln!(
            out,
            "<tr><td style=\"{NUMBER}\"></td><td style=\"{NAME}\">and {more} more</td><td style=\"{QUIET}\"></td></tr>"
        );
    }
    out.push_str("</table>\n");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_from_outside_stays_text() {
        assert_eq!(
            escape("<b a='x' c=\"y\">&</b>"),
            "&lt;b a=&#39;x&#39; c=&quot;y&quot;&gt;&amp;&lt;/b&gt;"
        );
        let page = of_text(
            "</title><script>",
            "<script>alert(1)</script>\r\nx\u{202e}y",
        );
        assert!(!page.contains("<script"), "{page}");
        assert!(page.contains("&lt;script&gt;alert(1)"), "{page}");
        assert!(
            !page.contains('\u{202e}') && page.contains("x\\u{202e}y"),
            "{page}"
        );
    }

    #[test]
    fn a_note_stands_before_everything() {
        let page = put_first(&of_text("s", "body"), "queued 3 h ago <b>");
        let (note, body) = (page.find("queued 3 h ago &lt;b&gt;"), page.find("<pre"));
        assert!(note.is_some() && note < body, "{page}");
    }
}
