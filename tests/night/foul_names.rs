//! Names that break spreadsheets, terminals, pages, mail and paths, from files and from run lists.

use std::path::Path;

use crate::chromatogram::both;
use crate::lab::Lab;
use crate::mailbox::Mailbox;

/// Stems of files; none holds what no file name can hold.
fn stems() -> Vec<String> {
    let mut stems = vec!["b".repeat(251), "ä".repeat(125)];
    stems.extend(
        [
            "=1+1",
            "+1",
            "-1+cmd|' '!A1",
            "@SUM(A1)",
            "\t=1",
            "\r=2",
            "a\nb",
            "a\r\nBcc: eve@evil.example\r\n\r\nhello",
            "a\n.\nMAIL FROM:<eve@evil.example>",
            "\"quoted\"",
            "'",
            "a;b,c|d",
            "\u{202e}fdp.exe",
            "\u{2066}\u{200f}\u{feff}\u{200b}",
            "\u{1b}[31mred\u{7}\u{8}\u{7f}",
            "\u{85}\u{2028}\u{2029}",
            "..",
            "...",
            "..\\..\\up",
            "%2e%2e%2fup",
            "<img src=x onerror=alert(1)>",
            "<!--",
            "&lt;b&gt;",
            "=?utf-8?q?=0d=0aBcc:_eve@evil.example?=",
            "CON",
            "-rf",
            "$(touch hurt)",
            " ",
        ]
        .map(str::to_owned),
    );
    stems
}

/// Characters that a person cannot see and that turn or hide what stands beside them.
fn hides(c: char) -> bool {
    (c.is_control() && c != '\n')
        || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{2028}' | '\u{2029}')
}

/// Everything that was written can be shown as it is.
fn all_is_plain(lab: &Lab) {
    let results = lab.files("results");
    assert!(!results.is_empty());
    for (path, (bytes, _)) in &results {
        let name = path.to_str().unwrap();
        assert!(!name.contains(|c| hides(c) || c == '\n'), "{name:?}");
        let text = std::str::from_utf8(bytes).unwrap();
        if name.ends_with(".csv") {
            cells_are_plain(name, text);
        } else {
            assert!(!text.contains(hides), "{name:?}: {text:?}");
        }
        if name.ends_with(".html") {
            assert!(!text.contains("<img") && !text.contains("<!--"), "{name:?}");
        }
    }
    // Nothing came to be beside what the laboratory itself has.
    let mut there: Vec<String> = std::fs::read_dir(lab.root())
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    there.retain(|n| n != "watch.log" && n != "password" && n != "outside");
    there.sort();
    assert_eq!(
        there,
        [
            "areas.csv",
            "calibration.svg",
            "calibration.toml",
            "exports",
            "method.toml",
            "results",
            "runsitter.toml",
            "state"
        ]
        .into_iter()
        .filter(|n| *n != "calibration.svg" || lab.root().join(n).exists())
        .collect::<Vec<_>>()
    );
}

/// A spreadsheet takes no cell for a formula, and every row has the header's width. Otherwise a name is kept as it is.
fn cells_are_plain(name: &str, text: &str) {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    for record in reader.records() {
        for cell in &record.unwrap() {
            let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r', '\n']);
            assert!(
                !formula || cell.parse::<f64>().is_ok(),
                "{name:?}: {cell:?}"
            );
        }
    }
}

#[test]
fn names_of_good_traces_stay_text() {
    let lab = Lab::new();
    let stems = stems();
    for stem in &stems {
        lab.export_as(&format!("exports/{stem}.csv"), &both(3.0).text(stem));
    }
    lab.process().ends(0);
    let sheet = lab.sheet("unlisted-2026-09-21");
    assert_eq!(sheet.rows.len(), 2 * stems.len());
    all_is_plain(&lab);
    let first = lab.files("results");
    lab.process().ends(0);
    assert!(
        first == lab.files("results"),
        "a second run changed something"
    );
}

#[test]
fn names_of_files_that_are_no_traces_stay_text_in_alerts_and_mail() {
    use std::os::unix::fs::PermissionsExt as _;
    let mailbox = Mailbox::new();
    let lab = Lab::new().section(&mailbox.section("password"));
    let password = lab.write("password", "bitter herbs 4711\n");
    std::fs::set_permissions(password, std::fs::Permissions::from_mode(0o600)).unwrap();
    let stems = stems();
    for (k, stem) in stems.iter().enumerate() {
        lab.export_as(&format!("exports/{stem}.csv"), &format!("no trace {k}\n"));
    }
    let mut daemon = lab.watch();
    daemon.wait_until("every file is told", || lab.messages().len() >= stems.len());
    // Many failures of one cause are one message and, minutes later, a digest.
    daemon.wait_until("the first is mailed", || !mailbox.messages().is_empty());
    daemon.stop();
    all_is_plain(&lab);
    for raw in mailbox.messages() {
        mail_is_plain(&raw);
    }
    assert!(
        !mailbox.commands().iter().any(|c| c.contains("eve@")),
        "{:?}",
        mailbox.commands()
    );
}

/// One message: its own headers alone, each on one line, to its own recipient alone.
fn mail_is_plain(raw: &str) {
    const OWN: [&str; 18] = [
        "from",
        "to",
        "subject",
        "date",
        "message-id",
        "in-reply-to",
        "references",
        "mime-version",
        "content-type",
        "content-transfer-encoding",
        "auto-submitted",
        "x-auto-response-suppress",
        "precedence",
        "x-priority",
        "importance",
        "priority",
        "sender",
        "reply-to",
    ];
    let head = raw.split("\r\n\r\n").next().unwrap();
    for line in head.split("\r\n").filter(|l| !l.starts_with([' ', '\t'])) {
        let (name, _) = line.split_once(':').unwrap_or_else(|| panic!("{head}"));
        assert!(OWN.contains(&name.to_lowercase().as_str()), "{line:?}");
    }
    assert!(head.is_ascii(), "{head}");
    let message = mail_parser::MessageParser::default()
        .parse(raw.as_bytes())
        .unwrap();
    let subject = message.subject().unwrap();
    assert!(!subject.contains(|c| hides(c) || c == '\n'), "{subject:?}");
    assert!(message.bcc().is_none() && message.cc().is_none());
    let html = message.body_html(0).unwrap();
    assert!(
        !html.contains("<img") && !html.contains("<!--") && !html.contains("<b&gt;"),
        "{html}"
    );
    assert!(
        !html.contains(hides) || html.replace('\r', "").chars().all(|c| !hides(c)),
        "{html}"
    );
    let text = message.body_text(0).unwrap().replace('\r', "");
    assert!(!text.contains(hides), "{text:?}");
}

/// A run list with these names; every second trace is none, and every third file is given with a path that leads out.
fn listed(lab: &Lab, names: &[String]) {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer
        .write_record([
            "position",
            "kind",
            "name",
            "file",
            "level",
            "series",
            "time_h",
            "replicate",
            "=remark",
        ])
        .unwrap();
    let mut row = |position: usize, kind: &str, name: &str, level: &str| {
        let file = match position % 3 {
            0 => format!("../../outside/crocks-{position:02}.csv"),
            1 => format!("crocks-{position:02}"),
            _ => format!("C:\\data\\..\\crocks-{position:02}.csv"),
        };
        let position = position.to_string();
        writer
            .write_record([&position, kind, name, &file, level, name, "0", "1", name])
            .unwrap();
    };
    row(1, "standard", "=standard", "mid");
    for (k, name) in names.iter().enumerate() {
        row(k + 2, "sample", name, "");
    }
    row(names.len() + 2, "standard", "@standard", "mid");
    lab.raw_list(
        "crocks",
        &String::from_utf8(writer.into_inner().unwrap()).unwrap(),
    );
}

#[test]
fn names_of_a_run_list_stay_text_and_its_paths_lead_nowhere() {
    let lab = Lab::new();
    // Short enough for a cell, and without the breaks that a run list refuses.
    let names: Vec<String> = stems()
        .into_iter()
        .filter(|n| !n.contains(['\n', '\r']))
        .collect();
    listed(&lab, &names);
    let last = names.len() + 2;
    for position in 1..=last {
        let stem = format!("crocks-{position:02}");
        // What a path of the list leads to lies there, and is not opened.
        lab.write(&format!("outside/{stem}.csv"), &both(9.0).text("outside"));
        match position {
            6 => {}
            p if p % 2 == 1 || p == last => drop(lab.export(&stem, &both(5.0))),
            _ => drop(lab.export_as(
                &format!("exports/{stem}.csv"),
                &format!("no trace {position}\n"),
            )),
        }
    }
    lab.process().ends(1);
    let sheet = lab.sheet("crocks");
    assert_eq!(sheet.verdict(6), "rerun missing-trace");
    assert_eq!(sheet.verdict(3), "accepted");
    sheet.row(3, "lactic acid").close("concentration", 5.0, 2.0);
    all_is_plain(&lab);
    // The rerun list is a run list for this program, too.
    let rerun = std::fs::read(lab.results("crocks").join("rerun.csv")).unwrap();
    let list = runsitter::runlist::file::parse(&rerun, Path::new("rerun.csv")).unwrap();
    assert!(!list.injections.is_empty());
}

#[test]
fn a_run_list_with_a_foul_name_is_one_queue_in_its_place() {
    for queue in [
        "..",
        "=1+1",
        "a\nb",
        "<img src=x>",
        "\u{202e}x",
        &"q".repeat(240),
        "-rf",
        "CON",
    ] {
        let lab = Lab::new();
        lab.raw_list(queue, "kind,file\nsample,crocks-01\n");
        lab.export("crocks-01", &both(3.0));
        lab.process().ends(0);
        assert!(lab.all_names().len() == 1, "{queue:?}");
        all_is_plain(&lab);
    }
}
