//! `runsitter check`: mail. What is configured, and with `--mail` one test message through each server.

use std::time::Instant;

use jiff::Timestamp;

use super::Findings;
use crate::command::End;
use crate::config::{Config, Email, MailServer, Password};
use crate::post::smtp::Mail;
use crate::post::{Audience, Carrier as _, Letter};
use crate::tell::page::{Page, Section};
use crate::text::{fixed, one_line};

/// Says where mail would go, and what shows already that it cannot.
pub(super) fn look(config: &Config, email: &Email, findings: &mut Findings) {
    let servers: Vec<String> = email.servers.iter().map(MailServer::name).collect();
    findings.fine(&format!(
        "mail from {} by {}: told now {}; summaries {}",
        one_line(&email.from),
        servers.join(", then "),
        email.to.join(", "),
        email.summary_to.join(", ")
    ));
    for problem in Mail::new(email).problems() {
        let file = config.path.display();
        findings.wrong(End::Configuration, &format!("{file}: mail: {problem}"));
    }
    for server in &email.servers {
        if let Some((_, Password::Credential(name))) = &server.login
            && !Password::has_credentials()
        {
            findings.note(&format!(
                "credential {name}: systemd hands it over when it starts the service; it cannot be looked at here"
            ));
        }
    }
}

/// Sends a test message through each server, and waits for its word.
pub(super) fn send(config: &Config, email: &Email, findings: &mut Findings) {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build();
    let runtime = match runtime {
        Ok(runtime) => runtime,
        Err(error) => return findings.wrong(End::InputOutput, &format!("mail: {error}")),
    };
    for server in &email.servers {
        let one = Email {
            servers: vec![server.clone()],
            ..email.clone()
        };
        let now = Timestamp::now();
        let (mail, letter) = (Mail::new(&one), letter(config, server, now));
        let began = Instant::now();
        let result = runtime.block_on(mail.deliver(&letter, now));
        let seconds = fixed(began.elapsed().as_secs_f64(), 1);
        match result {
            Ok(()) => findings.fine(&format!(
                "mail: {} has taken a test message for {} ({seconds} s); look whether it arrives, and where",
                server.name(),
                email.to.join(", ")
            )),
            Err(refusal) => {
                findings.wrong(End::InputOutput, &format!("mail: {refusal} ({seconds} s)"));
            }
        }
    }
    // A name that is still being looked up must not hold the program.
    runtime.shutdown_background();
}

fn letter(config: &Config, server: &MailServer, now: Timestamp) -> Letter {
    let stations: Vec<&str> = config.stations.iter().map(|s| s.name.as_str()).collect();
    let mut page = Page {
        subject: "test message: mail from runsitter arrives".to_owned(),
        place: format!(
            "Sent by {} for {}, to try out who is told at night",
            server.name(),
            one_line(&stations.join(", "))
        ),
        sections: Vec::new(),
    };
    let steps = [
        "Nothing at the instrument: all is well.",
        "If this came late, or among what is sorted out as unwanted, mend that now: at night it would be the same.",
    ];
    page.add(Section::of("do first", steps.map(str::to_owned)));
    let key = format!("test|{}|{now}", server.name());
    Letter {
        payload: serde_json::json!({ "format": 1, "key": key, "subject": page.subject }),
        key,
        repeat: 0,
        station: stations.first().copied().unwrap_or_default().to_owned(),
        queue: String::new(),
        audience: Audience::Now,
        text: page.text(),
        html: page.html(),
        subject: page.subject,
        attachments: Vec::new(),
        raised_at: now,
    }
}
