//! The card of a mead, its files, prices and making it again. Names, masses and prices are invented.

use axum::http::StatusCode;
use ebbmark_core::card::Card;
use ebbmark_core::deed::{Deed, Dose, Substance, What};
use ebbmark_core::files::{ON_RECORD, events};
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::time::Span;
use ebbmark_core::units::{Gravity, Kilograms, Litres, MassPercent};
use ebbmark_store::model::{BatchFacts, Command, Done};

use crate::ask::{Cellar, cellar, noon};

fn dose(of: Substance, name: &str, kg: f64) -> Dose {
    Dose {
        name: name.to_owned(),
        extract: (of == Substance::Honey).then(|| MassPercent::new(82.0).unwrap()),
        ..Dose::of(of, Kilograms::new(kg).unwrap())
    }
}

async fn log(cellar: &Cellar, vessel: VesselId, deed: Deed) {
    let command = Command::Log {
        vessel,
        deed,
        hand: None,
        once: None,
        made_at: noon(),
    };
    cellar.writer.command(command).await.unwrap();
}

/// 20 L of must from 6 kg of honey, 60 days ago; sealed ten days ago.
async fn mead(cellar: &Cellar, vessel: VesselId, name: &str) -> BatchId {
    let facts = BatchFacts {
        name: name.to_owned(),
        started: noon() - Span::days(60),
        original_gravity: Gravity::new(1.1).ok(),
        expected_final: None,
        tolerance: None,
        volume: Litres::new(20.0).ok(),
        yeast: "an invented yeast".to_owned(),
        honey: "linden".to_owned(),
        note: String::new(),
        origin: None,
    };
    let start = Command::StartBatch { vessel, facts };
    let Done::Batch(batch) = cellar.writer.command(start).await.unwrap() else {
        panic!()
    };
    let pitched = Deed {
        doses: vec![
            dose(Substance::Honey, "linden", 6.0),
            dose(Substance::Water, "", 15.6),
        ],
        ..Deed::new(noon() - Span::days(60), What::Pitch)
    };
    log(cellar, vessel, pitched).await;
    for days in [59, 57] {
        let fed = Deed {
            doses: vec![dose(Substance::Nutrient, "", 0.005)],
            ..Deed::new(noon() - Span::days(days), What::Nutrient)
        };
        log(cellar, vessel, fed).await;
    }
    let sealed = Deed {
        gravity: Gravity::new(1.0).ok(),
        volume: Litres::new(18.0).ok(),
        note: "into <bottles> & a keg".to_owned(),
        ..Deed::new(noon() - Span::days(10), What::Seal)
    };
    log(cellar, vessel, sealed).await;
    batch
}

#[tokio::test]
async fn a_card_says_what_the_book_says() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let batch = mead(&cellar, vessel, "Linden <plain>").await;
    let page = cellar.get(&format!("/mead/{batch}")).await;
    assert_eq!(page.status, StatusCode::OK);
    for says in [
        "Linden &lt;plain&gt;",
        "Into &lt;bottles&gt; &amp; a keg",
        "13.4 % vol",
        "6.000 kg",
        "18.0 L",
        "no prices are on the list",
        "day 60, so far",
    ] {
        assert!(page.text.contains(says), "{says}: {}", page.text);
    }
    assert!(
        !page.text.contains("Make it again"),
        "a guest may not write"
    );
    // From the vessel's page, and from what is not there.
    let of_vessel = cellar.get(&format!("/vessel/{vessel}")).await.text;
    assert!(of_vessel.contains(&format!("href=\"/mead/{batch}\"")));
    assert_eq!(cellar.get("/mead/99").await.status, StatusCode::NOT_FOUND);
    assert_eq!(
        cellar.get("/mead/99/card.json").await.status,
        StatusCode::NOT_FOUND
    );
}

#[tokio::test]
async fn the_card_as_files() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let batch = mead(&cellar, vessel, "Linden").await;
    let get = |ending: &str| {
        let path = format!("/mead/{batch}/card.{ending}");
        let cellar = &cellar;
        async move { cellar.get(&path).await }
    };
    let json = get("json").await;
    assert_eq!(
        json.header("content-disposition"),
        format!("attachment; filename=\"mead-{batch}-card.json\"")
    );
    let card: Card = serde_json::from_str(&json.text).unwrap();
    let same = cellar.get(&format!("/api/v1/meads/{batch}/card")).await;
    let by_api: Card = serde_json::from_str(&same.text).unwrap();
    assert_eq!(card, by_api);
    let csv = get("csv").await;
    assert!(csv.header("content-type").starts_with("text/csv"));
    let (deeds, bad) = events(&csv.text, &ON_RECORD).unwrap();
    assert!(bad.is_empty());
    let noted: Vec<Deed> = card.log.iter().map(|line| line.deed()).collect();
    assert_eq!(deeds, noted);
    let html = get("html").await;
    assert!(html.text.contains("<style>") && html.text.contains("@page"));
    for away in ["<link", "<script", "src=", "href=", "url(", "@import"] {
        assert!(!html.text.contains(away), "{away}");
    }
}

/// Where not all of the log fits on paper, what was only remarked stays away first, and how much that
/// is is said; what was done over and over is one row.
#[tokio::test]
async fn paper_keeps_what_matters() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let batch = mead(&cellar, vessel, "Linden").await;
    for n in 0..60 {
        let at = noon() - Span::days(50) + Span::hours(6 * n);
        let remark = Deed {
            note: format!("remark number {n}"),
            ..Deed::new(at, What::Remark)
        };
        log(&cellar, vessel, remark).await;
        log(&cellar, vessel, Deed::new(at, What::PushDown)).await;
    }
    let page = cellar.get(&format!("/mead/{batch}")).await.text;
    let rows: Vec<&str> = page.split("<tr").collect();
    let row = |says: &str| {
        let found = rows.iter().find(|r| r.contains(says));
        *found.unwrap_or_else(|| panic!("no row says {says}"))
    };
    let kept = |row: &str| !row.starts_with(" class=\"beyond\"");
    assert!(kept(row("Into &lt;bottles&gt;")) && kept(row("6.000 kg linden honey")));
    assert!(row("pushed down").contains("× 60"));
    let remarks = rows.iter().filter(|r| r.contains("Remark number"));
    let away = remarks.filter(|r| !kept(r)).count();
    assert!(away > 20, "{away}");
    assert!(
        page.contains(&format!("And {away} more, which are in the book")),
        "{page}"
    );
}

/// What one may not read as a page one may not read as a file.
#[tokio::test]
async fn a_card_is_behind_the_password() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let batch = mead(&cellar, vessel, "Linden").await;
    let maker = cellar.enter().await;
    for path in ["", "/card.html", "/card.json", "/card.csv", "/again"] {
        let path = format!("/mead/{batch}{path}");
        let guest = cellar.get(&path).await;
        assert_eq!(guest.status, StatusCode::SEE_OTHER, "{path}");
        assert_eq!(maker.get(&path).await.status, StatusCode::OK, "{path}");
    }
    let api = cellar.get(&format!("/api/v1/meads/{batch}/card")).await;
    assert_eq!(api.status, StatusCode::UNAUTHORIZED);
    assert_eq!(cellar.get("/prices").await.status, StatusCode::SEE_OTHER);
}

#[tokio::test]
async fn prices_make_the_cost() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let batch = mead(&cellar, vessel, "Linden").await;
    let maker = cellar.enter().await;
    for (fields, says) in [
        (
            "of=gold&name=&paid=1&amount=1",
            "What: choose one of the list",
        ),
        ("of=honey&name=&paid=&amount=1", "Paid: this is needed"),
        ("of=honey&name=&paid=much&amount=1", "Paid: "),
        ("of=honey&name=&paid=-5&amount=1", "Paid: -5 is no price"),
        ("of=honey&name=&paid=5&amount=0", "more than nothing"),
        ("of=honey&name=&paid=5&amount=two", "For so much: "),
        (
            "of=honey&name=&paid=5&amount=1&since=tomorrow",
            "is not a day like 2026-03-01",
        ),
    ] {
        let refused = maker.send("/prices", "/prices", fields).await;
        assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY, "{fields}");
        assert!(refused.text.contains(says), "{says}: {}", refused.text);
    }
    assert!(cellar.reader.prices().unwrap().list.is_empty());
    for fields in [
        "of=honey&name=Linden&paid=90%2C50&amount=10+kg&since=2025-12-01",
        "of=nutrient&name=&paid=15&amount=500+g&since=2025-12-01",
        "of=bottle&name=&paid=12&amount=10&since=2025-12-01",
        // Dearer from today on.
        "of=honey&name=linden&paid=200&amount=10+kg&since=2026-03-01",
    ] {
        let taken = maker.send("/prices", "/prices", fields).await;
        assert_eq!(taken.status, StatusCode::SEE_OTHER, "{}", taken.text);
    }
    let money = maker
        .send("/prices", "/prices/money", "money=crowns&bottle=0%2C5")
        .await;
    assert_eq!(money.status, StatusCode::SEE_OTHER, "{}", money.text);
    let list = maker.get("/prices").await.text;
    assert!(
        list.contains("90.50 crowns for 10.000 kg, from 1 Dec 2025 on"),
        "{list}"
    );
    // 6 kg at 9.05 and 10 g at 30: 54.60 in 18 L; half a litre of it and a bottle at 1.20.
    let page = maker.get(&format!("/mead/{batch}")).await.text;
    assert!(page.contains("2.72 crowns"), "{page}");
    assert!(
        page.contains("0.50 L, with the bottle; 3.03 a litre; 54.60 in all"),
        "{page}"
    );
    let prices = cellar.reader.prices().unwrap();
    let dearer = prices.list.iter().find(|p| p.paid == 200.0).unwrap();
    let strike = format!("of=honey&name=linden&since={}", dearer.since.0);
    let struck = maker.send("/prices", "/prices/strike", &strike).await;
    assert_eq!(struck.status, StatusCode::SEE_OTHER);
    assert_eq!(cellar.reader.prices().unwrap().list.len(), 3);
}

#[tokio::test]
async fn made_again_from_the_actuals() {
    let cellar = cellar().await;
    let (cask, tank) = (cellar.vessel("Cask").await, cellar.vessel("Tank").await);
    let batch = mead(&cellar, cask, "Linden").await;
    let maker = cellar.enter().await;
    let page = format!("/mead/{batch}/again");
    let form = maker.get(&page).await.text;
    assert!(form.contains("It was made from 20.0 L of must"), "{form}");
    for (fields, says) in [
        (
            &*format!("vessel={cask}&volume=10&name=B"),
            "Into: choose one of the list",
        ),
        (
            &*format!("vessel={tank}&volume=&name=B"),
            "Volume of must: this is needed",
        ),
        (
            &*format!("vessel={tank}&volume=0&name=B"),
            "Volume of must: ",
        ),
        (
            &*format!("vessel={tank}&volume=10&name="),
            "Name of the mead: this is needed",
        ),
    ] {
        let refused = maker.send(&page, &page, fields).await;
        assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(refused.text.contains(says), "{says}: {}", refused.text);
    }
    let fields = format!("vessel={tank}&volume=47.3&name=Linden+the+second");
    // Once it is made no vessel is empty, and its own page has no form any more.
    let tap = || maker.send_once("/prices", &page, &fields, "again-1");
    let (first, second) = (tap().await, tap().await);
    assert_eq!(first.status, StatusCode::SEE_OTHER, "{}", first.text);
    assert_eq!(first.header("location"), second.header("location"));
    let made = cellar.reader.vessel(tank).unwrap().unwrap().batch.unwrap();
    assert_eq!(made.facts.name, "Linden the second");
    assert_eq!(made.facts.volume, Litres::new(47.3).ok());
    assert_eq!(made.facts.yeast, "an invented yeast");
    assert_eq!(made.facts.original_gravity, None);
    let by = 47.3 / 20.0;
    let (honey, nutrient) = (6.0 * by, 0.005 * by);
    let goods: Vec<(What, f64)> = made
        .plan
        .goods
        .iter()
        .map(|g| (g.with, g.dose.mass.get()))
        .collect();
    assert_eq!(
        goods,
        [
            (What::Pitch, honey),
            (What::Pitch, 15.6 * by),
            (What::Nutrient, nutrient),
            (What::Nutrient, nutrient)
        ]
    );

    // Changed in the form of the mead: what is not touched keeps its digits.
    let vessel = format!("/vessel/{tank}");
    let shown = maker.get(&vessel).await.text;
    assert!(
        shown.contains("14.190 kg linden honey and 36.894 kg water with the yeast"),
        "{shown}"
    );
    let edit = format!("{vessel}/batch/{}", made.id);
    let row = |n: usize, with: &str, of: &str, name: &str, mass: &str, extract: &str| {
        format!(
            "&good-{n}-with={with}&good-{n}-of={of}&good-{n}-name={name}&good-{n}-mass={mass}&good-{n}-extract={extract}"
        )
    };
    let fields = [
        "name=Linden&volume=50&style=&steps=&by=sugar&rouse=&finish=&fine=&pack=&sparkling="
            .to_owned(),
        row(1, "pitch", "honey", "linden", "14.190+kg", "82"),
        row(2, "pitch", "water", "", "", ""),
        row(3, "nutrient", "nutrient", "", "11.8+g", ""),
        row(4, "addition", "fruit", "fig", "2+kg", "60"),
    ]
    .concat();
    let saved = maker.send(&vessel, &edit, &fields).await;
    assert_eq!(saved.status, StatusCode::SEE_OTHER, "{}", saved.text);
    let plan = cellar.reader.batch(made.id).unwrap().unwrap().plan;
    let goods: Vec<(What, &str, f64)> = plan
        .goods
        .iter()
        .map(|g| (g.with, g.dose.name.as_str(), g.dose.mass.get()))
        .collect();
    assert_eq!(
        goods,
        [
            (What::Pitch, "linden", honey),
            (What::Nutrient, "", nutrient),
            (What::Addition, "fig", 2.0)
        ]
    );
    let refused = maker
        .send(&vessel, &edit, &fields.replace("11.8+g", "a+spoon"))
        .await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
}

/// What is planned is noted with one tap, nutrient one dose after the other.
#[tokio::test]
async fn what_was_planned_goes_in() {
    let cellar = cellar().await;
    // In the vessel the first one was in, whose book says that it was pitched.
    let tank = cellar.vessel("Tank").await;
    let batch = mead(&cellar, tank, "Linden").await;
    let at = noon() - Span::days(1);
    cellar
        .writer
        .command(Command::EndBatch { batch, at })
        .await
        .unwrap();
    let maker = cellar.enter().await;
    let again = format!("/mead/{batch}/again");
    let fields = format!("vessel={tank}&volume=47.3&name=Second");
    maker.send(&again, &again, &fields).await;
    let made = cellar.reader.vessel(tank).unwrap().unwrap().batch.unwrap();
    let page = format!("/vessel/{tank}");
    let to = format!("{page}/batch/{}/goods", made.id);
    let shown = maker.get(&page).await.text;
    assert!(
        shown.contains("Put in what was planned with the yeast"),
        "{shown}"
    );
    assert!(
        shown.contains(r#"name="mass-1" value="14.190 kg""#),
        "{shown}"
    );
    for (fields, status) in [
        (
            "with=pitch&mass-1=&mass-2=",
            StatusCode::UNPROCESSABLE_ENTITY,
        ),
        (
            "with=pitch&mass-1=lots&mass-2=1",
            StatusCode::UNPROCESSABLE_ENTITY,
        ),
        ("with=sweeten&mass-1=1", StatusCode::NOT_FOUND),
        ("with=pray&mass-1=1", StatusCode::NOT_FOUND),
    ] {
        assert_eq!(
            maker.send(&page, &to, fields).await.status,
            status,
            "{fields}"
        );
    }
    // The honey as planned, of the water a little less.
    let tap = || {
        maker.send_once(
            &page,
            &to,
            "with=pitch&mass-1=14.190+kg&mass-2=36.5+kg",
            "tap-1",
        )
    };
    let (first, second) = tokio::join!(tap(), tap());
    for taken in [first, second] {
        assert_eq!(taken.status, StatusCode::SEE_OTHER, "{}", taken.text);
    }
    let fed = maker.send(&page, &to, "with=nutrient&mass-1=11.8+g").await;
    assert_eq!(fed.status, StatusCode::SEE_OTHER, "{}", fed.text);
    let record = cellar
        .reader
        .card_record(made.id, noon() + Span::hours(1))
        .unwrap();
    let doses: Vec<(What, f64)> = record
        .unwrap()
        .deeds
        .iter()
        .flat_map(|d| d.doses.iter().map(|dose| (d.what, dose.mass.get())))
        .collect();
    let by = 47.3 / 20.0;
    assert_eq!(
        doses,
        [
            (What::Pitch, 6.0 * by),
            (What::Pitch, 36.5),
            (What::Nutrient, 0.005 * by)
        ]
    );
    let shown = maker.get(&page).await.text;
    assert!(!shown.contains("Put in what was planned with the yeast"));
    assert!(
        shown.contains("Put in what was planned for the yeast"),
        "the second step"
    );
    maker.send(&page, &to, "with=nutrient&mass-1=11.8+g").await;
    let shown = maker.get(&page).await.text;
    assert!(!shown.contains("Put in what was planned"));
}

/// Without a volume nothing is scaled, and that is said where it is asked.
#[tokio::test]
async fn what_cannot_be_scaled_says_so() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let batch = cellar.mead(vessel, "Linden", 30).await;
    let maker = cellar.enter().await;
    let page = maker.get(&format!("/mead/{batch}/again")).await.text;
    assert!(
        page.contains("How much must it began as is not on record"),
        "{page}"
    );
    assert!(!page.contains("Start the mead"));
}
