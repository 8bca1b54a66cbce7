//! A mead settles, and the maker hears of it once by every way out.

use ebbmark_tests::cellar::Cellar;
use ebbmark_tests::mosquitto;
use ebbmark_tests::ports;
use ebbmark_tests::sink::{MailSink, WebSink};
use ebbmark_tests::wait::until_true;

use crate::common::{errors, mail_to, settle};

fn ways_out(mail_port: u16, web_port: u16) -> String {
    let mail = mail_to(mail_port);
    format!(
        r#"{mail}
[notify.webhook.phone]
url = "http://127.0.0.1:{web_port}/push?key=secret"
headers = {{ authorization = "Bearer 0123" }}
body = '{{"message":"{{{{title}}}}","more":"{{{{body}}}}","about":"{{{{vessel}}}}","kind":"{{{{kind}}}}"}}'
"#
    )
}

#[test]
fn a_settled_mead_is_told_once_by_every_way_out() {
    let mail = MailSink::start();
    let web_port = ports::free();
    let cellar = Cellar::with(&ways_out(mail.port, web_port));
    let (mut daemon, visitor) = cellar.open();
    let mut listener = mosquitto::subscribe(daemon.intake_port, &["-v", "-t", "ebbmark/#"]);
    settle(&cellar, &visitor, "North \"cask\"");

    // Nobody listens for the call yet: it is written down as a failure, and the rest goes out.
    let states = || cellar.database().deliveries();
    until_true("the mail, the log, the topic and the failed call", || {
        let all = states();
        let sent = all.iter().filter(|(_, _, state)| state == "sent").count();
        let tried = cellar
            .database()
            .count("SELECT count(*) FROM delivery WHERE channel = 'phone' AND attempts > 0");
        sent == 3 && tried == 1
    });
    assert!(visitor.page("/notices").contains("not through after 1 try"));
    let mails = mail.mails();
    assert_eq!(mails.len(), 1, "{mails:?}");
    assert_eq!(mails[0]["to"][0], "maker@example.org");
    assert!(
        mails[0]["subject"].as_str().unwrap().contains("cask"),
        "{mails:?}"
    );
    listener.out.wait_for_part("ebbmark/notice/settled {");
    listener
        .out
        .wait_for_part("ebbmark/vessel/north-cask/notice {");
    listener.kill();
    // Retained: who comes later hears it too.
    let late = mosquitto::subscribe(daemon.intake_port, &["-t", "ebbmark/notice/settled"]);
    late.out.wait_for("the retained notice", |line| {
        line.starts_with("1 ebbmark/notice/settled {").then_some(())
    });

    // The server comes back; the daemon, restarted meanwhile, gets the call through. The time of
    // the next try is in the database, so a restart does not lose it.
    let web = WebSink::start(web_port);
    daemon.stop();
    let mut daemon = cellar.start();
    until_true("the call", || !web.calls().is_empty());
    until_true("all four written down as sent", || {
        states().iter().all(|(_, _, state)| state == "sent")
    });
    let calls = web.calls();
    assert_eq!(calls.len(), 1, "{calls:?}");
    assert!(
        calls[0].request.starts_with("POST /push?key=secret "),
        "{calls:?}"
    );
    assert!(
        calls[0]
            .headers
            .iter()
            .any(|h| h.eq_ignore_ascii_case("authorization: Bearer 0123"))
    );
    let body: serde_json::Value = serde_json::from_str(&calls[0].body).unwrap();
    assert_eq!(body["kind"], "settled");
    assert_eq!(body["about"], "North \"cask\"");

    let all = states();
    let ways: Vec<&str> = all.iter().map(|(_, way, _)| way.as_str()).collect();
    assert_eq!(ways, ["log", "mail", "mqtt", "phone"]);
    assert!(all.iter().all(|(kind, ..)| kind == "settled"), "{all:?}");
    daemon.stop();
    assert_eq!(mail.mails().len(), 1);
    assert_eq!(web.calls().len(), 1);
    // The secret after the host is not shown to whoever may look.
    assert!(!daemon.process.err.all().join("\n").contains("key=secret"));
}

#[test]
fn a_test_notice_goes_out_by_each_way_and_says_what_failed() {
    let mail = MailSink::start();
    let web = WebSink::start(ports::free());
    let cellar = Cellar::with(&ways_out(mail.port, web.address.port()));
    let output = cellar.ebbmark(&["test-notice"]);
    let said = crate::common::text(&output);
    assert!(
        said.contains("mail: sent") && said.contains("phone: sent"),
        "{said}"
    );
    assert_eq!((mail.mails().len(), web.calls().len()), (1, 1));

    let output = cellar.ebbmark(&["test-notice", "pigeon"]);
    assert!(!output.status.success());
    assert!(
        errors(&output).contains("phone"),
        "names the ways there are"
    );

    drop(web);
    let output = cellar.ebbmark(&["test-notice", "phone"]);
    assert!(!output.status.success());
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(said.contains("phone: failed"), "{said}");
    assert!(!said.contains("key=secret"), "{said}");
}

#[test]
fn a_test_from_the_page_goes_through_the_queue() {
    let mail = MailSink::start();
    let cellar = Cellar::with(&ways_out(mail.port, ports::free()));
    let (_daemon, visitor) = cellar.open();
    let form = visitor
        .form_where("/notices", |f| f.get("channel") == Some("mail"))
        .unwrap();
    visitor.submit(&form);
    // A second tap on the same form is one notice.
    visitor.submit(&form);
    until_true("the mail", || !mail.mails().is_empty());
    until_true("it written down", || {
        visitor.page("/notices").contains("mail: sent")
    });
    assert_eq!(mail.mails().len(), 1);
}
