//! What the running program may touch: no socket that listens, no child, no network but the configured server, and no
//! secret in its log.
#![cfg(target_os = "linux")]

use std::collections::BTreeSet;
use std::fs;
use std::net::{Ipv4Addr, SocketAddr};
use std::os::unix::fs::PermissionsExt as _;

use crate::chromatogram::{both, trace};
use crate::daemon::Daemon;
use crate::lab::{Lab, program};
use crate::mailbox::Mailbox;
use crate::runlist::{sample, standard};

/// One look at a process.
#[derive(Debug, Default)]
struct Look {
    /// Far ends of its connections over the network; a name of the protocol where there is none.
    peers: BTreeSet<String>,
    /// Its sockets that listen, of whatever kind, and those with a name in the file system.
    open: BTreeSet<String>,
    /// Processes that it started.
    children: BTreeSet<u32>,
}

impl Look {
    /// Adds what a process shows now.
    fn at(&mut self, id: u32) {
        let sockets = sockets(id);
        for protocol in [
            "tcp", "tcp6", "udp", "udp6", "udplite", "raw", "raw6", "icmp", "packet", "netlink",
        ] {
            let table =
                fs::read_to_string(format!("/proc/{id}/net/{protocol}")).unwrap_or_default();
            for line in table.lines().skip(1) {
                let cells: Vec<&str> = line.split_whitespace().collect();
                if !cells.iter().any(|c| sockets.contains(*c)) {
                    continue;
                }
                match (protocol, cells.get(2), cells.get(3)) {
                    ("tcp", Some(_), Some(&"0A")) => drop(self.open.insert(line.to_owned())),
                    ("tcp", Some(far), Some(_)) => drop(self.peers.insert(address(far))),
                    _ => drop(self.peers.insert(format!("{protocol}: {line}"))),
                }
            }
        }
        let unix = fs::read_to_string(format!("/proc/{id}/net/unix")).unwrap_or_default();
        for line in unix.lines().skip(1) {
            let cells: Vec<&str> = line.split_whitespace().collect();
            // Num RefCount Protocol Flags Type St Inode Path: a pair of its own has no path and its state is connected.
            let ours = cells.get(6).is_some_and(|inode| sockets.contains(*inode));
            if ours && (cells.len() > 7 || cells.get(5) != Some(&"03")) {
                self.open.insert(line.to_owned());
            }
        }
        self.children.extend(children(id));
    }
}

/// Inodes of the sockets of a process.
fn sockets(id: u32) -> BTreeSet<String> {
    let links = fs::read_dir(format!("/proc/{id}/fd"))
        .into_iter()
        .flatten()
        .flatten();
    links
        .filter_map(|l| fs::read_link(l.path()).ok())
        .filter_map(|to| {
            let to = to.to_str()?.strip_prefix("socket:[")?.strip_suffix(']')?;
            Some(to.to_owned())
        })
        .collect()
}

fn children(of: u32) -> Vec<u32> {
    let mine = |id: &u32| {
        let status = fs::read_to_string(format!("/proc/{id}/status")).unwrap_or_default();
        status.lines().any(|l| {
            l.strip_prefix("PPid:")
                .is_some_and(|p| p.trim() == of.to_string())
        })
    };
    let all = fs::read_dir("/proc").unwrap().flatten();
    all.filter_map(|e| e.file_name().to_str()?.parse().ok())
        .filter(mine)
        .collect()
}

/// `0100007F:1F90` as the kernel writes it: `127.0.0.1:8080`.
fn address(text: &str) -> String {
    let (ip, port) = text.split_once(':').unwrap();
    let ip = Ipv4Addr::from(u32::from_str_radix(ip, 16).unwrap().swap_bytes());
    SocketAddr::from((ip, u16::from_str_radix(port, 16).unwrap())).to_string()
}

/// Lets the daemon work until something has happened, and looks at it all the while.
fn watched(daemon: &mut Daemon, what: &str, happened: impl Fn() -> bool) -> Look {
    let id = daemon.id();
    let seen = std::cell::RefCell::new((Look::default(), 0));
    daemon.wait_until(what, || {
        let (look, n) = &mut *seen.borrow_mut();
        look.at(id);
        *n += 1;
        *n > 5 && happened()
    });
    seen.into_inner().0
}

/// A standard that is too low is told at once.
fn night(lab: &Lab) {
    lab.list(
        "crocks",
        &[standard("mid"), sample("brine"), standard("mid")],
    );
    lab.export("crocks-01", &both(5.0));
    lab.export("crocks-02", &both(3.0));
    lab.export("crocks-03", &trace().lactic(4.2).acetic(5.0));
}

#[test]
fn the_eyes_of_these_tests_see() {
    // What the tests below do not find, they would find: this process listens, calls, and has a child.
    let mailbox = Mailbox::new();
    let call = std::net::TcpStream::connect(mailbox.address()).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let named = std::os::unix::net::UnixListener::bind(folder.path().join("socket")).unwrap();
    let datagrams = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
    let mut child = std::process::Command::new("sleep")
        .arg("20")
        .spawn()
        .unwrap();
    let mut look = Look::default();
    look.at(std::process::id());
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(
        look.peers.contains(&mailbox.address().to_string()),
        "{look:?}"
    );
    assert!(
        look.peers.iter().any(|p| p.starts_with("udp: ")),
        "{look:?}"
    );
    assert!(look.open.iter().any(|l| l.contains(" 0A ")), "{look:?}");
    assert!(look.open.iter().any(|l| l.ends_with("/socket")), "{look:?}");
    assert!(look.children.contains(&child.id()), "{look:?}");
    drop((call, named, datagrams));
}

#[test]
fn without_mail_there_is_no_network_at_all() {
    let lab = Lab::new();
    let mut daemon = lab.watch();
    night(&lab);
    let look = watched(&mut daemon, "the queue has ended", || {
        !lab.summary("crocks").is_empty() && !lab.messages().is_empty()
    });
    daemon.stop();
    assert!(look.peers.is_empty(), "{look:?}");
    assert!(look.open.is_empty(), "{look:?}");
    assert!(look.children.is_empty(), "{look:?}");
}

const PASSWORD: &str = "bitter herbs 4711";

fn guarded(lab: &Lab, name: &str, text: &str) {
    let path = lab.write(name, text);
    fs::set_permissions(path, fs::Permissions::from_mode(0o600)).unwrap();
}

/// The password in no form that it may take on its way: bare, and in Base64 at any of three places in a group.
fn holds_no_password(text: &str) {
    assert!(
        !text.contains(PASSWORD) && !text.contains("bitter"),
        "{text}"
    );
    for login in [
        PASSWORD.to_owned(),
        format!("\0hplc\0{PASSWORD}"),
        format!("hplc\0hplc\0{PASSWORD}"),
    ] {
        assert!(!text.contains(&base64(login.as_bytes())), "{text}");
    }
    let bytes = format!("{:?}", PASSWORD.as_bytes());
    assert!(!text.contains(bytes.trim_matches(['[', ']'])), "{text}");
}

fn base64(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let group = |three: &[u8]| {
        let byte = |k: usize| u32::from(three.get(k).copied().unwrap_or(0));
        let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
        (0..=three.len()).map(move |k| char::from(DIGITS[(bits >> (18 - 6 * k) & 63) as usize]))
    };
    bytes.chunks(3).flat_map(group).collect()
}

#[test]
fn with_mail_the_configured_server_is_the_only_one_that_is_called_and_nobody_learns_the_password() {
    let mailbox = Mailbox::new();
    let lab = Lab::new().section(&mailbox.section("password"));
    guarded(&lab, "password", &format!("{PASSWORD}\n"));
    let mut daemon = Daemon::start_logging(lab.root(), "trace");
    night(&lab);
    let look = watched(&mut daemon, "mail has arrived", || {
        !mailbox.messages().is_empty()
    });
    assert_eq!(
        look.peers,
        BTreeSet::from([mailbox.address().to_string()]),
        "{look:?}"
    );
    assert!(look.open.is_empty() && look.children.is_empty(), "{look:?}");
    let log = lab.root().join("watch.log");
    daemon.stop();
    let log = fs::read_to_string(log).unwrap();
    assert!(log.contains("letter"), "the log tells of the letter: {log}");
    holds_no_password(&log);
    for file in lab
        .files("results")
        .into_values()
        .chain(lab.files("state").into_values())
    {
        holds_no_password(&String::from_utf8_lossy(&file.0));
    }
    for message in mailbox.messages() {
        holds_no_password(&message);
    }
    // It was shown to the server, and to it alone.
    let login = base64(format!("\0hplc\0{PASSWORD}").as_bytes());
    assert!(
        mailbox.commands().iter().any(|c| c.contains(&login)),
        "{:?}",
        mailbox.commands()
    );
}

#[test]
fn check_mail_says_no_password_however_much_it_says() {
    let mailbox = Mailbox::new();
    let lab = Lab::new().section(&mailbox.section("password"));
    guarded(&lab, "password", &format!("{PASSWORD}\n"));
    let check = || {
        let out = program()
            .args(["check", "--mail", "--config", "runsitter.toml"])
            .current_dir(lab.root())
            .env("RUST_LOG", "trace")
            .output()
            .unwrap();
        let text = [out.stdout, out.stderr].concat();
        (out.status.code(), String::from_utf8(text).unwrap())
    };
    let (code, text) = check();
    assert_eq!((code, mailbox.messages().len()), (Some(0), 1), "{text}");
    holds_no_password(&text);
    // Refused where others can read it: nothing is sent, and the message names the file alone.
    let file = lab.root().join("password");
    fs::set_permissions(&file, fs::Permissions::from_mode(0o644)).unwrap();
    let (code, text) = check();
    assert_eq!((code, mailbox.messages().len()), (Some(2), 1), "{text}");
    assert!(text.contains("open to others"), "{text}");
    holds_no_password(&text);
}
