use axum::http::StatusCode;
use ebbmark_core::deed::{Substance, What};
use ebbmark_core::feed::{Format, Pick, Quantity};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::GravityScale;
use ebbmark_store::model::{Arrival, Change, Command, LogLine, Move, Origin, Stamp};

use crate::ask::{Cellar, cellar, noon};

fn log(cellar: &Cellar, vessel: ebbmark_core::ids::VesselId) -> Vec<LogLine> {
    cellar
        .reader
        .log(vessel, Moment(0), noon() + Span::days(1))
        .unwrap()
}

#[tokio::test]
async fn a_vessel_and_a_mead_from_nothing() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    let added = maker
        .send("/", "/vessel", "name=Cask&capacity=20&low=14&high=24%2C5")
        .await;
    assert_eq!(added.status, StatusCode::SEE_OTHER);
    let page = added.header("location").to_owned();
    let vessel = cellar.reader.vessels().unwrap().remove(0);
    assert_eq!(page, format!("/vessel/{}", vessel.id));
    assert_eq!(vessel.facts.temperature_high.unwrap().get(), 24.5);

    let started = maker
        .send(
            &page,
            &format!("{page}/batch"),
            "name=Linden&started=2026-02-20T18%3A30&original=1%2C098&expected=1.000&yeast=wine&honey=lime&tolerance=14&volume=19&note=",
        )
        .await;
    assert_eq!(started.status, StatusCode::SEE_OTHER, "{}", started.text);
    let batch = cellar
        .reader
        .vessel(vessel.id)
        .unwrap()
        .unwrap()
        .batch
        .unwrap();
    assert_eq!(
        batch.facts.started.to_rfc3339(),
        "2026-02-20T17:30:00Z",
        "Warsaw winter time"
    );
    assert_eq!(batch.facts.original_gravity.unwrap().get(), 1.098);
    assert_eq!(batch.facts.honey, "lime");
    assert_eq!(batch.facts.origin, None);

    let edited = maker
        .send(
            &page,
            &format!("{page}/batch/{}", batch.id),
            "name=Lime&started=2026-02-20T18%3A30&original=&expected=",
        )
        .await;
    assert_eq!(edited.status, StatusCode::SEE_OTHER);
    let ended = maker
        .send(&page, &format!("{page}/batch/{}/end", batch.id), "at=")
        .await;
    assert_eq!(ended.status, StatusCode::SEE_OTHER);
    assert!(
        cellar
            .reader
            .vessel(vessel.id)
            .unwrap()
            .unwrap()
            .batch
            .is_none()
    );
    assert!(
        maker.get(&page).await.text.contains("Lime"),
        "among the meads before"
    );

    let retired = maker.send(&page, &format!("{page}/retire"), "").await;
    assert_eq!(retired.header("location"), "/?done=retired");
    assert!(!maker.get("/").await.text.contains("Cask"));
}

#[tokio::test]
async fn a_mead_split_off_takes_over_what_is_left_empty() {
    let cellar = cellar().await;
    let (cask, jar) = (cellar.vessel("Cask").await, cellar.vessel("Jar").await);
    let linden = cellar.mead(cask, "Linden", 20).await;
    cellar.readings(cask, 20, Span::hours(1)).await;
    let maker = cellar.enter().await;
    let page = format!("/vessel/{jar}");
    let shown = maker.get(&page).await.text;
    assert!(
        shown.contains(&format!(r#"<option value="{linden}">Linden in Cask"#)),
        "{shown}"
    );
    let to = format!("{page}/batch");
    for (fields, says) in [
        ("origin=77", "Split off from: choose one of the list"),
        (
            &*format!("origin={linden}&started=2026-01-01T10%3A00"),
            "has to be after the other mead was pitched",
        ),
        (
            &*format!("origin={linden}&original=1.000"),
            "has to be below the gravity it began at",
        ),
        ("origin=&name=", "Name of the mead: this is needed"),
    ] {
        let refused = maker.send(&page, &to, fields).await;
        assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(refused.text.contains(says), "{says}: {}", refused.text);
    }

    let fields = format!("origin={linden}&started=2026-02-28T13%3A00&yeast=&honey=heather");
    let started = maker.send(&page, &to, &fields).await;
    assert_eq!(started.status, StatusCode::SEE_OTHER, "{}", started.text);
    let read = |vessel| {
        cellar
            .reader
            .vessel(vessel)
            .unwrap()
            .unwrap()
            .batch
            .unwrap()
    };
    let part = read(jar);
    let whole = read(cask).facts;
    let at = noon() - Span::days(1);
    assert_eq!(part.facts.origin, Some(Origin { parent: linden, at }));
    assert_eq!(part.facts.name, "Linden");
    assert_eq!(part.facts.yeast, whole.yeast);
    assert_eq!(part.facts.honey, "heather", "what was typed stands");
    assert_eq!(part.facts.original_gravity, whole.original_gravity);
    assert_eq!(part.facts.expected_final, whole.expected_final);
    assert!(part.facts.note.is_empty());
    for vessel in [cask, jar] {
        let lines = log(&cellar, vessel);
        let deeds: Vec<_> = lines.iter().map(|l| (l.deed.what, l.deed.at)).collect();
        assert_eq!(deeds, [(What::Split, at)]);
    }

    let shown = maker.get(&page).await.text;
    assert!(shown.contains("Linden in Cask"), "{shown}");
    assert!(shown.contains("<dt>Honey</dt><dd>heather</dd>"), "{shown}");
    assert!(
        shown.contains("gravity, shaded as far as readings spread"),
        "the other one's readings are drawn"
    );
    let edited = maker
        .send(
            &page,
            &format!("{page}/batch/{}", part.id),
            "name=Part&started=2026-02-28T14%3A00&honey=lime",
        )
        .await;
    assert_eq!(edited.status, StatusCode::SEE_OTHER, "{}", edited.text);
    let at = at + Span::hours(1);
    let facts = read(jar).facts;
    assert_eq!(facts.origin, Some(Origin { parent: linden, at }));
    assert_eq!((facts.started, &*facts.honey), (at, "lime"));
}

#[tokio::test]
async fn a_part_is_noted_in_the_vessel_the_other_was_in_then() {
    let cellar = cellar().await;
    let [cask, keg, jar] = [
        cellar.vessel("Cask").await,
        cellar.vessel("Keg").await,
        cellar.vessel("Jar").await,
    ];
    let linden = cellar.mead(cask, "Linden", 20).await;
    let moved = Command::MoveBatch(Move {
        batch: linden,
        from: cask,
        to: keg,
        at: noon() - Span::hours(1),
        volume: None,
        note: String::new(),
        feeds: Vec::new(),
        once: None,
        made_at: noon(),
    });
    cellar.writer.command(moved).await.unwrap();
    let maker = cellar.enter().await;
    let page = format!("/vessel/{jar}");
    let fields = format!("origin={linden}&started=2026-02-28T13%3A00");
    let started = maker.send(&page, &format!("{page}/batch"), &fields).await;
    assert_eq!(started.status, StatusCode::SEE_OTHER, "{}", started.text);
    let split = |vessel| {
        let lines = log(&cellar, vessel);
        lines.iter().filter(|l| l.deed.what == What::Split).count()
    };
    assert_eq!([split(cask), split(keg), split(jar)], [1, 0, 1]);
}

#[tokio::test]
async fn a_mead_and_its_plan_are_kept_together() {
    let cellar = cellar().await;
    let jar = cellar.vessel("Jar").await;
    let maker = cellar.enter().await;
    let page = format!("/vessel/{jar}");
    let mut changes = cellar.writer.changes();
    let fields = "name=Fig&started=2026-02-28T13%3A00&style=&steps=&by=sugar&finish=dry&pack=";
    let started = maker.send(&page, &format!("{page}/batch"), fields).await;
    assert_eq!(started.status, StatusCode::SEE_OTHER, "{}", started.text);
    let mut told = 0;
    while let Ok(change) = changes.try_recv() {
        told += usize::from(change == Change::Vessel(jar));
    }
    assert_eq!(told, 1, "one commit has both");
    let vessel = cellar.reader.vessel(jar).unwrap().unwrap();
    assert!(!vessel.batch.unwrap().plan.is_empty());
}

#[tokio::test]
async fn a_hand_reading_is_corrected_kept_and_read_back() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    cellar.mead(vessel, "Linden", 20).await;
    let maker = cellar.enter().await;
    let page = format!("/vessel/{vessel}");
    let noted = maker
        .send(
            &page,
            &format!("{page}/hand"),
            "read=1%2C020&sample=28&reference=20&at=&note=clear",
        )
        .await;
    assert_eq!(noted.status, StatusCode::SEE_OTHER, "{}", noted.text);
    let lines = log(&cellar, vessel);
    assert_eq!(lines.len(), 1);
    let corrected = lines[0].deed.gravity.unwrap().get();
    assert!(corrected > 1.020, "a warm sample reads low: {corrected}");
    assert_eq!(lines[0].hand.unwrap().read.get(), 1.020);
    assert_eq!(lines[0].deed.at, noon());
    let shown = maker.get(noted.header("location")).await.text;
    assert!(shown.contains("Noted: hand reading: 1.02"), "{shown}");
    assert!(shown.contains("read 1.0200 in a sample of 28.0 °C"));
}

#[tokio::test]
async fn what_was_weighed_and_measured_stands_in_the_line() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let maker = cellar.enter().await;
    let page = format!("/vessel/{vessel}");
    let to = format!("{page}/deed");
    let send = |fields: &'static str| maker.send(&page, &to, fields);
    let line = send(
        "what=addition&temperature=17,5&note=scalded&of=fruit&mass=2,4&called=quince&extract=10",
    )
    .await;
    assert_eq!(line.status, StatusCode::SEE_OTHER);
    let lines = log(&cellar, vessel);
    let deed = &lines[0].deed;
    assert_eq!(deed.temperature.unwrap().get(), 17.5);
    let dose = &deed.doses[0];
    assert_eq!(
        (dose.of, dose.mass.get(), dose.name.as_str()),
        (Substance::Fruit, 2.4, "quince")
    );
    assert_eq!(dose.extract.unwrap().get(), 10.0);
    let shown = maker.get(line.header("location")).await.text;
    assert!(
        shown.contains("Noted: added, at 17.5 °C: scalded [2.400 kg quince]"),
        "{shown}"
    );

    // Corrected, and something forgotten added.
    let address = format!("{page}/line/{}", lines[0].id);
    let corrected = maker
        .send(
            &address,
            &address,
            "what=addition&at=2026-03-01T12:00&dose-1=2,5&of=water&mass=300 g",
        )
        .await;
    assert_eq!(
        corrected.status,
        StatusCode::SEE_OTHER,
        "{}",
        corrected.text
    );
    let lines = log(&cellar, vessel);
    let standing = lines.iter().find(|l| l.replaced_by.is_none()).unwrap();
    let masses: Vec<f64> = standing.deed.doses.iter().map(|d| d.mass.get()).collect();
    assert_eq!(masses, [2.5, 0.3]);

    for (fields, words) in [
        ("what=addition&of=honey", "say how much honey"),
        ("what=addition&of=honey&mass=0", "say how much honey"),
        ("what=addition&mass=1", "say what it was"),
        ("what=addition&of=gold&mass=1", "choose one of the list"),
    ] {
        let refused = send(fields).await;
        assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY, "{fields}");
        assert!(refused.text.contains(words), "{fields}");
    }
    assert_eq!(log(&cellar, vessel).len(), 2);
}

#[tokio::test]
async fn a_double_tap_is_one_line() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let maker = cellar.enter().await;
    let page = format!("/vessel/{vessel}");
    let to = format!("{page}/deed");
    let tap = || maker.send_once(&page, &to, "what=rack&at=&gravity=&note=", "abc123");
    let (first, second) = tokio::join!(tap(), tap());
    assert_eq!(first.status, StatusCode::SEE_OTHER);
    assert_eq!(first.header("location"), second.header("location"));
    assert_eq!(log(&cellar, vessel).len(), 1);
    let other = maker
        .send_once(&page, &to, "what=rack&at=&gravity=&note=", "def456")
        .await;
    assert_ne!(other.header("location"), first.header("location"));
    assert_eq!(
        log(&cellar, vessel).len(),
        2,
        "another form is another line"
    );

    let (a, b) = tokio::join!(
        maker.send_once("/", "/vessel", "name=Twin", "ghi789"),
        maker.send_once("/", "/vessel", "name=Twin", "ghi789"),
    );
    assert_eq!(a.header("location"), b.header("location"));
    assert_eq!(
        cellar.reader.vessels().unwrap().len(),
        2,
        "Cask and one Twin"
    );
}

#[tokio::test]
async fn a_refused_form_comes_back_filled_in() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let maker = cellar.enter().await;
    let page = format!("/vessel/{vessel}");
    let refused = maker
        .send(
            &page,
            &format!("{page}/hand"),
            "read=7&sample=warm&reference=&at=2027-01-01T00%3A00&note=my+%3Cnote%3E",
        )
        .await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    for part in [
        "Gravity as read: gravity 7 is outside 0.95 to 1.25 SG",
        "Temperature of the sample: &quot;warm&quot; is not a number",
        "Hydrometer is marked for: this is needed",
        "is still to come",
        "my &lt;note&gt;",
        "name=\"read\" value=\"7\"",
        "<details id=\"hand\" open>",
        "data-follows=\"\"",
    ] {
        assert!(refused.text.contains(part), "lacks {part}");
    }
    assert!(log(&cellar, vessel).is_empty());
    // The same token goes through once it is put right.
    let once = refused.field("once");
    let again = maker
        .send_once(
            &page,
            &format!("{page}/hand"),
            "read=1.07&sample=20&reference=20&at=&note=",
            &once,
        )
        .await;
    assert_eq!(again.status, StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn a_line_can_be_corrected_and_the_old_one_stays() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let maker = cellar.enter().await;
    let page = format!("/vessel/{vessel}");
    maker
        .send(
            &page,
            &format!("{page}/deed"),
            "what=addition&at=&gravity=&note=2+kg+fig",
        )
        .await;
    let line = format!("{page}/line/{}", log(&cellar, vessel)[0].id);
    assert!(maker.get(&line).await.text.contains("2 kg fig"));
    let corrected = maker
        .send(
            &line,
            &line,
            "what=addition&at=&gravity=1.06&note=1.2+kg+fig",
        )
        .await;
    assert_eq!(
        corrected.status,
        StatusCode::SEE_OTHER,
        "{}",
        corrected.text
    );
    let lines = log(&cellar, vessel);
    assert_eq!(lines.len(), 2);
    assert_eq!(lines.iter().filter(|l| l.replaced_by.is_none()).count(), 1);
    let shown = maker.get(&page).await.text;
    assert!(shown.contains("1 corrected since"));
    assert!(shown.contains("1.2 kg fig"));
    assert!(maker.get(&line).await.text.contains("corrected already"));
    assert_eq!(
        maker.get(&format!("{page}/line/999")).await.status,
        StatusCode::NOT_FOUND
    );
    let new = lines.iter().find(|l| l.replaced_by.is_none()).unwrap();
    let new = format!("{page}/line/{}", new.id);
    let bad = maker.send(&new, &new, "what=hand-reading&at=&note=").await;
    assert_eq!(bad.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(bad.text.contains("choose one of the list"));
    assert!(lines.iter().all(|l| l.deed.what == What::Addition));
}

async fn stranger(cellar: &Cellar, topic: &str, payload: &str) {
    let arrival = Arrival {
        source: "intake".to_owned(),
        topic: topic.to_owned(),
        payload: payload.as_bytes().to_vec(),
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
}

#[tokio::test]
async fn a_topic_is_claimed_remapped_moved_and_retired() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let maker = cellar.enter().await;
    stranger(
        &cellar,
        "shed/probe",
        r#"{"a":{"gravity":1.05},"temp":18.5}"#,
    )
    .await;
    let offered = maker.get("/feeds").await.text;
    assert!(offered.contains("/a/gravity: 1.05"), "{offered}");

    let twice = "source=intake&topic=shed%2Fprobe&format=json&name=probe&vessel=&polynomial=\
                 &from-0=%2Fa%2Fgravity&what-0=gravity-sg&from-1=%2Ftemp&what-1=gravity-plato";
    let refused = maker.send("/feeds", "/feeds/claim", twice).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        refused.text.contains(
            "&quot;/a/gravity&quot; and &quot;/temp&quot; are both said to be the gravity"
        ),
        "{}",
        refused.text
    );
    let none = twice.replace("gravity-sg", "").replace("gravity-plato", "");
    let refused = maker.send("/feeds", "/feeds/claim", &none).await;
    assert!(
        refused
            .text
            .contains("Say of at least one number what it is")
    );

    let good = twice
        .replace("gravity-plato", "temperature-celsius")
        .replace("vessel=", &format!("vessel={vessel}"));
    let claimed = maker.send("/feeds", "/feeds/claim", &good).await;
    assert_eq!(
        claimed.header("location"),
        "/feeds?done=claimed",
        "{}",
        claimed.text
    );
    let feed = cellar.reader.feeds().unwrap().remove(0);
    assert_eq!(feed.vessel, Some(vessel));
    assert_eq!(feed.readings, 1, "what was kept has been read");
    let page = maker.get("/feeds?done=claimed").await.text;
    assert!(page.contains("what was kept of it has been read"));
    assert!(page.contains("18.5 °C"));

    let map = "format=json&name=tilted&polynomial=0%2C98+1.2e-3&from-0=%2Ftemp&what-0=tilt-degrees";
    let remapped = maker
        .send("/feeds", &format!("/feeds/{}/map", feed.id), map)
        .await;
    assert_eq!(
        remapped.header("location"),
        "/feeds?done=map",
        "{}",
        remapped.text
    );
    let feed = cellar.reader.feed(feed.id).unwrap().unwrap();
    assert_eq!(feed.name, "tilted");
    assert_eq!(feed.map.tilt_polynomial, [0.98, 1.2e-3]);
    let picks = vec![Pick {
        from: "/temp".to_owned(),
        quantity: Quantity::TiltDegrees,
    }];
    assert_eq!(feed.map.format, Format::Json { picks });

    let moved = maker
        .send("/feeds", &format!("/feeds/{}/move", feed.id), "vessel=&at=")
        .await;
    assert_eq!(moved.header("location"), "/feeds?done=moved");
    assert_eq!(cellar.reader.feed(feed.id).unwrap().unwrap().vessel, None);
    let retired = maker
        .send("/feeds", &format!("/feeds/{}/retire", feed.id), "")
        .await;
    assert_eq!(retired.header("location"), "/feeds?done=feed-retired");
    assert!(cellar.reader.feed(feed.id).unwrap().unwrap().retired);
}

#[tokio::test]
async fn units_and_zone_change_what_is_shown_and_read() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let maker = cellar.enter().await;
    let wrong = maker
        .send(
            "/settings",
            "/settings",
            "gravity=plato&temperature=fahrenheit&volume=us-gallons&mass=pounds&pressure=psi&dates=month-day&clock=twelve&zone=Middle+Earth",
        )
        .await;
    assert_eq!(wrong.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(wrong.text.contains("Middle Earth"));
    let saved = maker
        .send(
            "/settings",
            "/settings",
            "gravity=plato&temperature=fahrenheit&volume=us-gallons&mass=pounds&pressure=psi&dates=month-day&clock=twelve&zone=America%2FNew_York",
        )
        .await;
    assert_eq!(saved.status, StatusCode::SEE_OTHER, "{}", saved.text);
    let stored = cellar.reader.setting("units").unwrap().unwrap();
    let prefs: ebbmark_core::units::Preferences = serde_json::from_str(&stored).unwrap();
    assert_eq!(prefs.gravity, GravityScale::Plato);

    let page = format!("/vessel/{vessel}");
    let shown = maker.get(&page).await.text;
    assert!(shown.contains("Gravity as read, °P"));
    assert!(
        shown.contains("As of 7:00 am"),
        "noon UTC in New York in winter"
    );
    maker
        .send(
            &page,
            &format!("{page}/hand"),
            "read=12.9&sample=68&reference=68&at=&note=",
        )
        .await;
    assert!(maker.get(&page).await.text.contains("today 7:00 am"));
    cellar.later(ebbmark_core::time::Span::days(3));
    assert!(maker.get(&page).await.text.contains("Sun Mar 1 7:00 am"));
    let line = log(&cellar, vessel).remove(0);
    assert!((line.hand.unwrap().sample.get() - 20.0).abs() < 1e-9);
    assert!((line.deed.gravity.unwrap().get() - 1.052).abs() < 0.001);
}

#[tokio::test]
async fn the_book_can_be_opened_to_readers() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    assert_eq!(cellar.get("/").await.status, StatusCode::SEE_OTHER);
    maker.send("/access", "/access/view", "view=yes").await;
    assert_eq!(cellar.get("/").await.status, StatusCode::OK);
    maker.send("/access", "/access/view", "view=").await;
    assert_eq!(cellar.get("/").await.status, StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn of_very_many_unclaimed_topics_some_are_shown() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    for i in 0..35 {
        stranger(&cellar, &format!("house/{i}"), "1.05").await;
    }
    let page = maker.get("/feeds").await.text;
    assert_eq!(page.matches("action=\"/feeds/claim\"").count(), 30);
    assert!(page.contains("And 5 topics more"));
    assert!(!page.contains("<details id=\"fold-claim:intake:house/34\" open"));
}

#[tokio::test]
async fn a_test_notice_is_queued_for_its_way_out() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    let sent = maker
        .send("/notices", "/notices/test", "channel=mail")
        .await;
    assert_eq!(sent.header("location"), "/notices?done=test");
    let due = cellar.reader.due(noon() + Span::minutes(1), 10).unwrap();
    assert_eq!(due.len(), 1);
    assert_eq!(due[0].channel, "mail");
    let unknown = maker
        .send("/notices", "/notices/test", "channel=pigeon")
        .await;
    assert_eq!(unknown.status, StatusCode::UNPROCESSABLE_ENTITY);
}
