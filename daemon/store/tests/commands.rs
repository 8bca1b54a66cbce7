//! Every command that is not about messages.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use common::*;
use ebbmark_core::deed::{Deed, Dose, Substance, What};
use ebbmark_core::ids::{BatchId, EntryId, FeedId, NoticeId, VesselId};
use ebbmark_core::notice::NoticeKind;
use ebbmark_core::reading::ProblemKind;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{AbvPercent, Celsius, Gravity, Kilograms, Litres, MassPercent, Ph};
use ebbmark_core::verdict::outcome::{Gate, Gates, Memory, Phase, Range, Verdict};
use ebbmark_store::StoreError;
use ebbmark_store::model::{
    BatchFacts, Change, Command, DeliveryOutcome, DeliveryState, Done, HandFacts, ImportRow, Move,
    NewNotice, VesselFacts,
};

async fn start(store: &Store, vessel: VesselId, name: &str) -> BatchId {
    let facts = batch_facts(name);
    match store.run(Command::StartBatch { vessel, facts }).await {
        Done::Batch(id) => id,
        other => panic!("{other:?}"),
    }
}

fn notice(key: &str, minutes: i64) -> NewNotice {
    NewNotice {
        kind: NoticeKind::Stuck,
        key: key.into(),
        vessel: None,
        at: at(minutes),
        title: "stuck".into(),
        body: "it has not moved for three days".into(),
        pressing: false,
        channels: vec!["log".into(), "mail".into()],
    }
}

fn verdict(phase: Phase, minutes: i64) -> Verdict {
    let gate = Gate {
        open: false,
        why: "still falling".into(),
        opens: None,
        wants_reading: false,
        since: None,
    };
    Verdict {
        at: at(minutes),
        phase,
        gravity: Gravity::new(1.05).ok(),
        fall_per_day: None,
        left_to_fall: None,
        settles_at: None,
        final_gravity: None,
        looked_at: Some(Span::days(3)),
        last_reading: None,
        temperature: None,
        temperature_change: None,
        gates: Gates {
            rack: gate.clone(),
            stabilise: gate.clone(),
            seal: gate,
        },
        expected_end: Gravity::new(1.0).ok(),
        look_again_at: None,
        odds: None,
        float: None,
        test_ferment: None,
        end_unsure: false,
        memory: Some(Memory {
            phase,
            since: at(minutes),
            stretch: at(0),
            stopped_at: None,
            flat_from: None,
            creeping: false,
            restarted_at: None,
            suspected_since: None,
            sure_since: None,
        }),
        no_curve_because: None,
        curve: Vec::new(),
    }
}

#[tokio::test]
async fn vessels_are_kept_edited_and_retired() {
    let store = Store::new();
    let facts = VesselFacts {
        name: "  carboy 2 ".into(),
        capacity: Litres::new(23.0).ok(),
        temperature_low: Celsius::new(12.0).ok(),
        temperature_high: Celsius::new(20.0).ok(),
        tare: Kilograms::new(4.2).ok(),
        place: " by the stairs".into(),
    };
    let Done::Vessel(b) = store.run(Command::AddVessel(facts.clone())).await else {
        panic!()
    };
    let a = store.vessel("Carboy 1").await;
    let kept = store.reader.vessel(b).unwrap().unwrap();
    assert_eq!(kept.facts.name, "carboy 2");
    assert_eq!(kept.facts.capacity, facts.capacity);
    assert_eq!(kept.facts.temperature_low, facts.temperature_low);
    assert_eq!(kept.facts.temperature_high, facts.temperature_high);
    assert_eq!(kept.facts.tare, facts.tare);
    assert_eq!(kept.facts.place, "by the stairs");

    let why = store
        .refused(Command::AddVessel(vessel_facts("CARBOY 2")))
        .await;
    assert_eq!(why, "there is already a vessel called \"CARBOY 2\"");
    let why = store.refused(Command::AddVessel(vessel_facts(" "))).await;
    assert_eq!(why, "the vessel needs a name");
    let mut upside_down = facts.clone();
    upside_down.temperature_low = Celsius::new(25.0).ok();
    let why = store.refused(Command::EditVessel(b, upside_down)).await;
    assert!(
        why.contains("25 °C, must be below the highest, 20 °C"),
        "{why}"
    );
    let why = store
        .refused(Command::EditVessel(a, vessel_facts("carboy 2")))
        .await;
    assert!(why.contains("already a vessel"), "{why}");
    // Its own name is not in its way.
    store
        .run(Command::EditVessel(a, vessel_facts("carboy 1")))
        .await;

    store.run(Command::RetireVessel(a)).await;
    let names: Vec<_> = store
        .reader
        .vessels()
        .unwrap()
        .into_iter()
        .map(|v| (v.facts.name, v.retired))
        .collect();
    assert_eq!(
        names,
        [
            ("carboy 2".to_owned(), false),
            ("carboy 1".to_owned(), true)
        ]
    );
    // Its successor may have the name.
    store.vessel("carboy 1").await;
    let why = store.refused(Command::RetireVessel(a)).await;
    assert_eq!(why, "the vessel \"carboy 1\" is retired");
    let why = store.refused(Command::RetireVessel(VesselId(99))).await;
    assert_eq!(why, "there is no vessel 99");
}

#[tokio::test]
async fn one_batch_at_a_time() {
    let store = Store::new();
    let vessel = store.vessel("carboy").await;
    let batch = start(&store, vessel, "dry heather").await;
    let why = store
        .refused(Command::StartBatch {
            vessel,
            facts: batch_facts("fig"),
        })
        .await;
    assert!(
        why.contains("\"dry heather\" is still in this vessel"),
        "{why}"
    );
    let why = store.refused(Command::RetireVessel(vessel)).await;
    assert!(why.contains("end it first"), "{why}");

    let mut facts = batch_facts("heather");
    facts.tolerance = AbvPercent::new(14.0).ok();
    facts.volume = Litres::new(20.0).ok();
    facts.note = "from the moor".into();
    store.run(Command::EditBatch(batch, facts.clone())).await;
    let current = store.reader.vessel(vessel).unwrap().unwrap().batch.unwrap();
    assert_eq!((current.facts, current.ended), (facts, None));

    let end = |minutes| Command::EndBatch {
        batch,
        at: at(minutes),
    };
    let why = store.refused(end(-1)).await;
    assert!(why.contains("cannot end"), "{why}");
    store.run(end(100)).await;
    let why = store.refused(end(200)).await;
    assert!(why.contains("already ended"), "{why}");
    assert_eq!(store.reader.vessel(vessel).unwrap().unwrap().batch, None);

    // The one before was in it then: nobody could tell whose the readings are.
    let early = |minutes| BatchFacts {
        started: at(minutes),
        ..batch_facts("fig")
    };
    let facts = early(99);
    let why = store.refused(Command::StartBatch { vessel, facts }).await;
    assert!(why.contains("was not empty: \"heather\""), "{why}");
    let facts = early(100);
    let Done::Batch(next) = store.run(Command::StartBatch { vessel, facts }).await else {
        panic!()
    };
    let why = store.refused(Command::EditBatch(next, early(99))).await;
    assert!(why.contains("was not empty: \"heather\""), "{why}");
    let facts = store.reader.batch(batch).unwrap().unwrap().facts;
    let began = BatchFacts {
        started: at(-30),
        ..facts
    };
    store.run(Command::EditBatch(batch, began)).await;
    let batches = store.reader.batches(vessel).unwrap();
    assert_eq!(
        batches.iter().map(|b| (b.id, b.ended)).collect::<Vec<_>>(),
        [(next, None), (batch, Some(at(100)))]
    );
    assert_eq!(store.reader.batch(batch).unwrap().unwrap().vessel, vessel);
}

#[tokio::test]
async fn a_double_tap_is_one_line_and_a_correction_is_another() {
    let store = Store::new();
    let vessel = store.vessel("carboy").await;
    let hand = HandFacts {
        read: Gravity::new(1.05).unwrap(),
        sample: Celsius::new(24.0).unwrap(),
        reference: Celsius::new(20.0).unwrap(),
    };
    let log = |once: &str| Command::Log {
        vessel,
        deed: deed(What::HandReading, 10),
        hand: Some(hand),
        once: Some(once.into()),
        made_at: at(11),
    };
    let Done::Entry(first) = store.run(log("token")).await else {
        panic!()
    };
    assert_eq!(store.run(log("token")).await, Done::Entry(first));
    let Done::Entry(second) = store.run(log("another")).await else {
        panic!()
    };
    assert_ne!(first, second);

    let correct = |entry| Command::Correct {
        entry,
        deed: deed(What::Nutrient, 5),
        hand: None,
        made_at: at(20),
    };
    let Done::Entry(third) = store.run(correct(first)).await else {
        panic!()
    };
    let lines = store.reader.log(vessel, at(0), at(60)).unwrap();
    // In order of when it was done, not of when it was written down.
    assert_eq!(
        lines
            .iter()
            .map(|l| (l.id, l.replaced_by))
            .collect::<Vec<_>>(),
        [(third, None), (first, Some(third)), (second, None)]
    );
    assert_eq!(lines[1].hand, Some(hand));
    assert_eq!(lines[1].deed, deed(What::HandReading, 10));
    assert_eq!(lines[0].made_at, at(20));

    let why = store.refused(correct(first)).await;
    assert!(why.contains("correct that one"), "{why}");
    let why = store.refused(correct(EntryId(77))).await;
    assert_eq!(why, "there is no line 77 in the log");
    assert_eq!(store.reader.log(vessel, at(6), at(10)).unwrap(), []);
    assert_eq!(store.reader.latest_instant().unwrap(), Some(at(20)));
}

fn stabilised(minutes: i64) -> Deed {
    let dose = |of, grams: f64| Dose {
        of,
        mass: Kilograms::computed(grams / 1000.0),
        name: String::new(),
        extract: None,
    };
    Deed {
        ph: Ph::new(3.42).ok(),
        volume: Litres::new(18.5).ok(),
        doses: vec![
            dose(Substance::PotassiumMetabisulphite, 1.9),
            dose(Substance::PotassiumSorbate, 3.7),
            Dose {
                name: "lime, \"first crop\"".into(),
                extract: MassPercent::new(81.5).ok(),
                ..dose(Substance::Honey, 350.0)
            },
        ],
        despite: "a trial jar (the gate was shut: still falling)".into(),
        ..deed(What::Stabilise, minutes)
    }
}

#[tokio::test]
async fn what_was_weighed_and_measured_is_kept_to_the_digit() {
    let store = Store::new();
    let vessel = store.vessel("carboy").await;
    let log = |deed| Command::Log {
        vessel,
        deed,
        hand: None,
        once: None,
        made_at: at(30),
    };
    let Done::Entry(first) = store.run(log(stabilised(10))).await else {
        panic!()
    };
    let mut less = stabilised(10);
    less.doses.truncate(1);
    less.despite.clear();
    let correct = Command::Correct {
        entry: first,
        deed: less.clone(),
        hand: None,
        made_at: at(31),
    };
    store.run(correct).await;
    store.run(log(deed(What::Rack, 20))).await;
    let store = store.reopen().await;
    let lines = store.reader.log(vessel, at(0), at(60)).unwrap();
    let deeds: Vec<&Deed> = lines.iter().map(|l| &l.deed).collect();
    assert_eq!(deeds, [&stabilised(10), &less, &deed(What::Rack, 20)]);

    let mut nothing_weighed = stabilised(40);
    nothing_weighed.doses[0].mass = Kilograms::computed(f64::NAN);
    let why = store.refused(log(nothing_weighed.clone())).await;
    assert!(why.contains("no number"), "{why}");
    let correct = Command::Correct {
        entry: lines[2].id,
        deed: nothing_weighed,
        hand: None,
        made_at: at(41),
    };
    assert!(store.refused(correct).await.contains("no number"));
}

#[tokio::test]
async fn a_line_whose_doses_cannot_be_read_is_named() {
    let store = Store::new();
    let vessel = store.vessel("carboy").await;
    for deed in [deed(What::Rack, 5), stabilised(10)] {
        let log = Command::Log {
            vessel,
            deed,
            hand: None,
            once: None,
            made_at: at(11),
        };
        store.run(log).await;
    }
    for bad in [
        "CAST('[{\"of\":' AS TEXT)",
        "'[{\"of\":\"moonshine\",\"mass\":1}]'",
        "'{}'",
        "'[{\"of\":\"honey\",\"mass\":null}]'",
        "CAST(x'ff' AS TEXT)",
    ] {
        let sql = format!("UPDATE entry SET doses = {bad} WHERE id = 2");
        store.sql().execute(&sql, []).unwrap();
        let error = store.reader.log(vessel, at(0), at(60)).unwrap_err();
        assert!(error.to_string().contains("line 2 of the log"), "{error}");
    }
    store
        .sql()
        .execute("UPDATE entry SET doses = '[]' WHERE id = 2", [])
        .unwrap();
    assert!(store.reader.log(vessel, at(0), at(60)).is_ok());
}

#[tokio::test]
async fn a_feed_moves_between_vessels_and_its_readings_stay_behind() {
    let store = Store::new();
    let (a, b) = (store.vessel("a").await, store.vessel("b").await);
    let feed = store.claim("t", timed(), Some(a)).await;
    for minutes in [10, 70, 110, 130, 190] {
        store
            .arrive(arrival(
                "t",
                &measured(minutes, 1.1 - minutes as f64 * 1e-4),
            ))
            .await;
    }
    // Moved within an hour, between two of its readings.
    store
        .run(Command::Assign {
            feed,
            vessel: Some(b),
            at: at(100),
        })
        .await;
    store
        .run(Command::Assign {
            feed,
            vessel: None,
            at: at(180),
        })
        .await;

    let (from, to) = (at(0), at(600));
    let minutes = |vessel| -> Vec<i64> {
        let readings = store.reader.vessel_readings(vessel, from, to).unwrap();
        readings.iter().map(|r| (r.at.0 - T0.0) / 60_000).collect()
    };
    assert_eq!(minutes(a), [10, 70]);
    assert_eq!(minutes(b), [110, 130]);
    let counts = |vessel, from, to| -> Vec<u32> {
        let hours = store.reader.vessel_hours(vessel, from, to).unwrap();
        hours.iter().map(|h| h.gravity.unwrap().n).collect()
    };
    assert_eq!(counts(a, from, to), [1, 1]);
    assert_eq!(counts(b, from, to), [1, 1]);
    // The same from hours already rolled: the shared hour is rolled anew from its parts.
    for command in ebbmark_store::hours::roll_stale(&store.reader, ALWAYS.1).unwrap() {
        store.run(command).await;
    }
    assert_eq!(counts(a, from, to), [1, 1]);
    assert_eq!(counts(b, from, to), [1, 1]);
    assert_eq!(counts(b, at(115), at(125)), [0; 0]);
    assert_eq!(counts(b, at(105), at(111)), [1]);
    assert_eq!(counts(a, Moment(i64::MIN), Moment(i64::MAX)), [1, 1]);
    assert_eq!(
        store.reader.feeds_of(b, from, to).unwrap(),
        [(feed, at(100), at(180))]
    );
    assert_eq!(store.reader.feed(feed).unwrap().unwrap().vessel, None);

    // A message sent late goes to the vessel the float was in when it measured.
    let mut changes = store.writer.changes();
    store.arrive(arrival("t", &measured(20, 1.09))).await;
    assert_eq!(
        changes.recv().await.unwrap(),
        Change::Readings {
            feed,
            vessel: Some(a),
            from: at(20)
        }
    );
    // The move was noted wrongly: from minute 60 on it was in b after all.
    store
        .run(Command::Assign {
            feed,
            vessel: Some(b),
            at: at(60),
        })
        .await;
    assert_eq!(minutes(a), [10, 20]);
    assert_eq!(minutes(b), [70, 110, 130, 190]);

    let why = store
        .refused(Command::Assign {
            feed: FeedId(9),
            vessel: None,
            at: at(0),
        })
        .await;
    assert_eq!(why, "there is no feed 9");
}

#[tokio::test]
async fn importing_twice_adds_nothing() {
    let store = Store::new();
    let vessel = store.vessel("carboy").await;
    let row = |minutes, gravity| ImportRow {
        at: at(minutes),
        gravity: Gravity::new(gravity).ok(),
        temperature: None,
    };
    let import = |rows: Vec<ImportRow>| Command::Import { vessel, rows };
    let rows = vec![row(0, 1.1), row(60, 1.09), row(120, 1.08)];
    let mut changes = store.writer.changes();
    assert_eq!(
        store.run(import(rows.clone())).await,
        Done::Imported {
            added: 3,
            known: 0,
            conflicting: 0
        }
    );
    let feed = store.reader.feeds().unwrap()[0].id;
    assert_eq!(
        changes.recv().await.unwrap(),
        Change::Readings {
            feed,
            vessel: Some(vessel),
            from: at(0)
        }
    );
    assert_eq!(
        store.run(import(rows.clone())).await,
        Done::Imported {
            added: 0,
            known: 3,
            conflicting: 0
        }
    );
    let mut changed = rows;
    changed[1] = row(60, 1.2);
    changed.push(row(180, 1.07));
    // Neither gravity nor temperature: 7 is no gravity.
    changed.push(row(240, 7.0));
    assert_eq!(
        store.run(import(changed)).await,
        Done::Imported {
            added: 1,
            known: 2,
            conflicting: 1
        }
    );
    assert_eq!(store.problem_count(ProblemKind::Conflict), 1);
    assert_eq!(store.problem_count(ProblemKind::Empty), 1);
    let feeds = store.reader.feeds().unwrap();
    assert_eq!(feeds.len(), 1);
    assert_eq!((feeds[0].source.as_str(), feeds[0].readings), ("import", 4));
    assert_eq!(store.gravities(feed)[1], (3_600_000, 1.09));
    let hours = store.reader.vessel_hours(vessel, at(0), at(600)).unwrap();
    assert_eq!(hours.len(), 4);

    // Imported readings have no payload to be read again from: they stay.
    store
        .run(Command::Remap {
            feed,
            name: "last year's file".into(),
            map: timed(),
        })
        .await;
    assert_eq!(store.gravities(feed).len(), 4);
}

#[tokio::test]
async fn whatever_surely_ferments_gives_off_gas() {
    let store = Store::new();
    let mut last = None;
    for (name, low) in [("keg", 0.001), ("jar", 0.0), ("cask", 0.002)] {
        let vessel = store.vessel(name).await;
        let batch = start(&store, vessel, "fig").await;
        let fall_per_day = Some(Range {
            mid: low + 0.001,
            low,
            high: low + 0.002,
        });
        let save = Command::SaveVerdict {
            vessel,
            batch,
            verdict: Box::new(Verdict {
                fall_per_day,
                ..verdict(Phase::Active, 10)
            }),
            sentence: String::new(),
            notices: Vec::new(),
        };
        store.run(save).await;
        last = Some(vessel);
        if name == "keg" {
            let facts = BatchFacts {
                volume: Litres::new(20.0).ok(),
                ..batch_facts("fig")
            };
            store.run(Command::EditBatch(batch, facts)).await;
        }
    }
    let record = store.reader.mead_record(last.unwrap(), at(90)).unwrap();
    let found: Vec<(String, Option<Litres>, f64)> = record
        .unwrap()
        .fermenting
        .into_iter()
        .map(|f| (f.vessel, f.volume, f.fall))
        .collect();
    assert_eq!(
        found,
        [
            ("cask".to_owned(), None, 0.003),
            ("keg".to_owned(), Litres::new(20.0).ok(), 0.002)
        ]
    );
}

#[tokio::test]
async fn the_verdict_keeps_since_when_it_has_held() {
    let store = Store::new();
    let vessel = store.vessel("carboy").await;
    let batch = start(&store, vessel, "fig").await;
    let save = |phase, minutes, notices: Vec<NewNotice>| Command::SaveVerdict {
        vessel,
        batch,
        verdict: Box::new(verdict(phase, minutes)),
        sentence: format!("at {minutes}"),
        notices,
    };
    store.run(save(Phase::Lag, 10, vec![])).await;
    store.run(save(Phase::Active, 20, vec![])).await;
    store.run(save(Phase::Active, 30, vec![])).await;
    let done = store
        .run(save(Phase::Stuck, 40, vec![notice("stuck:1", 40)]))
        .await;
    let Done::Notices(ids) = done else { panic!() };
    assert_eq!(ids.len(), 1);
    let stored = store.reader.verdict(vessel).unwrap().unwrap();
    assert_eq!(stored.verdict, verdict(Phase::Stuck, 40));
    assert_eq!(
        (stored.phase_since, stored.sentence.as_str(), stored.batch),
        (at(40), "at 40", batch)
    );
    store.run(save(Phase::Stuck, 50, vec![])).await;
    let stored = store.reader.verdict(vessel).unwrap().unwrap();
    assert_eq!(stored.phase_since, at(40));
    assert_eq!(store.reader.verdicts().unwrap(), [stored]);
    let phases = store.reader.phases(batch).unwrap();
    assert_eq!(
        phases
            .iter()
            .map(|(since, phase, _)| (*since, phase.as_str()))
            .collect::<Vec<_>>(),
        [(at(10), "lag"), (at(20), "active"), (at(40), "stuck")]
    );

    let why = store
        .refused(Command::SaveVerdict {
            vessel,
            batch: BatchId(9),
            verdict: Box::new(verdict(Phase::Stuck, 60)),
            sentence: String::new(),
            notices: vec![notice("other", 60)],
        })
        .await;
    assert_eq!(why, "batch 9 is not in vessel 1");
    assert_eq!(store.reader.open_notice_keys().unwrap(), ["stuck:1"]);

    // It is on the mead, and goes with it; a verdict that was reckoned meanwhile does not.
    let keg = store.vessel("keg").await;
    let moving = Move {
        batch,
        from: vessel,
        to: keg,
        at: at(70),
        volume: None,
        note: String::new(),
        feeds: Vec::new(),
        once: None,
        made_at: at(70),
    };
    store.run(Command::MoveBatch(moving)).await;
    let why = store.refused(save(Phase::Stuck, 75, vec![])).await;
    assert_eq!(why, "batch 1 is not in vessel 1");
    assert_eq!(store.reader.verdict(vessel).unwrap(), None);
    let there = store.reader.verdict(keg).unwrap().unwrap();
    assert_eq!((there.phase_since, there.batch), (at(40), batch));
}

#[tokio::test]
async fn a_condition_is_told_once_until_it_ends() {
    let store = Store::new();
    let mut twice_named = notice("stuck:1", 0);
    twice_named.channels.push("log".into());
    let done = store
        .run(Command::Notify(vec![
            twice_named,
            notice("stuck:1", 1),
            notice("stuck:2", 2),
        ]))
        .await;
    let Done::Notices(first) = done else { panic!() };
    assert_eq!(first.len(), 2);
    assert_eq!(
        store.run(Command::Notify(vec![notice("stuck:1", 3)])).await,
        Done::Notices(vec![])
    );
    assert_eq!(
        store.reader.open_notice_keys().unwrap(),
        ["stuck:1", "stuck:2"]
    );
    let clear = |key: &str| Command::Clear {
        key: key.into(),
        at: at(4),
    };
    store.run(clear("stuck:1")).await;
    store.run(clear("never raised")).await;
    assert_eq!(store.reader.open_notice_keys().unwrap(), ["stuck:2"]);
    let Done::Notices(again) = store.run(Command::Notify(vec![notice("stuck:1", 5)])).await else {
        panic!()
    };
    assert_eq!(again.len(), 1);

    let notices = store.reader.notices(10).unwrap();
    assert_eq!(
        notices.iter().map(|n| n.id).collect::<Vec<_>>(),
        [again[0], first[1], first[0]]
    );
    assert_eq!(notices[2].cleared, Some(at(4)));
    assert_eq!(notices[2].deliveries.len(), 2);
    assert_eq!(store.reader.notices(1).unwrap().len(), 1);
}

/// Queued while the clock ran two years ahead; once that is put right it must not wait for them.
#[tokio::test]
async fn what_a_clock_that_ran_ahead_has_queued_is_due_now() {
    let store = Store::new();
    let ahead = 2 * 365 * 24 * 60;
    store.run(Command::Notify(vec![notice("k", ahead)])).await;
    let due = store.reader.due(at(10), 10).unwrap();
    let times: Vec<Moment> = due.iter().map(|d| d.due).collect();
    assert_eq!(times, [at(10), at(10)]);
    // A week put off by the maker is a week.
    store
        .run(Command::Notify(vec![notice("j", 7 * 24 * 60)]))
        .await;
    assert_eq!(store.reader.due(at(10), 10).unwrap().len(), 2);
}

#[tokio::test]
async fn a_delivery_stays_queued_until_it_is_sent_or_given_up() {
    let store = Store::new();
    let Done::Notices(ids) = store.run(Command::Notify(vec![notice("k", 10)])).await else {
        panic!()
    };
    let id = ids[0];
    let due = |minutes| -> Vec<(String, u32)> {
        let due = store.reader.due(at(minutes), 10).unwrap();
        due.iter()
            .map(|d| (d.channel.clone(), d.attempts))
            .collect()
    };
    assert_eq!(store.reader.next_due(at(9)).unwrap(), Some(at(10)));
    assert_eq!(due(9), []);
    assert_eq!(due(10), [("log".into(), 0), ("mail".into(), 0)]);
    assert_eq!(store.reader.due(at(10), 1).unwrap().len(), 1);

    let attempt = |channel: &str, attempt| Command::Delivered {
        notice: id,
        channel: channel.into(),
        attempt,
    };
    store
        .run(attempt("log", DeliveryOutcome::Sent { at: at(10) }))
        .await;
    store
        .run(attempt(
            "mail",
            DeliveryOutcome::Retry {
                next: at(15),
                error: "no route".into(),
            },
        ))
        .await;
    let store = store.reopen().await;
    let due = |minutes| -> Vec<(String, u32)> {
        let due = store.reader.due(at(minutes), 10).unwrap();
        due.iter()
            .map(|d| (d.channel.clone(), d.attempts))
            .collect()
    };
    assert_eq!(due(14), []);
    assert_eq!(due(15), [("mail".into(), 1)]);
    store
        .run(attempt(
            "mail",
            DeliveryOutcome::GivenUp {
                at: at(16),
                error: "no such address".into(),
            },
        ))
        .await;
    assert_eq!(store.reader.next_due(at(0)).unwrap(), None);
    // A late word does not send again what was sent.
    store
        .run(attempt(
            "log",
            DeliveryOutcome::Retry {
                next: at(1),
                error: "late".into(),
            },
        ))
        .await;
    let notice = &store.reader.notices(1).unwrap()[0];
    let state: Vec<_> = notice
        .deliveries
        .iter()
        .map(|d| (d.state, d.attempts, d.last_error.as_deref()))
        .collect();
    assert_eq!(
        state,
        [
            (DeliveryState::Sent { at: at(10) }, 1, None),
            (
                DeliveryState::GivenUp { at: at(16) },
                2,
                Some("no such address")
            ),
        ]
    );
    let why = store
        .refused(Command::Delivered {
            notice: NoticeId(5),
            channel: "mail".into(),
            attempt: DeliveryOutcome::Sent { at: at(0) },
        })
        .await;
    assert_eq!(why, "notice 5 has no delivery by \"mail\"");
}

#[tokio::test]
async fn an_answered_notice_is_told_again_only_as_it_was_answered() {
    let store = Store::new();
    let restarted = NewNotice {
        kind: NoticeKind::Restarted,
        ..notice("restarted:1", 0)
    };
    let Done::Notices(ids) = store
        .run(Command::Notify(vec![
            restarted.clone(),
            notice("stuck:1", 0),
        ]))
        .await
    else {
        panic!()
    };
    let (restart, stuck) = (ids[0], ids[1]);
    let hours = |n: i64| at(n * 60);
    let again = |now| -> Vec<NoticeId> {
        let notices = store.reader.to_tell_again(now).unwrap();
        notices.iter().map(|n| n.id).collect()
    };
    // What waits to be told at all is not told again.
    assert_eq!(again(hours(4)), []);
    let tell = |notice, hours: i64| Command::TellAgain {
        notice,
        channels: vec!["mail".into()],
        at: at(hours * 60),
    };
    let states = |id: NoticeId| -> Vec<DeliveryState> {
        let notice = store.reader.notice(id).unwrap().unwrap();
        notice.deliveries.iter().map(|d| d.state).collect()
    };
    let sent = |notice, channel: &str, minutes| Command::Delivered {
        notice,
        channel: channel.into(),
        attempt: DeliveryOutcome::Sent { at: at(minutes) },
    };
    for channel in ["log", "mail"] {
        store.run(sent(restart, channel, 60)).await;
    }
    // Only a restart repeats by itself: four hours after it got through, then daily.
    assert_eq!(again(at(5 * 60 - 1)), []);
    assert_eq!(again(hours(5)), [restart]);
    store.run(tell(restart, 5)).await;
    assert_eq!(
        states(restart),
        [
            DeliveryState::Sent { at: hours(1) },
            DeliveryState::Queued { next: hours(5) }
        ]
    );
    store.run(sent(restart, "mail", 301)).await;
    let daily = at(301 + 24 * 60);
    assert_eq!(
        (again(daily - Span::minutes(1)), again(daily)),
        (vec![], vec![restart])
    );
    // Told too early it is not told.
    store.run(tell(restart, 27)).await;
    assert_eq!(store.reader.notice(restart).unwrap().unwrap().times, 1);
    store.run(tell(restart, 30)).await;

    // Seen: what was still to go stays in, and a late word of it changes nothing.
    let answer = |notice, again, minutes| Command::AnswerNotice {
        notice,
        again,
        at: at(minutes),
    };
    store.run(answer(restart, None, 1900)).await;
    assert_eq!(
        states(restart)[1],
        DeliveryState::Withdrawn { at: at(1900) }
    );
    store
        .run(Command::Delivered {
            notice: restart,
            channel: "mail".into(),
            attempt: DeliveryOutcome::Retry {
                next: at(1901),
                error: "busy".into(),
            },
        })
        .await;
    assert_eq!(
        states(restart)[1],
        DeliveryState::Withdrawn { at: at(1900) }
    );
    assert_eq!(again(hours(1000)), []);

    // Later: then, once, and not if it is over by then.
    store.run(answer(stuck, Some(hours(10)), 20)).await;
    assert_eq!(states(stuck), [DeliveryState::Withdrawn { at: at(20) }; 2]);
    assert_eq!(store.reader.next_due(hours(1)).unwrap(), Some(hours(10)));
    assert_eq!(again(hours(10)), [stuck]);
    let clear = |key: &str| Command::Clear {
        key: key.into(),
        at: hours(9),
    };
    store.run(clear("stuck:1")).await;
    assert_eq!(again(hours(10)), []);
    // An answer to what is over does nothing.
    store.run(answer(stuck, None, 700)).await;
    assert_eq!(store.reader.notice(stuck).unwrap().unwrap().seen, None);

    // Come anew it is news.
    store.run(clear("restarted:1")).await;
    let Done::Notices(anew) = store.run(Command::Notify(vec![restarted])).await else {
        panic!()
    };
    assert_eq!(store.reader.notice(anew[0]).unwrap().unwrap().seen, None);
    for channel in ["log", "mail"] {
        store.run(sent(anew[0], channel, 60)).await;
    }
    assert_eq!(again(hours(5)), anew);
    let standing = store.reader.standing().unwrap();
    assert_eq!(standing.iter().map(|n| n.id).collect::<Vec<_>>(), anew);
    assert!(
        store.reader.was_told("stuck:1").unwrap() && !store.reader.was_told("stuck:2").unwrap()
    );
}

#[tokio::test]
async fn settings_and_who_is_signed_in() {
    let store = Store::new();
    let set = |value: Option<&str>| Command::SetSetting {
        key: "units".into(),
        value: value.map(Into::into),
    };
    store.run(set(Some("plato"))).await;
    store.run(set(Some("sg"))).await;
    assert_eq!(store.reader.setting("units").unwrap().unwrap(), "sg");
    store.run(set(None)).await;
    assert_eq!(store.reader.setting("units").unwrap(), None);

    let open = |hash: &[u8], made: i64| Command::OpenSession {
        token_hash: hash.to_vec(),
        made_at: at(made),
        expires: at(made + 60),
        label: "kitchen".into(),
    };
    store.run(open(b"a", 0)).await;
    store.run(open(b"b", 10)).await;
    assert_eq!(
        store.reader.session(b"a").unwrap().map(|s| s.expires),
        Some(at(60))
    );
    store
        .run(Command::CloseSession {
            token_hash: b"a".to_vec(),
        })
        .await;
    assert_eq!(store.reader.session(b"a").unwrap(), None);
    assert_eq!(
        store.reader.session(b"b").unwrap().map(|s| s.expires),
        Some(at(70))
    );
    // Expired ones are swept at the next sign-in.
    store.run(open(b"c", 70)).await;
    assert_eq!(store.reader.session(b"b").unwrap(), None);
}

#[tokio::test]
async fn a_refused_command_spoils_nothing_around_it() {
    let store = Store::new();
    let (one, two, three) = tokio::join!(
        store.writer.command(Command::AddVessel(vessel_facts("a"))),
        store.writer.command(Command::AddVessel(vessel_facts("A"))),
        store.writer.command(Command::AddVessel(vessel_facts("b"))),
    );
    assert!(matches!(one, Ok(Done::Vessel(_))));
    assert!(matches!(two, Err(StoreError::Refused(_))));
    assert!(matches!(three, Ok(Done::Vessel(_))));
    assert_eq!(store.reader.vessels().unwrap().len(), 2);
}
