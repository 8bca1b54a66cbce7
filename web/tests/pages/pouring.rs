//! Moving, splitting and blending from the pages. Names and numbers are invented.

use axum::http::{Request, StatusCode, header};
use ebbmark_core::deed::{Deed, What};
use ebbmark_core::feed::{FeedMap, Format};
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Gravity, Litres};
use ebbmark_store::model::{BatchFacts, Command, Done};

use crate::ask::{Cellar, cellar, noon};

async fn measured(cellar: &Cellar, vessel: VesselId, name: &str, litres: f64, now: f64) -> BatchId {
    let facts = BatchFacts {
        name: name.to_owned(),
        started: noon() - Span::days(30),
        original_gravity: Gravity::new(1.1).ok(),
        expected_final: None,
        tolerance: None,
        volume: Litres::new(litres).ok(),
        yeast: "wine".to_owned(),
        honey: "lime".to_owned(),
        note: String::new(),
        origin: None,
    };
    let start = Command::StartBatch { vessel, facts };
    let Done::Batch(batch) = cellar.writer.command(start).await.unwrap() else {
        panic!()
    };
    let deed = Deed {
        gravity: Gravity::new(now).ok(),
        volume: Litres::new(litres).ok(),
        ..Deed::new(noon() - Span::days(1), What::Rack)
    };
    let log = Command::Log {
        vessel,
        deed,
        hand: None,
        once: None,
        made_at: noon(),
    };
    cellar.writer.command(log).await.unwrap();
    batch
}

fn in_it(cellar: &Cellar, vessel: VesselId) -> Option<String> {
    let vessel = cellar.reader.vessel(vessel).unwrap().unwrap();
    vessel.batch.map(|b| b.facts.name)
}

fn notes(cellar: &Cellar, vessel: VesselId) -> Vec<String> {
    let always = (Moment(i64::MIN), Moment(i64::MAX));
    let lines = cellar.reader.log(vessel, always.0, always.1).unwrap();
    lines.into_iter().map(|l| l.deed.note).collect()
}

#[tokio::test]
async fn a_mead_and_its_float_move_with_one_form() {
    let cellar = cellar().await;
    let (cask, keg) = (cellar.vessel("Cask").await, cellar.vessel("Keg").await);
    let linden = measured(&cellar, cask, "Linden", 20.0, 1.01).await;
    let claim = Command::Claim {
        source: "intake".to_owned(),
        topic: "float".to_owned(),
        name: "Float".to_owned(),
        map: FeedMap {
            format: Format::Json { picks: Vec::new() },
            tilt_polynomial: Vec::new(),
        },
        vessel: Some(cask),
    };
    let Done::Feed(float) = cellar.writer.command(claim).await.unwrap() else {
        panic!()
    };
    let maker = cellar.enter().await;
    let page = format!("/vessel/{cask}");
    let shown = maker.get(&page).await.text;
    assert!(shown.contains("Move it to another vessel"), "{shown}");
    assert!(
        shown.contains(r#"name="volume" value="20""#),
        "what is in it is filled in"
    );
    let to = format!("{page}/batch/{linden}/move");
    for (fields, says) in [
        ("to=77&float=along", "Into: choose one of the list"),
        (
            &*format!("to={cask}&float=along"),
            "Into: choose one of the list",
        ),
        (
            &*format!("to={keg}&float=away"),
            "The float: choose one of the list",
        ),
        (
            &*format!("to={keg}&float=along&volume=lots"),
            "Volume in it then: ",
        ),
    ] {
        let refused = maker.send(&page, &to, fields).await;
        assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(refused.text.contains(says), "{says}: {}", refused.text);
    }
    let fields = format!("to={keg}&volume=18%2C5&float=along&at=&note=off+the+lees");
    let tap = || maker.send_once(&page, &to, &fields, "abc123");
    let (first, second) = tokio::join!(tap(), tap());
    // And once more when the vessel it went into has long been taken.
    let third = tap().await;
    for moved in [&first, &second, &third] {
        assert_eq!(moved.status, StatusCode::SEE_OTHER, "{}", moved.text);
        let there = format!("/vessel/{keg}?done=racked");
        assert_eq!(moved.header("location"), there);
    }
    assert_eq!(in_it(&cellar, cask), None);
    assert_eq!(in_it(&cellar, keg).as_deref(), Some("Linden"));
    assert_eq!(notes(&cellar, keg), ["from Cask; off the lees"]);
    let feed = cellar.reader.feed(float).unwrap().unwrap();
    assert_eq!(feed.vessel, Some(keg));

    let shown = maker.get(&format!("/vessel/{keg}?done=racked")).await.text;
    assert!(shown.contains("Moved. Both books say so."));
    assert!(shown.contains("Before it came into this vessel"), "{shown}");
    let left = maker.get(&page).await.text;
    assert!(left.contains("Nothing is in it."));
    assert!(left.contains("another vessel"), "where it went: {left}");
    let dirty = "Not cleaned since &quot;Linden&quot; left it";
    assert!(left.contains(dirty), "{left}");
    let to = format!("{page}/deed");
    let cleaned = maker.send(&page, &to, "what=clean&at=&note=").await;
    assert_eq!(cleaned.status, StatusCode::SEE_OTHER, "{}", cleaned.text);
    let left = maker.get(&page).await.text;
    assert!(left.contains("Cleaned today"), "{left}");
    assert!(!left.contains(dirty));
}

#[tokio::test]
async fn split_in_two_and_poured_together_again() {
    let cellar = cellar().await;
    let [cask, jar, keg] = [
        cellar.vessel("Cask").await,
        cellar.vessel("Jar").await,
        cellar.vessel("Keg").await,
    ];
    let linden = measured(&cellar, cask, "Linden", 20.0, 1.01).await;
    cellar.later(Span::hours(1));
    let maker = cellar.enter().await;
    let page = format!("/vessel/{cask}");
    let shown = maker.get(&page).await.text;
    // 1.100 to 1.010 by the ledger the reckonings use: its own tests hold it to published tables.
    assert!(shown.contains("20.0 L at 1.0100, "), "{shown}");
    assert!(shown.contains(r#"name="volume" value="10""#), "half of it");
    let to = format!("{page}/batch/{linden}/split");
    let fields = format!("to={jar}&volume=8&name=Linden+on+plums&float=&at=&note=on+plums");
    let split = maker.send(&page, &to, &fields).await;
    assert_eq!(split.status, StatusCode::SEE_OTHER, "{}", split.text);
    assert_eq!(
        split.header("location"),
        format!("/vessel/{jar}?done=split")
    );
    assert_eq!(notes(&cellar, jar), ["8 L from Cask; on plums"]);
    assert_eq!(notes(&cellar, cask)[1], "8 L into Jar");

    let shown = maker.get(&format!("/vessel/{jar}")).await.text;
    assert!(
        shown.contains("Where it comes from, and what came of it"),
        "{shown}"
    );
    assert!(shown.contains(r#"role="img""#) && shown.contains("<title id=\"family-title\">"));
    assert!(shown.contains("8.0 L of Linden, "), "{shown}");
    assert!(shown.contains("Now 12.0 L at 1.010"), "{shown}");
    let alone = maker.get(&format!("/vessel/{keg}")).await.text;
    assert!(!alone.contains("Where it comes from"));

    // Looked at first, then done; into the jar, of which nothing is left.
    cellar.later(Span::hours(1));
    let ask = format!("/vessel/{jar}/blend");
    let part = cellar
        .reader
        .vessel(jar)
        .unwrap()
        .unwrap()
        .batch
        .unwrap()
        .id;
    let shown = maker.get(&ask).await.text;
    assert!(shown.contains("Linden on plums in Jar"), "{shown}");
    let fields = format!(
        "volume-{part}=&all-{part}=yes&volume-{linden}=2&all-{linden}=&into={jar}&name=Both&at="
    );
    let shown = maker.get(&format!("{ask}?{fields}")).await;
    assert_eq!(shown.status, StatusCode::OK, "{}", shown.text);
    assert!(shown.text.contains("What it becomes"), "{}", shown.text);
    assert!(shown.text.contains("10.0 L at 1.010"), "{}", shown.text);
    assert_eq!(in_it(&cellar, jar).as_deref(), Some("Linden on plums"));
    for (fields, says) in [
        (
            format!("volume-{linden}=2&into={jar}&name=Both"),
            "Say of two meads or more",
        ),
        (
            format!("volume-{linden}=2&volume-{part}=2&into={jar}&name=Both"),
            "only free when all of its mead goes in",
        ),
        (
            format!("volume-{linden}=2&volume-{part}=2&into={keg}&name="),
            "Name of the mead: this is needed",
        ),
    ] {
        let refused = maker.get(&format!("{ask}?{fields}")).await;
        assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(refused.text.contains(says), "{says}: {}", refused.text);
        let refused = maker.send(&format!("/vessel/{jar}"), &ask, &fields).await;
        assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    }
    let done = maker.send(&format!("/vessel/{jar}"), &ask, &fields).await;
    assert_eq!(done.status, StatusCode::SEE_OTHER, "{}", done.text);
    assert_eq!(in_it(&cellar, jar).as_deref(), Some("Both"));
    let shown = maker.get(&format!("/vessel/{jar}?done=blended")).await.text;
    assert!(shown.contains("Poured together."));
    assert!(shown.contains("2.0 L of Linden, "), "{shown}");
    // Its facts may be changed without touching when it was poured.
    let both = cellar.reader.vessel(jar).unwrap().unwrap().batch.unwrap();
    let zone = jiff::tz::TimeZone::get("Europe/Warsaw").unwrap();
    let text = ebbmark_core::time::local_text(both.facts.started, &zone).unwrap();
    let edit = format!(
        "name=Both+again&started={}&honey=",
        text.replace(':', "%3A")
    );
    let to = format!("/vessel/{jar}/batch/{}", both.id);
    let edited = maker.send(&format!("/vessel/{jar}"), &to, &edit).await;
    assert_eq!(edited.status, StatusCode::SEE_OTHER, "{}", edited.text);
    assert_eq!(in_it(&cellar, jar).as_deref(), Some("Both again"));
}

#[tokio::test]
async fn who_may_not_write_sees_no_way_to_pour() {
    let cellar = cellar().await;
    let (cask, keg) = (cellar.vessel("Cask").await, cellar.vessel("Keg").await);
    let linden = measured(&cellar, cask, "Linden", 20.0, 1.01).await;
    let shown = cellar.get(&format!("/vessel/{cask}")).await.text;
    assert!(!shown.contains("Move it to another vessel"));
    let blend = cellar.get(&format!("/vessel/{cask}/blend")).await;
    assert_eq!(blend.status, StatusCode::OK);
    assert!(!blend.text.contains("<form"));
    let to = format!("/vessel/{cask}/batch/{linden}/move");
    let sent = cellar.post(&to, &format!("to={keg}")).await;
    assert_eq!(sent.status, StatusCode::FORBIDDEN);
    assert_eq!(in_it(&cellar, keg), None);
    let missing = cellar.get("/vessel/99/blend").await;
    assert_eq!(missing.status, StatusCode::NOT_FOUND);
}

/// The dark squares of the label's code, row by row.
fn modules(page: &str) -> Vec<Vec<bool>> {
    let view = page.split("viewBox=\"0 0 ").nth(1).unwrap();
    let whole: usize = view.split(' ').next().unwrap().parse().unwrap();
    let path = page.split("path d=\"").nth(1).unwrap();
    let mut rows = vec![vec![false; whole]; whole];
    for square in path.split('"').next().unwrap().split('M').skip(1) {
        let (x, rest) = square.split_once(' ').unwrap();
        let y = rest.split('h').next().unwrap();
        rows[y.parse::<usize>().unwrap()][x.parse::<usize>().unwrap()] = true;
    }
    rows
}

#[tokio::test]
async fn the_label_carries_the_address_it_was_asked_at() {
    let cellar = cellar().await;
    let cask = cellar.vessel("Cask <by the stairs>").await;
    let label = |host: &'static str| {
        let request = Request::get(format!("/vessel/{cask}/label")).header(header::HOST, host);
        cellar.ask(request.body(axum::body::Body::empty()).unwrap())
    };
    let shown = label("cellar.example:8080").await;
    assert_eq!(shown.status, StatusCode::OK);
    assert!(
        shown
            .text
            .contains(&format!("http://cellar.example:8080/vessel/{cask}</p>")),
        "{}",
        shown.text
    );
    assert!(shown.text.contains("Cask &lt;by the stairs&gt;"));
    let rows = modules(&shown.text);
    // Four light modules around it, and a finder pattern, 7 by 7, in three corners (ISO/IEC 18004).
    let side = rows.len() - 8;
    assert!(rows[..4].iter().flatten().all(|dark| !dark));
    assert!(rows.iter().all(|row| row[..4].iter().all(|dark| !dark)));
    for (x, y) in [(4, 4), (4 + side - 7, 4), (4, 4 + side - 7)] {
        let ring = |n: usize| rows[y + n][x..x + 7].to_vec();
        assert_eq!(ring(0), [true; 7]);
        assert_eq!(ring(1), [true, false, false, false, false, false, true]);
        assert_eq!(ring(3), [true, false, true, true, true, false, true]);
    }
    let other = label("other.example").await;
    assert_ne!(modules(&other.text), rows);
}
