use std::path::Path;

use proptest::prelude::*;

use super::super::text;
use super::*;
use crate::runlist::Kind;

fn read(text: &str) -> RunList {
    parse(text.as_bytes(), Path::new("l.csv")).unwrap()
}

fn wrong(text: &str) -> String {
    match parse(text.as_bytes(), Path::new("l.csv")) {
        Ok(_) => "no error".to_owned(),
        Err(e) => e.to_string(),
    }
}

const FULL: &str =
    "position,tray,vial,kind,name,file,volume_ul,dilution,level,series,time_h,replicate\n";

#[test]
fn a_row_is_read_whole() {
    let list = read(&format!(
        "{FULL}2,1,A2,sample,crock 1 a,t2.csv,10,5,,crock 1,0.5,a\n1,1,A1,standard,mid,data/t1.csv,,,mid,,,\n"
    ));
    assert_eq!(list.lines, [3, 2]);
    assert_eq!((list.notes.len(), list.extra.len()), (0, 0));
    let standard = &list.injections[0];
    assert_eq!(
        (standard.position, standard.kind, standard.stem.as_str()),
        (1, Kind::Standard, "t1")
    );
    assert_eq!(
        (
            standard.volume_ul,
            standard.dilution,
            standard.level.as_str(),
            standard.time_h
        ),
        (None, 1.0, "mid", None)
    );
    let sample = &list.injections[1];
    assert_eq!(
        (
            sample.tray.as_str(),
            sample.vial.as_str(),
            sample.name.as_str()
        ),
        ("1", "A2", "crock 1 a")
    );
    assert_eq!(
        (sample.volume_ul, sample.dilution, sample.time_h),
        (Some(10.0), 5.0, Some(0.5))
    );
    assert_eq!(
        (sample.series.as_str(), sample.replicate.as_str()),
        ("crock 1", "a")
    );
}

#[test]
fn names_in_any_case_and_order_and_extra_columns_are_kept() {
    let list = read("FILE , Cook,Kind,POSITION\nt1,Ada,Sample,1\nt2, \"B, C\" , blank ,2\n");
    assert_eq!(list.extra, ["Cook"]);
    assert_eq!(list.injections[0].extra, ["Ada"]);
    assert_eq!(list.injections[0].name, "t1");
    assert_eq!(list.injections[1].kind, Kind::Blank);
}

#[test]
fn what_can_only_be_meant_in_one_way_is_read_with_a_note() {
    let list = read(
        "sep=;\r\nposition;kind;file;time_h;dilution\r\n1;sample;t1;0,5;\r\n\r\n2;sample;t2;1,5;2,5\r\n3;blank;t3\r\n;;;;\r\n;;;;\r\n",
    );
    assert_eq!(list.lines, [3, 5, 6]);
    assert_eq!(list.injections[1].dilution, 2.5);
    assert_eq!(list.injections[1].time_h, Some(1.5));
    let notes = [
        "semicolons stand between the cells",
        "decimal commas are read as decimal points (line 3 and 2 more)",
        "cells that are missing at a row's end are read as empty (line 6)",
        "2 empty rows left out",
    ];
    assert_eq!(list.notes, notes);
    let list = read("kind\tfile\tdilutoin\nsample\tt1\t5\n");
    let notes = [
        "tabs stand between the cells",
        "there is no column position: rows are numbered in their order",
        "column \"dilutoin\" is kept as an extra one; is it meant as dilution?",
    ];
    assert_eq!(list.notes, notes);
    assert_eq!(
        (list.injections[0].position, list.injections[0].dilution),
        (1, 1.0)
    );
    assert_eq!(
        read("position,kind,file\n1.0,sample,t1\n").injections[0].position,
        1
    );
}

#[test]
fn other_encodings_are_read() {
    let text = "kind;file\r\nsample;Rübe\r\n";
    let latin: Vec<u8> = text.chars().map(|c| c as u8).collect();
    let utf16: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
    for (bytes, note) in [(latin, "read as windows-1252"), (utf16, "read as UTF-16LE")] {
        let list = parse(&bytes, Path::new("l.csv")).unwrap();
        assert_eq!(
            (list.injections[0].stem.as_str(), list.notes[0].as_str()),
            ("Rübe", note)
        );
    }
}

#[test]
fn unusable_headers_are_named() {
    let either = "expected the columns kind and file";
    assert_eq!(
        wrong("position,file\n1,t1\n"),
        format!("l.csv:1: found no column kind, {either}")
    );
    assert_eq!(
        wrong("\nposition,kind,files\n1,blank,t1\n"),
        format!("l.csv:2: found no column file, {either}; the nearest is \"files\"")
    );
    assert_eq!(
        wrong("kind,file,Level,level\nblank,t1,,\n"),
        "l.csv:1: found the column \"level\" twice, expected each column once"
    );
    assert_eq!(
        wrong("kind,file,Cook,cook\nblank,t1,,\n"),
        "l.csv:1: found the column \"cook\" twice, expected each column once"
    );
    assert_eq!(
        wrong(""),
        "l.csv: found nothing, expected a header row and one row for each injection"
    );
    assert_eq!(
        wrong(" \r\n\r\n"),
        "l.csv: found nothing, expected a header row and one row for each injection"
    );
    assert_eq!(
        wrong("sep=;\n"),
        "l.csv: found no header, expected a header row and one row for each injection"
    );
    assert_eq!(
        wrong("kind,file\n,\n"),
        "l.csv: found a header alone, expected one row for each injection"
    );
}

#[test]
fn values_that_are_none_are_named() {
    let cell =
        |column: &str, value: &str| wrong(&format!("kind,file,{column}\n\nsample,t1,{value}\n"));
    let whole = "expected a whole number from 1 to 1000000000";
    assert_eq!(
        cell("position", ""),
        format!("l.csv:3: column position: found an empty cell, {whole}")
    );
    for value in [
        "0",
        "-1",
        "1.5",
        "one",
        "nan",
        "1000000001",
        "99999999999999999999",
    ] {
        assert_eq!(
            cell("position", value),
            format!("l.csv:3: column position: found \"{value}\", {whole}")
        );
    }
    for value in ["0", "-2", "two", "nan", "inf", "1e400", "\"2,5\""] {
        let shown = value.trim_matches('"');
        assert_eq!(
            cell("dilution", value),
            format!(
                "l.csv:3: column dilution: found \"{shown}\", expected a number above 0 and at most 1000000000"
            )
        );
    }
    assert_eq!(
        cell("volume_ul", "0"),
        "l.csv:3: column volume_ul: found \"0\", expected a number above 0 and at most 1000000 µL"
    );
    assert_eq!(
        cell("time_h", "noon"),
        "l.csv:3: column time_h: found \"noon\", expected a number from -1000000 to 1000000 h"
    );
    assert_eq!(
        cell("name", "\"a\n4,,,sample,b,c,,,,,,,\""),
        "l.csv:3: column name: found \"a\\u{a}4,,,sample,b,c,,,,,,,\", expected a cell on one line (is a quotation mark missing?)"
    );
    let long = "x".repeat(1001);
    assert_eq!(
        cell("name", &long),
        format!(
            "l.csv:3: column name: found \"{}…\", expected at most 1000 bytes",
            "x".repeat(60)
        )
    );
    let kinds = "expected blank, standard, calibrator, sample or conditioning";
    assert_eq!(
        wrong("kind,file\nsampel,t1\n"),
        format!("l.csv:2: column kind: found \"sampel\", {kinds}; the nearest is sample")
    );
    assert_eq!(
        wrong("kind,file\nunknowable thing,t1\n"),
        format!("l.csv:2: column kind: found \"unknowable thing\", {kinds}")
    );
    assert_eq!(
        wrong("kind,file\n,t1\n"),
        format!("l.csv:2: column kind: found an empty cell, {kinds}")
    );
    assert_eq!(
        wrong("kind,file\nblank,\n"),
        "l.csv:2: column file: found an empty cell, expected the name of a trace's file"
    );
    assert_eq!(
        wrong("kind,file\nblank,data/\n"),
        "l.csv:2: column file: found \"data/\", expected the name of a trace's file"
    );
}

#[test]
fn rows_that_do_not_fit_are_named() {
    assert_eq!(
        wrong("position,kind,file\n3,blank,t1\n\n4,blank,t2\n3,blank,t3\n"),
        "l.csv:5: column position: found 3 again after line 2, expected each position once"
    );
    assert_eq!(
        wrong("kind,file\nblank,a/t1.csv\nblank,b\\t1.txt\n"),
        "l.csv:3: column file: found \"t1\" again after line 2, expected each file once"
    );
    assert_eq!(wrong("kind,file\nblank,t1\nblank,T1\n"), "no error");
    assert_eq!(
        wrong("kind,file\nblank,t1,,x\n"),
        "l.csv:2: found 4 cells with \"x\" in cell 4, expected 2 cells as in the header"
    );
    assert_eq!(wrong("kind,file\nblank,t1,,\n"), "no error");
    assert_eq!(
        wrong("kind,file,\nblank,t1,x\n"),
        "l.csv:2: column 3: found \"x\", expected a name for this column in the header"
    );
    assert_eq!(
        wrong("kind,file,cook\nblank,t1,\"Ada\nblank,t2,Bo\n"),
        "l.csv:2: found a quotation mark that is never closed, expected its partner"
    );
    assert_eq!(
        wrong("kind,file\nblank,t\u{0}1\n"),
        "l.csv:2: found a zero byte, expected text"
    );
}

#[test]
fn a_list_has_an_end() {
    let mut text = "kind,file\n".to_owned();
    for i in 0..=MAX_ROWS {
        text.push_str(&format!("blank,t{i}\n"));
    }
    assert_eq!(
        wrong(&text),
        "l.csv:100002: found more than 100000 rows, expected at most so many"
    );
    let bytes = vec![b' '; text::MAX_BYTES + 1];
    assert_eq!(
        parse(&bytes, Path::new("l.csv")).unwrap_err().to_string(),
        "l.csv: found more than 64 MB, expected at most so much"
    );
}

#[test]
fn what_is_no_text_is_named() {
    let message = |bytes: &[u8]| parse(bytes, Path::new("l.csv")).unwrap_err().to_string();
    let own = "l.csv: found a spreadsheet program's own format, expected it saved as CSV";
    assert_eq!(message(b"PK\x03\x04rest"), own);
    assert_eq!(message(b"\xd0\xcf\x11\xe0rest"), own);
    assert_eq!(
        message(b"\xff\xfek\x00\x00\xd8i\x00"),
        "l.csv: found bytes that are no UTF-16LE, expected text"
    );
}

#[test]
fn levels_are_held_against_the_method() {
    let method = "name = \"a\"\n[conditions]\nrun_time_min = 22\n[[analyte]]\nname = \"lactic acid\"\nretention_min = 12.9\nwindow_min = 0.4\nunit = \"mmol/L\"\n[[level]]\nname = \"mid\"\nnominal = { \"lactic acid\" = 5 }\n";
    let method = crate::method::file::parse(method, Path::new("m.toml")).unwrap();
    let path = Path::new("l.csv");
    let list = read(
        "kind,file,level\nstandard,t1,mdi\ncalibrator,t2,\nsample,t3,high\nstandard,t4,mid\nstandard,t5,stock solution\n",
    );
    let errors: Vec<String> = list
        .check_levels(&method, path)
        .iter()
        .map(ToString::to_string)
        .collect();
    let expected = [
        "l.csv:2: column level: found \"mdi\", expected a level of the method; the nearest is \"mid\"",
        "l.csv:3: column level: found an empty cell, expected a level of the method: \"mid\"",
        "l.csv:6: column level: found \"stock solution\", expected a level of the method: \"mid\"",
    ];
    assert_eq!(errors, expected);
    let none = crate::method::Method {
        levels: Vec::new(),
        ..method
    };
    let first = list
        .check_levels(&none, path)
        .first()
        .map(ToString::to_string);
    assert_eq!(
        first.as_deref(),
        Some("l.csv:2: column level: found \"mdi\", expected a level, and the method has none")
    );
}

#[test]
fn what_is_written_is_guarded_and_quoted() {
    let list = read(
        "position,kind,file,name,series,=cook\n7,sample,week.1.csv,'=1+1,\"a,\"\"b\"\"\",@Ada\n",
    );
    assert_eq!(list.injections[0].name, "=1+1");
    let expected = format!(
        "{},'=cook\n7,,,sample,'=1+1,week.1,,1,,\"a,\"\"b\"\"\",,,'@Ada\n",
        FULL.trim()
    );
    assert_eq!(write(&list), expected);
    assert_eq!(
        RunList {
            lines: Vec::new(),
            ..read(&expected)
        },
        RunList {
            lines: Vec::new(),
            ..list
        }
    );
}

/// Found by fuzzing: the semicolons of a column's name outnumbered the commas, and the written list could not be read.
#[test]
fn signs_in_a_column_name_are_taken_for_no_delimiter() {
    for sign in [";", "\t"] {
        let list = RunList {
            extra: vec![format!("a{}b", sign.repeat(30)), "c;d".to_owned()],
            ..read("kind,file,c\nsample,t1,x\n")
        };
        let text = write(&list);
        let back = parse(text.as_bytes(), Path::new("l.csv")).unwrap();
        assert_eq!(back.injections.len(), 1, "{text}");
        assert_eq!(back.extra[1], "c;d");
    }
}

fn word() -> impl Strategy<Value = String> {
    "[=+@'a-zé,\";. -]{0,8}".prop_map(|s| s.trim_start_matches(['\'', ' ']).trim().to_owned())
}

fn injection(position: u64) -> impl Strategy<Value = Injection> {
    let numbers = (
        proptest::option::of(0.001..1e4),
        0.001..1e4,
        proptest::option::of(-1e3..1e3),
    );
    (word(), word(), 0..5_usize, word(), numbers, word(), word()).prop_map(
        move |(tray, name, kind, level, (volume_ul, dilution, time_h), series, extra)| {
            let stem = format!("t{position}.{}", tray.replace('.', ""));
            Injection {
                position,
                vial: tray.clone(),
                tray,
                kind: Kind::ALL[kind],
                name: if name.is_empty() {
                    stem.trim().to_owned()
                } else {
                    name
                },
                stem: stem.trim().to_owned(),
                volume_ul,
                dilution,
                level,
                replicate: series.clone(),
                series,
                time_h,
                extra: vec![extra],
            }
        },
    )
}

proptest! {
    #[test]
    fn what_was_written_is_read_back(a in injection(3), b in injection(12)) {
        let list = RunList { injections: vec![a, b], extra: vec!["cook".to_owned()], ..RunList::default() };
        let text = write(&list);
        let back = parse(text.as_bytes(), Path::new("l.csv")).map_err(|e| TestCaseError::fail(format!("{e}\n{text}")))?;
        prop_assert_eq!(back.injections, list.injections);
        prop_assert_eq!(back.notes, Vec::<String>::new());
    }

    #[test]
    fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        let _ = parse(&bytes, Path::new("l.csv"));
    }

    #[test]
    fn no_text_makes_it_panic(body in "[a-c0-9,;\t\"'\r\n =]{0,120}") {
        let _ = parse(format!("kind,file,position,dilution\n{body}").as_bytes(), Path::new("l.csv"));
    }
}
