//! The disk fills up or fails under the running daemon. Nothing that was acknowledged is lost, nothing
//! is acknowledged that cannot be kept, the page goes on being read and says what is wrong; and once
//! the cause is gone everything goes on by itself. With real means: a small file system of its own,
//! and the kernel's limit on how far a process may write.

use std::collections::HashMap;
use std::fs::{self, File};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::thread;

use ebbmark_tests::cellar::{Cellar, Daemon, PASSWORD};
use ebbmark_tests::database::Database;
use ebbmark_tests::page::Visitor;
use ebbmark_tests::process::Process;
use ebbmark_tests::tools;
use ebbmark_tests::wait::until_true;

use crate::common::{days_ago, errors, message, publish, publisher};
use crate::kill::payload;

/// A copy asks for more room than there is here.
const NO_BACKUP: &str = "[backup]\noff = true\n[intake.limits]\nmessages-per-second = 0";

fn script(cellar: &Cellar, before: &str) -> String {
    let program = format!(
        "{} --config {}",
        tools::built("ebbmark").display(),
        cellar.path("ebbmark.toml").display()
    );
    format!("{before} && echo '{PASSWORD}' | {program} password && exec {program} run")
}

/// The daemon in a name space of its own, with this file system for its data.
fn on_disk(cellar: &Cellar, options: &str) -> Daemon {
    let data = cellar.path("data");
    fs::create_dir_all(&data).expect("a temporary folder");
    let mount = format!("mount -t tmpfs -o {options} tmpfs {}", data.display());
    let mut command = Command::new(tools::system("unshare"));
    command.args(["-rm", "sh", "-c", &script(cellar, &mount)]);
    Daemon::start(command.env_remove("RUST_LOG"))
}

/// The data folder as the daemon sees it.
fn inside(daemon: &Daemon, cellar: &Cellar) -> PathBuf {
    let root = format!("/proc/{}/root", daemon.process.id());
    Path::new(&root).join(
        cellar
            .path("data")
            .strip_prefix("/")
            .expect("an absolute path"),
    )
}

/// What is sent from now on, whether or not it is taken.
struct Stream {
    client: Process,
    topic: String,
    start: i64,
    writer: thread::JoinHandle<()>,
}

const TOTAL: u64 = 400;

fn stream(daemon: &Daemon, topic: &str, start: i64, version: &str) -> Stream {
    let options = ["--version", version, "--id", "float", "--persistent"];
    let mut client = publisher(daemon.intake_port, &options);
    let mut input = client.input();
    // Long ones, so that the disk is felt.
    let lines: Vec<String> = (1..TOTAL)
        .map(|n| message(topic, &long(n, start), 1).to_string())
        .collect();
    let writer = thread::spawn(move || {
        for line in lines {
            writeln!(input, "{line}").expect("the foreign client reads");
        }
    });
    Stream {
        client,
        topic: topic.to_owned(),
        start,
        writer,
    }
}

fn long(number: u64, start: i64) -> String {
    let payload = payload(number, start);
    format!("{payload}{}", " ".repeat(2000))
}

impl Stream {
    /// All of it was taken in the end, once.
    fn ends_well(mut self, database: impl FnOnce() -> Database) {
        self.writer.join().expect("everything was written");
        self.client.must_end_well();
        let database = database();
        let mut kept: HashMap<Vec<u8>, u32> = HashMap::new();
        for payload in database.payloads("intake", &self.topic) {
            *kept.entry(payload).or_default() += 1;
        }
        for number in 0..TOTAL {
            let times = kept.remove(long(number, self.start).as_bytes());
            assert_eq!(times, Some(1), "message {number}");
        }
        assert!(kept.is_empty(), "nobody sent {kept:?}");
        assert_eq!(database.integrity(), "ok");
    }
}

/// While nothing can be written, and afterwards.
fn goes_through(
    daemon: &mut Daemon,
    version: &str,
    database: impl FnOnce() -> Database,
    break_it: impl FnOnce(),
    mend_it: impl FnOnce(),
    words: &str,
) {
    let visitor = Visitor::signed_in(&daemon.page);
    let token = visitor.intake_token();
    let (topic, start) = (format!("shelf/faults/{version}"), days_ago(2));
    publish(
        daemon.intake_port,
        &[],
        &[message(&topic, &long(0, start), 1)],
    );
    visitor.claim("intake", &topic, None);
    visitor.add_vessel("Loft carboy");
    let later = long(TOTAL, start);
    break_it();
    let stream = stream(daemon, &topic, start, version);
    until_true("the page says so", || {
        visitor.page("/feeds").contains("nothing can be written")
    });
    let page = visitor.page("/feeds");
    assert!(page.contains(words), "{page}");
    // The first page counts it among what wants a look, and what was kept is read.
    let first = visitor.page("/");
    assert!(first.contains("database") && first.contains("wants a look"));
    assert!(visitor.page("/feeds").contains(&topic));
    let answer = visitor.post_reading(&topic, &token, later.as_bytes());
    assert_eq!(answer.status, 503, "{}", answer.body);
    assert!(daemon.process.is_running());
    let health = visitor.get("/healthz");
    assert_eq!(health.status, 503, "{}", health.body);
    assert!(health.body.contains(words), "{}", health.body);
    assert_eq!(visitor.get("/healthz/alive").status, 200);
    let so_far = stream.client.out.all().len();
    assert!((so_far as u64) < TOTAL, "all of it was acknowledged");

    mend_it();
    stream.ends_well(database);
    until_true("it is written again", || {
        !visitor.page("/feeds").contains("nothing can be written")
    });
    until_true("it is told", || {
        visitor
            .page("/notices")
            .contains("For a while nothing could be written")
    });
    assert_eq!(visitor.get("/healthz").body, "ok");
    let answer = visitor.post_reading(&topic, &token, later.as_bytes());
    assert_eq!(answer.status, 202);
}

#[test]
fn a_disk_that_fills_up() {
    let cellar = Cellar::with(NO_BACKUP);
    let mut daemon = on_disk(&cellar, "size=4m");
    let data = inside(&daemon, &cellar);
    let filler = data.join("filler");
    let fill = || {
        let mut file = File::create(&filler).expect("a file in the daemon's folder");
        let full = loop {
            // In small pieces, to the last page.
            if let Err(e) = file.write_all(&[b'x'; 1024]) {
                break e;
            }
        };
        assert_eq!(full.kind(), ErrorKind::StorageFull);
    };
    let room = || fs::remove_file(&filler).expect("our own file");
    // SQLite does not open it through the daemon's root; copied, while nothing is written.
    let copied = || {
        for name in ["ebbmark.sqlite3", "ebbmark.sqlite3-wal"] {
            fs::copy(data.join(name), cellar.path(name)).expect("a file of the daemon's");
        }
        Database::open(&cellar.path("ebbmark.sqlite3"))
    };
    goes_through(&mut daemon, "311", copied, fill, room, "full");
    let told = "SELECT count(*) FROM notice WHERE kind = 'database'";
    assert_eq!(copied().count(told), 1);
    daemon.stop();
}

/// A write that fails: here because the kernel lets the process write no further, as it would fail on a
/// disk that is broken.
#[test]
fn a_disk_that_fails() {
    let cellar = Cellar::with(NO_BACKUP);
    let mut command = Command::new("sh");
    // Without the trap the kernel ends the process at the limit.
    command.args(["-c", &script(&cellar, "trap '' XFSZ")]);
    let mut daemon = Daemon::start(command.env_remove("RUST_LOG"));
    let id = daemon.process.id().to_string();
    let limit = |limit: &str| {
        let done = Command::new(tools::system("prlimit"))
            .args(["--pid", &id, &format!("--fsize={limit}")])
            .status();
        assert!(done.expect("prlimit is part of every system").success());
    };
    goes_through(
        &mut daemon,
        "5",
        || cellar.database(),
        || limit("1024:"),
        || limit("unlimited:"),
        "disk I/O error",
    );
    daemon.stop();
}

#[test]
fn a_disk_that_is_full_or_read_only_at_the_start_is_named() {
    let cellar = Cellar::with(NO_BACKUP);
    let data = cellar.path("data");
    fs::create_dir_all(&data).unwrap();
    for (options, words) in [("size=64k", "full"), ("ro", "Read-only file system")] {
        let script = format!(
            "mount -t tmpfs -o {options} tmpfs {} && exec {} --config {} run",
            data.display(),
            tools::built("ebbmark").display(),
            cellar.path("ebbmark.toml").display()
        );
        let output = Command::new(tools::system("unshare"))
            .args(["-rm", "sh", "-c", &script])
            .output()
            .unwrap();
        assert!(!output.status.success(), "{output:?}");
        let said = errors(&output);
        assert!(said.contains(words) && said.contains("data"), "{said}");
        assert!(!said.contains("panicked"), "{said}");
    }
}
