//! What is to be done: through the page by a thumb, and as a calendar another program reads.

use ebbmark_tests::cellar::{Cellar, PASSWORD};
use ebbmark_tests::page::Visitor;
use ebbmark_tests::tools;
use serde_json::Value;

use crate::common::{days_ago, local, rfc3339};
use crate::pages::browse;

/// What the foreign library finds in a calendar.
fn read(text: &str) -> Value {
    tools::told("read_calendar.py", text)
}

/// A mead on fruit that went in then (Unix seconds).
fn on_fruit(visitor: &Visitor, name: &str, fruit: &str, put_in: i64) -> String {
    let vessel = visitor.add_vessel(name);
    let start = visitor
        .form(&vessel, &format!("{vessel}/batch"))
        .with("name", "Fig; \"dry\", 蜂蜜\\酒")
        .with("started", &local(days_ago(40)))
        .with("steep-1-name", fruit)
        .with("steep-1-days", "10");
    visitor.submit(&start);
    let added = visitor
        .form(&vessel, &format!("{vessel}/deed"))
        .with("what", "addition")
        .with("at", &local(put_in))
        .with("note", fruit);
    visitor.submit(&added);
    vessel
}

#[test]
fn another_program_reads_the_calendar() {
    let cellar = Cellar::new();
    let (_daemon, visitor) = cellar.open();
    let fruit = "figs, dried; scalded and chopped, from the tree behind the house, 蜂蜜漬け";
    let put_in = days_ago(1);
    let vessel = on_fruit(&visitor, "Cask, by the \\ stairs; left", fruit, put_in);
    let made = visitor.send(&visitor.form("/access", "/access/calendar"));
    let (_, rest) = made
        .body
        .split_once("/tasks.ics?key=")
        .expect("the address is shown");
    let key = rest.split('"').next().unwrap_or_default();
    // As a phone asks: without the cookie.
    let phone = Visitor::new(visitor.base());
    let feed = phone.page(&format!("/tasks.ics?key={key}"));
    let found = read(&feed);
    let events = found["events"].as_array().expect("a list");
    let of = |events: &[Value], words: &str| -> Value {
        let is_it = |e: &&Value| e["summary"].as_str().is_some_and(|s| s.contains(words));
        events
            .iter()
            .find(is_it)
            .unwrap_or_else(|| panic!("no {words} in {events:?}"))
            .clone()
    };
    let push = of(events, "push down");
    assert_eq!(
        push["summary"],
        format!("Cask, by the \\ stairs; left: push down the {fruit}")
    );
    let description = push["description"].as_str().expect("words");
    assert!(
        description.starts_with("Fig; \"dry\", 蜂蜜\\酒, "),
        "{description}"
    );
    // A form takes whole minutes.
    let days_on = |days: i64| {
        let minute = put_in / 60 * 60 + days * 86_400;
        rfc3339(minute).replace('Z', "+00:00")
    };
    assert_eq!(push["start"], days_on(2));
    assert_eq!(push["alarms"], serde_json::json!(["DISPLAY"]));
    assert_eq!(of(events, "take out")["start"], days_on(10));
    // Nobody has read it for 40 days: due, so on the day it is, whole.
    let reading = of(events, "hand reading");
    assert_eq!(
        reading["start"].as_str().map(str::len),
        Some("2026-03-01".len())
    );
    assert_eq!(reading["alarms"], serde_json::json!([]));

    // The same events at the next look.
    let uids = |found: &Value| -> Vec<Value> {
        let events = found["events"].as_array().expect("a list").iter();
        events.map(|e| e["uid"].clone()).collect()
    };
    let again = read(&phone.page(&format!("/tasks.ics?key={key}")));
    assert_eq!(uids(&again), uids(&found));
    // Pushed down today: another event, two days on.
    let deed = visitor
        .form(&vessel, &format!("{vessel}/deed"))
        .with("what", "push-down");
    visitor.submit(&deed);
    let after = read(&phone.page(&format!("/tasks.ics?key={key}")));
    let next = of(after["events"].as_array().expect("a list"), "push down");
    assert_ne!(next["uid"], push["uid"]);
}

#[test]
fn tasks_are_answered_by_taps_on_a_phone() {
    for scripts in ["off", "on"] {
        let cellar = Cellar::new();
        let (daemon, visitor) = cellar.open();
        on_fruit(&visitor, "Cask", "figs", days_ago(3));
        on_fruit(&visitor, "Jar", "cherries", days_ago(3));
        browse("tasks.mjs", &daemon.page, PASSWORD, scripts);
    }
}
