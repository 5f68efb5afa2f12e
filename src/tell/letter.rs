//! A message as a letter: what leaves the house, for people and for programs.

use serde_json::{Value, json};

use super::{Message, name};
use crate::night::alarm::Alert;
use crate::night::queue::Queue;
use crate::post::{Attachment, Audience, Letter};
use crate::report::rerun;

/// Version of the payload's layout.
pub(super) const FORMAT: u64 = 1;

/// The first letter of a message. A repeat gets its number in [`Letter::repeat`], and what else is to be said by
/// [`Letter::put_first`].
///
/// The rerun list goes with it where the queue has one by now and the message tells of something that goes on. `queue`:
/// the one concerned, where there is one.
pub fn letter(
    station: &str,
    queue: Option<&Queue>,
    message: &Message,
    audience: Audience,
) -> Letter {
    let name = queue.map_or_else(String::new, |q| q.name.clone());
    Letter {
        key: message.key.clone(),
        repeat: 0,
        station: station.to_owned(),
        audience,
        subject: message.subject.clone(),
        text: message.body.clone(),
        html: message.html.clone(),
        attachments: queue
            .filter(|_| message.cleared_at.is_none())
            .and_then(rerun_list)
            .into_iter()
            .collect(),
        raised_at: message.raised_at,
        payload: payload(station, &name, message),
        queue: name,
    }
}

/// The rerun list as a file that goes with a letter; `None` where nothing must be injected again.
pub fn rerun_list(queue: &Queue) -> Option<Attachment> {
    if rerun::list(queue, &[]).injections.is_empty() {
        return None;
    }
    Some(Attachment {
        file_name: format!("{}-rerun.csv", name::distinct(&queue.name, 60)),
        media_type: "text/csv; charset=utf-8".to_owned(),
        content: rerun::csv(queue, &queue.extra),
    })
}

/// The same for programs. Times are RFC 3339 in UTC; what is not known is `null`, never left out.
fn payload(station: &str, queue: &str, message: &Message) -> Value {
    let mut checks: Vec<&str> = message.alerts.iter().map(|a| a.check.as_str()).collect();
    checks.sort_unstable();
    checks.dedup();
    let mut affected: Vec<u64> = message
        .alerts
        .iter()
        .flat_map(|a| a.affected.iter().copied())
        .collect();
    affected.sort_unstable();
    affected.dedup();
    json!({
        "format": FORMAT,
        "key": message.key,
        "station": station,
        "queue": queue,
        "subject": message.subject,
        "raised_at": message.raised_at.to_string(),
        "cleared_at": message.cleared_at.map(|t| t.to_string()),
        "checks": checks,
        "affected": affected,
        "alerts": message.alerts.iter().map(alert).collect::<Vec<Value>>(),
        "text": message.body,
    })
}

fn alert(alert: &Alert) -> Value {
    json!({
        "check": alert.check,
        "raised_at": alert.raised_at.to_string(),
        "cleared_at": alert.cleared_at.map(|t| t.to_string()),
        "position": alert.position,
        "name": alert.name,
        "trace": alert.trace,
        "analyte": alert.analyte,
        "measured": alert.measured,
        "limit": alert.limit,
        "unit": alert.unit,
        "affected": alert.affected,
        "message": alert.message,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::night::fixture::{Night, mid, zone};
    use crate::tell::{Message, messages};

    fn told(night: &mut Night) -> Vec<Message> {
        night.judged();
        let changes = night.changes.alerts.clone();
        messages(night.queue(), &changes, &zone())
    }

    fn failed_standard() -> (Night, Message) {
        let mut night = Night::new("bPsssPsssP");
        for p in [1, 2, 3, 4, 5] {
            night.good(p);
        }
        night.land(6, mid(&[0.84, 0.86]));
        let message = told(&mut night).remove(0);
        (night, message)
    }

    #[test]
    fn a_letter_carries_the_rerun_list_and_the_numbers() {
        let (mut night, message) = failed_standard();
        let sent = letter("acids", Some(night.queue()), &message, Audience::Now);
        assert_eq!((sent.key.as_str(), sent.repeat), ("crocks|slot:t-6", 0));
        assert_eq!(
            (sent.station.as_str(), sent.queue.as_str()),
            ("acids", "crocks")
        );
        assert_eq!(
            (&sent.subject, &sent.text),
            (&message.subject, &message.body)
        );
        assert_eq!(sent.attachments.len(), 1);
        assert_eq!(sent.attachments[0].file_name, "crocks-rerun.csv");
        let list = rerun::csv(night.queue(), &[]);
        assert_eq!(sent.attachments[0].content, list);
        let all = &sent.payload["alerts"];
        assert_eq!(
            sent.payload["checks"],
            json!(["recovery", "standard-drift"])
        );
        assert_eq!(all.as_array().unwrap().len(), 4);
        assert_eq!(all[0]["analyte"], "lactic acid");
        let measured = all[0]["measured"].as_f64().unwrap();
        assert!((measured - 83.9).abs() < 0.1, "{measured}");
        assert_eq!(all[0]["position"], 6);
        assert_eq!(sent.payload["affected"], json!([3, 4, 5, 7, 8, 9]));
        assert_eq!(sent.payload["cleared_at"], Value::Null);
        assert_eq!(sent.payload["raised_at"], sent.raised_at.to_string());
    }

    #[test]
    fn what_is_over_has_the_same_key_and_no_list() {
        let (mut night, first) = failed_standard();
        night.good(6);
        let over = told(&mut night).remove(0);
        assert_eq!(over.key, first.key);
        let sent = letter("acids", Some(night.queue()), &over, Audience::Now);
        assert!(sent.attachments.is_empty());
        assert!(sent.payload["cleared_at"].is_string(), "{}", sent.payload);
    }

    #[test]
    fn a_condition_that_comes_again_has_a_key_of_its_own() {
        let mut night = Night::new("Pssssssss");
        night.good(1).wait(60);
        let late = told(&mut night).remove(0);
        night.good(2);
        let over = told(&mut night).remove(0);
        night.good(3).good(4).good(5).judged();
        night.wait(60);
        let again = told(&mut night).remove(0);
        assert!(
            late.key.starts_with("crocks|late-trace|2026-09-21T"),
            "{}",
            late.key
        );
        assert_eq!(late.key, over.key);
        assert_ne!(late.key, again.key);
    }

    #[test]
    fn a_letter_without_a_queue_has_no_list() {
        let (_, message) = failed_standard();
        let sent = letter("acids", None, &message, Audience::Now);
        assert!(sent.attachments.is_empty() && sent.queue.is_empty());
    }

    #[test]
    fn a_note_comes_first_in_text_and_page() {
        let (mut night, message) = failed_standard();
        let mut sent = letter("acids", Some(night.queue()), &message, Audience::Now);
        sent.put_first("raised 3 h ago\r\nBcc: x <b>");
        assert!(
            sent.text
                .starts_with("raised 3 h ago\\u{d}\\u{a}Bcc: x <b>\n\n"),
            "{}",
            sent.text
        );
        let (note, title) = (sent.html.find("raised 3 h ago"), sent.html.find("<h1"));
        assert!(note.is_some() && note < title && !sent.html.contains("x <b>"));
    }

    #[test]
    fn hostile_names_do_not_become_markup() {
        let mut night = Night::new("sPs");
        night.plan(1, |p| {
            let name = "<img src=x onerror=alert(1)>\"'&\u{202e}";
            (p.stem, p.name) = (name.to_owned(), name.to_owned());
        });
        let mut air = mid(&[1.0, 1.0]);
        air.air = Some(crate::night::fixture::bubble());
        night.land(1, air);
        let message = told(&mut night).remove(0);
        let sent = letter("acids", Some(night.queue()), &message, Audience::Now);
        assert!(sent.html.contains("&lt;img src=x"), "{}", sent.html);
        for bad in ["<img", "\u{202e}", "http:", "https:", "<script", "url("] {
            assert!(!sent.html.contains(bad), "{bad}: {}", sent.html);
        }
    }
}
