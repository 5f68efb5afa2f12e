//! Whatever a run list holds as text, no output breaks.

use proptest::prelude::*;

use super::{alerts, rerun, sheet, summary, time_course};
use crate::night::fixture::{Night, mid, trace, zone};

fn fields(text: &str, expected: usize) -> Result<(), TestCaseError> {
    let mut reader = csv::ReaderBuilder::new()
        .flexible(true)
        .from_reader(text.as_bytes());
    for record in reader.records() {
        let record = record.map_err(|e| TestCaseError::fail(e.to_string()))?;
        prop_assert_eq!(record.len(), expected, "{:?}", record);
    }
    Ok(())
}

/// Text as it comes from outside, with the worst of it often.
fn text() -> impl Strategy<Value = String> {
    prop_oneof![
        ".{0,40}",
        "[\\x00-\\x1f]{1,5}",
        "[=+@\\-\t\r\n\",;'/\\\\:\u{202e}\u{200b} a-c]{0,20}",
        "<[!/a-z]{1,8}[ =>\"'&]{0,3}[a-z<]{0,6}>?",
        "x{200}"
    ]
}

/// No element but those that the program writes itself: text from outside never becomes one.
fn own_elements_only(page: &str) -> bool {
    const OWN: [&str; 17] = [
        "!DOCTYPE", "html", "head", "meta", "title", "body", "div", "h1", "h2", "p", "b", "ul",
        "li", "table", "tr", "td", "pre",
    ];
    let fine = |c: char| c == '\n' || !c.is_control();
    page.chars().all(fine)
        && page.split('<').skip(1).all(|part| {
            let name = part.trim_start_matches('/');
            let end = name.find(|c: char| !c.is_ascii_alphanumeric() && c != '!');
            OWN.contains(&end.map_or(name, |e| &name[..e]))
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn no_text_breaks_an_output(name in text(), series in text(), stem in text(), tray in text(), replicate in text(), extra in text()) {
        let mut night = Night::new("bPssP");
        night.plan(3, |p| {
            (p.name, p.series, p.stem, p.tray, p.replicate) = (name.clone(), series.clone(), format!("3{stem}"), tray.clone(), replicate.clone());
            (p.time_h, p.extra) = (Some(24.0), vec![extra.clone()]);
        });
        night.plan(5, |p| p.name = name.clone());
        night.good(1).good(2).good(4).land(3, trace(&[Some(40.0), None])).land(5, mid(&[0.5, 0.5])).end();
        night.judged();
        let raised = night.changes.alerts.clone();
        let queue = night.queue();
        fields(&sheet::whole(queue, &zone()), 27)?;
        fields(&time_course::csv(queue), 10)?;
        fields(&time_course::replicates::csv(queue), 12)?;
        fields(&alerts::csv(queue.alerts(), &zone()), 13)?;
        let list = rerun::csv(queue, &["remark".to_owned()]);
        fields(&list, 14)?;
        let read = crate::runlist::file::parse(list.as_bytes(), std::path::Path::new("rerun.csv"));
        prop_assert!(read.is_ok(), "{:?}\n{}", read.err().map(|e| e.to_string()), list);
        let summary = summary::text(queue, &zone());
        for message in crate::tell::messages(queue, &raised, &zone()) {
            prop_assert!(message.file_name.len() <= 120 && message.subject.chars().count() <= 70);
            prop_assert!(message.body.chars().all(|c| c == '\n' || !c.is_control()));
            prop_assert!(own_elements_only(&message.html), "{}", message.html);
        }
        prop_assert!(summary.chars().all(|c| c == '\n' || !c.is_control()));
        let turned = summary.contains('\u{202e}');
        prop_assert!(!turned);
    }
}
