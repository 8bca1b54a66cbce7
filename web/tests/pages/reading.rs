use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use ebbmark_core::notice::NoticeKind;
use ebbmark_core::time::Span;
use ebbmark_core::verdict::outcome::Phase;
use ebbmark_store::model::{Arrival, Command, DeliveryOutcome, Done, NewNotice, Stamp};

use crate::ask::{Cellar, cellar, noon};

const MARKUP: &str = "<script>alert('x')</script>\"><b>";

#[tokio::test]
async fn the_cellar_is_in_order_of_urgency() {
    let cellar = cellar().await;
    let phases = [
        ("falling", Phase::Active),
        ("quiet", Phase::NoData),
        ("settled", Phase::Settled),
        ("stuck", Phase::Stuck),
        ("resting", Phase::Resting),
        ("again", Phase::Restarted),
    ];
    for (name, phase) in phases {
        let vessel = cellar.vessel(name).await;
        let batch = cellar.mead(vessel, "mead", 20).await;
        let sentence = format!("sentence of {name}");
        cellar
            .judge_as(vessel, batch, phase, &sentence, |verdict| {
                verdict.gates.stabilise.open = phase == Phase::Settled;
            })
            .await;
    }
    cellar.vessel("empty one").await;
    let page = cellar.get("/").await.text;
    let order = ["again", "stuck", "settled", "quiet", "falling"];
    let places: Vec<usize> = order
        .iter()
        .map(|n| page.find(&format!("sentence of {n}")).unwrap())
        .collect();
    assert!(places.is_sorted(), "{places:?}");
    assert!(places[4] < page.find("empty one").unwrap());
}

#[tokio::test]
async fn an_empty_cellar_says_what_to_do_first() {
    let cellar = cellar().await;
    assert!(cellar.get("/").await.text.contains("Add the vessel below"));
}

#[tokio::test]
async fn a_vessel_shows_sentence_gates_curve_and_table() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let batch = cellar.mead(vessel, "Linden", 20).await;
    cellar.readings(vessel, 20, Span::minutes(30)).await;
    cellar
        .judge(vessel, batch, Phase::Slowing, "Still falling a little.")
        .await;
    for span in ["", "?span=three-days", "?span=two-weeks", "?span=all"] {
        let page = cellar.get(&format!("/vessel/{vessel}{span}")).await;
        assert_eq!(page.status, StatusCode::OK, "{span}");
        for part in [
            "Still falling a little.",
            "It is &lt;too&gt; early.",
            "asthma",
            "glass can burst",
            "class=\"chart wide\"",
            "class=\"chart tall\"",
            "class=\"s-gravity\"",
            "Middle value of each hour",
            "12 minutes ago",
            "sweetening: too few readings",
        ] {
            assert!(page.text.contains(part), "{span} lacks {part}");
        }
    }
    assert_eq!(cellar.get("/vessel/99").await.status, StatusCode::NOT_FOUND);
    assert_eq!(
        cellar.get("/vessel/one").await.status,
        StatusCode::BAD_REQUEST
    );
    assert_eq!(
        cellar.get("/vessel/1?span=ever").await.status,
        StatusCode::BAD_REQUEST
    );
}

#[tokio::test]
async fn readings_as_csv() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    cellar.mead(vessel, "Linden", 40).await;
    cellar.readings(vessel, 40, Span::hours(1)).await;
    let csv = cellar.get(&format!("/vessel/{vessel}/readings.csv")).await;
    assert_eq!(csv.header("content-type"), "text/csv; charset=utf-8");
    let lines: Vec<&str> = csv.text.lines().collect();
    assert_eq!(lines[0], "at,gravity_sg,temperature_celsius");
    assert_eq!(
        lines.len(),
        1 + 40 * 24,
        "every reading once, across the slices"
    );
    assert!(lines[1].ends_with(",1.10000,"), "{}", lines[1]);
    assert!(lines[1..].is_sorted());
}

#[tokio::test]
async fn names_with_markup_are_only_names() {
    let cellar = cellar().await;
    let vessel = cellar.vessel(MARKUP).await;
    let batch = cellar.mead(vessel, MARKUP, 20).await;
    cellar.readings(vessel, 20, Span::hours(1)).await;
    cellar.judge(vessel, batch, Phase::Active, MARKUP).await;
    let arrival = Arrival {
        source: "intake".to_owned(),
        topic: MARKUP.to_owned(),
        payload: format!("{{\"{}\": 1.05}}", MARKUP.replace('"', "\\\"")).into_bytes(),
        stamp: Stamp {
            wall: Some(noon()),
            monotonic_ms: 0,
        },
        delivery: None,
        retained: false,
    };
    cellar
        .writer
        .arrive(arrival)
        .await
        .unwrap()
        .await
        .unwrap()
        .unwrap();
    notice(&cellar, MARKUP).await;
    let maker = cellar.enter().await;
    maker
        .send(
            &format!("/vessel/{vessel}"),
            &format!("/vessel/{vessel}/deed"),
            "what=remark&at=&note=%3Cscript%3Ealert%28%27x%27%29%3C%2Fscript%3E",
        )
        .await;
    let line = format!("/vessel/{vessel}/line/1");
    for page in [
        "/",
        &format!("/vessel/{vessel}"),
        "/feeds",
        "/notices",
        &line,
    ] {
        let answer = maker.get(page).await;
        assert_eq!(answer.status, StatusCode::OK, "{page}");
        assert!(answer.text.contains("&lt;script&gt;"), "{page} shows it");
        assert!(!answer.text.contains("<script>"), "{page} runs it");
        assert!(!answer.text.contains("'x')</script>"), "{page}");
    }
}

async fn notice(cellar: &Cellar, words: &str) {
    let notice = NewNotice {
        kind: NoticeKind::Stuck,
        key: "stuck:1".to_owned(),
        vessel: None,
        at: noon(),
        title: words.to_owned(),
        body: words.to_owned(),
        pressing: false,
        channels: vec!["mail".to_owned()],
    };
    let done = cellar
        .writer
        .command(Command::Notify(vec![notice]))
        .await
        .unwrap();
    let Done::Notices(ids) = done else {
        panic!("{done:?}")
    };
    let attempt = DeliveryOutcome::GivenUp {
        at: noon(),
        error: format!("refused by {words}"),
    };
    for id in ids {
        let command = Command::Delivered {
            notice: id,
            channel: "mail".to_owned(),
            attempt: attempt.clone(),
        };
        cellar.writer.command(command).await.unwrap();
    }
}

#[tokio::test]
async fn a_notice_that_was_given_up_says_so() {
    let cellar = cellar().await;
    notice(&cellar, "Cask is stuck").await;
    let page = cellar.get("/notices").await.text;
    assert!(page.contains("given up"), "{page}");
    assert!(page.contains("refused by Cask is stuck"));
}

#[tokio::test]
async fn every_answer_carries_the_guarding_headers() {
    let cellar = cellar().await;
    for path in [
        "/",
        "/nowhere",
        "/vessel/9",
        "/healthz",
        "/api/v1/vessels",
        "/live",
    ] {
        let request = Request::get(path).body(Body::empty()).unwrap();
        let answer = tower::ServiceExt::oneshot(cellar.pages.clone(), request)
            .await
            .unwrap();
        let header = |name: &str| answer.headers()[name].to_str().unwrap().to_owned();
        let policy = header("content-security-policy");
        assert!(
            policy.starts_with("default-src 'none'; "),
            "{path}: {policy}"
        );
        assert!(policy.contains("frame-ancestors 'none'") && !policy.contains("unsafe"));
        assert_eq!(header("x-content-type-options"), "nosniff");
        assert_eq!(header("referrer-policy"), "same-origin");
        assert!(!answer.headers().contains_key("set-cookie"));
    }
}

#[tokio::test]
async fn pages_bear_no_script_or_style_of_their_own() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    cellar.mead(vessel, "Linden", 20).await;
    cellar.readings(vessel, 20, Span::hours(1)).await;
    let maker = cellar.enter().await;
    for page in [
        "/",
        &format!("/vessel/{vessel}"),
        "/feeds",
        "/notices",
        "/settings",
    ] {
        let text = maker.get(page).await.text;
        assert!(!text.contains(" style="), "{page}");
        assert!(!text.contains("<style"), "{page}");
        let scripts = text.matches("<script").count();
        let by_address = text.matches("<script defer src=\"/assets/").count();
        assert!(
            scripts > 0 && scripts == by_address,
            "{page}: all by address"
        );
    }
}

#[tokio::test]
async fn assets_are_kept_for_ever_under_their_hash() {
    let cellar = cellar().await;
    let page = cellar.get("/").await.text;
    let from = page.find("/assets/").unwrap();
    let address = page[from..].split('"').next().unwrap();
    let style = cellar.get(address).await;
    assert_eq!(style.status, StatusCode::OK);
    assert_eq!(style.header("content-type"), "text/css; charset=utf-8");
    assert!(style.header("cache-control").contains("immutable"));
    let old = cellar.get("/assets/000000000000/style.css").await;
    assert_eq!(old.status, StatusCode::NOT_FOUND);
    assert_eq!(old.header("cache-control"), "no-store");
}

#[tokio::test]
async fn pages_are_squeezed_when_the_browser_can_unpack_them() {
    let cellar = cellar().await;
    let request = Request::get("/settings").header(header::ACCEPT_ENCODING, "gzip");
    let answer = cellar.ask(request.body(Body::empty()).unwrap()).await;
    assert_eq!(answer.header("content-encoding"), "gzip");
}

#[tokio::test]
async fn programs_get_json() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let batch = cellar.mead(vessel, "Linden", 20).await;
    cellar.judge(vessel, batch, Phase::Stuck, "Stuck.").await;
    let list = cellar.get("/api/v1/vessels").await;
    assert_eq!(list.header("content-type"), "application/json");
    let list: serde_json::Value = serde_json::from_str(&list.text).unwrap();
    assert_eq!(list[0]["name"], "Cask");
    assert_eq!(list[0]["sentence"], "Stuck.");
    assert_eq!(list[0]["verdict"]["phase"], "stuck");
    let one = cellar.get(&format!("/api/v1/vessels/{vessel}")).await;
    let one: serde_json::Value = serde_json::from_str(&one.text).unwrap();
    assert_eq!(one, list[0]);
    let none = cellar.get("/api/v1/vessels/77").await;
    assert_eq!(none.status, StatusCode::NOT_FOUND);
    assert!(none.text.starts_with("{\"error\":"), "{}", none.text);
}

#[tokio::test]
async fn what_is_not_there_is_said_in_words() {
    let cellar = cellar().await;
    let answer = cellar.get("/nowhere").await;
    assert_eq!(answer.status, StatusCode::NOT_FOUND);
    assert!(
        answer.text.contains("Request "),
        "with a number for the log"
    );
    let answer = cellar.post("/feeds", "").await;
    assert_eq!(answer.status, StatusCode::METHOD_NOT_ALLOWED);
    assert!(answer.header("content-type").starts_with("text/html"));
}
