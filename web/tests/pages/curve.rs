//! The curve on a vessel's page: its stretches, views and readings, what its marks say, what is read
//! out of it, and that nothing is lost of a year of minutes.

use axum::http::StatusCode;
use ebbmark_core::deed::{Deed, Dose, Substance, What};
use ebbmark_core::feed::{FeedMap, Format, Quantity};
use ebbmark_core::ids::VesselId;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Gravity, Kilograms};
use ebbmark_core::verdict::outcome::{BandPoint, FloatSeen, Phase, Trued};
use ebbmark_store::hours::roll_stale;
use ebbmark_store::model::{Arrival, Command, ImportRow, Stamp, VesselFacts};
use ebbmark_store::shelf_life::{ShelfLife, past};
use serde_json::Value;

use crate::ask::{Cellar, cellar, noon};

async fn log(cellar: &Cellar, vessel: VesselId, deed: Deed) {
    let command = Command::Log {
        vessel,
        made_at: deed.at,
        deed,
        hand: None,
        once: None,
    };
    cellar.writer.command(command).await.unwrap();
}

/// A float that reads 0.004 too high over a mead that falls evenly from 1.1 to 1.0 in `days`, 18 °C.
async fn high_float(cellar: &Cellar, vessel: VesselId, days: i64) {
    let start = noon() - Span::days(days);
    let rows = (0..days * 24 * 4).map(|i| {
        let at = start + Span::minutes(15 * i);
        ImportRow {
            at,
            gravity: Some(Gravity::computed(truth(at, days) + 0.004)),
            temperature: Some(Celsius::computed(18.0)),
        }
    });
    let rows = rows.collect();
    let command = Command::Import { vessel, rows };
    cellar.writer.command(command).await.unwrap();
    for days_ago in [days - 1, days / 2, 1] {
        let at = noon() - Span::days(days_ago);
        let mut deed = Deed::new(at, What::HandReading);
        deed.gravity = Some(Gravity::computed(truth(at, days)));
        log(cellar, vessel, deed).await;
    }
}

fn truth(at: Moment, days: i64) -> f64 {
    1.0 + 0.1 * noon().since(at).as_days() / days as f64
}

fn trued() -> FloatSeen {
    FloatSeen {
        trued: Some(Trued {
            reads_high: 0.004,
            reads_high_sd: 0.0005,
            drift_per_day: 0.0,
            drift_sd: 1e-5,
            hand_readings: 3,
        }),
        ..FloatSeen::default()
    }
}

/// The addresses in the navigation of that name, each with its words and whether it is where one is.
fn links(page: &str, nav: &str) -> Vec<(String, String, bool)> {
    let (_, rest) = page
        .split_once(&format!("<nav aria-label=\"{nav}\">"))
        .unwrap_or_else(|| panic!("no {nav}"));
    let (inside, _) = rest.split_once("</nav>").unwrap();
    let one = |a: &str| {
        let href = a.split("href=\"").nth(1)?.split('"').next()?;
        let words = a.split_once('>')?.1.split('<').next()?;
        let address = href.replace("&amp;", "&").replace("#drawing", "");
        Some((words.to_owned(), address, a.contains("aria-current")))
    };
    inside.split("<a ").skip(1).filter_map(one).collect()
}

/// The value of an attribute of the curve, in milliseconds.
fn moment(page: &str, name: &str) -> Moment {
    let (_, rest) = page.split_once(&format!("data-{name}=\"")).unwrap();
    Moment(rest.split('"').next().unwrap().parse().unwrap())
}

#[tokio::test]
async fn every_stretch_is_a_link_and_a_link_is_a_stretch() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    cellar.mead(vessel, "Linden", 40).await;
    high_float(&cellar, vessel, 40).await;
    let page = cellar.get(&format!("/vessel/{vessel}")).await.text;
    let stretches = links(&page, "Stretch of time");
    let names: Vec<&str> = stretches.iter().map(|(n, ..)| n.as_str()).collect();
    assert_eq!(names, ["Day", "Week", "All of it"]);
    assert!(stretches[2].2 && !stretches[0].2);
    for ((name, address, _), days) in stretches.iter().zip([1.0, 7.0, 40.0]) {
        let page = cellar.get(address).await.text;
        let here = links(&page, "Stretch of time");
        let current: Vec<&str> = here.iter().filter(|l| l.2).map(|l| l.0.as_str()).collect();
        assert_eq!(current, [name.as_str()]);
        let shown = moment(&page, "to").since(moment(&page, "from")).as_days();
        assert!((shown - days).abs() < 0.01, "{name}: {shown}");
    }

    // Closer, along, and out again by links alone.
    let step = async |address: &str, name: &str| {
        let page = cellar.get(address).await.text;
        let moves = links(&page, "Closer, further, along");
        let found = moves.into_iter().find(|(n, ..)| n == name);
        found.map(|(_, address, _)| address)
    };
    let all = &stretches[2].1;
    assert_eq!(step(all, "Further").await, None);
    assert_eq!(step(all, "Later").await, None);
    let closer = step(all, "Closer").await.unwrap();
    let page = cellar.get(&closer).await.text;
    let shown = moment(&page, "to").since(moment(&page, "from")).as_days();
    assert!((shown - 20.0).abs() < 0.1, "{shown}");
    let earlier = step(&closer, "Earlier").await.unwrap();
    let before = cellar.get(&earlier).await.text;
    assert!(moment(&before, "to") < moment(&page, "to"));
    let out = step(&closer, "Further").await.unwrap();
    let page = cellar.get(&out).await.text;
    assert!(moment(&page, "to").since(moment(&page, "from")).as_days() > 30.0);
    // As close as it gets.
    let mut address = closer;
    let mut steps = 0;
    while let Some(next) = step(&address, "Closer").await {
        address = next;
        steps += 1;
        assert!(steps < 20);
    }
    assert!(steps > 3);
}

#[tokio::test]
async fn a_stretch_beyond_the_record_is_held_to_it() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    cellar.mead(vessel, "Linden", 20).await;
    cellar.readings(vessel, 20, Span::hours(1)).await;
    for query in [
        "from=1990-01-01T00:00:00Z&to=2190-01-01T00:00:00Z",
        "from=2190-01-01T00:00:00Z&to=2191-01-01T00:00:00Z",
        "from=1990-01-01T00:00:00Z&to=1990-01-02T00:00:00Z",
        "from=2026-02-20T00:00:00Z&to=2026-02-20T00:00:01Z",
    ] {
        for view in ["gravity", "fall"] {
            let page = cellar
                .get(&format!("/vessel/{vessel}?{query}&view={view}"))
                .await;
            assert_eq!(page.status, StatusCode::OK, "{query}");
            let (from, to) = (moment(&page.text, "from"), moment(&page.text, "to"));
            assert!(to.since(from) >= Span::hours(1), "{query}");
            assert!(to <= noon() && from >= noon() - Span::days(21), "{query}");
        }
    }
    for query in ["from=yesterday&to=today", "view=slope", "readings=raw"] {
        let page = cellar.get(&format!("/vessel/{vessel}?{query}")).await;
        assert_eq!(page.status, StatusCode::BAD_REQUEST, "{query}");
    }
}

#[tokio::test]
async fn marks_say_what_when_and_how_much() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let batch = cellar.mead(vessel, "Linden", 20).await;
    cellar.readings(vessel, 20, Span::hours(1)).await;
    let mut fed = Deed::new(noon() - Span::days(15), What::Nutrient);
    fed.note = "<script>".to_owned();
    let mut dose = Dose::of(Substance::Nutrient, Kilograms::computed(0.006));
    dose.name = "yeast <hulls>".to_owned();
    fed.doses = vec![dose];
    log(&cellar, vessel, fed).await;
    // Opened at the second of three looks.
    for open in [false, true, true] {
        cellar
            .judge_as(vessel, batch, Phase::Settled, "Settled.", |v| {
                v.gates.rack.open = open;
                v.gates.rack.since = open.then(|| noon() - Span::days(3));
            })
            .await;
    }
    let page = cellar.get(&format!("/vessel/{vessel}")).await.text;
    let marks: Vec<&str> = page.split("<a class=\"mark\"").skip(1).collect();
    // Each in the wide and in the tall drawing.
    assert_eq!(marks.len(), 4, "{marks:?}");
    assert!(
        marks[0].contains("Sat 14 Feb 13:00: fed nutrient"),
        "{}",
        marks[0]
    );
    assert!(
        marks[0].contains("6.0 g yeast &lt;hulls&gt;"),
        "{}",
        marks[0]
    );
    let line = marks[0].split("href=\"#").nth(1).unwrap();
    let line = line.split('"').next().unwrap();
    assert!(page.contains(&format!("<li id=\"{line}\"")), "{line}");
    assert!(
        marks[1].contains("may be racked since Thu 26 Feb"),
        "{}",
        marks[1]
    );
    assert!(marks[1].contains("href=\"#gates\""));
    assert!(page.contains("class=\"s-gate\""));
    // Not a picture alone any more.
    assert!(page.contains("role=\"group\" data-panels="));
    assert!(!page.contains("<script>"));
}

#[tokio::test]
async fn what_is_wanted_is_shaded() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    cellar.mead(vessel, "Linden", 10).await;
    high_float(&cellar, vessel, 10).await;
    let bare = cellar.get(&format!("/vessel/{vessel}")).await.text;
    assert!(!bare.contains("f-wanted"));
    let facts = VesselFacts {
        name: "Cask".to_owned(),
        capacity: None,
        temperature_low: Some(Celsius::computed(16.0)),
        temperature_high: None,
        tare: None,
        place: String::new(),
    };
    let command = Command::EditVessel(vessel, facts);
    cellar.writer.command(command).await.unwrap();
    let page = cellar.get(&format!("/vessel/{vessel}")).await.text;
    assert!(page.contains("class=\"f-wanted\""));
    // One edge in each drawing: only the lower one is wanted.
    assert_eq!(page.matches("class=\"s-wanted-edge\"").count(), 2);
    assert!(page.contains("temperature, °C; shaded: as wanted"));
    assert!(page.contains("Wanted above 16.0 °C."));
}

async fn read_out(cellar: &Cellar, address: &str) -> Vec<(f64, Option<f64>, Option<f64>, String)> {
    let answer = cellar.get(address).await;
    assert_eq!(answer.status, StatusCode::OK);
    let places: Value = serde_json::from_str(&answer.text).unwrap();
    let one = |p: &Value| {
        let says = p[3].as_str().unwrap().to_owned();
        (p[0].as_f64().unwrap(), p[1].as_f64(), p[2].as_f64(), says)
    };
    places.as_array().unwrap().iter().map(one).collect()
}

#[tokio::test]
async fn what_stands_where_is_read_out() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let batch = cellar.mead(vessel, "Linden", 20).await;
    high_float(&cellar, vessel, 20).await;
    cellar
        .judge_as(vessel, batch, Phase::Active, "Falling.", |v| {
            v.float = Some(trued());
            v.curve = (0..8)
                .map(|d| BandPoint {
                    at: noon() + Span::days(d),
                    mid: 1.0,
                    low: 0.999,
                    high: 1.001,
                })
                .collect();
        })
        .await;
    let base = format!("/vessel/{vessel}/read-out");
    let places = read_out(&cellar, &format!("{base}?span=all")).await;
    assert!(
        places.len() > 200 && places.len() <= 480,
        "{}",
        places.len()
    );
    assert!(places.is_sorted_by(|a, b| a.0 < b.0));
    let said = |words: &str| {
        let found = places.iter().find(|p| p.3.contains(words));
        found.unwrap_or_else(|| panic!("nothing says {words}: {:?}", places.last()))
    };
    // The float's own number, and what was read by hand beside it.
    let hand = said("by hand");
    assert!(hand.3.contains("1.0950 by hand"), "{hand:?}");
    assert!(hand.3.starts_with("Tue 10 Feb 1"), "{hand:?}");
    assert!(said("18.0 °C").2.is_some());
    let ahead = said("forecast 1.0000 (0.9990 to 1.0010)");
    assert!(ahead.2.is_none() && ahead.1.is_some());
    // Falling, it comes down.
    let heights: Vec<f64> = places.iter().filter_map(|p| p.1).collect();
    assert!(heights[0] < 1500.0 && heights[heights.len() - 1] > 8500.0);

    // Put right it is 0.004 lower.
    let middle = "from=2026-02-19T11:30:00Z&to=2026-02-19T12:40:00Z";
    let number = |places: &[(f64, Option<f64>, Option<f64>, String)]| -> f64 {
        let text = &places[0].3;
        let after = text.split(": ").nth(1).unwrap();
        after[..6].parse().unwrap_or_else(|_| panic!("{text}"))
    };
    let sent = number(&read_out(&cellar, &format!("{base}?{middle}")).await);
    let right = read_out(&cellar, &format!("{base}?{middle}&readings=put-right")).await;
    assert!(
        (sent - number(&right) - 0.004).abs() < 0.0007,
        "{sent} {right:?}"
    );
    let page = cellar
        .get(&format!("/vessel/{vessel}?readings=put-right"))
        .await
        .text;
    assert!(links(&page, "Which readings")[1].2);
    assert!(page.contains("put right by hand readings"));

    // 0.1 in 20 days is 0.005 a day, at all times.
    let falls = read_out(&cellar, &format!("{base}?span=all&view=fall")).await;
    assert!(falls.len() > 200);
    let of_falls: Vec<&String> = falls
        .iter()
        .map(|p| &p.3)
        .filter(|s| s.contains("a day"))
        .collect();
    assert!(of_falls.len() > 200);
    for says in of_falls {
        assert!(says.contains(": 0.0050 a day"), "{says}");
    }
    let page = cellar
        .get(&format!("/vessel/{vessel}?view=fall"))
        .await
        .text;
    for part in [
        "fall per day, SG",
        "half a day to either side",
        "At most it fell 0.0050 a day",
        "Fall per day and temperature of Cask",
    ] {
        assert!(page.contains(part), "{part}");
    }

    assert_eq!(
        cellar.get("/vessel/99/read-out").await.status,
        StatusCode::NOT_FOUND
    );
    cellar.lock().await;
    assert_eq!(cellar.get(&base).await.status, StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn a_spike_of_one_minute_in_a_year_is_drawn_and_the_page_stays_small() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    cellar.mead(vessel, "Linden", 365).await;
    let start = noon() - Span::days(365);
    let spike = start + Span::days(200) + Span::minutes(17);
    for day in 0..365 {
        // By the minute all year, this would take a minute itself; the bench does.
        let apart = if (195..205).contains(&day) { 1 } else { 120 };
        let rows = (0..1440 / apart).map(|n| {
            let at = start + Span::days(day) + Span::minutes(n * apart);
            let days = at.since(start).as_days();
            let calm = 1.0 + 0.1 * (-days / 12.0).exp();
            ImportRow {
                at,
                gravity: Some(Gravity::computed(if at == spike { 1.09 } else { calm })),
                temperature: None,
            }
        });
        let rows = rows.collect();
        let command = Command::Import { vessel, rows };
        cellar.writer.command(command).await.unwrap();
    }
    for save in roll_stale(&cellar.reader, Moment(i64::MAX)).unwrap() {
        cellar.writer.command(save).await.unwrap();
    }
    for query in ["span=all", "span=all&view=fall"] {
        let page = cellar.get(&format!("/vessel/{vessel}?{query}")).await.text;
        assert!(page.len() < 200_000, "{query}: {}", page.len());
        let read_out = cellar
            .get(&format!("/vessel/{vessel}/read-out?{query}"))
            .await;
        assert!(read_out.bytes.len() < 60_000, "{}", read_out.bytes.len());
    }
    let picture = cellar.get(&format!("/vessel/{vessel}/curve.png")).await;
    assert!(picture.bytes.len() < 200_000, "{}", picture.bytes.len());

    // Its top is in the shading of both drawings, its words in the read-out.
    let page = cellar.get(&format!("/vessel/{vessel}")).await.text;
    let spreads: Vec<&str> = page
        .split("<polygon class=\"f-gravity-spread\"")
        .skip(1)
        .collect();
    assert_eq!(spreads.len(), 2);
    let upper = page.split("data-panels=\"").skip(1);
    let panels: Vec<Vec<f64>> = upper
        .map(|p| p.split('"').next().unwrap())
        .map(|p| p.split(' ').map(|n| n.parse().unwrap()).collect())
        .collect();
    for (spread, panel) in spreads.iter().zip(panels) {
        let points = spread.split("points=\"").nth(1).unwrap();
        let points = points.split('"').next().unwrap();
        let (left, right, top, bottom) = (panel[0], panel[1], panel[2], panel[3]);
        let at = left + (right - left) * 200.0 / 365.0;
        let high = points.split_whitespace().any(|point| {
            let (x, y) = point.split_once(',').unwrap();
            let (x, y): (f64, f64) = (x.parse().unwrap(), y.parse().unwrap());
            (x - at).abs() < 30.0 && y < top + (bottom - top) * 0.25
        });
        assert!(high, "no spike near {at}");
    }
    let places = read_out(&cellar, &format!("/vessel/{vessel}/read-out?span=all")).await;
    assert!(places.iter().any(|p| p.3.contains("to 1.0900)")));
}

#[tokio::test]
async fn where_only_hours_are_kept_they_are_drawn_and_the_page_says_so() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let mead = cellar.mead(vessel, "Linden", 400).await;
    let map = FeedMap {
        format: Format::Number {
            quantity: Quantity::GravitySg,
        },
        tilt_polynomial: Vec::new(),
    };
    let claim = Command::Claim {
        source: "intake".into(),
        topic: "a".into(),
        name: "Float".into(),
        map,
        vessel: Some(vessel),
    };
    cellar.writer.command(claim).await.unwrap();
    let start = noon() - Span::days(400);
    for n in 0..3 * 48 {
        let wall = Some(start + Span::minutes(30 * n));
        let arrival = Arrival {
            source: "intake".into(),
            topic: "a".into(),
            payload: format!("{:.4}", 1.1 - n as f64 * 1e-4).into_bytes(),
            stamp: Stamp {
                wall,
                monotonic_ms: 0,
            },
            delivery: None,
            retained: false,
        };
        let kept = cellar.writer.arrive(arrival).await.unwrap().await.unwrap();
        kept.unwrap();
    }
    let at = start + Span::days(3);
    let end = Command::EndBatch { batch: mead, at };
    cellar.writer.command(end).await.unwrap();
    for save in roll_stale(&cellar.reader, noon()).unwrap() {
        cellar.writer.command(save).await.unwrap();
    }
    let address = format!("/vessel/{vessel}?span=all");
    let said = "Of this time only hours are kept";
    let before = cellar.get(&address).await.text;
    assert!(!before.contains(said) && before.contains("All readings as CSV"));

    let year = ShelfLife {
        payloads: Some(Span::days(365)),
        readings: Some(Span::days(365)),
    };
    for command in past(&cellar.reader, year, noon()).unwrap() {
        cellar.writer.command(command).await.unwrap();
    }
    let after = cellar.get(&address).await.text;
    assert!(after.contains(said) && after.contains("Readings that are kept"));
    assert!(after.contains("f-gravity-spread"), "hours have a spread");
    let hours = cellar
        .get(&format!("/vessel/{vessel}/hours.csv"))
        .await
        .text;
    assert_eq!(hours.lines().count(), 1 + 72);
}
