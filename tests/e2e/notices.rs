//! What is told how: mail with the curve in it, links that answer, quiet hours and the summary by a clock
//! that can be set, the worked examples for receivers, the topics as they are described.

use std::collections::BTreeSet;
use std::process::Command;

use ebbmark_core::notice::NoticeKind;
use ebbmark_core::verdict::outcome::Phase;
use ebbmark_tests::cellar::{Cellar, Daemon};
use ebbmark_tests::mosquitto;
use ebbmark_tests::page::Visitor;
use ebbmark_tests::ports;
use ebbmark_tests::sink::{MailSink, WebSink};
use ebbmark_tests::tools::root;
use ebbmark_tests::wait::{until, until_true};
use serde_json::{Value, json};

use crate::common::{Hands, days_ago, local, mail_to, message, publish, series, settle, text};
use crate::pages::browse_with;

/// A cellar whose daemon goes by a clock that can be set.
struct Clocked {
    cellar: Cellar,
    clock: Hands,
}

impl Clocked {
    fn new(tables: &str) -> Clocked {
        let cellar = Cellar::with(tables);
        cellar.set_password();
        let clock = Hands::of(&cellar);
        let clocked = Clocked { cellar, clock };
        clocked.set(days_ago(0));
        clocked
    }

    /// To Unix seconds; a running daemon sees it at once.
    fn set(&self, seconds: i64) {
        self.clock.set(seconds);
    }

    fn start(&self) -> Daemon {
        self.clock.start(&self.cellar)
    }
}

fn words(value: &Value) -> &str {
    value.as_str().unwrap_or_else(|| panic!("no text: {value}"))
}

/// The address in a mail that gives this answer.
fn answer_link(mail: &Value, reply: &str) -> String {
    let link = words(&mail["text"])
        .split_whitespace()
        .find(|w| w.contains(&format!("/{reply}?")));
    link.unwrap_or_else(|| panic!("no link for {reply}: {mail}"))
        .to_owned()
}

fn path_of<'a>(address: &'a str, daemon: &Daemon) -> &'a str {
    let path = address.strip_prefix(&daemon.page);
    path.unwrap_or_else(|| panic!("{address} is not at {}", daemon.page))
}

/// What somebody typed stays words on every way; the mail has the curve; and its links answer, once
/// their button is pressed, for a week.
#[test]
fn a_mail_with_the_curve_is_answered_by_its_links() {
    let mail = MailSink::start();
    let web = WebSink::start(ports::free());
    let clocked = Clocked::new(&format!(
        "{}\n[notify.webhook.phone]\nurl = \"http://{}/push\"\nheaders = {{ x-title = \"{{{{title}}}}\" }}\n",
        mail_to(mail.port),
        web.address
    ));
    let cellar = &clocked.cellar;
    let daemon = clocked.start();
    let visitor = Visitor::signed_in(&daemon.page);
    let listener = mosquitto::subscribe(daemon.intake_port, &["-v", "-t", "ebbmark/#"]);
    settle(cellar, &visitor, "Keg <b>&\"1\"</b>\r\nBcc: x@example.org");
    until_true("the mail and the call", || {
        !mail.mails().is_empty() && !web.calls().is_empty()
    });
    let told = &mail.mails()[0];
    assert_eq!(told["defects"], json!([]));
    // RFC 5322, 2.1.1.
    assert!(told["longest_line"].as_u64() <= Some(998), "{told}");
    assert_eq!(
        told["shape"],
        json!([
            "multipart/related",
            ["multipart/alternative", "text/plain", "text/html"],
            "image/png"
        ])
    );
    let headers = told["headers"].as_array().unwrap();
    assert!(!headers.iter().any(|h| h == "Bcc"), "{headers:?}");
    assert!(
        words(&told["subject"]).starts_with("Keg <b>&\"1\"</b> Bcc: x@example.org: "),
        "{told}"
    );
    assert_eq!(told["to"], json!(["maker@example.org"]));
    let html = words(&told["html"]);
    assert!(
        html.contains("Keg &lt;b&gt;&amp;&quot;1&quot;&lt;/b&gt;") && !html.contains("<b>"),
        "{html}"
    );
    let picture = &told["pictures"][0];
    assert_eq!(
        (&picture["format"], &picture["disposition"]),
        (&json!("PNG"), &json!("inline"))
    );
    assert_eq!(picture["id"], "<curve-1>");
    assert!(html.contains("src=\"cid:curve-1\"") && html.matches("<img").count() == 1);
    assert!(
        picture["width"].as_u64() >= Some(600) && picture["colours"].as_u64() > Some(8),
        "a curve, not a blank"
    );
    let said = words(&told["text"])
        .lines()
        .find_map(|l| l.strip_prefix("The curve: "));
    let said = said.unwrap_or_else(|| panic!("no words for the picture: {told}"));
    let alt = said
        .replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;");
    assert!(html.contains(&format!("alt=\"{alt}\"")), "{said}\n{html}");
    assert!(
        html.contains(&format!("href=\"{}/vessel/1\"", daemon.page)),
        "{html}"
    );

    // The same by the other ways: JSON that is JSON, a header and a topic of one line.
    let call = &web.calls()[0];
    let body: Value = serde_json::from_str(&call.body).unwrap();
    assert_eq!(body["vessel"], "Keg <b>&\"1\"</b> Bcc: x@example.org");
    assert!(body["gravity"].as_f64().is_some_and(|g| g < 1.01), "{body}");
    assert!(
        call.headers
            .iter()
            .any(|h| h.starts_with("x-title: Keg <b>&\"1\"</b> Bcc: x")),
        "{call:?}"
    );
    listener
        .out
        .wait_for_part("ebbmark/vessel/keg-b-1-b-bcc-x-example-org/notice {");

    in_a_browser(cellar, "mail", told);

    // Nobody is signed in; opening changes nothing, whoever opens it.
    let stranger = Visitor::new(&daemon.page);
    let seen = answer_link(told, "seen");
    assert_eq!(body["answer"], Value::String(seen.clone()));
    let answered = || {
        cellar
            .database()
            .count("SELECT count(*) FROM notice WHERE seen IS NOT NULL")
    };
    for _ in 0..2 {
        let page = stranger.get(path_of(&seen, &daemon));
        assert_eq!(page.status, 200, "{}", page.body);
        assert_eq!(page.body.matches("<button").count(), 1);
    }
    assert_eq!(answered(), 0);
    let altered = seen.replace("/seen?", "/tomorrow?");
    assert_eq!(stranger.get(path_of(&altered, &daemon)).status, 403);
    assert_eq!(stranger.press(path_of(&altered, &daemon)).status, 403);
    assert_eq!(answered(), 0);
    let link = [("EBBMARK_LINK", path_of(&seen, &daemon))];
    browse_with("answer.mjs", &daemon.page, "", "", &link);
    assert_eq!(answered(), 1);

    // A week on it is too old.
    clocked.set(days_ago(-8));
    let tomorrow = answer_link(told, "tomorrow");
    for answer in [
        stranger.get(path_of(&tomorrow, &daemon)),
        stranger.press(path_of(&tomorrow, &daemon)),
    ] {
        assert_eq!(answer.status, 410, "{}", answer.body);
        assert!(answer.body.contains("Sign in"), "{}", answer.body);
    }
    assert_eq!(
        cellar
            .database()
            .count("SELECT count(*) FROM notice WHERE again IS NOT NULL"),
        0
    );
}

/// The HTML with its picture beside it, as a mail program puts them together.
fn in_a_browser(cellar: &Cellar, name: &str, mail: &Value) {
    let encoded = cellar.file("curve-1.txt", words(&mail["pictures"][0]["base64"]));
    let decoded = Command::new("base64").arg("-d").arg(encoded).output();
    let decoded = decoded.expect("base64 is part of every system");
    assert!(decoded.status.success(), "{decoded:?}");
    cellar.file("curve-1.png", decoded.stdout);
    let html = words(&mail["html"]).replace("cid:curve-1", "curve-1.png");
    let file = cellar.file("mail.html", html);
    let more = [
        ("EBBMARK_MAIL", &*file.to_string_lossy()),
        ("EBBMARK_NAME", name),
    ];
    browse_with("mail.mjs", "", "", "", &more);
}

/// In the night nothing comes but what presses; in the morning one message, and the summary at its time.
/// Neither is lost or doubled by a restart in between.
#[test]
fn a_night_and_a_summary_by_the_clock() {
    let mail = MailSink::start();
    let gathering = mail_to(mail.port).replace("gather-minutes = 0", "gather-minutes = 1");
    let clocked = Clocked::new(&gathering);
    let cellar = &clocked.cellar;
    let now = days_ago(0);
    let mut daemon = clocked.start();
    let visitor = Visitor::signed_in(&daemon.page);
    let clock = |seconds| local(seconds).split_once('T').unwrap().1.to_owned();
    let wanted = visitor
        .form("/notices/ways", "/notices/ways")
        .with("quiet-from", &clock(now - 3600))
        .with("quiet-until", &clock(now + 3600))
        .with("summary", "every-day")
        .with("summary-at", &clock(now + 7200));
    visitor.submit(&wanted);
    settle(cellar, &visitor, "Jar");
    let sent = |way: &str| {
        let all = cellar.database().deliveries();
        all.iter()
            .filter(|(_, by, state)| by == way && state == "sent")
            .count()
    };
    until_true("the log and the topic, which do not wait", || {
        sent("log") == 1 && sent("mqtt") == 1
    });
    let page = visitor.page("/notices");
    assert!(page.contains("waits for the quiet hours to end"), "{page}");
    daemon.stop();
    assert_eq!((sent("mail"), mail.mails().len()), (0, 0));

    clocked.set(now + 3600 + 120);
    let mut daemon = clocked.start();
    daemon.process.err.wait_for_part("Ebbmark was down");
    clocked.set(now + 3600 + 240);
    until_true("the mail after the night", || {
        mail.mails().len() == 1 && sent("mail") >= 1
    });
    let subject = words(&mail.mails()[0]["subject"]).to_owned();
    // The daemon was down the while, which is told with it.
    assert!(
        subject.contains("Ebbmark was down") && subject.contains("1 notice more"),
        "{subject}"
    );
    assert!(words(&mail.mails()[0]["text"]).contains("gravity has stopped falling"));

    clocked.set(now + 7200 + 120);
    let summary = until("the summary", || {
        let mails = mail.mails();
        mails
            .into_iter()
            .find(|m| words(&m["subject"]).starts_with("The cellar on "))
    });
    assert!(words(&summary["text"]).contains("Jar: "), "{summary}");
    assert_eq!(
        summary["shape"][2], "image/png",
        "the mead that wants something is shown"
    );
    in_a_browser(cellar, "summary", &summary);
    until_true("it written down", || sent("mail") == 3);
    daemon.stop();
    let mut daemon = clocked.start();
    // A test goes all the way round: a second summary would come before it.
    let visitor = Visitor::signed_in(&daemon.page);
    let form = visitor
        .form_where("/notices", |f| f.get("channel") == Some("mail"))
        .unwrap();
    visitor.submit(&form);
    until_true("the test", || {
        mail.mails()
            .iter()
            .any(|m| words(&m["subject"]).contains("A test"))
    });
    daemon.stop();
    let summaries = mail.mails();
    let summaries = summaries
        .iter()
        .filter(|m| words(&m["subject"]).starts_with("The cellar on "));
    assert_eq!(summaries.count(), 1);
    assert_eq!(
        cellar
            .database()
            .count("SELECT count(*) FROM notice WHERE kind = 'summary'"),
        1
    );
}

/// Each of the examples as it stands in the file, against a receiver of ours.
#[test]
fn the_examples_for_receivers_work_as_they_stand() {
    let file = std::fs::read_to_string(root().join("config/notices.toml")).unwrap();
    let web = WebSink::start(ports::free());
    let hooks = file.split("[notify.webhook.").skip(1).map(|h| {
        let hook = h.split("\n# ").next().unwrap();
        let (before, rest) = hook.split_once("url = \"https://").unwrap();
        let (_, rest) = rest.split_once(".example.org/").unwrap();
        format!(
            "[notify.webhook.{before}url = \"http://{}/{rest}\n",
            web.address
        )
    });
    // The files of their secrets are of this machine.
    let hooks = hooks.collect::<String>();
    let cellar = Cellar::new();
    let files = cellar.path("").display().to_string();
    cellar.configure(&hooks.replace("/etc/ebbmark/", &files));
    cellar.file("bell-token", "an-invented-token\n");
    cellar.file("board-key", "an-invented-key\n");
    let output = cellar.ebbmark(&["test-notice"]);
    let said = text(&output);
    for name in ["bell", "board", "phone"] {
        assert!(said.contains(&format!("{name}: sent")), "{said}");
    }
    let calls = web.calls();
    let call = |path: &str| {
        let found = calls.iter().find(|c| c.request.contains(path));
        found.unwrap_or_else(|| panic!("{path}: {calls:?}"))
    };
    let title = "Ebbmark: a test";
    let body = "If you can read this, notices come through this way.";
    let json: Value = serde_json::from_str(&call("POST /ring ").body).unwrap();
    assert_eq!(
        json,
        json!({ "text": title, "more": body, "sg": null, "open": "" })
    );
    let bearer = "authorization: Bearer an-invented-token";
    assert!(call("POST /ring ").headers.iter().any(|h| h == bearer));
    // As any reader of forms takes it: what is not a letter comes as %XX.
    assert_eq!(
        call("POST /post ").body,
        "key=an-invented-key&subject=Ebbmark%3A%20a%20test&message=If%20you%20can%20read%20this%2C%20notices\
         %20come%20through%20this%20way.&url="
    );
    let plain = call("PUT /an-invented-topic ");
    assert_eq!(plain.body, body);
    let header = |name: &str| plain.headers.iter().find_map(|h| h.strip_prefix(name));
    assert_eq!(header("x-title: "), Some(title));
    assert_eq!(header("content-type: "), Some("text/plain; charset=utf-8"));
}

/// What is said of the topics in DEVELOPERS.md: topic with its fields.
fn described() -> Vec<(String, BTreeSet<String>)> {
    let document = document("DEVELOPERS.md");
    let (_, section) = document
        .split_once("\n## Topics under ebbmark/\n")
        .expect("the section");
    let section = section.split("\n## ").next().unwrap_or_default();
    let mut topics: Vec<(String, BTreeSet<String>)> = Vec::new();
    for line in section.lines() {
        if let Some(topic) = line.strip_prefix("**`").and_then(|l| l.split('`').next()) {
            topics.push((topic.to_owned(), BTreeSet::new()));
        } else if let (Some(row), Some((_, fields))) = (line.strip_prefix("| `"), topics.last_mut())
        {
            let names = row.split(" |").next().unwrap_or_default().split('`');
            fields.extend(
                names
                    .map(str::trim)
                    .filter(|n| !n.is_empty() && *n != ",")
                    .map(str::to_owned),
            );
        }
    }
    topics
}

fn document(name: &str) -> String {
    std::fs::read_to_string(root().join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

#[test]
fn every_kind_is_named_where_kinds_are_listed() {
    let topics = document("DEVELOPERS.md");
    let (_, topics) = topics.split_once("\n## Topics under ebbmark/\n").unwrap();
    let examples = document("config/notices.toml");
    for kind in NoticeKind::ALL {
        assert!(topics.contains(&format!("`{}`", kind.key())), "{kind:?}");
        assert!(examples.contains(kind.key()), "{kind:?}");
    }
    for phase in Phase::ALL {
        assert!(topics.contains(&format!("`{}`", phase.key())), "{phase:?}");
    }
}

fn is_of(topic: &str, pattern: &str) -> bool {
    let (topic, pattern) = (topic.split('/'), pattern.split('/'));
    topic.clone().count() == pattern.clone().count()
        && topic
            .zip(pattern)
            .all(|(is, wanted)| wanted.starts_with('<') || is == wanted)
}

/// Every name in it, with those above it: "gates.rack.open".
fn names(value: &Value, above: &str, found: &mut BTreeSet<String>) {
    match value {
        Value::Object(fields) => {
            for (name, value) in fields {
                let name = if above.is_empty() {
                    name.clone()
                } else {
                    format!("{above}.{name}")
                };
                names(value, &name, found);
            }
        }
        Value::Array(items) if above.is_empty() => {
            for item in items {
                names(item, above, found);
            }
        }
        _ => {
            found.insert(above.to_owned());
        }
    }
}

#[test]
fn the_topics_are_as_they_are_described() {
    let described = described();
    let cellar = Cellar::with("[notify]\nmqtt = true\ngather-minutes = 0\n");
    let (daemon, visitor) = cellar.open();
    settle(&cellar, &visitor, "Jar");
    // Two that fall, on floats with a hand reading: one that agrees, one that does not.
    let falling = series("dry", 6, "60");
    let last = falling.trim_end().lines().last().unwrap();
    let row: Vec<&str> = last.split(',').collect();
    let file = cellar.file("falling.csv", &falling);
    for (name, gravity) in [("Vat", row[1]), ("Keg", "1.040")] {
        let vessel = visitor.add_vessel(name);
        visitor.start_mead(&vessel, &local(days_ago(6)), "1.100", "1.000");
        assert!(cellar.import(&file, name).status.success());
        let log = json!({ "what": "hand-reading", "at": row[0], "gravity": gravity }).to_string();
        let topic = format!("cellar/{}/log", name.to_lowercase());
        publish(daemon.intake_port, &[], &[message(&topic, &log, 1)]);
    }
    assert!(described.len() >= 4, "{described:?}");
    // Whatever has parts has been seen with them.
    let wanted = [
        ("ebbmark/tasks", "[{"),
        ("ebbmark/notice/settled", "{"),
        ("ebbmark/notice/float-disagrees", "{"),
        ("ebbmark/vessel/jar/notice", "{"),
        ("ebbmark/vessel/vat/verdict", "\"trued\":{"),
        ("ebbmark/vessel/vat/verdict", "\"settles_at\":{"),
        ("ebbmark/vessel/vat/verdict", "\"final_gravity\":{"),
        ("ebbmark/vessel/keg/verdict", "\"disagrees\":{"),
    ];
    let listener = mosquitto::subscribe(daemon.intake_port, &["-v", "-t", "ebbmark/#"]);
    for (topic, part) in wanted {
        until_true(&format!("{topic} with {part}"), || {
            let lines = listener.out.all();
            let of = lines.iter().filter(|l| l.contains(&format!(" {topic} ")));
            of.into_iter().any(|l| l.contains(part))
        });
    }
    let mut seen: Vec<BTreeSet<String>> = vec![BTreeSet::new(); described.len()];
    for line in listener.out.all() {
        // Before it stands whether it came as retained.
        let (_, said) = line.split_once(' ').unwrap();
        let (topic, payload) = said.split_once(' ').unwrap();
        let which = described
            .iter()
            .position(|(pattern, _)| is_of(topic, pattern));
        let which = which.unwrap_or_else(|| panic!("{topic} is not described"));
        if payload.is_empty() {
            continue;
        }
        let payload: Value = serde_json::from_str(payload).unwrap();
        names(&payload, "", &mut seen[which]);
    }
    for ((topic, fields), seen) in described.iter().zip(&seen) {
        assert!(!seen.is_empty(), "{topic} was never published");
        // What is null, or an empty part, stands for all below it.
        for name in seen {
            let known =
                fields.contains(name) || fields.iter().any(|f| f.starts_with(&format!("{name}.")));
            assert!(known, "{topic}: {name} is not described");
        }
        for field in fields {
            assert!(
                seen.contains(field),
                "{topic}: {field} is described, and was never seen"
            );
        }
    }
}
