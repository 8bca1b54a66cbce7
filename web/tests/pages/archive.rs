use axum::http::StatusCode;
use ebbmark_core::deed::{Deed, What};
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Gravity};
use ebbmark_store::hours::roll_stale;
use ebbmark_store::model::{BatchFacts, Command, Done, ImportRow};
use serde_json::Value;

use crate::ask::{Cellar, cellar, noon};

fn begun(days_ago: f64) -> Moment {
    noon() - Span::from_days(days_ago)
}

/// A mead with a logistic fall that is half done after `middle` days, and rests for `rest` half a
/// day before that.
struct Fallen<'a> {
    name: &'a str,
    yeast: &'a str,
    days_ago: f64,
    middle: f64,
    rest: f64,
}

impl Fallen<'_> {
    fn gravity(&self, days: f64) -> f64 {
        let rests = self.middle - 0.5;
        let on = if days < rests {
            days
        } else {
            (days - self.rest).max(rests)
        };
        1.0 + 0.1 / (1.0 + (0.9 * (on - self.middle)).exp())
    }
}

/// Read every hour for 30 days, and ended on the 35th.
async fn finished(cellar: &Cellar, mead: &Fallen<'_>) -> (VesselId, BatchId) {
    let vessel = cellar.vessel(&format!("vessel of {}", mead.name)).await;
    let started = begun(mead.days_ago);
    let facts = BatchFacts {
        name: mead.name.to_owned(),
        started,
        original_gravity: Some(Gravity::new(1.1).unwrap()),
        expected_final: None,
        tolerance: None,
        volume: None,
        yeast: mead.yeast.to_owned(),
        honey: format!("honey of {}", mead.name),
        note: String::new(),
        origin: None,
    };
    let start = Command::StartBatch { vessel, facts };
    let Done::Batch(batch) = cellar.writer.command(start).await.unwrap() else {
        panic!("no mead was made");
    };
    let rows = (0..30 * 24).map(|hour| {
        let span = Span::hours(hour) + Span::minutes(20);
        ImportRow {
            at: started + span,
            gravity: Some(Gravity::computed(mead.gravity(span.as_days()))),
            temperature: Some(Celsius::computed(17.0)),
        }
    });
    let rows = rows.collect();
    let import = Command::Import { vessel, rows };
    cellar.writer.command(import).await.unwrap();
    let at = started + Span::days(35);
    let end = Command::EndBatch { batch, at };
    cellar.writer.command(end).await.unwrap();
    (vessel, batch)
}

pub async fn keep(cellar: &Cellar) {
    for command in roll_stale(&cellar.reader, noon()).unwrap() {
        cellar.writer.command(command).await.unwrap();
    }
    for command in ebbmark_store::archive::make_stale(&cellar.reader, 100).unwrap() {
        cellar.writer.command(command).await.unwrap();
    }
}

/// Six that went alike, and one that rested for nine days after it was racked.
pub async fn seven() -> (Cellar, Vec<BatchId>) {
    let cellar = cellar().await;
    let mut meads = Vec::new();
    for n in 0..6 {
        let name = format!("Usual {n}");
        let mead = Fallen {
            name: &name,
            yeast: "ale",
            days_ago: 100.0 * f64::from(n) + 100.0,
            middle: 6.0 + 0.3 * f64::from(n),
            rest: 0.0,
        };
        meads.push(finished(&cellar, &mead).await.1);
    }
    let mead = Fallen {
        name: "Höhenhonig <rested>",
        yeast: "wine",
        days_ago: 40.0,
        middle: 7.0,
        rest: 9.0,
    };
    let (vessel, batch) = finished(&cellar, &mead).await;
    let at = begun(40.0) + Span::from_days(6.4);
    let deed = Deed {
        note: "off the lees & cold".to_owned(),
        ..Deed::new(at, What::Rack)
    };
    let log = Command::Log {
        vessel,
        deed,
        hand: None,
        once: None,
        made_at: at,
    };
    cellar.writer.command(log).await.unwrap();
    meads.push(batch);
    keep(&cellar).await;
    (cellar, meads)
}

async fn json(cellar: &Cellar, path: &str) -> Value {
    let answer = cellar.get(path).await;
    assert_eq!(answer.status, StatusCode::OK, "{path}: {}", answer.text);
    serde_json::from_str(&answer.text).unwrap()
}

fn near(value: &Value, expected: f64, by: f64) {
    let value = value.as_f64().unwrap_or(f64::NAN);
    assert!((value - expected).abs() <= by, "{value} and {expected}");
}

#[tokio::test]
async fn meads_are_found_and_shown_with_what_came_of_them() {
    let (cellar, meads) = seven().await;
    let all = cellar.get("/archive").await;
    assert_eq!(all.status, StatusCode::OK);
    assert!(all.text.contains("7 meads"));
    let first = all.text.find("Höhenhonig").unwrap();
    assert!(
        first < all.text.find("Usual 0").unwrap(),
        "the latest first"
    );
    assert!(all.text.contains("Höhenhonig &lt;rested&gt;"));
    assert!(!all.text.contains("<rested>"));
    for word in ["1.1000", "1.0000", "13.42 % vol", "wine"] {
        assert!(all.text.contains(word), "{word}: {}", all.text);
    }
    let link = format!("href=\"/mead/{}\"", meads[6]);
    assert!(all.text.contains(&link));

    let found = cellar.get("/archive?words=hohenhonig&state=finished").await;
    assert!(found.text.contains("1 mead<"), "{}", found.text);
    assert!(found.text.contains("value=\"hohenhonig\""));
    assert!(!found.text.contains("Usual 0"));
    let none = cellar.get("/archive?state=going").await;
    assert!(none.text.contains("None found"));
    let by_yeast = json(&cellar, "/api/v1/meads?yeast=ale").await;
    assert_eq!(by_yeast["total"], 6);
    let from = json(&cellar, "/api/v1/meads?from=2026-01-01").await;
    assert_eq!(from["total"], 1);
    let until = json(&cellar, "/api/v1/meads?until=2025-11-21").await;
    assert_eq!(until["total"], 6);
}

#[tokio::test]
async fn what_cannot_be_looked_for_is_said() {
    let (cellar, _) = seven().await;
    let wrong = cellar.get("/archive?from=%3Cb%3EMay").await;
    assert_eq!(wrong.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        wrong
            .text
            .contains("Begun from: &quot;&lt;b&gt;May&quot; is not a day")
    );
    let api = cellar.get("/api/v1/meads?state=gone").await;
    assert_eq!(api.status, StatusCode::UNPROCESSABLE_ENTITY);
    for words in [
        "%22",
        "%25",
        "*",
        "a%00b",
        "%22%22%22",
        "words%3A",
        "-",
        "%F0%9F%8D%AF",
    ] {
        let odd = cellar.get(&format!("/archive?words={words}")).await;
        assert_eq!(odd.status, StatusCode::OK, "{words}");
    }
}

#[tokio::test]
async fn ticks_are_kept_from_one_search_to_the_next() {
    let (cellar, meads) = seven().await;
    let (rested, usual) = (meads[6], meads[2]);
    let page = cellar
        .get(&format!("/archive?words=rested&mead={usual}&mead={rested}"))
        .await;
    let box_of = |id| format!("name=\"mead\" value=\"{id}\" checked");
    assert!(page.text.contains("Chosen before"));
    assert!(page.text.contains(&box_of(usual)), "{}", page.text);
    assert!(page.text.contains(&box_of(rested)));
    let hidden = format!("type=\"hidden\" name=\"mead\" value=\"{usual}\"");
    assert!(
        page.text.contains(&hidden),
        "the next search knows them too"
    );
}

#[tokio::test]
async fn many_are_shown_in_pages() {
    let cellar = cellar().await;
    for n in 0..27 {
        let vessel = cellar.vessel(&format!("vessel {n}")).await;
        cellar.mead(vessel, &format!("mead {n:02}"), n).await;
    }
    let first = cellar.get("/archive?words=mead").await;
    assert!(first.text.contains("27 meads; these are 1 to 25"));
    assert!(
        first
            .text
            .contains("href=\"/archive?page=1&amp;words=mead\"")
    );
    assert!(!first.text.contains("Later ones"));
    let second = cellar.get("/archive?page=1&words=mead").await;
    assert!(second.text.contains("27 meads; these are 26 to 27"));
    assert!(second.text.contains("mead 26") && !second.text.contains("mead 24"));
    assert!(second.text.contains("since ") && second.text.contains("in vessel 26"));
}

#[tokio::test]
async fn figures_are_those_of_the_curves() {
    let (cellar, meads) = seven().await;
    let (rested, usual) = (meads[6], meads[0]);
    let path = format!("/api/v1/compare?mead={rested}&mead={usual}");
    let said = json(&cellar, &path).await;
    assert_eq!(said["by"], "time");
    let review = &said["meads"][0]["review"];
    near(&review["half-days"], 16.0, 0.1);
    near(&review["days"], 35.0, 1e-9);
    // So near a rest the curve has a corner.
    near(&review["steepest-fall-a-day"], 0.1 * 0.9 / 4.0, 0.0015);
    near(&review["temperature-median"], 17.0, 1e-9);
    let stood = &review["stood-still"][0];
    near(&stood["from-days"], 6.5, 0.3);
    near(&stood["until-days"], 15.5, 0.3);
    near(&stood["gravity"], 1.0611, 0.001);
    near(&said["meads"][1]["review"]["half-days"], 6.0, 0.1);
    assert_eq!(
        said["meads"][1]["review"]["stood-still"],
        serde_json::json!([])
    );
    assert_eq!(said["usual"]["of"], 5);

    let page = cellar
        .get(&format!("/compare?mead={rested}&mead={usual}"))
        .await;
    assert_eq!(page.status, StatusCode::OK, "{}", page.text);
    for words in [
        "16.0 days",
        "35.0 days",
        " a day, on day ",
        "17.0 °C, from 17.0 °C",
        "at 1.061",
    ] {
        assert!(page.text.contains(words), "{words}: {}", page.text);
    }
    for class in ["s-one", "s-two", "f-usual"] {
        assert!(page.text.contains(class), "{class}");
    }
}

#[tokio::test]
async fn where_it_left_the_usual_and_what_was_done_before() {
    let (cellar, meads) = seven().await;
    let rested = meads[6];
    let said = json(&cellar, &format!("/api/v1/compare?mead={rested}")).await;
    assert_eq!(said["usual"]["of"], 6);
    let left = said["meads"][0]["left-the-usual"].as_array().unwrap();
    assert_eq!(left.len(), 1, "{left:?}");
    assert_eq!(left[0]["side"], "below");
    near(&left[0]["from"], 7.0, 0.5);
    near(&left[0]["from-share"], 0.39, 0.02);
    let done = &left[0]["done"][0];
    assert_eq!(
        (&done["what"], &done["note"]),
        (&Value::from("rack"), &Value::from("off the lees & cold"))
    );

    let page = cellar.get(&format!("/compare?mead={rested}")).await;
    assert!(
        page.text.contains("Behind the usual from day "),
        "{}",
        page.text
    );
    assert!(
        page.text.contains("with 38 to 97 % of its sugar"),
        "{}",
        page.text
    );
    assert!(page.text.contains("In the two days before: racked"));
    assert!(page.text.contains("(off the lees &amp; cold)"));
    let slow = cellar
        .get(&format!("/compare?mead={rested}&by=sugar"))
        .await;
    assert!(
        slow.text.contains("Slower than usual from day "),
        "{}",
        slow.text
    );
    let usual = cellar.get(&format!("/compare?mead={}", meads[3])).await;
    assert!(usual.text.contains("Went the usual way throughout."));
}

#[tokio::test]
async fn of_few_meads_nothing_is_usual() {
    let (cellar, meads) = seven().await;
    let three = format!("mead={}&mead={}&mead={}", meads[0], meads[1], meads[2]);
    let page = cellar.get(&format!("/compare?{three}")).await;
    assert!(
        page.text
            .contains("from 5 finished meads on; beside these there are 4."),
        "{}",
        page.text
    );
    assert!(!page.text.contains("f-usual"));
    let said = json(&cellar, &format!("/api/v1/compare?{three}")).await;
    assert_eq!(said["usual"], Value::Null);
}

#[tokio::test]
async fn one_that_still_falls_is_drawn_by_gravity_alone() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("cask").await;
    let batch = cellar.mead(vessel, "Going", 5).await;
    cellar.readings(vessel, 5, Span::hours(1)).await;
    let page = cellar.get(&format!("/vessel/{vessel}")).await;
    assert!(
        page.text
            .contains(&format!("href=\"/archive?mead={batch}\""))
    );
    let by_time = cellar.get(&format!("/compare?mead={batch}")).await;
    assert!(
        by_time
            .text
            .contains("Nothing of these can be drawn this way."),
        "{}",
        by_time.text
    );
    assert!(
        by_time
            .text
            .contains("still falling; see its gravity by days")
    );
    let by_gravity = cellar
        .get(&format!("/compare?mead={batch}&by=gravity"))
        .await;
    assert!(by_gravity.text.contains("s-one"));
    assert!(by_gravity.text.contains("not known"));
}

#[tokio::test]
async fn the_file_holds_what_is_drawn() {
    let (cellar, meads) = seven().await;
    let (rested, usual) = (meads[6], meads[0]);
    for (by, x, what) in [
        ("time", "days", "sugar_left_percent"),
        ("sugar", "sugar_used_percent", "sugar_a_day_percent"),
        ("gravity", "days", "gravity_sg"),
    ] {
        let query = format!("mead={rested}&mead={usual}&by={by}");
        let file = cellar.get(&format!("/compare.csv?{query}")).await;
        assert_eq!(file.header("content-type"), "text/csv; charset=utf-8");
        assert!(
            file.header("content-disposition")
                .contains(&format!("compared-by-{by}.csv"))
        );
        let mut rows = csv::Reader::from_reader(file.text.as_bytes());
        let head: Vec<String> = rows.headers().unwrap().iter().map(str::to_owned).collect();
        assert_eq!(head, ["mead", "name", "what", x, "value", "low", "high"]);
        let rows: Vec<csv::StringRecord> = rows.records().map(Result::unwrap).collect();
        let of = |mead: &str, kind: &str| -> Vec<(f64, f64)> {
            let own = rows.iter().filter(|r| &r[0] == mead && &r[2] == kind);
            own.map(|r| (r[3].parse().unwrap(), r[4].parse().unwrap()))
                .collect()
        };
        let said = json(&cellar, &format!("/api/v1/compare?{query}")).await;
        for (n, id) in [rested, usual].iter().enumerate() {
            for (kind, part) in [(what, "curve"), ("temperature_celsius", "temperature")] {
                let told = said["meads"][n][part].as_array().unwrap();
                let rows = of(&id.to_string(), kind);
                assert_eq!(rows.len(), told.len());
                assert!(rows.len() > 20, "{by} {kind}: {}", rows.len());
                for ((x, y), told) in rows.iter().zip(told) {
                    near(&told[0], *x, 1e-4);
                    near(&told[1], *y, 1e-5);
                }
            }
        }
        let usual = of("", what);
        assert_eq!(usual.is_empty(), by == "gravity");
        let name = rows
            .iter()
            .find(|r| &r[0] == rested.to_string().as_str())
            .unwrap();
        assert_eq!(&name[1], "Höhenhonig <rested>");
    }
    // The half of its sugar is left when it says that half is used.
    let file = cellar.get(&format!("/compare.csv?mead={usual}")).await;
    let row = file
        .text
        .lines()
        .find(|l| l.contains(",50.00000,"))
        .unwrap();
    let day: f64 = row.split(',').nth(3).unwrap().parse().unwrap();
    assert!((day - 6.0).abs() < 0.1, "{row}");
}

#[tokio::test]
async fn what_cannot_be_compared_is_said() {
    let (cellar, meads) = seven().await;
    let all: Vec<String> = meads.iter().map(|m| format!("mead={m}")).collect();
    let all = all.join("&");
    for path in ["/compare", "/compare.csv", "/api/v1/compare"] {
        let many = cellar.get(&format!("{path}?{all}")).await;
        assert_eq!(many.status, StatusCode::UNPROCESSABLE_ENTITY, "{path}");
        assert!(many.text.contains("7 meads are too many"), "{}", many.text);
        let missing = cellar.get(&format!("{path}?mead=4711")).await;
        assert_eq!(missing.status, StatusCode::NOT_FOUND, "{path}");
        let odd = cellar.get(&format!("{path}?mead=1&by=colour")).await;
        assert_eq!(odd.status, StatusCode::UNPROCESSABLE_ENTITY, "{path}");
    }
    let none = cellar.get("/compare").await;
    assert_eq!(none.status, StatusCode::OK);
    assert!(none.text.contains("No mead is chosen."));
}

#[tokio::test]
async fn strangers_see_neither() {
    let (cellar, meads) = seven().await;
    cellar.lock().await;
    for path in ["/archive", "/compare", "/compare.csv"] {
        let answer = cellar.get(&format!("{path}?mead={}", meads[0])).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{path}");
    }
    for path in ["/api/v1/meads", "/api/v1/compare"] {
        let answer = cellar.get(&format!("{path}?mead={}", meads[0])).await;
        assert_eq!(answer.status, StatusCode::UNAUTHORIZED, "{path}");
    }
}
