//! Plans, the tasks that follow, and the maker's word on them.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use common::*;
use ebbmark_core::deed::What;
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::plan::{Plan, Steep};
use ebbmark_core::tasks::{Answer, Due, Kind, Task};
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Preferences;
use ebbmark_store::model::{BatchFacts, Command, Done, Origin};
use jiff::tz::TimeZone;

async fn start(store: &Store, vessel: VesselId, facts: BatchFacts) -> BatchId {
    match store.run(beginning(vessel, facts)).await {
        Done::Batch(id) => id,
        other => panic!("{other:?}"),
    }
}

async fn log(store: &Store, vessel: VesselId, what: What, note: &str, minutes: i64) {
    let mut deed = deed(what, minutes);
    deed.note = note.to_owned();
    let log = Command::Log {
        vessel,
        deed,
        hand: None,
        once: None,
        made_at: at(minutes),
    };
    store.run(log).await;
}

fn on_figs() -> Plan {
    Plan {
        steeps: vec![Steep {
            name: "figs".into(),
            days: Some(10),
            push_every: 2,
        }],
        ..Plan::default()
    }
}

async fn plan(store: &Store, batch: BatchId, plan: Plan) {
    let plan = Box::new(plan);
    store.run(Command::Plan { batch, plan }).await;
}

async fn answer(store: &Store, batch: BatchId, task: &str, answer: Answer) {
    let task = task.to_owned();
    let at = at(0);
    let answer = Command::AnswerTask {
        batch,
        task,
        answer,
        at,
    };
    store.run(answer).await;
}

fn pushed_down(store: &Store, now: Moment) -> Vec<(VesselId, Task)> {
    let style = Style {
        units: Preferences::USUAL,
        zone: &TimeZone::UTC,
    };
    let to_do = store.reader.to_do(now, &style).unwrap();
    let all = to_do
        .into_iter()
        .flat_map(|t| t.tasks.into_iter().map(move |task| (t.vessel.id, task)));
    all.filter(|(_, task)| task.kind == Kind::PushDown)
        .collect()
}

#[tokio::test]
async fn a_plan_is_kept_changed_and_emptied() {
    let store = Store::new();
    let cask = store.vessel("cask").await;
    let batch = start(&store, cask, batch_facts("fig")).await;
    let kept = |store: &Store| store.reader.batch(batch).unwrap().unwrap().plan;
    assert!(kept(&store).is_empty());
    plan(&store, batch, on_figs()).await;
    assert_eq!(kept(&store), on_figs());
    // The other facts leave it alone.
    let edit = Command::EditBatch(batch, batch_facts("figs"));
    store.run(edit).await;
    assert_eq!(kept(&store), on_figs());
    plan(&store, batch, Plan::default()).await;
    assert!(kept(&store).is_empty());
    assert_eq!(
        store.count("SELECT count(*) FROM batch WHERE plan IS NULL"),
        1
    );
    let nowhere = Command::Plan {
        batch: BatchId(99),
        plan: Box::default(),
    };
    assert!(store.refused(nowhere).await.contains("no batch"));
}

#[tokio::test]
async fn answers_stand_until_another_is_given() {
    let store = Store::new();
    let cask = store.vessel("cask").await;
    let batch = start(&store, cask, batch_facts("fig")).await;
    plan(&store, batch, on_figs()).await;
    log(&store, cask, What::Addition, "2 kg figs", 60).await;
    let now = at(60) + Span::days(3);
    let (vessel, task) = pushed_down(&store, now).remove(0);
    assert_eq!(vessel, cask);
    assert!(task.is_due(now));
    let until = now + Span::hours(9);
    answer(&store, batch, &task.key, Answer::Later(until)).await;
    let later = pushed_down(&store, now).remove(0).1;
    assert_eq!(
        (later.key.clone(), later.put_off),
        (task.key.clone(), Some(until))
    );
    answer(&store, batch, &task.key, Answer::NotThisTime).await;
    let next = pushed_down(&store, now).remove(0).1;
    assert_ne!(next.key, task.key);
    assert_eq!(next.due, Due::At(at(60) + Span::days(4)));
    assert_eq!(store.count("SELECT count(*) FROM task_answer"), 1);
    // Done by the log, whoever writes it.
    log(&store, cask, What::PushDown, "", 5 * 1440).await;
    let after = pushed_down(&store, at(5 * 1440)).remove(0).1;
    assert_eq!(after.due, Due::At(at(7 * 1440)));
    let odd = Command::AnswerTask {
        batch,
        task: String::new(),
        answer: Answer::NotThisTime,
        at: now,
    };
    assert!(store.refused(odd).await.contains("key"));
}

#[tokio::test]
async fn the_tasks_of_a_part_are_its_own() {
    let store = Store::new();
    let (cask, jar) = (store.vessel("cask").await, store.vessel("jar").await);
    let whole = start(&store, cask, batch_facts("whole")).await;
    plan(&store, whole, on_figs()).await;
    log(&store, cask, What::Addition, "figs", 60).await;
    let facts = BatchFacts {
        started: at(600),
        origin: Some(Origin {
            parent: whole,
            at: at(600),
        }),
        ..batch_facts("part")
    };
    let part = start(&store, jar, facts).await;
    let now = at(4 * 1440);
    let vessels = |store: &Store| -> Vec<VesselId> {
        pushed_down(store, now).iter().map(|(v, _)| *v).collect()
    };
    assert_eq!(vessels(&store), [cask]);
    // Onto fruit of its own, which no plan names.
    plan(&store, part, on_figs()).await;
    log(&store, jar, What::Addition, "fig", 700).await;
    assert_eq!(vessels(&store), [cask, jar]);
    store
        .run(Command::EndBatch {
            batch: whole,
            at: at(800),
        })
        .await;
    assert_eq!(vessels(&store), [jar]);
}
