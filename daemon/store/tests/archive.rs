//! Meads of years: found by words, with summaries that follow their record.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use ebbmark_core::deed::{Deed, Dose, Substance, What};
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::plan::{Plan, Steep};
use ebbmark_core::strength;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Gravity, Kilograms, Litres, MassPercent};
use ebbmark_store::archive::make_stale;
use ebbmark_store::hours::roll_stale;
use ebbmark_store::model::{
    BatchFacts, Command, Done, ImportRow, LogLine, Origin, Summary, Wanted,
};

use common::{Store, T0, at, batch_facts, beginning, deed};

fn day(days: f64) -> Moment {
    T0 + Span::from_days(days)
}

fn later() -> Moment {
    day(900.0)
}

async fn begin(store: &Store, vessel: VesselId, facts: BatchFacts) -> BatchId {
    match store.run(beginning(vessel, facts)).await {
        Done::Batch(id) => id,
        other => panic!("{other:?}"),
    }
}

async fn end(store: &Store, batch: BatchId, days: f64) {
    let at = day(days);
    store.run(Command::EndBatch { batch, at }).await;
}

async fn log(store: &Store, vessel: VesselId, deed: Deed) -> Done {
    let made_at = deed.at;
    let (hand, once) = (None, None);
    let log = Command::Log {
        vessel,
        deed,
        hand,
        once,
        made_at,
    };
    store.run(log).await
}

fn noted(what: What, days: f64, note: &str) -> Deed {
    Deed {
        note: note.to_owned(),
        ..Deed::new(day(days), what)
    }
}

/// A logistic fall with its middle on that day.
fn fallen(days: f64, middle: f64) -> f64 {
    1.0 + 0.1 / (1.0 + (0.9 * (days - middle)).exp())
}

async fn read(store: &Store, vessel: VesselId, from: f64, to: f64, middle: f64) {
    let rows = ((from * 24.0) as i64..(to * 24.0) as i64).map(|hour| {
        let at = T0 + Span::hours(hour) + Span::minutes(30);
        ImportRow {
            at,
            gravity: Some(Gravity::computed(fallen(at.since(T0).as_days(), middle))),
            temperature: Some(Celsius::computed(18.0)),
        }
    });
    let rows = rows.collect();
    store.run(Command::Import { vessel, rows }).await;
}

fn names(store: &Store, wanted: &Wanted) -> Vec<String> {
    let found = store.reader.meads(wanted, 0, later()).unwrap();
    let names = found.meads.into_iter().map(|m| m.batch.facts.name);
    names.collect()
}

fn by_words(words: &str) -> Wanted {
    Wanted {
        words: words.to_owned(),
        ..Wanted::default()
    }
}

#[tokio::test]
async fn all_words_must_be_found_whatever_their_case_and_accents() {
    let store = Store::new();
    let cask = store.vessel("cask").await;
    let heath = BatchFacts {
        honey: "Höhenhonig, Heide".into(),
        yeast: "Wine yeast KV-2".into(),
        note: "von Opas Bienen".into(),
        ..batch_facts("Abendrot")
    };
    let heath = begin(&store, cask, heath).await;
    let figs = Deed {
        doses: vec![Dose {
            name: "Smyrna Fig".into(),
            ..Dose::of(Substance::Fruit, Kilograms::computed(1.2))
        }],
        ..noted(What::Addition, 3.0, "soaked over night")
    };
    log(&store, cask, figs).await;
    let plan = Plan {
        style: "half-dry".into(),
        steeps: vec![Steep {
            name: "cassia bark".into(),
            days: Some(9),
            push_every: 0,
        }],
        ..Plan::default()
    };
    let plan = Box::new(plan);
    store.run(Command::Plan { batch: heath, plan }).await;
    let jar = store.vessel("jar").await;
    let clover = BatchFacts {
        honey: "clover".into(),
        ..batch_facts("Jasná 100% \"dry\"")
    };
    begin(&store, jar, clover).await;

    let [first, second] = ["Abendrot", "Jasná 100% \"dry\""];
    for words in [
        "abendrot",
        "HOHENHONIG",
        "höhenhonig heide",
        "honig",
        "kv-2",
        "kv",
        "bienen opas",
        "smyrna",
        "fig night",
        "cassia",
        "half-dry",
        // Umlaut written as letter and mark.
        "ho\u{308}hen",
    ] {
        assert_eq!(names(&store, &by_words(words)), [first], "{words}");
    }
    for words in ["jasna", "100%", "0% dry", "\"dry\"", "clover"] {
        assert_eq!(names(&store, &by_words(words)), [second], "{words}");
    }
    for words in [
        "heide clover",
        "heath",
        "abendrot OR clover",
        "a_e",
        "abendrot* ",
        "smyrnanight",
        "NEAR(fig",
        "%%",
    ] {
        assert_eq!(names(&store, &by_words(words)), [""; 0], "{words}");
    }
    assert_eq!(names(&store, &by_words("  ")).len(), 2);
    let yeast = |yeast: &str| Wanted {
        yeast: yeast.to_owned(),
        ..Wanted::default()
    };
    assert_eq!(names(&store, &yeast("wine kv")), [first]);
    assert_eq!(names(&store, &yeast("heide")), [""; 0]);
}

#[tokio::test]
async fn what_was_corrected_is_found_as_it_stands_and_what_came_along_with_its_part() {
    let store = Store::new();
    let cask = store.vessel("cask").await;
    let base = begin(&store, cask, batch_facts("base")).await;
    let wrong = log(&store, cask, noted(What::Addition, 1.0, "cherries")).await;
    let Done::Entry(entry) = wrong else {
        panic!("{wrong:?}");
    };
    let deed = noted(What::Addition, 1.0, "plums");
    let correct = Command::Correct {
        entry,
        deed,
        hand: None,
        made_at: day(1.1),
    };
    store.run(correct).await;
    assert_eq!(names(&store, &by_words("cherries")), [""; 0]);
    assert_eq!(names(&store, &by_words("plums")), ["base"]);

    let jar = store.vessel("jar").await;
    let part = BatchFacts {
        started: day(5.0),
        origin: Some(Origin {
            parent: base,
            at: day(5.0),
        }),
        ..batch_facts("part")
    };
    begin(&store, jar, part).await;
    log(&store, cask, noted(What::Addition, 6.0, "juniper")).await;
    assert_eq!(names(&store, &by_words("plums")), ["part", "base"]);
    assert_eq!(names(&store, &by_words("juniper")), ["base"]);
    // Noted late, but done before the part was poured off.
    log(&store, cask, noted(What::Nutrient, 4.0, "pollen")).await;
    assert_eq!(names(&store, &by_words("pollen")), ["part", "base"]);
}

#[tokio::test]
async fn by_dates_and_by_what_has_ended_the_latest_first_in_pages() {
    let store = Store::new();
    let cask = store.vessel("cask").await;
    for n in 0..60 {
        let facts = BatchFacts {
            started: day(f64::from(n)),
            ..batch_facts(&format!("mead {n:02}"))
        };
        let batch = begin(&store, cask, facts).await;
        if n < 59 {
            end(&store, batch, f64::from(n) + 0.9).await;
        }
    }
    let all = Wanted::default();
    let page = |n| store.reader.meads(&all, n, later()).unwrap();
    assert_eq!(page(0).total, 60);
    let sizes: Vec<usize> = (0..4).map(|n| page(n).meads.len()).collect();
    assert_eq!(sizes, [25, 25, 10, 0]);
    assert_eq!(page(0).meads[0].batch.facts.name, "mead 59");
    assert_eq!(page(2).meads[9].batch.facts.name, "mead 00");
    let between = Wanted {
        from: Some(day(10.0)),
        until: Some(day(12.0)),
        ..Wanted::default()
    };
    assert_eq!(names(&store, &between), ["mead 11", "mead 10"]);
    let going = Wanted {
        ended: Some(false),
        ..Wanted::default()
    };
    assert_eq!(names(&store, &going), ["mead 59"]);
    let ended = Wanted {
        ended: Some(true),
        words: "mead".into(),
        from: Some(day(57.0)),
        ..Wanted::default()
    };
    assert_eq!(names(&store, &ended), ["mead 58", "mead 57"]);
}

async fn finished(store: &Store) -> (VesselId, BatchId) {
    let cask = store.vessel("cask").await;
    let batch = begin(store, cask, batch_facts("linden")).await;
    read(store, cask, 0.0, 30.0, 5.0).await;
    end(store, batch, 40.0).await;
    (cask, batch)
}

fn summary(store: &Store, batch: BatchId) -> Summary {
    let batch = store.reader.batch(batch).unwrap().unwrap();
    store.reader.summary(&batch, later()).unwrap()
}

fn stale(store: &Store) -> Vec<BatchId> {
    let commands = make_stale(&store.reader, 1000).unwrap();
    commands
        .iter()
        .map(|c| match c {
            Command::KeepSummary { batch, .. } => *batch,
            other => panic!("{other:?}"),
        })
        .collect()
}

async fn keep(store: &Store) {
    for command in roll_stale(&store.reader, Moment(i64::MAX)).unwrap() {
        store.run(command).await;
    }
    for command in make_stale(&store.reader, 1000).unwrap() {
        store.run(command).await;
    }
    assert_eq!(stale(store), []);
}

/// Four bytes a number are kept of a curve.
#[track_caller]
fn same(a: &Summary, b: &Summary) {
    // A number of the file may differ from ours in its last bit.
    assert_eq!(format!("{:.9?}", a.review), format!("{:.9?}", b.review));
    let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-5, "{a} {b}");
    assert_eq!(a.points.len(), b.points.len());
    for (a, b) in a.points.iter().zip(&b.points) {
        near(a.days, b.days);
        near(a.gravity, b.gravity);
        assert_eq!(a.warmth.is_some(), b.warmth.is_some());
    }
    let days = |s: &Summary| s.pace.as_ref().map(|p| p.days().to_vec());
    for (a, b) in days(a).unwrap().iter().zip(&days(b).unwrap()) {
        near(*a, *b);
    }
}

#[tokio::test]
async fn a_mead_that_ended_is_summed_up() {
    let store = Store::new();
    let (_, batch) = finished(&store).await;
    let made = summary(&store, batch);
    let r = &made.review;
    let near = |a: f64, b: f64, by: f64| assert!((a - b).abs() < by, "{a} {b}");
    near(r.half.unwrap().as_days(), 5.0, 0.1);
    near(r.days, 40.0, 1e-9);
    assert!(r.over);
    // The float was out ten days before it ended: what it read last still counts.
    let [og, fg] = [1.1, fallen(29.9, 5.0)].map(Gravity::computed);
    let s = strength::from_gravities(og, fg).unwrap();
    near(r.strength.unwrap().get(), s.by_volume.get(), 0.001);
    near(
        r.apparent_attenuation.unwrap().get(),
        s.apparent_attenuation.get(),
        0.01,
    );
    near(
        r.real_attenuation.unwrap().get(),
        s.real_attenuation.get(),
        0.01,
    );
    assert_eq!(stale(&store), [batch]);
    keep(&store).await;
    same(&summary(&store, batch), &made);
    assert_eq!(
        store.count("SELECT count(*) FROM summary WHERE made = version"),
        1
    );
}

/// A hydrometer was read on the first day and never again, the float was out before it was sweetened.
#[tokio::test]
async fn an_old_hand_reading_does_not_stand_for_the_end() {
    let store = Store::new();
    let cask = store.vessel("cask").await;
    let facts = BatchFacts {
        volume: Litres::new(20.0).ok(),
        ..batch_facts("linden")
    };
    let batch = begin(&store, cask, facts).await;
    read(&store, cask, 0.0, 30.0, 5.0).await;
    let hand = Deed {
        gravity: Gravity::new(fallen(1.0, 5.0)).ok(),
        ..noted(What::HandReading, 1.0, "")
    };
    log(&store, cask, hand).await;
    log(&store, cask, noted(What::Stabilise, 35.0, "")).await;
    let sweet = Deed {
        doses: vec![Dose {
            extract: MassPercent::new(80.0).ok(),
            ..Dose::of(Substance::Honey, Kilograms::computed(1.0))
        }],
        ..noted(What::Sweeten, 38.0, "")
    };
    log(&store, cask, sweet).await;
    end(&store, batch, 40.0).await;
    let r = summary(&store, batch).review;
    let [og, fg] = [1.1, fallen(29.9, 5.0)].map(Gravity::computed);
    let dry = strength::from_gravities(og, fg).unwrap();
    let apparent = r.apparent_attenuation.unwrap().get();
    assert!(
        (apparent - dry.apparent_attenuation.get()).abs() < 0.1,
        "{r:?}"
    );
    // A kilogram of honey is 0.7 L, in 20 L.
    let thinned = dry.by_volume.get() * 20.0 / 20.7;
    assert!((r.strength.unwrap().get() - thinned).abs() < 0.1, "{r:?}");
}

#[tokio::test]
async fn whatever_changes_the_record_makes_it_anew() {
    let store = Store::new();
    let (cask, batch) = finished(&store).await;
    keep(&store).await;
    let before = summary(&store, batch);

    // A line of the log.
    let done = log(&store, cask, noted(What::Pitch, 1.0, "late")).await;
    assert_eq!(stale(&store), [batch]);
    // Who looks meanwhile sees what is.
    let pitched = summary(&store, batch);
    assert_eq!(pitched.review.pitched, day(1.0));
    keep(&store).await;
    same(&summary(&store, batch), &pitched);

    // Its correction, to another time.
    let Done::Entry(entry) = done else {
        panic!("{done:?}");
    };
    let correct = Command::Correct {
        entry,
        deed: noted(What::Remark, 2.0, "no pitch"),
        hand: None,
        made_at: day(50.0),
    };
    store.run(correct).await;
    assert_eq!(stale(&store), [batch]);
    keep(&store).await;
    same(&summary(&store, batch), &before);

    // Its facts.
    let facts = BatchFacts {
        expected_final: Gravity::new(0.990).ok(),
        ..batch_facts("linden")
    };
    store.run(Command::EditBatch(batch, facts)).await;
    assert_eq!(stale(&store), [batch]);
    keep(&store).await;

    // Readings of its time.
    read(&store, cask, 30.0, 33.0, 5.0).await;
    for command in roll_stale(&store.reader, Moment(i64::MAX)).unwrap() {
        store.run(command).await;
    }
    assert_eq!(stale(&store), [batch]);
    keep(&store).await;

    // What is none of its time leaves it.
    begin(
        &store,
        cask,
        BatchFacts {
            started: day(60.0),
            ..batch_facts("next")
        },
    )
    .await;
    read(&store, cask, 60.0, 62.0, 70.0).await;
    log(&store, cask, deed(What::Rouse, 61 * 1440)).await;
    for command in roll_stale(&store.reader, Moment(i64::MAX)).unwrap() {
        store.run(command).await;
    }
    assert_eq!(stale(&store), []);
}

#[tokio::test]
async fn what_changed_while_it_was_made_stays_stale() {
    let store = Store::new();
    let (cask, batch) = finished(&store).await;
    let made = make_stale(&store.reader, 10).unwrap();
    log(&store, cask, noted(What::Pitch, 1.0, "late")).await;
    for command in made {
        store.run(command).await;
    }
    assert_eq!(stale(&store), [batch]);
    assert_eq!(summary(&store, batch).review.pitched, day(1.0));
}

#[tokio::test]
async fn one_that_goes_on_is_not_kept() {
    let store = Store::new();
    let cask = store.vessel("cask").await;
    let batch = begin(&store, cask, batch_facts("linden")).await;
    read(&store, cask, 0.0, 4.0, 5.0).await;
    assert_eq!(stale(&store), []);
    let batch = store.reader.batch(batch).unwrap().unwrap();
    let now = store.reader.summary(&batch, day(4.0)).unwrap();
    assert!(!now.review.over && now.pace.is_none() && now.points.len() > 50);
    assert!(now.review.strength.unwrap().get() > 1.0);
}

#[tokio::test]
async fn a_parts_past_is_its_own_and_a_family_counts_once() {
    let store = Store::new();
    let (cask, jar) = (store.vessel("cask").await, store.vessel("jar").await);
    let base = begin(&store, cask, batch_facts("base")).await;
    read(&store, cask, 0.0, 30.0, 5.0).await;
    let part = BatchFacts {
        started: day(20.0),
        origin: Some(Origin {
            parent: base,
            at: day(20.0),
        }),
        ..batch_facts("part")
    };
    let part = begin(&store, jar, part).await;
    end(&store, base, 30.0).await;
    end(&store, part, 50.0).await;
    let stranger = store.vessel("other").await;
    let other = begin(&store, stranger, batch_facts("other")).await;
    read(&store, stranger, 0.0, 30.0, 8.0).await;
    end(&store, other, 30.0).await;
    keep(&store).await;
    let r = summary(&store, part).review;
    assert_eq!((r.pitched, r.days), (T0, 50.0));
    let half = |paces: Vec<ebbmark_core::review::Pace>| -> Vec<f64> {
        let days = paces.iter().map(|p| p.at_share(0.5).round());
        days.collect()
    };
    assert_eq!(half(store.reader.paces(&[]).unwrap()), [5.0, 8.0]);
    assert_eq!(half(store.reader.paces(&[base]).unwrap()), [8.0]);
    assert_eq!(half(store.reader.paces(&[part]).unwrap()), [8.0]);
    assert_eq!(half(store.reader.paces(&[other]).unwrap()), [5.0]);
    // A late line about the base is about both; one after the split is not.
    log(&store, cask, noted(What::Rouse, 3.0, "")).await;
    assert_eq!(stale(&store), [base, part]);
    keep(&store).await;
    log(&store, cask, noted(What::Rouse, 25.0, "")).await;
    assert_eq!(stale(&store), [base]);
}

/// An upgrade begins with all of them empty.
#[tokio::test]
async fn thrown_away_it_is_made_again() {
    let store = Store::new();
    let (_, batch) = finished(&store).await;
    keep(&store).await;
    let before = summary(&store, batch);
    store
        .sql()
        .execute_batch(
            "DELETE FROM summary; DELETE FROM mead_words; \
             INSERT INTO summary (batch) SELECT id FROM batch;",
        )
        .unwrap();
    assert_eq!(names(&store, &by_words("linden")), [""; 0]);
    store.vessel("any command").await;
    assert_eq!(names(&store, &by_words("linden")), ["linden"]);
    assert_eq!(stale(&store), [batch]);
    keep(&store).await;
    same(&summary(&store, batch), &before);
}

#[tokio::test]
async fn a_damaged_record_keeps_no_other_from_being_found() {
    let store = Store::new();
    let (cask, damaged) = finished(&store).await;
    let jar = store.vessel("jar").await;
    let other = begin(&store, jar, batch_facts("other")).await;
    end(&store, other, 2.0).await;
    log(&store, cask, noted(What::Remark, 3.0, "")).await;
    store
        .sql()
        .execute("UPDATE entry SET doses = '{' WHERE vessel = ?1", [cask.0])
        .unwrap();
    assert!(stale(&store).contains(&other) && !stale(&store).contains(&damaged));
    let sound = store.vessel("łąka").await;
    begin(&store, sound, batch_facts("Miód z łąki")).await;
    assert_eq!(names(&store, &by_words("other")), ["other"]);
    assert_eq!(names(&store, &Wanted::default()).len(), 3);
    // An accent is passed over, a stroke is another letter.
    assert_eq!(names(&store, &by_words("miod łaki")), ["Miód z łąki"]);
    assert_eq!(names(&store, &by_words("laki")), [""; 0]);
}

#[tokio::test]
async fn what_was_done_is_told_as_it_stands() {
    let store = Store::new();
    let (cask, batch) = finished(&store).await;
    log(&store, cask, noted(What::Rouse, 3.0, "")).await;
    log(&store, cask, noted(What::Rack, 45.0, "after its end")).await;
    let batch = store.reader.batch(batch).unwrap().unwrap();
    let deeds = store.reader.deeds(&batch, later()).unwrap();
    let what: Vec<What> = deeds.iter().map(|d| d.what).collect();
    assert_eq!(what, [What::Rouse]);
    let lines = store.reader.log(cask, at(0), later()).unwrap();
    assert_eq!(LogLine::standing(lines).len(), 2);
}
