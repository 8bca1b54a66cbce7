//! A look round tells what is wrong, and says what to do; and who comes back says how long he was
//! away. Against a real broker and mail server, and real file systems that are full or read-only.

use std::fs::{File, Permissions};
use std::net::{Ipv4Addr, TcpListener};
use std::os::unix::fs::PermissionsExt;
use std::process::{Command, Output};
use std::time::{Duration, SystemTime};

use ebbmark_tests::cellar::{Cellar, Daemon};
use ebbmark_tests::mosquitto::Mosquitto;
use ebbmark_tests::page::Visitor;
use ebbmark_tests::sink::{MailSink, WebSink};
use ebbmark_tests::wait::until_true;
use ebbmark_tests::{ports, tools};
use serde_json::Value;

use crate::common::errors;

/// What a look round says, as JSON, whether or not all is well.
fn said(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("{e}: {output:?}"))
}

fn look(cellar: &Cellar) -> (bool, Value) {
    let output = cellar.ebbmark(&["look-round", "--json"]);
    (output.status.success(), said(&output))
}

/// State, sentence and remedy of the line about this.
fn line<'a>(all: &'a Value, name: &str) -> (&'a str, &'a str, &'a str) {
    let lines = all["lines"].as_array().expect("a list of lines");
    let found = lines.iter().find(|l| l["name"] == name);
    let found = found.unwrap_or_else(|| panic!("nothing about {name}: {all}"));
    let text = |key: &str| found[key].as_str().unwrap_or_default();
    (text("state"), text("says"), text("remedy"))
}

fn servers(cellar: &Cellar, host: &str, broker: u16, mail: u16, web: u16) -> String {
    let secret = |name: &str| cellar.path(name).display().to_string();
    let (of_broker, of_mail) = (secret("broker-password"), secret("mail-password"));
    format!(
        r#"
[[broker]]
name = "house"
host = "127.0.0.1"
port = {broker}
topics = ["shelf/#"]
client-id = "ebbmark-test"
credentials = {{ user = "cellar", password-file = "{of_broker}" }}

[notify.mail]
host = "127.0.0.1"
port = {mail}
security = "none"
user = "cellar"
password-file = "{of_mail}"
from = "Cellar <cellar@example.org>"
to = ["maker@example.org"]

[notify.webhook.bell]
url = "http://{host}:{web}/ring?key=secret"
"#
    )
}

fn secret(cellar: &Cellar, name: &str, password: &str) {
    let path = cellar.file(name, password);
    std::fs::set_permissions(path, Permissions::from_mode(0o600)).expect("a file of ours");
}

#[test]
fn servers_are_reached_as_in_earnest_and_nothing_is_sent() {
    let mut broker = Mosquitto::guarded("cellar", "linden");
    let mail = MailSink::guarded("cellar", "clover");
    let web = WebSink::start(ports::free());
    let cellar = Cellar::new();
    secret(&cellar, "broker-password", "linden\n");
    secret(&cellar, "mail-password", "clover\n");
    let web_port = web.address.port();
    cellar.configure(&servers(
        &cellar,
        "127.0.0.1",
        broker.port,
        mail.port,
        web_port,
    ));
    let (mut daemon, visitor) = cellar.open();
    until_true("the daemon at the broker", || {
        visitor.page("/feeds").contains("connected since")
    });

    let (well, all) = look(&cellar);
    assert!(well && all["state"] != "broken", "{all:#}");
    for name in [
        "clock",
        "data folder",
        "database",
        "daemon",
        "password of the page",
        "password of broker house",
        "password of mail",
        &format!("page on 127.0.0.1:{}", cellar.page_port),
        &format!("intake on 127.0.0.1:{}", cellar.intake_port),
        "broker house",
        "mail",
        "webhook bell",
        "address of the page",
        "topics",
    ] {
        assert_eq!(line(&all, name).0, "good", "{name}: {all:#}");
    }
    assert_eq!((mail.mails().len(), web.calls().len()), (0, 0));
    // The daemon's own session at the broker was left alone.
    let page = visitor.page("/look-round");
    assert!(
        page.contains("127.0.0.1") && !page.contains("key=secret"),
        "{page}"
    );
    assert!(visitor.page("/feeds").contains("connected since"));

    // Wrong passwords, and a file that others may read.
    secret(&cellar, "broker-password", "thistle\n");
    cellar.file("mail-password", "thistle\n");
    let others = Permissions::from_mode(0o644);
    std::fs::set_permissions(cellar.path("mail-password"), others).unwrap();
    let (well, all) = look(&cellar);
    assert!(!well && all["state"] == "broken", "{all:#}");
    for (name, place) in [
        ("broker house", "[[broker]] house"),
        ("mail", "[notify.mail]"),
    ] {
        let (state, says, remedy) = line(&all, name);
        assert_eq!(state, "broken", "{all:#}");
        assert!(
            says.contains("does not take this user and password"),
            "{says}"
        );
        assert!(remedy.contains(place), "{remedy}");
    }
    let (state, _, remedy) = line(&all, "password of mail");
    assert_eq!(state, "look-at");
    assert!(remedy.starts_with("chmod 600 "), "{remedy}");

    // Nobody there, and a name that nobody can know (RFC 6761, 6.4).
    broker.stop();
    daemon.stop();
    let nobody = ports::free();
    cellar.configure(&servers(&cellar, "bell.invalid", broker.port, nobody, 80));
    let (well, all) = look(&cellar);
    assert!(!well);
    for name in ["broker house", "mail"] {
        let (state, says, _) = line(&all, name);
        assert_eq!(
            (state, says.contains("nobody listens there")),
            ("broken", true),
            "{all:#}"
        );
    }
    let (state, says, _) = line(&all, "webhook bell");
    assert_eq!(state, "broken", "{all:#}");
    assert!(says.contains("bell.invalid:80"), "{says}");
    assert_eq!(line(&all, "daemon").0, "look-at");
    assert!(!all.to_string().contains("key=secret"));
}

/// The built program in a name space of its own, with this file system for its data.
fn on_disk(cellar: &Cellar, options: &str) -> Output {
    let data = cellar.path("data");
    std::fs::create_dir_all(&data).expect("a temporary folder");
    let script = format!(
        "mount -t tmpfs -o {options} tmpfs {0} && exec {1} --config {2} look-round --json",
        data.display(),
        tools::built("ebbmark").display(),
        cellar.path("ebbmark.toml").display()
    );
    let output = Command::new(tools::system("unshare"))
        .args(["-rm", "sh", "-c", &script])
        .output();
    output.expect("unshare is part of every system")
}

#[test]
fn a_full_and_a_read_only_disk_are_named() {
    let cellar = Cellar::new();
    for (options, words) in [
        ("size=32k", "No space left"),
        ("ro", "Read-only file system"),
    ] {
        let output = on_disk(&cellar, options);
        assert!(!output.status.success(), "{output:?}");
        let all = said(&output);
        let (state, says, remedy) = line(&all, "data folder");
        assert_eq!(state, "broken", "{all:#}");
        assert!(says.contains(words), "{says}");
        assert!(remedy.contains("read-only"), "{remedy}");
    }
    let small = said(&on_disk(&cellar, "size=100m"));
    assert_eq!(line(&small, "data folder").0, "look-at", "{small:#}");
}

#[test]
fn a_fresh_board_a_stranger_at_the_door_and_a_damaged_database() {
    let cellar = Cellar::new();
    let (well, all) = look(&cellar);
    assert!(well, "{all:#}");
    for name in ["data folder", "database", "daemon"] {
        assert_eq!(line(&all, name).0, "look-at", "{all:#}");
    }
    assert!(!cellar.path("data").exists(), "looking makes nothing");

    let stranger = TcpListener::bind((Ipv4Addr::LOCALHOST, cellar.intake_port)).unwrap();
    let (well, all) = look(&cellar);
    let door = format!("intake on 127.0.0.1:{}", cellar.intake_port);
    let (state, says, _) = line(&all, &door);
    assert_eq!((well, state), (false, "broken"), "{all:#}");
    assert!(says.contains("Another program"), "{says}");
    drop(stranger);

    cellar.set_password();
    let (well, all) = look(&cellar);
    assert!(well, "{all:#}");
    assert_eq!(line(&all, "database").0, "good");
    // Pages torn out of the middle.
    let path = cellar.database_path();
    let connection = rusqlite::Connection::open(&path).unwrap();
    let all_in_one_file = "PRAGMA wal_checkpoint(TRUNCATE)";
    connection
        .query_row(all_in_one_file, [], |_| Ok(()))
        .unwrap();
    drop(connection);
    let mut bytes = std::fs::read(&path).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle..middle + 8192].fill(0xa5);
    std::fs::write(&path, &bytes).unwrap();
    let output = cellar.ebbmark(&["look-round"]);
    assert!(!output.status.success(), "{output:?}");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        text.contains("broken      database: It is damaged: "),
        "{text}"
    );
    assert!(text.contains("restore the last good backup"), "{text}");
    assert!(errors(&output).contains("broken"), "{output:?}");
    assert_eq!(
        std::fs::read(&path).unwrap(),
        bytes,
        "looking mends nothing"
    );
}

#[test]
fn a_bad_configuration_is_a_line_as_well() {
    let cellar = Cellar::with("[intkae]\n");
    let (well, all) = look(&cellar);
    assert!(!well);
    let (state, says, _) = line(&all, "configuration");
    assert_eq!(state, "broken");
    assert!(says.contains("intkae"), "{says}");
}

#[test]
fn who_was_down_says_so_once() {
    let mail = MailSink::start();
    let tables = format!(
        "[notify]\ngather-minutes = 0\n[notify.mail]\nhost = \"127.0.0.1\"\nport = {}\nsecurity = \"none\"\nfrom = \"c@example.org\"\nto = [\"m@example.org\"]\n",
        mail.port
    );
    let cellar = Cellar::with(&tables);
    cellar.set_password();
    let mut daemon = cellar.start();
    // Two on one folder would tell everything twice.
    let other = cellar.ebbmark(&["run"]);
    assert!(!other.status.success());
    assert!(errors(&other).contains("another ebbmark runs"), "{other:?}");
    // However it ends.
    daemon.process.kill();
    daemon = cellar.start();
    assert!(!notices(&daemon).contains("Ebbmark was down"));
    daemon.stop();

    // As if the last sign of life were five hours old.
    let mark = File::options()
        .append(true)
        .open(cellar.path("data/running"))
        .unwrap();
    let ago = SystemTime::now() - Duration::from_secs(5 * 3600);
    mark.set_modified(ago).unwrap();
    drop(mark);
    daemon = cellar.start();
    until_true("the mail", || !mail.mails().is_empty());
    assert_eq!(mail.mails()[0]["subject"], "Ebbmark was down for 5 hours");
    let page = notices(&daemon);
    assert!(page.contains("Ebbmark was down for 5 hours"), "{page}");
    daemon.stop();

    daemon = cellar.start();
    daemon.stop();
    let told = "SELECT count(*) FROM notice WHERE kind = 'was-down'";
    assert_eq!(cellar.database().count(told), 1);
    assert_eq!(mail.mails().len(), 1);
}

#[test]
fn a_heart_beats_outwards() {
    let port = ports::free();
    let cellar = Cellar::with(&format!(
        "[heartbeat]\nurl = \"http://127.0.0.1:{port}/alive/0123\"\n"
    ));
    let mut daemon = cellar.start();
    let said = daemon
        .process
        .err
        .wait_for_part("the heartbeat is not heard");
    assert!(!said.contains("0123"), "{said}");
    let (well, all) = look(&cellar);
    let (state, says, _) = line(&all, "heartbeat");
    assert_eq!((well, state), (false, "broken"), "{all:#}");
    assert!(says.contains("nobody listens there"), "{says}");
    daemon.stop();

    let web = WebSink::start(port);
    let (_, all) = look(&cellar);
    assert_eq!(line(&all, "heartbeat").0, "good", "{all:#}");
    // That the daemon is alive is for the daemon to say.
    assert!(web.calls().is_empty());
    let mut daemon = cellar.start();
    until_true("a beat", || !web.calls().is_empty());
    assert!(web.calls()[0].request.starts_with("GET /alive/0123 "));
    daemon.stop();
}

fn notices(daemon: &Daemon) -> String {
    Visitor::signed_in(&daemon.page).page("/notices")
}
