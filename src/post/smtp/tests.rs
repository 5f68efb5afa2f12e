//! The carrier against a server in the same process, and against servers that misbehave at each step.

mod server;

use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use mail_parser::MessageParser;

use super::*;
use crate::post::{Attachment, Letter};
use server::{CLOSED, Certificate, Rules, Server, reply, scripted};

fn letter() -> Letter {
    Letter {
        key: "crocks|slot:t-6".to_owned(),
        repeat: 0,
        station: "acids".to_owned(),
        queue: "crocks".to_owned(),
        audience: Audience::Now,
        subject: "standard low: lactic acid 84 % at 6 of 10".to_owned(),
        text: "standard low\n.\nµ\n".to_owned(),
        html: "<p>standard low</p>".to_owned(),
        attachments: vec![Attachment {
            file_name: "crocks-rerun.csv".to_owned(),
            media_type: "text/csv; charset=utf-8".to_owned(),
            content: "position,kind\n1,blank\n".to_owned(),
        }],
        raised_at: "2026-09-21T20:18:00Z".parse().unwrap(),
        payload: serde_json::Value::Null,
    }
}

fn at(port: u16, security: Security) -> MailServer {
    MailServer {
        host: "localhost".to_owned(),
        port,
        security,
        ca_file: None,
        login: None,
    }
}

fn email(servers: Vec<MailServer>) -> Email {
    Email {
        servers,
        timeout_s: 5.0,
        from: "HPLC <hplc@lab.example>".to_owned(),
        to: vec!["ada@lab.example".to_owned()],
        summary_to: vec![
            "Lab <lab@lab.example>".to_owned(),
            "ada@lab.example".to_owned(),
        ],
    }
}

fn send(mail: &Mail, letter: &Letter) -> Result<(), Refusal> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(mail.deliver(letter, "2026-09-21T20:19:30Z".parse().unwrap()))
}

#[track_caller]
fn transient(result: Result<(), Refusal>, part: &str) {
    match result {
        Err(Refusal::Transient(text)) => assert!(text.contains(part), "{text}"),
        other => panic!("{other:?} is not transient with {part:?}"),
    }
}

#[track_caller]
fn permanent(result: Result<(), Refusal>, part: &str) {
    match result {
        Err(Refusal::Permanent(text)) => assert!(text.contains(part), "{text}"),
        other => panic!("{other:?} is not permanent with {part:?}"),
    }
}

#[test]
fn a_letter_arrives_as_it_was_written() {
    let server = Server::start(Rules::plain());
    let mail = Mail::new(&email(vec![at(server.port, Security::None)]));
    send(&mail, &letter()).unwrap();
    let got = server.got().remove(0);
    assert_eq!(
        (got.from.as_str(), got.to.as_slice()),
        ("hplc@lab.example", &["ada@lab.example".to_owned()][..])
    );
    let parsed = MessageParser::default().parse(&got.data).unwrap();
    assert_eq!(parsed.subject(), Some(letter().subject.as_str()));
    // The line with a single dot would end the message if it were not guarded.
    assert_eq!(
        parsed
            .body_text(0)
            .unwrap()
            .replace("\r\n", "\n")
            .trim_end(),
        "standard low\n.\nµ"
    );
    assert_eq!(parsed.attachment_count(), 1);
    let summary = Letter {
        audience: Audience::Summary,
        ..letter()
    };
    send(&mail, &summary).unwrap();
    assert_eq!(server.got()[1].to, ["lab@lab.example", "ada@lab.example"]);
}

#[test]
fn protected_connections_with_the_laboratorys_own_authority() {
    let certificate = Certificate::issued(&["localhost"], false);
    for security in [Security::StartTls, Security::Tls] {
        let server = Server::start(Rules::protected(security, &certificate));
        let known = MailServer {
            ca_file: Some(certificate.ca_file()),
            ..at(server.port, security)
        };
        let mail = Mail::new(&email(vec![known]));
        assert!(mail.problems().is_empty(), "{:?}", mail.problems());
        send(&mail, &letter()).unwrap();
        assert_eq!(server.got().len(), 1, "{security:?}");
    }
}

#[test]
fn a_certificate_that_is_not_trusted_gets_no_letter() {
    let (own, other) = (
        Certificate::issued(&["localhost"], false),
        Certificate::issued(&["localhost"], false),
    );
    let misnamed = Certificate::issued(&["mail.lab.example"], false);
    let authority = Certificate::issued(&["localhost"], true);
    for security in [Security::StartTls, Security::Tls] {
        for (shown, ca_file, said) in [
            (
                &own,
                Some(other.ca_file()),
                "comes from no authority that is trusted here",
            ),
            (&own, None, "comes from no authority that is trusted here"),
            (
                &misnamed,
                Some(misnamed.ca_file()),
                "is for another name than host",
            ),
            (
                &authority,
                Some(authority.ca_file()),
                "the certificate of an authority (CA:TRUE)",
            ),
        ] {
            let server = Server::start(Rules::protected(security, shown));
            let server_at = MailServer {
                ca_file,
                ..at(server.port, security)
            };
            transient(send(&Mail::new(&email(vec![server_at])), &letter()), said);
            assert!(server.got().is_empty());
        }
    }
}

#[test]
fn nothing_goes_out_in_the_clear() {
    let server = Server::start(Rules::plain());
    let mail = Mail::new(&email(vec![at(server.port, Security::StartTls)]));
    transient(send(&mail, &letter()), "offers no STARTTLS");
    let mail = Mail::new(&email(vec![at(server.port, Security::Tls)]));
    transient(send(&mail, &letter()), "does not speak TLS at this port");
    // Even where the configuration is got round: a name that leads elsewhere.
    let elsewhere = MailServer {
        host: "192.0.2.1".to_owned(),
        ..at(server.port, Security::None)
    };
    transient(
        send(&Mail::new(&email(vec![elsewhere])), &letter()),
        "leads to no address that may be used",
    );
    assert!(server.got().is_empty());
}

fn password(folder: &tempfile::TempDir, text: &str) -> Password {
    let path = folder.path().join("password");
    std::fs::write(&path, text).unwrap();
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
    }
    Password::File(path)
}

#[test]
fn a_login_is_taken_or_refused_and_never_hammered() {
    let certificate = Certificate::issued(&["localhost"], false);
    let rules = Rules {
        login: Some(("hplc".to_owned(), "pa ss\u{e4}".to_owned())),
        ..Rules::protected(Security::StartTls, &certificate)
    };
    let server = Server::start(rules);
    let folder = tempfile::tempdir().unwrap();
    let with = |place| MailServer {
        ca_file: Some(certificate.ca_file()),
        login: Some(("hplc".to_owned(), place)),
        ..at(server.port, Security::StartTls)
    };
    let mail = Mail::new(&email(vec![with(password(&folder, "wrong\n"))]));
    transient(send(&mail, &letter()), "user name or password refused (535");
    assert_eq!(server.calls(), 1);
    transient(send(&mail, &letter()), "were refused minutes ago");
    assert_eq!(server.calls(), 1);
    // A new password is tried at once.
    password(&folder, "pa ss\u{e4}\n");
    send(&mail, &letter()).unwrap();
    assert_eq!(server.got()[0].user.as_deref(), Some("hplc"));
}

#[test]
fn a_server_that_wants_a_login_can_be_given_one_while_the_letter_waits() {
    let port = scripted(&[
        "220 hello\r\n",
        "250 mail.test\r\n",
        "530 5.7.0 log in first\r\n",
    ]);
    let mail = Mail::new(&email(vec![at(port, Security::None)]));
    transient(
        send(&mail, &letter()),
        "the sender refused (530 5.7.0 log in first)",
    );
}

#[test]
fn what_cannot_be_read_is_named_before_anything_is_sent() {
    let folder = tempfile::tempdir().unwrap();
    let ca_file = folder.path().join("ca.pem");
    std::fs::write(&ca_file, "no certificate").unwrap();
    let server = MailServer {
        ca_file: Some(ca_file),
        login: Some((
            "hplc".to_owned(),
            Password::File(folder.path().join("missing")),
        )),
        ..at(1, Security::Tls)
    };
    let mail = Mail::new(&email(vec![server]));
    let all = mail.problems().join("\n");
    assert!(all.contains("missing: cannot be read"), "{all}");
    assert!(
        all.contains("ca.pem: found no certificate, expected PEM text"),
        "{all}"
    );
    transient(send(&mail, &letter()), "missing: cannot be read");
}

#[test]
fn greylisting_is_survived() {
    let tries = AtomicUsize::new(0);
    let server =
        Server::start(
            Rules::plain().rcpt(move |_| match tries.fetch_add(1, Ordering::Relaxed) {
                0 => reply(451, "4.7.1 greylisted, come back"),
                _ => mailin::response::OK,
            }),
        );
    let mail = Mail::new(&email(vec![at(server.port, Security::None)]));
    transient(send(&mail, &letter()), "451 4.7.1 greylisted, come back");
    send(&mail, &letter()).unwrap();
    assert_eq!(server.got().len(), 1);
}

#[test]
fn a_refusal_for_good_is_one() {
    let server = Server::start(Rules::plain().rcpt(|_| reply(550, "5.1.1 no such user")));
    let mail = Mail::new(&email(vec![at(server.port, Security::None)]));
    permanent(
        send(&mail, &letter()),
        "recipient ada@lab.example refused (550 5.1.1 no such user)",
    );
    let rules = Rules {
        end: std::sync::Arc::new(|_| reply(554, "5.7.1 no")),
        ..Rules::plain()
    };
    let server = Server::start(rules);
    let mail = Mail::new(&email(vec![at(server.port, Security::None)]));
    permanent(send(&mail, &letter()), "the message refused (554 5.7.1 no)");
}

#[test]
fn one_bad_address_keeps_the_letter_from_nobody_else() {
    let waited = AtomicUsize::new(0);
    let server = Server::start(Rules::plain().rcpt(move |to| match to {
        "gone@lab.example" => reply(550, "gone"),
        "slow@lab.example" if waited.fetch_add(1, Ordering::Relaxed) == 0 => reply(450, "later"),
        _ => mailin::response::OK,
    }));
    let mut to = email(vec![at(server.port, Security::None)]);
    to.to = ["ada@lab.example", "gone@lab.example", "slow@lab.example"]
        .map(str::to_owned)
        .to_vec();
    let mail = Mail::new(&to);
    transient(
        send(&mail, &letter()),
        "of 3 recipients 1 have it, not gone@lab.example, slow@lab.example",
    );
    permanent(
        send(&mail, &letter()),
        "of 3 recipients 2 have it, not gone@lab.example",
    );
    let all: Vec<Vec<String>> = server.got().into_iter().map(|g| g.to).collect();
    assert_eq!(all, [["ada@lab.example"], ["slow@lab.example"]]);
}

#[test]
fn the_next_server_is_asked() {
    let busy = scripted(&["421 4.3.2 going down\r\n"]);
    let away = {
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        listener.local_addr().unwrap().port()
    };
    let refusing = Server::start(Rules::plain().rcpt(|_| reply(554, "relaying denied")));
    let good = Server::start(Rules::plain());
    let ports = [away, busy, refusing.port, good.port];
    let all = |ports: &[u16]| email(ports.iter().map(|p| at(*p, Security::None)).collect());
    send(&Mail::new(&all(&ports)), &letter()).unwrap();
    assert_eq!((good.got().len(), refusing.got().len()), (1, 0));
    // While one server may still take it, nothing is final.
    let result = send(&Mail::new(&all(&ports[..3])), &letter());
    transient(result.clone(), "relaying denied");
    transient(result.clone(), "421 4.3.2 going down");
    transient(
        result,
        &format!("localhost:{away}: connection and greeting failed"),
    );
}

#[test]
fn a_server_that_hangs_at_any_step_is_left_in_time() {
    const EHLO: &str = "250 mail.test\r\n";
    let steps: [(&'static [&'static str], &str); 7] = [
        (&[], "connection and greeting"),
        (&["220 hello\r\n"], "connection and greeting"),
        (&["220 hello\r\n", EHLO], "the sender"),
        (&["220 hello\r\n", EHLO, "250 ok\r\n"], "a recipient"),
        (&["220 hello\r\n", EHLO, "250 ok\r\n", "250 ok\r\n"], "DATA"),
        (
            &[
                "220 hello\r\n",
                EHLO,
                "250 ok\r\n",
                "250 ok\r\n",
                "354 go\r\n",
            ],
            "the message",
        ),
        (&["220-hel"], "connection and greeting"),
    ];
    for (replies, what) in steps {
        let mut quick = email(vec![at(scripted(replies), Security::None)]);
        quick.timeout_s = 0.3;
        let began = Instant::now();
        transient(send(&Mail::new(&quick), &letter()), &format!("s ({what})"));
        // Four times the limit for the last step, and a farewell.
        assert!(
            began.elapsed() < Duration::from_secs(4),
            "{what}: {:?}",
            began.elapsed()
        );
    }
    for (replies, security, what) in [
        (
            &[
                "220 hello\r\n",
                "250-mail.test\r\n250 STARTTLS\r\n",
                "220 go\r\n",
            ][..],
            Security::StartTls,
            "STARTTLS",
        ),
        (&[][..], Security::Tls, "connection and greeting"),
    ] {
        let mut quick = email(vec![at(scripted(replies), security)]);
        quick.timeout_s = 0.3;
        let began = Instant::now();
        transient(send(&Mail::new(&quick), &letter()), &format!("s ({what})"));
        assert!(
            began.elapsed() < Duration::from_secs(4),
            "{what}: {:?}",
            began.elapsed()
        );
    }
}

#[test]
fn what_is_no_mail_server_is_said() {
    const EHLO: &str = "250 mail.test\r\n";
    for (replies, said) in [
        (
            &["HTTP/1.1 400 Bad Request\r\n\r\n", CLOSED][..],
            "found no reply of a mail server",
        ),
        (
            &["220 hello\r\n", "okay then\r\n", CLOSED],
            "found no reply of a mail server",
        ),
        (&["\u{0}\u{1}\u{2}\r\n"], "found no reply of a mail server"),
        (
            &["554 5.3.2 no mail here\r\n"],
            "refused (554 5.3.2 no mail here)",
        ),
        // Replies that run ahead of their commands: "354" must not be taken for "I have it".
        (
            &[
                "220 hello\r\n",
                EHLO,
                "250 ok\r\n",
                "250 ok\r\n",
                "250 ok\r\n",
            ],
            "the reply 250 ok to DATA, which does not belong there",
        ),
        (
            &[
                "220 hello\r\n",
                EHLO,
                "250 ok\r\n",
                "250 ok\r\n",
                "354 go\r\n",
                "354 go\r\n",
            ],
            "the reply 354 go to the message, which does not belong there",
        ),
    ] {
        let mut quick = email(vec![at(scripted(replies), Security::None)]);
        quick.timeout_s = 1.0;
        transient(send(&Mail::new(&quick), &letter()), said);
    }
}
