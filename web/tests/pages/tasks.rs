use axum::http::StatusCode;
use ebbmark_core::deed::{Deed, What};
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::plan::{By, Finish, Pack};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::verdict::outcome::Phase;
use ebbmark_store::model::{Command, LogLine};

use crate::ask::{Answer, Cellar, Maker, cellar, noon};

const PLAN: &str = "style=dry%2C+on+figs&target=1.002&strength=13&steps=3&by=hours&rouse=yes\
    &steep-1-name=figs&steep-1-days=10&steep-1-push=2&steep-2-name=&steep-2-days=&steep-2-push=2\
    &finish=sweetened&fine=&pack=keg&sparkling=yes";

async fn done(cellar: &Cellar, vessel: VesselId, what: What, note: &str, days_ago: i64) {
    let at = noon() - Span::days(days_ago);
    let deed = Deed {
        note: note.to_owned(),
        ..Deed::new(at, what)
    };
    let log = Command::Log {
        vessel,
        deed,
        hand: None,
        once: None,
        made_at: at,
    };
    cellar.writer.command(log).await.unwrap();
}

/// A mead whose fruit has been in for three days and was not pushed down.
async fn on_figs(cellar: &Cellar, maker: &Maker<'_>) -> (VesselId, BatchId) {
    let cask = cellar.vessel("Cask").await;
    let batch = cellar.mead(cask, "Fig <dry>", 40).await;
    let page = format!("/vessel/{cask}");
    let facts = "name=Fig+%3Cdry%3E&started=2026-01-20T13%3A00&original=1.1&expected=1.0";
    let edited = maker
        .send(
            &page,
            &format!("{page}/batch/{batch}"),
            &format!("{facts}&{PLAN}"),
        )
        .await;
    assert_eq!(edited.status, StatusCode::SEE_OTHER, "{}", edited.text);
    done(cellar, cask, What::Addition, "1.2 kg dried fig", 3).await;
    (cask, batch)
}

fn lines(cellar: &Cellar, vessel: VesselId, what: What) -> Vec<LogLine> {
    let mut log = cellar
        .reader
        .log(vessel, Moment(0), noon() + Span::days(30))
        .unwrap();
    log.retain(|l| l.deed.what == what);
    log
}

/// Key of the first task on a page whose key begins so.
fn key(page: &Answer, kind: &str) -> String {
    let start = format!("name=\"task\" value=\"{kind}:");
    let (_, rest) = page
        .text
        .split_once(&start)
        .unwrap_or_else(|| panic!("no {kind} in {}", page.text));
    format!("{kind}:{}", rest.split('"').next().unwrap())
}

#[tokio::test]
async fn a_plan_comes_out_of_the_form_as_it_went_in() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    let (cask, batch) = on_figs(&cellar, &maker).await;
    let plan = cellar.reader.batch(batch).unwrap().unwrap().plan;
    assert_eq!(plan.style, "dry, on figs");
    assert_eq!(plan.gravity.unwrap().get(), 1.002);
    let nutrient = plan.nutrient.unwrap();
    assert_eq!((nutrient.steps, nutrient.by), (3, By::Hours));
    assert_eq!(plan.steeps.len(), 1);
    assert_eq!(
        (plan.steeps[0].days, plan.steeps[0].push_every),
        (Some(10), 2)
    );
    assert_eq!(
        (plan.finish, plan.pack),
        (Some(Finish::Sweetened), Some(Pack::Keg))
    );
    assert!(plan.rouse && plan.sparkling && !plan.fine);

    let page = format!("/vessel/{cask}");
    let shown = maker.get(&page).await.text;
    assert!(
        shown.contains("dry, on figs, 1.0020 in the glass, 13 % vol"),
        "{shown}"
    );
    // A form that does not ask for it leaves it alone.
    let to = format!("{page}/batch/{batch}");
    maker
        .send(&page, &to, "name=Fig&started=&original=&expected=")
        .await;
    assert_eq!(cellar.reader.batch(batch).unwrap().unwrap().plan, plan);
    let bad = PLAN.replace("steep-1-days=10", "steep-1-days=ten");
    let refused = maker.send(&page, &to, &format!("name=Fig&{bad}")).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        refused.text.contains("not a whole number from 1 to 730"),
        "{}",
        refused.text
    );
    assert_eq!(cellar.reader.batch(batch).unwrap().unwrap().plan, plan);
}

#[tokio::test]
async fn done_writes_one_line_however_often_it_is_tapped() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    let (cask, batch) = on_figs(&cellar, &maker).await;
    let page = maker.get("/tasks").await;
    assert!(page.text.contains("Push down the figs"), "{}", page.text);
    assert!(page.text.contains("Fig &lt;dry&gt;"));
    assert!(maker.get("/").await.text.contains("Push down the figs"));
    let (key, once) = (key(&page, "push-down"), page.field("once"));
    let to = format!("/tasks/{batch}");
    let form = format!("answer=done&task={key}");
    for _ in 0..2 {
        let answer = maker.send_once("/tasks", &to, &form, &once).await;
        assert_eq!(answer.header("location"), "/tasks?done=task-done");
    }
    // Another phone, which had the page open since before.
    let second = maker.send_once("/tasks", &to, &form, "another").await;
    assert_eq!(second.header("location"), "/tasks?done=task-gone");
    let pushed = lines(&cellar, cask, What::PushDown);
    assert_eq!(pushed.len(), 1);
    assert_eq!(pushed[0].deed.note, "figs");
    assert_eq!(pushed[0].deed.at, noon());
    let after = maker.get("/tasks?done=task-done").await.text;
    assert!(after.contains("written in the book"));
    assert!(after.contains("Tue 3 Mar"), "the next in two days: {after}");
}

#[tokio::test]
async fn later_and_not_this_time() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    let (cask, batch) = on_figs(&cellar, &maker).await;
    let vessel = format!("/vessel/{cask}");
    let to = format!("/tasks/{batch}");
    let key = key(&maker.get("/tasks").await, "push-down");
    let form = format!("answer=tomorrow&task={key}&from=vessel");
    let answer = maker.send(&vessel, &to, &form).await;
    assert_eq!(
        answer.header("location"),
        format!("{vessel}?done=task-later")
    );
    let shown = maker.get(&vessel).await.text;
    assert!(shown.contains("Put off until Mon 2 Mar 08:00"), "{shown}");
    for (until, says) in [("2026-02-01T10%3A00", "is past"), ("", "not a date")] {
        let form = format!("answer=later&until={until}&task={key}");
        let refused = maker.send("/tasks", &to, &form).await;
        assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(refused.text.contains(says), "{}", refused.text);
    }
    let form = format!("answer=later&until=2026-03-05T10%3A00&task={key}");
    maker.send("/tasks", &to, &form).await;
    assert!(
        maker
            .get("/tasks")
            .await
            .text
            .contains("Put off until Thu 5 Mar 10:00")
    );
    let form = format!("answer=not-this-time&task={key}");
    let answer = maker.send("/tasks", &to, &form).await;
    assert_eq!(answer.header("location"), "/tasks?done=task-not");
    let text = maker.get("/tasks").await.text;
    assert!(
        !text.contains(&key) && text.contains("Push down the figs"),
        "the next one: {text}"
    );
    assert!(lines(&cellar, cask, What::PushDown).is_empty());
}

#[tokio::test]
async fn a_shut_gate_and_a_missing_number_take_no_bare_done() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    let cask = cellar.vessel("Cask").await;
    let batch = cellar.mead(cask, "Linden", 20).await;
    cellar
        .judge_as(cask, batch, Phase::Slowing, "It falls.", |v| {
            v.gates.rack.opens = Some(noon() + Span::days(3));
        })
        .await;
    let page = maker.get("/tasks").await;
    assert!(page.text.contains("Rack it off its lees"), "{}", page.text);
    assert!(page.text.contains("Nothing is due."));
    let rack = key(&page, "rack");
    let to = format!("/tasks/{batch}");
    let form = format!("answer=done&task={rack}");
    let refused = maker.send("/tasks", &to, &form).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(lines(&cellar, cask, What::Rack).is_empty());
    cellar
        .judge_as(cask, batch, Phase::Settled, "It is still.", |v| {
            v.gates.rack.open = true;
            v.gates.seal.wants_reading = true;
        })
        .await;
    let page = maker.get("/tasks").await;
    let reading = key(&page, "hand-reading");
    assert!(page.text.contains(&format!("/vessel/{cask}#hand")));
    let form = format!("answer=done&task={reading}");
    let refused = maker.send("/tasks", &to, &form).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    let form = format!("answer=done&task={rack}");
    let answer = maker.send("/tasks", &to, &form).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER);
    assert_eq!(lines(&cellar, cask, What::Rack).len(), 1);
    let unheard = maker.send("/tasks", &to, "answer=perhaps").await;
    assert_eq!(unheard.status, StatusCode::UNPROCESSABLE_ENTITY);
    let nowhere = maker.send("/tasks", "/tasks/77", &form).await;
    assert_eq!(nowhere.header("location"), "/tasks?done=task-gone");
}

#[tokio::test]
async fn who_may_not_write_may_look() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    let (_, batch) = on_figs(&cellar, &maker).await;
    assert_eq!(cellar.get("/tasks").await.status, StatusCode::SEE_OTHER);
    cellar.set("public-view", "yes").await;
    let page = cellar.get("/tasks").await;
    assert!(page.text.contains("Push down the figs"));
    assert!(!page.text.contains("<form"));
    let posted = cellar
        .post(&format!("/tasks/{batch}"), "answer=not-this-time&task=x")
        .await;
    assert_eq!(posted.header("location"), "/enter?then=%2F");
}

#[tokio::test]
async fn the_calendar_is_read_by_its_key_alone() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    let (_, batch) = on_figs(&cellar, &maker).await;
    for path in ["/tasks.ics", "/tasks.ics?key=", "/tasks.ics?key=abc"] {
        let refused = cellar.get(path).await;
        assert_eq!(refused.status, StatusCode::FORBIDDEN, "{path}");
        assert!(!refused.text.contains("figs"));
    }
    let address = |page: &Answer| {
        let (_, rest) = page.text.split_once("href=\"/tasks.ics?key=").unwrap();
        format!("/tasks.ics?key={}", rest.split('"').next().unwrap())
    };
    let made = maker.send("/access", "/access/calendar", "").await;
    let feed = address(&made);
    // The key itself is kept nowhere.
    let kept = cellar.reader.setting("calendar-key-hash").unwrap().unwrap();
    assert!(!feed.contains(&kept));
    let calendar = cellar.get(&feed).await;
    assert_eq!(calendar.status, StatusCode::OK);
    assert_eq!(
        calendar.header("content-type"),
        "text/calendar; charset=utf-8"
    );
    let text = calendar.text.replace("\r\n ", "");
    assert!(
        text.contains("SUMMARY:Cask: push down the figs\r\n"),
        "{text}"
    );
    // Due yesterday: it stands on the day it is.
    assert!(text.contains("DTSTART;VALUE=DATE:20260301\r\n"), "{text}");
    // Taken out ten days after it went in, in UTC.
    assert!(text.contains("DTSTART:20260308T120000Z\r\n"), "{text}");
    let uids = |text: &str| -> Vec<String> {
        text.lines()
            .filter(|l| l.starts_with("UID:"))
            .map(str::to_owned)
            .collect()
    };
    let before = uids(&text);
    assert!(
        before
            .iter()
            .all(|u| u.contains(&format!(".mead-{batch}@"))),
        "{before:?}"
    );
    cellar.later(Span::minutes(10));
    let again = cellar.get(&feed).await.text.replace("\r\n ", "");
    assert_eq!(uids(&again), before);
    // A new address ends the old one.
    let made = maker.send("/access", "/access/calendar", "").await;
    assert_eq!(cellar.get(&feed).await.status, StatusCode::FORBIDDEN);
    assert_eq!(cellar.get(&address(&made)).await.status, StatusCode::OK);
}
