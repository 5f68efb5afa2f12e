//! `check --ledger`: the chain of records, from its beginning.

use super::super::{End, Failed};
use super::Findings;
use crate::config::Config;
use crate::ledger::audit;
use crate::text::count;

/// Walks the chain and says where it breaks.
pub(super) fn walk(
    config: &Config,
    record: Option<&str>,
    findings: &mut Findings,
) -> Result<(), Failed> {
    let expected = record.map(parse).transpose()?;
    let asked = expected.as_ref().map(|(n, link)| (*n, link.as_str()));
    let audit = match audit(&config.state_dir, asked) {
        Ok(Some(audit)) => audit,
        Ok(None) => {
            findings.note("nothing has landed yet: there is no ledger");
            return Ok(());
        }
        Err(error) => {
            findings.wrong(End::InputOutput, &error.to_string());
            return Ok(());
        }
    };
    for what in &audit.breaks {
        findings.wrong(End::InputOutput, what);
    }
    if audit.broken > audit.breaks.len() {
        let more = audit.broken - audit.breaks.len();
        findings.wrong(
            End::InputOutput,
            &format!("and {} more", count(more, "break")),
        );
    }
    let records = count(usize::try_from(audit.records).unwrap_or(0), "record");
    match &audit.head {
        None => findings.note("the chain has no record yet"),
        Some(head) if audit.broken == 0 => findings.fine(&format!(
            "{records}, each follows from the one before: {}:{head}",
            audit.records
        )),
        Some(head) => findings.note(&format!("{records}, the last is {}:{head}", audit.records)),
    }
    if audit.taken_over > 0 {
        findings.note(&format!(
            "an older ledger was taken over at record {}: for what lies before, the chain vouches from then on",
            audit.taken_over
        ));
    }
    if let (Some(holds), Some((number, link))) = (audit.holds, expected) {
        if holds {
            findings.fine(&format!("record {number} is {link}.., as the summary says"));
        } else {
            findings.wrong(
                End::InputOutput,
                &format!("record {number} is not {link}..: since that summary was written the ledger was made anew or cut off"),
            );
        }
    }
    Ok(())
}

/// `57:3fa2b1c0d9e8`, as the summary prints it.
fn parse(text: &str) -> Result<(i64, String), Failed> {
    let parts = text.trim().trim_end_matches('.').split_once(':');
    let parsed = parts.and_then(|(number, link)| Some((number.parse().ok()?, link)));
    match parsed {
        Some((number, link)) if link.len() >= 8 && link.bytes().all(|b| b.is_ascii_hexdigit()) => {
            Ok((number, link.to_ascii_lowercase()))
        }
        _ => Err(Failed::configuration(format!(
            "--record: found {text:?}, expected what a summary prints behind \"ledger record\", as in 57:3fa2b1c0d9e8"
        ))),
    }
}
