//! What must not get out does not, and what must be said is.

use std::collections::HashMap;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::Command;

use ebbmark_tests::cellar::{Cellar, Daemon, PASSWORD};
use ebbmark_tests::mosquitto::{self, Mosquitto};
use ebbmark_tests::page::Visitor;
use ebbmark_tests::sink::{MailSink, WebSink};
use ebbmark_tests::wait::{DEADLINE, until, until_true};
use ebbmark_tests::{ports, tools};
use serde_json::Value;

use crate::common::{errors, settle, text};
use crate::pages::browse_with;

/// All of them invented, and all of them in files but the two that stand for what people also do: a
/// password and a header in the configuration itself.
const OF_FLOATS: &str = "floats-linden-4471";
const OF_BROKER: &str = "broker-clover-5582";
const OF_MAIL: &str = "mail-heather-6693";
const OF_CALL: &str = "call-acacia-7704";
const OF_HEADER: &str = "header-borage-8815";
const OF_HEARTBEAT: &str = "beat-thyme-9926";

fn tables(broker: u16, mail: u16, web: &WebSink) -> String {
    format!(
        r#"
[intake.credentials]
user = "floats"
password-file = "credential:floats"

[[broker]]
name = "house"
host = "127.0.0.1"
port = {broker}
topics = ["shelf/#"]
publish = true
credentials = {{ user = "cellar", password = "{OF_BROKER}" }}

[notify]
mqtt = true
gather-minutes = 0

[notify.mail]
host = "127.0.0.1"
port = {mail}
security = "none"
user = "cellar"
password-file = "credential:mail"
from = "Cellar <cellar@example.org>"
to = ["maker@example.org"]

[notify.webhook.bell]
url = "http://{web}/ring/{{{{secret.ring}}}}"
secrets = {{ ring = "credential:call" }}
headers = {{ authorization = "Bearer {OF_HEADER}" }}
body = '{{"t": "{{{{title}}}}", "k": "{{{{secret.ring}}}}"}}'

[heartbeat]
url = "http://{web}/beat/{{{{secret.beat}}}}"
secrets = {{ beat = "credential:beat" }}
"#,
        web = web.address
    )
}

/// Base 64 as a mail server is told a password (RFC 4616).
fn plain_login(user: &str, password: &str) -> String {
    let output = Command::new("sh")
        .args([
            "-c",
            "printf '\\0%s\\0%s' \"$0\" \"$1\" | base64 -w0",
            user,
            password,
        ])
        .output()
        .expect("base64 is part of every system");
    text(&output)
}

/// At its most talkative, through all that uses a secret.
#[test]
fn no_secret_is_in_the_log() {
    let broker = Mosquitto::guarded("cellar", OF_BROKER);
    let mail = MailSink::guarded("cellar", OF_MAIL);
    let web = WebSink::start(ports::free());
    let cellar = Cellar::with(&tables(broker.port, mail.port, &web));
    // As systemd lays them out.
    std::fs::create_dir(cellar.path("handed")).expect("a temporary folder");
    for (name, secret) in [
        ("floats", OF_FLOATS),
        ("mail", OF_MAIL),
        ("call", OF_CALL),
        ("beat", OF_HEARTBEAT),
    ] {
        cellar.file(&format!("handed/{name}"), secret);
    }
    cellar.set_password();
    let mut daemon = Daemon::start(
        cellar
            .command()
            .arg("run")
            .env("CREDENTIALS_DIRECTORY", cellar.path("handed"))
            .env("RUST_LOG", "trace"),
    );
    let visitor = Visitor::signed_in(&daemon.page);
    let wrong = "not-the-password-1037";
    let login = ureq::post(format!("{}/enter", daemon.page))
        .config()
        .http_status_as_error(false)
        .build()
        .send_form([("password", wrong), ("then", "/")]);
    assert_eq!(login.expect("the page answers").status(), 403);
    let (sender, program) = (visitor.intake_token(), visitor.api_token());
    let calendar = visitor.calendar_key();
    assert_eq!(visitor.post_reading("loft/f", &sender, b"1.05").status, 202);
    visitor.api_get("vessels", &program);
    assert_eq!(
        visitor.get(&format!("/tasks.ics?key={calendar}")).status,
        200
    );
    let in_broker = [
        "-u", "cellar", "-P", OF_BROKER, "-q", "1", "-t", "shelf/f", "-m", "1.05",
    ];
    mosquitto::publish(broker.port, &in_broker);
    let as_float = [
        "-u", "floats", "-P", OF_FLOATS, "-q", "1", "-t", "shelf/g", "-m", "1.05",
    ];
    mosquitto::publish(daemon.intake_port, &as_float);
    settle(&cellar, &visitor, "Cask");
    until_true("mail, call and heartbeat", || {
        let calls = web.calls();
        let called = |path: &str| calls.iter().any(|c| c.request.contains(path));
        !mail.mails().is_empty() && called(OF_CALL) && called(OF_HEARTBEAT)
    });
    let call = web
        .calls()
        .into_iter()
        .find(|c| c.request.contains(OF_CALL));
    let call = call.expect("it was just there");
    assert!(call.body.contains(OF_CALL), "{call:?}");
    assert!(
        call.headers.iter().any(|h| h.ends_with(OF_HEADER)),
        "{call:?}"
    );
    let mails = mail.mails();
    let link = mails[0]["text"]
        .as_str()
        .and_then(|text| text.split("&sign=").nth(1));
    let sign: String = link
        .expect("a link that answers")
        .chars()
        .take(64)
        .collect();
    visitor.page("/look-round");
    daemon.stop();

    let log = daemon.process.err.all();
    // It did talk.
    for word in ["DEBUG", "the page is at"] {
        assert!(log.iter().any(|line| line.contains(word)), "{word}");
    }
    let cookie = visitor
        .cookie()
        .split_once('=')
        .expect("a cookie")
        .1
        .to_owned();
    let of_mail = plain_login("cellar", OF_MAIL);
    for secret in [
        PASSWORD,
        wrong,
        OF_FLOATS,
        OF_BROKER,
        OF_MAIL,
        &of_mail,
        OF_CALL,
        OF_HEADER,
        OF_HEARTBEAT,
        &sender,
        &program,
        &calendar,
        &cookie,
        &sign,
    ] {
        let found: Vec<_> = log.iter().filter(|line| line.contains(secret)).collect();
        assert!(found.is_empty(), "{secret} stands in the log:\n{found:#?}");
    }
}

#[test]
fn what_systemd_should_hand_over_is_asked_for_by_its_name() {
    let cellar = Cellar::with(
        "[intake.credentials]\nuser = \"floats\"\npassword-file = \"credential:floats\"",
    );
    let sound = cellar.ebbmark(&["check-config"]);
    let said = text(&sound);
    assert!(
        said.contains("Not looked at") && said.contains("credential:floats"),
        "{said}"
    );
    let by_hand = cellar.ebbmark(&["run"]);
    assert!(
        errors(&by_hand).contains("LoadCredential=floats:"),
        "{by_hand:?}"
    );
    std::fs::create_dir(cellar.path("handed")).expect("a temporary folder");
    let mut command = cellar.command();
    command
        .arg("run")
        .env("CREDENTIALS_DIRECTORY", cellar.path("handed"));
    let not_there = command.output().expect("the built program starts");
    assert!(
        errors(&not_there).contains("hands over no credential \"floats\""),
        "{not_there:?}"
    );
    cellar.configure(
        "[intake.credentials]\nuser = \"floats\"\npassword-file = \"credential:../floats\"",
    );
    let outside = cellar.ebbmark(&["check-config"]);
    assert!(
        errors(&outside).contains("credential:../floats"),
        "{outside:?}"
    );
}

/// From the first line to the reason why it ends.
#[test]
fn each_line_of_a_structured_log_is_an_object() {
    let cellar = Cellar::with("[log]\nform = \"json\"");
    cellar.set_password();
    let mut daemon = Daemon::start(cellar.command().arg("run").env("RUST_LOG", "debug"));
    // Line ends and quotes in what a device says of itself.
    mosquitto::publish(
        daemon.intake_port,
        &[
            "-i",
            "a \"float\"",
            "-q",
            "1",
            "-t",
            "shelf/\"f\"",
            "-m",
            "x",
        ],
    );
    Visitor::new(&daemon.page).get("/nowhere");
    // A second one on the same folder is refused, and says so in the same way.
    let second = cellar.ebbmark(&["run"]);
    assert!(!second.status.success());
    daemon.stop();
    let mut lines = daemon.process.err.all();
    let last = errors(&second);
    lines.extend(last.lines().map(str::to_owned));
    assert!(lines.len() > 5, "{lines:?}");
    for line in &lines {
        let read: Value = serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line}"));
        let has = |at: &str| read.pointer(at).is_some_and(Value::is_string);
        assert!(
            ["/timestamp", "/level", "/target", "/fields/message"]
                .into_iter()
                .all(has),
            "{line}"
        );
    }
    let why: Value = serde_json::from_str(lines.last().expect("lines")).expect("JSON");
    assert_eq!(why["level"], "ERROR", "{why}");
}

/// Whoever opens connections and does not go on holds none of them for good.
#[test]
fn a_request_that_is_never_finished_is_shown_out() {
    let cellar = Cellar::new();
    let daemon = cellar.start();
    let address = daemon.page.trim_start_matches("http://");
    let mut begun = TcpStream::connect(address).expect("it listens");
    begun
        .write_all(b"GET / HTTP/1.1\r\nhost: cellar\r\nx-slow:")
        .expect("it is taken");
    let mut silent = TcpStream::connect(address).expect("it listens");
    for stream in [&mut begun, &mut silent] {
        stream
            .set_read_timeout(Some(DEADLINE))
            .expect("a timeout can be set");
        let mut said = Vec::new();
        stream.read_to_end(&mut said).expect("a clean end");
        assert!(!said.starts_with(b"HTTP/1.1 200"), "{said:?}");
    }
}

/// The hash of the password and the key of the links are in it.
#[test]
fn the_data_folder_is_for_its_owner() {
    use std::os::unix::fs::PermissionsExt;
    let cellar = Cellar::new();
    cellar.set_password();
    let mode = std::fs::metadata(cellar.path("data"))
        .expect("it was made")
        .permissions()
        .mode();
    assert_eq!(mode & 0o777, 0o700);
}

#[test]
fn which_program_it_is_is_said_everywhere() {
    let cellar = Cellar::new();
    let (_daemon, visitor) = cellar.open();
    let schema = cellar
        .database()
        .count("SELECT user_version FROM pragma_user_version");
    let version = text(&cellar.ebbmark(&["--version"]));
    assert_eq!(version.trim(), format!("ebbmark 0.1.0 (schema {schema})"));
    assert!(
        visitor
            .page("/settings")
            .contains(&format!("Ebbmark 0.1.0, database schema {schema}"))
    );
    let about = visitor.api_get("about", &visitor.api_token());
    assert_eq!(
        about,
        serde_json::json!({ "version": "0.1.0", "schema": schema })
    );
    let metrics = visitor.page("/metrics");
    assert!(
        metrics.contains(&format!("schema=\"{schema}\"")),
        "{metrics}"
    );
}

/// Fields that hold a person's own words; each has to be taken and seen again with markup in it.
const WORDS: [&str; 18] = [
    "/vessel name",
    "/vessel place",
    "/vessel/N/facts name",
    "/vessel/N/facts place",
    "/vessel/N/batch name",
    "/vessel/N/batch honey",
    "/vessel/N/batch yeast",
    "/vessel/N/batch style",
    "/vessel/N/batch note",
    "/vessel/N/batch steep-1-name",
    "/vessel/N/batch/N name",
    "/vessel/N/batch/N note",
    "/vessel/N/hand note",
    "/vessel/N/deed note",
    "/vessel/N/deed called",
    "/prices name",
    "/prices/money money",
    "/access/token name",
];

/// What persons and devices write stays words in every place where it is shown, read by programs that
/// are not ours.
#[test]
fn nothing_typed_becomes_markup() {
    let cellar = Cellar::new();
    let (mut daemon, visitor) = cellar.open();
    let markup = "\"><img src=x onerror=zq()><script>zq()</script>";
    for (id, topic, payload) in [
        (
            "zq\"><zq-tag>",
            format!("shelf{markup}/float"),
            "{\"gravity\": 1.05, \"zq\\\"><zq-tag>\": 1}",
        ),
        (
            "zq\u{202e}<zq-tag>",
            format!("shelf{markup}/odd"),
            "zq<zq-tag>",
        ),
    ] {
        let said = ["-i", id, "-q", "1", "-t", &topic, "-m", payload];
        mosquitto::publish(daemon.intake_port, &said);
    }
    let claim = |topic: &str| {
        let form = until("the topic waiting to be claimed", || {
            visitor.form_where("/feeds", |form| {
                form.action == "/feeds/claim"
                    && form.get("topic").is_some_and(|t| t.ends_with(topic))
            })
        });
        visitor.submit(&form.with("name", "Float <zq-tag zq=\"1\">"));
    };
    claim("/float");
    let output = tools::client("markup.py")
        .args([&daemon.page, visitor.cookie()])
        .output()
        .expect("python starts");
    assert!(output.status.success(), "{output:?}");
    let found: Value = serde_json::from_slice(&output.stdout).expect("it says JSON");
    let list = |value: &Value| value.as_array().expect("a list").clone();
    assert!(list(&found["wrong"]).is_empty(), "{:#}", found["wrong"]);
    for field in WORDS {
        let field_found = &found["fields"][field];
        assert!(
            field_found["seen"].as_u64() >= Some(1),
            "{field} was not seen again: {field_found}"
        );
    }
    // A line of the log begins with its time, and nothing in it moves the cursor.
    for line in daemon.process.err.all() {
        assert!(line.starts_with("20") && !line.contains('\u{1b}'), "{line}");
    }
    let mut of_kind: HashMap<String, usize> = HashMap::new();
    let pages: Vec<Value> = list(&found["pages"])
        .into_iter()
        .filter(|page| {
            let path = page.as_str().unwrap_or_default();
            // Some of each kind; html5lib has seen all.
            let kind = path.replace(|c: char| c.is_ascii_digit(), "");
            let nth = of_kind.entry(kind).or_default();
            *nth += 1;
            // Files are put away by a browser, not shown.
            let is_file = [
                ".csv",
                ".json",
                ".ics",
                ".html",
                ".png",
                ".webmanifest",
                "/metrics",
            ];
            *nth <= 4 && !path.starts_with("/api/") && !is_file.iter().any(|end| path.contains(end))
        })
        .collect();
    assert!(pages.len() > 20, "{pages:?}");
    let paths = Value::from(pages).to_string();
    browse_with(
        "markup.mjs",
        &daemon.page,
        PASSWORD,
        "on",
        &[("EBBMARK_PATHS", &paths)],
    );
    daemon.stop();
}
