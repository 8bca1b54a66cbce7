//! What is left after a refusal, a failed commit, a closed store.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use common::*;
use ebbmark_core::ids::VesselId;
use ebbmark_core::reading::ProblemKind;
use ebbmark_store::model::{Change, Command, Done};
use ebbmark_store::{Options, StoreError, open, read};

#[test]
fn a_newer_schema_is_refused_and_not_touched() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let runtime = tokio::runtime::Builder::new_current_thread()
        .build()
        .unwrap();
    let (writer, reader) = open(&path, Options::default()).unwrap();
    let ours = reader.schema_version().unwrap();
    assert!(ours > 5);
    runtime.block_on(writer.close());
    drop(reader);
    rusqlite::Connection::open(&path)
        .unwrap()
        .pragma_update(None, "user_version", 99)
        .unwrap();

    let before = std::fs::read(&path).unwrap();
    let error = open(&path, Options::default()).err().unwrap();
    assert!(
        matches!(&error, StoreError::TooNew { found: 99, known, path: p } if *p == path && *known == ours),
        "{error}"
    );
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn an_older_schema_is_not_upgraded_by_reading() {
    let store = Store::new();
    let runs = store.count("SELECT count(*) FROM run");
    assert!(read(&store.path).unwrap().vessels().unwrap().is_empty());
    assert_eq!(store.count("SELECT count(*) FROM run"), runs);
    let set = |version: i64| {
        let sql = store.sql();
        sql.pragma_update(None, "user_version", version).unwrap();
    };
    set(5);
    let error = read(&store.path).err().unwrap();
    assert!(
        matches!(&error, StoreError::TooOld { found: 5, known, path } if *path == store.path && *known > 5),
        "{error}"
    );
    assert_eq!(store.count("PRAGMA user_version"), 5);
    set(99);
    let error = read(&store.path).err().unwrap();
    assert!(matches!(&error, StoreError::TooNew { .. }), "{error}");
    let nowhere = store.path.with_file_name("nowhere");
    assert!(read(&nowhere).is_err());
    assert!(!nowhere.exists());
}

#[test]
fn a_file_of_something_else_is_refused_and_not_touched() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("other.db");
    rusqlite::Connection::open(&path)
        .unwrap()
        .execute_batch("CREATE TABLE accounts (id INTEGER)")
        .unwrap();
    let before = std::fs::read(&path).unwrap();
    let error = open(&path, Options::default()).err().unwrap();
    assert!(matches!(error, StoreError::NotOurs { .. }), "{error}");
    assert_eq!(std::fs::read(&path).unwrap(), before);

    let text = folder.path().join("notes.txt");
    std::fs::write(&text, "buy honey, buy yeast, wash the carboy\n".repeat(50)).unwrap();
    let error = open(&text, Options::default()).err().unwrap();
    assert!(matches!(error, StoreError::Open { .. }), "{error}");

    let nowhere = folder.path().join("no/such/folder/store.db");
    let error = open(&nowhere, Options::default()).err().unwrap();
    assert!(error.to_string().contains("no/such/folder"), "{error}");
}

#[test]
fn damage_is_found_by_looking() {
    let store = Store::new();
    let limit = std::time::Duration::from_secs(60);
    assert_eq!(store.reader.damage(limit).unwrap(), Some(None));
    // As SQLite's own documentation of quick_check has it: a column that may not be empty is.
    let sql = store.sql();
    sql.execute_batch(
        "CREATE TABLE torn (x); INSERT INTO torn VALUES (NULL); \
         PRAGMA writable_schema = ON; \
         UPDATE sqlite_schema SET sql = 'CREATE TABLE torn (x NOT NULL)' WHERE name = 'torn'; \
         PRAGMA writable_schema = RESET;",
    )
    .unwrap();
    let found = read(&store.path).unwrap().damage(limit).unwrap();
    let said = found.flatten().unwrap_or_default();
    assert!(said.contains("torn.x"), "{said}");
}

/// Makes the next commits fail, and not the statements in them: a foreign key that is only
/// checked at the commit.
const TRAP: &str = "CREATE TABLE trap (vessel INTEGER REFERENCES vessel (id) \
                    DEFERRABLE INITIALLY DEFERRED); \
                    CREATE TRIGGER spring AFTER INSERT ON raw BEGIN \
                    INSERT INTO trap VALUES (-1); END";

#[tokio::test]
async fn a_failed_commit_is_told_to_everyone_in_it_and_leaves_nothing() {
    let store = Store::new();
    let feed = store.claim("a", untimed(), None).await;
    store
        .arrive(arrival_at("a", r#"{"g": 1.1}"#, Some(T0)))
        .await;
    store.sql().execute_batch(TRAP).unwrap();

    // In one commit: a new topic, a reading, and a command that is itself in order.
    let one = store.writer.arrive(arrival("b", "1")).await.unwrap();
    let two = store
        .writer
        .arrive(arrival_at("a", r#"{"g": 1.09}"#, Some(T0)))
        .await
        .unwrap();
    let three = store
        .writer
        .command(Command::AddVessel(vessel_facts("lost")))
        .await;
    for result in [one.await.unwrap(), two.await.unwrap()] {
        assert!(matches!(result, Err(StoreError::Commit(_))), "{result:?}");
    }
    // The command may have come into a commit of its own, which did not fail.
    let expected = match three {
        Err(StoreError::Commit(_)) => 0,
        Ok(Done::Vessel(_)) => 1,
        other => panic!("{other:?}"),
    };
    assert_eq!(store.reader.vessels().unwrap().len(), expected);
    assert_eq!(store.count("SELECT count(*) FROM raw"), 1);
    assert!(store.reader.unclaimed().unwrap().is_empty());

    // The thread goes on, with a picture that fits the file.
    store.sql().execute_batch("DROP TRIGGER spring").unwrap();
    store.arrive(arrival("b", "1")).await;
    assert_eq!(store.reader.unclaimed().unwrap()[0].count, 1);
    store
        .arrive(arrival_at("a", r#"{"g": 1.09}"#, Some(T0)))
        .await;
    assert_eq!(store.gravities(feed), [(0, 1.1), (1, 1.09)]);
    let shown = store.reader.feed(feed).unwrap().unwrap();
    assert_eq!(
        (shown.readings, shown.last_reading.map(|m| m.0 - T0.0)),
        (2, Some(1))
    );
}

#[tokio::test]
async fn a_failing_statement_undoes_its_own_job_only() {
    let store = Store::new();
    let feed = store.claim("a", untimed(), None).await;
    store
        .sql()
        .execute_batch(
            "CREATE TRIGGER fail AFTER INSERT ON reading WHEN new.gravity = 1.2 BEGIN \
             SELECT raise(FAIL, 'no room'); END",
        )
        .unwrap();
    let mut waiters = Vec::new();
    for gravity in ["1.1", "1.2", "1.15"] {
        let message = arrival_at("a", &format!(r#"{{"g": {gravity}}}"#), Some(T0));
        waiters.push(store.writer.arrive(message).await.unwrap());
    }
    let mut results = Vec::new();
    for waiter in waiters {
        results.push(waiter.await.unwrap());
    }
    assert!(matches!(results[1], Err(StoreError::Sql(_))), "{results:?}");
    assert!(results[0].is_ok() && results[2].is_ok(), "{results:?}");
    assert_eq!(store.gravities(feed), [(0, 1.1), (1, 1.15)]);
    assert_eq!(store.count("SELECT count(*) FROM raw"), 2);
    let store = store.reopen().await;
    assert_eq!(store.reader.feed(feed).unwrap().unwrap().readings, 2);
}

#[tokio::test]
async fn closing_writes_what_is_queued_and_then_nobody_writes() {
    let store = Store::new();
    let feed = store.claim("a", untimed(), None).await;
    let mut waiters = Vec::new();
    for _ in 0..50 {
        let message = arrival("a", r#"{"g": 1.1}"#);
        waiters.push(store.writer.arrive(message).await.unwrap());
    }
    store.writer.close().await;
    for waiter in waiters {
        waiter.await.unwrap().unwrap();
    }
    assert_eq!(store.gravities(feed).len(), 50);
    let gone = store.writer.try_arrive(arrival("a", "1"));
    assert!(matches!(gone, Err(StoreError::WriterGone)));
    let gone = store
        .writer
        .command(Command::RetireVessel(VesselId(1)))
        .await;
    assert!(matches!(gone, Err(StoreError::WriterGone)));
    // A second time is no harm.
    store.writer.close().await;
}

#[tokio::test]
async fn a_full_queue_refuses_and_loses_nothing_it_took() {
    let folder = tempfile::tempdir().unwrap();
    let options = Options {
        queue: 4,
        ..Options::default()
    };
    let (writer, reader) = open(&folder.path().join("store.db"), options).unwrap();
    let mut waiters = Vec::new();
    let full = loop {
        match writer.try_arrive(arrival("a", "1")) {
            Ok(waiter) => waiters.push(waiter),
            Err(error) => break error,
        }
    };
    assert!(matches!(full, StoreError::QueueFull(4)), "{full}");
    let taken = waiters.len();
    for waiter in waiters {
        waiter.await.unwrap().unwrap();
    }
    assert_eq!(reader.unclaimed().unwrap()[0].count, taken as u64);
}

#[tokio::test]
async fn jobs_are_committed_together_by_count_and_at_the_close() {
    let folder = tempfile::tempdir().unwrap();
    let long = std::time::Duration::from_secs(3_600);
    let options = Options {
        commit_count: 50,
        commit_window: long,
        quiet_gap: long,
        ..Options::default()
    };
    let path = folder.path().join("store.db");
    let (writer, reader) = open(&path, options).unwrap();
    let mut changes = writer.changes();
    // Nothing is committed before there are 50: the claim and 49 messages.
    let (claimed, waiters) = tokio::join!(writer.command(claim("a", untimed(), None)), async {
        let mut waiters = Vec::new();
        for _ in 0..149 {
            let message = arrival("a", r#"{"g": 1.1}"#);
            waiters.push(writer.arrive(message).await.unwrap());
        }
        waiters
    });
    claimed.unwrap();
    for waiter in waiters {
        waiter.await.unwrap().unwrap();
    }
    // Each commit tells once of the feed it brought readings of.
    let mut commits = || {
        let mut n = 0;
        while let Ok(change) = changes.try_recv() {
            n += u32::from(matches!(change, Change::Readings { .. }));
        }
        n
    };
    assert_eq!(commits(), 3);
    let last = writer.arrive(arrival("a", r#"{"g": 1.1}"#)).await.unwrap();
    writer.close().await;
    last.await.unwrap().unwrap();
    assert_eq!(commits(), 1);
    assert_eq!(reader.feeds().unwrap()[0].readings, 150);
}

#[tokio::test]
async fn what_nobody_waits_for_is_committed_at_once_while_little_comes_and_then_with_others() {
    let folder = tempfile::tempdir().unwrap();
    let options = Options {
        leisure: std::time::Duration::from_secs(36_000),
        ..Options::default()
    };
    let path = folder.path().join("store.db");
    let (writer, reader) = open(&path, options).unwrap();
    let message = || arrival("a", r#"{"g": 1.1}"#);
    // As many as were saved up.
    for _ in 0..60 {
        let kept = writer.arrive_at_leisure(message()).await.unwrap();
        kept.await.unwrap().unwrap();
    }
    let mut waiting = Vec::new();
    for _ in 0..3 {
        waiting.push(writer.arrive_at_leisure(message()).await.unwrap());
    }
    assert!(waiting[0].try_recv().is_err());
    // Somebody waits for this one; it takes the others along.
    let heard = |reader: &ebbmark_store::Reader| reader.unclaimed().unwrap()[0].count;
    assert_eq!(heard(&reader), 60);
    let last = writer.arrive(message()).await.unwrap();
    last.await.unwrap().unwrap();
    assert_eq!(heard(&reader), 64);
    for kept in waiting {
        kept.await.unwrap().unwrap();
    }
    let left = writer.arrive_at_leisure(message()).await.unwrap();
    writer.close().await;
    left.await.unwrap().unwrap();
    assert_eq!(heard(&reader), 65);
}

#[test]
fn commands_may_come_from_a_plain_thread() {
    let store = Store::new();
    let done = store
        .writer
        .command_blocking(Command::AddVessel(vessel_facts("a")))
        .unwrap();
    assert!(matches!(done, Done::Vessel(_)));
    let refused = store
        .writer
        .command_blocking(Command::AddVessel(vessel_facts("a")));
    assert!(matches!(refused, Err(StoreError::Refused(_))));
}

#[tokio::test]
async fn a_refused_message_is_counted() {
    let store = Store::new();
    let feed = store.claim("a", untimed(), None).await;
    let refused = Command::Refused {
        source: "intake".into(),
        topic: "a".into(),
        kind: ProblemKind::Unreadable,
        // Long, and with a character of two bytes where it is cut.
        detail: "é".repeat(500),
        at: T0,
    };
    store.run(refused.clone()).await;
    store.run(refused).await;
    store.arrive(arrival("a", "no json")).await;
    let problems = store.reader.problems().unwrap();
    assert_eq!(problems.len(), 1);
    assert_eq!((problems[0].feed, problems[0].count), (Some(feed), 3));
    assert!(problems[0].detail.starts_with("not readable"));
    // Reading the payloads again counts theirs again, and keeps what was met at the door.
    store
        .run(Command::Remap {
            feed,
            name: "a".into(),
            map: timed(),
        })
        .await;
    assert_eq!(store.problem_count(ProblemKind::Unreadable), 3);
}
