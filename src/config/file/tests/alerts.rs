use super::{GOOD, added, read};
use crate::config::Password;

#[test]
fn mistakes_in_the_alert_table_are_named() {
    let alert = |line: &str| added(&format!("[alert]\n{line}"));
    assert_eq!(
        alert("remind_min = 0"),
        "/lab/c.toml:8: alert.remind_min: found 0, expected a number from 1 to 10080 min"
    );
    for time in ["7:00", "24:00", "07:60", "0700", "+7:00", "07:00:00"] {
        let expected = format!(
            "/lab/c.toml:8: alert.summary_at: found \"{time}\", expected a time of day from \"00:00\" to \"23:59\""
        );
        assert_eq!(alert(&format!("summary_at = \"{time}\"")), expected);
    }
    assert_eq!(
        alert("summary_at = 07:00:00"),
        "/lab/c.toml:8: alert.summary_at: found 07:00:00, expected a time of day from \"00:00\" to \"23:59\""
    );
    assert_eq!(
        added("[alert.heartbeat]\nevery_s = 60"),
        "/lab/c.toml:7: missing key alert.heartbeat.file, expected the file that shows life, or a url that is called"
    );
    assert_eq!(
        added("[alert.heartbeat]\nfile = \"a\"\nevery_s = 0"),
        "/lab/c.toml:9: alert.heartbeat.every_s: found 0, expected a number from 1 to 86400 s"
    );
}

#[test]
fn mistakes_in_the_mail_table_are_named() {
    const MAIL: &str = "[alert.email]\nhost = \"mail.lab.example\"\nfrom = \"a@lab.example\"\nto = [\"b@lab.example\"]";
    let mail = |more: &str| added(&format!("{MAIL}\n{more}"));
    let other = |line: &str, with: &str| added(&MAIL.replace(line, with));
    let expected = "expected an e-mail address like \"Lab <lab@example.org>\"";
    assert_eq!(mail(""), "no error");
    assert_eq!(
        other("\"mail.lab.example\"", "\"mail lab\""),
        "/lab/c.toml:8: alert.email.host: found \"mail lab\", expected a host name without blanks"
    );
    assert_eq!(
        mail("port = 0"),
        "/lab/c.toml:11: alert.email.port: found 0, expected a whole number from 1 to 65535"
    );
    assert_eq!(
        mail("port = 65536"),
        "/lab/c.toml:11: alert.email.port: found 65536, expected a whole number from 1 to 65535"
    );
    assert_eq!(
        mail("security = \"ssl\""),
        "/lab/c.toml:11: alert.email.security: found \"ssl\", expected \"starttls\", \"tls\" or \"none\""
    );
    assert_eq!(
        mail("security = \"none\""),
        "/lab/c.toml:11: alert.email.security: found \"none\", expected \"starttls\" or \"tls\": \"none\" is only for a server on this machine (localhost)"
    );
    assert_eq!(
        mail("user = \"hplc\""),
        "/lab/c.toml:7: alert.email: found only one of user and password_file (or credential), expected both or neither"
    );
    assert_eq!(
        other("a@lab.example", "a at lab"),
        format!("/lab/c.toml:9: alert.email.from: found \"a at lab\", {expected}")
    );
    assert_eq!(
        other("[\"b@lab.example\"]", "[\"b@lab.example\", \"c\"]"),
        format!("/lab/c.toml:10: alert.email.to[2]: found \"c\", {expected}")
    );
    assert_eq!(
        other("b@lab.example", "b@lab.example\\nbcc: c@d.example"),
        format!(
            "/lab/c.toml:10: alert.email.to[1]: found \"b@lab.example\\u{{a}}bcc: c@d.example\", {expected}, on a single line"
        )
    );
    assert_eq!(
        other("b@lab.example", "b@lab.example, c@lab.example"),
        format!(
            "/lab/c.toml:10: alert.email.to[1]: found \"b@lab.example, c@lab.example\", {expected}"
        )
    );
    assert_eq!(
        other("[\"b@lab.example\"]", "[]"),
        "/lab/c.toml:10: alert.email.to: found 0 addresses, expected 1 to 50"
    );
    assert_eq!(
        other("[\"b@lab.example\"]", "\"b@lab.example\""),
        "/lab/c.toml:10: alert.email.to: found \"b@lab.example\", expected a list of e-mail addresses"
    );
}

#[test]
fn the_sign_of_life_is_a_file_an_address_or_both() {
    let heartbeat = |lines: &str| {
        let config = read(&format!("{GOOD}[alert.heartbeat]\n{lines}\n")).unwrap();
        let heartbeat = config.alert.heartbeat.unwrap();
        (heartbeat.file, heartbeat.url)
    };
    let url = "https://watch.lab.example/ping/4711".to_owned();
    let file = std::path::PathBuf::from("/lab/alive.txt");
    assert_eq!(
        heartbeat(&format!("url = \"{url}\"")),
        (None, Some(url.clone()))
    );
    assert_eq!(
        heartbeat(&format!("url = \"{url}\"\nfile = \"alive.txt\"")),
        (Some(file.clone()), Some(url))
    );
    assert_eq!(heartbeat("file = \"alive.txt\""), (Some(file), None));
    assert_eq!(
        added("[alert.heartbeat]\nurl = \"http://watch.lab.example/ping\""),
        "/lab/c.toml:8: alert.heartbeat.url: found \"http://watch.lab.example/ping\", expected an address that begins with \
https://, or with http:// for this machine itself (localhost)"
    );
}

#[test]
fn the_sign_of_life_may_lie_among_the_traces() {
    assert_eq!(
        added("[alert.heartbeat]\nfile = \"exports/alive.txt\""),
        "no error"
    );
}

#[test]
fn mail_to_this_machine_may_be_plain() {
    for (host, plain) in [
        ("localhost", true),
        ("127.0.0.1", true),
        ("[::1]", true),
        ("::1", true),
        ("127.evil.example", false),
        ("10.0.0.1", false),
    ] {
        let text = format!(
            "{GOOD}[alert.email]\nhost = \"{host}\"\nsecurity = \"none\"\nfrom = \"a@b.example\"\nto = [\"a@b.example\"]\n"
        );
        assert_eq!(read(&text).is_ok(), plain, "{host}");
    }
}

#[test]
fn servers_are_tried_in_their_order() {
    let text = format!(
        "{GOOD}[alert.email]\nhost = \"a.example\"\nuser = \"u\"\ncredential = \"smtp\"\nca_file = \"ca.pem\"\n\
from = \"a@b.example\"\nto = [\"a@b.example\"]\n\
[[alert.email.server]]\nhost = \"localhost\"\nsecurity = \"none\"\n\
[[alert.email.server]]\nhost = \"[::1]\"\nsecurity = \"tls\"\nuser = \"v\"\npassword_file = \"p\"\n"
    );
    let email = read(&text).unwrap().alert.email.unwrap();
    let short: Vec<(&str, u16)> = email
        .servers
        .iter()
        .map(|s| (s.bare_host(), s.port))
        .collect();
    assert_eq!(short, [("a.example", 587), ("localhost", 25), ("::1", 465)]);
    let logins: Vec<Option<Password>> = email
        .servers
        .iter()
        .map(|s| s.login.as_ref().map(|l| l.1.clone()))
        .collect();
    assert_eq!(
        logins,
        [
            Some(Password::Credential("smtp".to_owned())),
            None,
            Some(Password::File("/lab/p".into()))
        ]
    );
    assert_eq!(email.servers[0].ca_file, Some("/lab/ca.pem".into()));
    assert_eq!(email.timeout_s, 30.0);
}

#[test]
fn mistakes_in_servers_are_named() {
    let mail = |more: &str| {
        added(&format!(
            "[alert.email]\nhost = \"a.example\"\nfrom = \"a@b.example\"\nto = [\"a@b.example\"]\n{more}"
        ))
    };
    assert_eq!(
        mail("[[alert.email.server]]\nport = 25"),
        "/lab/c.toml:11: missing key alert.email.server[1].host, expected the mail server's name"
    );
    assert_eq!(
        mail("[[alert.email.server]]\nhost = \"b.example\"\nsecurity = \"none\""),
        "/lab/c.toml:13: alert.email.server[1].security: found \"none\", expected \"starttls\" or \"tls\": \"none\" is only for a server on this machine (localhost)"
    );
    assert_eq!(
        mail("user = \"u\"\npassword_file = \"p\"\ncredential = \"c\""),
        "/lab/c.toml:7: alert.email: found password_file and credential, expected one of them"
    );
    assert_eq!(
        mail("user = \"u\"\ncredential = \"../x\""),
        "/lab/c.toml:12: alert.email.credential: found \"../x\", expected the name of a systemd credential, letters, digits, \"-\", \"_\" or \".\""
    );
    assert_eq!(
        mail("timeout_s = 0"),
        "/lab/c.toml:11: alert.email.timeout_s: found 0, expected a number from 0.1 to 600 s"
    );
    let many = "[[alert.email.server]]\nhost = \"b.example\"\n".repeat(8);
    assert_eq!(
        mail(&many),
        "/lab/c.toml:11: alert.email.server: found 9 servers, expected at most 8"
    );
    let own = "[[alert.email.server]]\nhost = \"b.example\"\nto = [\"c@d.example\"]";
    assert_eq!(
        mail(own),
        "/lab/c.toml:13: unknown key alert.email.server[1].to"
    );
}
