//! TLS at our own doors, tried by clients that are not ours: curl, openssl, mosquitto_pub.

use std::io::{Read, Write};
use std::net::{Ipv4Addr, TcpStream};
use std::ops::Deref;
use std::path::Path;
use std::process::{Command, Output};

use ebbmark_tests::cellar::{Cellar, Daemon, PASSWORD};
use ebbmark_tests::certificate::Authority;
use ebbmark_tests::page::Visitor;
use ebbmark_tests::wait::{DEADLINE, until_true};
use ebbmark_tests::{ports, tools};
use serde_json::Value;

use crate::common::errors;

/// An authority of our own beside the daemon's files.
struct Pki(Authority);

impl Deref for Pki {
    type Target = Authority;

    fn deref(&self) -> &Authority {
        &self.0
    }
}

impl Pki {
    fn new(cellar: &Cellar) -> Pki {
        Pki(Authority::new(&cellar.path(".")))
    }

    fn make(&self, name: &str, days: u32) {
        self.0.make(name, "IP:127.0.0.1", days);
    }

    /// Puts another pair where the daemon looks.
    fn put(&self, name: &str, into: &str) {
        for end in [".pem", "-key.pem"] {
            let from = self.path(&format!("{name}{end}"));
            std::fs::copy(from, self.path(&format!("{into}{end}"))).expect("a file of ours");
        }
    }

    /// The name in the certificate that a door shows.
    fn shown_at(&self, port: u16) -> String {
        let output = self.openssl(&format!(
            "s_client -connect 127.0.0.1:{port} -CAfile ca.pem -verify_return_error -brief"
        ));
        let said = errors(&output);
        let line = said
            .lines()
            .find_map(|line| line.split_once("CN = ").or(line.split_once("CN=")));
        line.unwrap_or_else(|| panic!("no name in {said}"))
            .1
            .to_owned()
    }
}

/// A float's message by `mosquitto_pub`, over TLS where an authority is named.
fn float_publishes(port: u16, authority: Option<&Path>) -> Output {
    // It has no deadline of its own.
    let mut command = Command::new(tools::system("timeout"));
    command
        .arg(DEADLINE.as_secs().to_string())
        .arg(tools::system("mosquitto_pub"))
        .args(["-h", "127.0.0.1", "-q", "1", "-t", "shelf/float"])
        .args(["-m", "1.050", "-p", &port.to_string()]);
    if let Some(authority) = authority {
        command.arg("--cafile").arg(authority);
    }
    command.output().expect("mosquitto_pub starts")
}

/// A connection on which nothing is waited for longer than a test may take.
fn dial(port: u16) -> TcpStream {
    let stream = TcpStream::connect((Ipv4Addr::LOCALHOST, port)).expect("it listens");
    let waits = [
        stream.set_read_timeout(Some(DEADLINE)),
        stream.set_write_timeout(Some(DEADLINE)),
    ];
    assert!(waits.iter().all(Result::is_ok));
    stream
}

struct Doors {
    page: u16,
    intake: u16,
}

fn tables(cellar: &Cellar) -> (Doors, String) {
    let doors = Doors {
        page: ports::free(),
        intake: ports::free(),
    };
    let files = |name: &str| {
        format!(
            "certificate-file = {:?}\nkey-file = {:?}",
            cellar.path(&format!("{name}.pem")),
            cellar.path(&format!("{name}-key.pem"))
        )
    };
    let tables = format!(
        "[page.tls]\nlisten = [\"127.0.0.1:{}\"]\n{}\n[intake.tls]\nlisten = [\"127.0.0.1:{}\"]\n{}\n",
        doors.page,
        files("page"),
        doors.intake,
        files("intake"),
    );
    (doors, tables)
}

fn curl(ca: &Path, arguments: &[&str]) -> Output {
    Command::new(tools::system("curl"))
        .args(["--silent", "--show-error", "--max-time", "60", "--cacert"])
        .arg(ca)
        .args(arguments)
        .output()
        .expect("curl starts")
}

fn text(output: &Output) -> String {
    assert!(output.status.success(), "{output:?}");
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn hangup(daemon: &Daemon) {
    let sent = Command::new("kill")
        .args(["-HUP", &daemon.process.id().to_string()])
        .status()
        .expect("kill is part of every system");
    assert!(sent.success());
}

#[test]
fn the_page_and_the_intake_over_tls() {
    let cellar = Cellar::new();
    let pki = Pki::new(&cellar);
    pki.make("page", 90);
    pki.make("intake", 90);
    let (doors, tables) = tables(&cellar);
    cellar.configure(&tables);
    cellar.set_password();
    let mut daemon = cellar.start();
    let ca = pki.path("ca.pem");
    let page = format!("https://127.0.0.1:{}", doors.page);

    for version in ["--tlsv1.3", "--tls-max"] {
        let mut arguments = vec![version];
        if version == "--tls-max" {
            arguments.push("1.2");
        }
        let address = format!("{page}/healthz");
        arguments.push(&address);
        assert!(text(&curl(&ca, &arguments)).starts_with("ok"), "{version}");
    }
    // Whoever does not know the authority is not let through by his own client.
    let stranger = curl(Path::new("/etc/ssl/certs/ca-certificates.crt"), &[&page]);
    assert_eq!(stranger.status.code(), Some(60), "{stranger:?}");

    // Over TLS the cookie is for TLS only; in the clear, on this board, it cannot be.
    let enter = |base: &str| {
        let login = format!("password={PASSWORD}");
        let arguments = ["-i", "--data-urlencode", &login, &format!("{base}/enter")];
        let said = text(&curl(&ca, &arguments)).to_lowercase();
        let cookie = said.lines().find(|l| l.starts_with("set-cookie:"));
        cookie
            .unwrap_or_else(|| panic!("no cookie in {said}"))
            .to_owned()
    };
    assert!(enter(&page).contains("; secure"));
    assert!(!enter(&daemon.page).contains("; secure"));

    // A float over TLS, and one in the clear as before.
    for (port, authority) in [
        (doors.intake, Some(ca.as_path())),
        (daemon.intake_port, None),
    ] {
        let said = float_publishes(port, authority);
        assert!(said.status.success(), "{said:?}");
    }
    let kept = cellar.database().payloads("intake", "shelf/float");
    assert_eq!(kept, [b"1.050", b"1.050"]);
    daemon.stop();
}

#[test]
fn bytes_that_are_no_tls_get_a_clean_end() {
    let cellar = Cellar::new();
    let pki = Pki::new(&cellar);
    pki.make("page", 90);
    pki.make("intake", 90);
    let (doors, tables) = tables(&cellar);
    cellar.configure(&tables);
    let mut daemon = cellar.start();
    for port in [doors.page, doors.intake] {
        let mut plain = dial(port);
        plain
            .write_all(b"GET / HTTP/1.1\r\nhost: cellar\r\n\r\n")
            .expect("it is taken");
        let mut answer = Vec::new();
        // A reset would be an error here.
        plain.read_to_end(&mut answer).expect("a clean end");
        // RFC 8446, 5.1: an alert is a record of type 21.
        assert_eq!(answer.first(), Some(&21), "{answer:?}");
    }
    // One that says nothing, and is still there when the daemon is told to stop.
    let _silent = dial(doors.page);
    let _too = dial(doors.intake);
    daemon.stop();
}

#[test]
fn a_renewed_certificate_is_used_without_a_restart() {
    let cellar = Cellar::new();
    let pki = Pki::new(&cellar);
    for name in ["page", "intake", "second", "third"] {
        pki.make(name, 90);
    }
    let (doors, tables) = tables(&cellar);
    cellar.configure(&tables);
    cellar.set_password();
    let mut daemon = cellar.start();
    let ca = pki.path("ca.pem");
    assert_eq!(pki.shown_at(doors.page), "page");
    assert_eq!(pki.shown_at(doors.intake), "intake");

    pki.put("second", "page");
    hangup(&daemon);
    until_true("the second certificate", || {
        pki.shown_at(doors.page) == "second"
    });
    daemon
        .process
        .err
        .wait_for_part("a renewed certificate of the page");

    // A key of another: the old pair stays, and the log and both ways of looking say so.
    std::fs::copy(pki.path("third.pem"), pki.path("page.pem")).expect("a file of ours");
    hangup(&daemon);
    let said = daemon
        .process
        .err
        .wait_for_part("the one from before stays");
    assert!(said.contains("page-key.pem"), "{said}");
    assert_eq!(pki.shown_at(doors.page), "second");
    let visitor = Visitor::signed_in(&daemon.page);
    assert!(visitor.page("/feeds").contains("certificate of the page"));
    let line = look_round(&cellar, "certificate of the page");
    assert_eq!(line["state"], "broken", "{line}");
    assert!(
        line["says"]
            .as_str()
            .expect("words")
            .contains("page-key.pem")
    );

    pki.put("third", "page");
    hangup(&daemon);
    until_true("the third certificate", || {
        pki.shown_at(doors.page) == "third"
    });
    assert!(
        text(&curl(
            &ca,
            &[&format!("https://127.0.0.1:{}/healthz", doors.page)]
        ))
        .starts_with("ok")
    );
    let line = look_round(&cellar, "certificate of the page");
    assert_eq!(line["state"], "good", "{line}");
    assert!(line["says"].as_str().expect("words").contains("days"));
    daemon.stop();
}

fn look_round(cellar: &Cellar, name: &str) -> Value {
    let output = cellar.ebbmark(&["look-round", "--json"]);
    let all: Value = serde_json::from_slice(&output.stdout).expect("it says JSON");
    let lines = all["lines"].as_array().expect("lines");
    let line = lines.iter().find(|l| l["name"] == name);
    line.unwrap_or_else(|| panic!("no {name} in {all}")).clone()
}

#[test]
fn a_key_of_another_certificate_is_refused_before_the_start() {
    let cellar = Cellar::new();
    let pki = Pki::new(&cellar);
    for name in ["page", "intake", "other"] {
        pki.make(name, 90);
    }
    let (_, tables) = tables(&cellar);
    cellar.configure(&tables);
    let sound = cellar.ebbmark(&["check-config"]);
    assert!(sound.status.success(), "{sound:?}");
    std::fs::copy(pki.path("other-key.pem"), pki.path("intake-key.pem")).expect("a file of ours");
    for command in ["check-config", "run"] {
        let output = cellar.ebbmark(&[command]);
        assert!(!output.status.success(), "{command}");
        let said = errors(&output);
        assert!(
            said.contains("intake.tls") && said.contains("intake-key.pem"),
            "{command}: {said}"
        );
        assert!(!said.contains("panicked"), "{said}");
    }
    let line = look_round(&cellar, "certificate of the intake");
    assert_eq!(line["state"], "broken", "{line}");
}

/// As many as are let in, none of them speaking TLS: one gives way to a float that comes, the others are
/// shown out in time.
#[test]
fn whoever_only_knocks_gives_way_and_is_shown_out() {
    let cellar = Cellar::new();
    let pki = Pki::new(&cellar);
    pki.make("page", 90);
    pki.make("intake", 90);
    let (doors, tables) = tables(&cellar);
    cellar.configure(&format!(
        "{tables}\n[intake.limits]\nconnections = 3\nconnect-timeout-secs = 4\n"
    ));
    let mut daemon = cellar.start();
    let mut silent: Vec<TcpStream> = (0..3).map(|_| dial(doors.intake)).collect();
    // All places are taken, and whoever waited longest without a word gives way.
    let published = float_publishes(doors.intake, Some(&pki.path("ca.pem")));
    assert!(published.status.success(), "{published:?}");
    let mut end = Vec::new();
    for stream in &mut silent {
        stream.read_to_end(&mut end).expect("a clean end");
    }
    daemon.stop();
}
