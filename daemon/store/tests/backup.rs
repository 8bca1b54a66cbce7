//! A copy is whole, made beside a writer that does not stop, and never takes the place of another.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use common::*;
use ebbmark_store::StoreError;
use ebbmark_store::backup::{self, GoOn, Good};

const ON: GoOn<'static> = &|| true;

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

fn payloads(path: &Path) -> i64 {
    let conn = rusqlite::Connection::open(path).unwrap();
    conn.query_row("SELECT count(*) FROM raw", [], |r| r.get(0))
        .unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn made_while_messages_come_in_without_end() {
    let store = Store::new();
    store.claim("a", timed(), None).await;
    store.fill("a", 0..2000).await;
    let before = store.count("SELECT count(*) FROM raw");
    let stop = Arc::new(AtomicBool::new(false));
    let stream = {
        let (writer, stop) = (store.writer.clone(), stop.clone());
        tokio::spawn(async move {
            let mut n = 2000;
            while !stop.load(Ordering::Relaxed) {
                let message = arrival("a", &measured(n, 1.05));
                writer
                    .arrive(message)
                    .await
                    .unwrap()
                    .await
                    .unwrap()
                    .unwrap();
                n += 1;
            }
            n
        })
    };
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("copy");
    let (from, target) = (store.path.clone(), to.clone());
    // A commit has to come between any two steps: that is what a copy could stumble over.
    let reader = store.reader.clone();
    let made = tokio::task::spawn_blocking(move || {
        let heard = || reader.feeds().unwrap()[0].readings as usize;
        let last = AtomicUsize::new(heard());
        let go_on = || {
            let mut now = heard();
            while now == last.load(Ordering::Relaxed) {
                std::thread::yield_now();
                now = heard();
            }
            last.store(now, Ordering::Relaxed);
            true
        };
        backup::make(&from, &target, &go_on)
    })
    .await
    .unwrap()
    .unwrap();
    stop.store(true, Ordering::Relaxed);
    let sent = stream.await.unwrap();

    assert_eq!(backup::look_through(&to, ON).unwrap(), made);
    let kept = payloads(&to);
    assert!((before..sent).contains(&kept), "{before} {kept} {sent}");
    // All of it in one file.
    assert_eq!(names(folder.path()), ["copy"]);
    // And a store opens on it.
    let (_writer, reader) = ebbmark_store::open(&to, Default::default()).unwrap();
    assert_eq!(reader.feeds().unwrap()[0].readings, kept as u64);
}

#[tokio::test]
async fn nothing_is_overwritten_and_nothing_half_done_stays() {
    let store = Store::new();
    store.vessel("Carboy").await;
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("copy");
    fs::write(&to, "something dear").unwrap();
    assert!(backup::make(&store.path, &to, ON).is_err());
    assert_eq!(fs::read(&to).unwrap(), b"something dear");

    let other = folder.path().join("other");
    let broken_off = backup::make(&store.path, &other, &|| false);
    assert!(matches!(broken_off, Err(StoreError::BrokenOff)));
    assert_eq!(names(folder.path()), ["copy"]);

    let nowhere = folder.path().join("nowhere/copy");
    let said = backup::make(&store.path, &nowhere, ON).unwrap_err();
    assert!(said.to_string().contains("nowhere"), "{said}");
}

#[tokio::test]
async fn left_overs_go_unless_somebody_writes_them() {
    let folder = tempfile::tempdir().unwrap();
    let touch = |name: &str| fs::File::create(folder.path().join(name)).unwrap();
    touch("ours-1.part");
    touch("ours-1.part-journal");
    let held = touch("ours-2.part");
    held.lock().unwrap();
    touch("ours-2.part-journal");
    touch("ours-3");
    touch("photo.part");
    let ours = |name: &str| name.starts_with("ours-");
    assert_eq!(backup::clear_unfinished(folder.path(), &ours).unwrap(), 2);
    let left = ["ours-2.part", "ours-2.part-journal", "ours-3", "photo.part"];
    assert_eq!(names(folder.path()), left);
}

#[tokio::test]
async fn a_copy_of_something_damaged_is_no_copy() {
    let store = Store::new();
    store.claim("a", timed(), None).await;
    store.fill("a", 0..3000).await;
    let good = store.path.with_extension("good");
    let Good { bytes, .. } = backup::make(&store.path, &good, ON).unwrap();
    store.writer.close().await;

    let mut damaged = fs::read(&store.path).unwrap();
    let middle = (damaged.len() / 2) & !4095;
    damaged[middle..middle + 8192].fill(0xa5);
    fs::write(&store.path, &damaged).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let said = backup::make(&store.path, &folder.path().join("copy"), ON).unwrap_err();
    assert!(matches!(said, StoreError::NoGoodCopy { .. }), "{said}");
    assert!(names(folder.path()).is_empty());

    // Cut short, emptied, of another program, and no database at all.
    let at = |name: &str| folder.path().join(name);
    let whole = fs::read(&good).unwrap();
    fs::write(at("short"), &whole[..bytes as usize / 2]).unwrap();
    fs::write(at("empty"), "").unwrap();
    fs::write(at("words"), "not a database ".repeat(1000)).unwrap();
    let other = rusqlite::Connection::open(at("other")).unwrap();
    other.execute_batch("CREATE TABLE t (a)").unwrap();
    for name in ["short", "empty", "words", "other", "missing"] {
        let said = backup::look_through(&at(name), ON).unwrap_err().to_string();
        assert!(said.contains(name), "{said}");
    }
}
