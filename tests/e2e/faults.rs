//! The disk fills up or fails under the running daemon. Nothing that was acknowledged is lost, nothing
//! is acknowledged that cannot be kept, the page goes on being read and says what is wrong; and once
//! the cause is gone everything goes on by itself. With real means: a small file system of its own,
//! one that the kernel makes read-only, the kernel's limit on how far a process may write, and its answers
//! changed by strace.

use std::collections::HashMap;
use std::fs::{self, File};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::thread;

use ebbmark_core::time::{Moment, Span};
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

fn program(cellar: &Cellar) -> String {
    format!(
        "{} --config {}",
        tools::built("ebbmark").display(),
        cellar.path("ebbmark.toml").display()
    )
}

/// Sets the password and runs the daemon.
fn script(cellar: &Cellar, before: &str) -> String {
    let program = program(cellar);
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

/// SQLite does not open it through the daemon's root; copied, while nothing is written.
fn copied(data: &Path, cellar: &Cellar) -> Database {
    for name in ["ebbmark.sqlite3", "ebbmark.sqlite3-wal"] {
        fs::copy(data.join(name), cellar.path(name)).expect("a file of the daemon's");
    }
    Database::open(&cellar.path("ebbmark.sqlite3"))
}

fn run(command: &mut Command) {
    let output = command.output().expect("it was found");
    assert!(output.status.success(), "{output:?}");
}

/// The daemon in a name space of its own, with the file system in the file `card` for its data; gone with
/// the daemon. A new one needs a password.
fn on_card(cellar: &Cellar, new: bool) -> Daemon {
    let mount = format!(
        "mount -o loop,errors=remount-ro {} {}",
        cellar.path("card").display(),
        cellar.path("data").display()
    );
    fs::create_dir_all(cellar.path("data")).expect("a temporary folder");
    let mut command = Command::new(tools::system("unshare"));
    let script = if new {
        script(cellar, &mount)
    } else {
        format!("{mount} && exec {} run", program(cellar))
    };
    command.args(["-m", "sh", "-c", &script]);
    Daemon::start(command.env_remove("RUST_LOG"))
}

/// The block device its data folder lies on, as the kernel calls it.
fn device_of(daemon: &Daemon, cellar: &Cellar) -> String {
    let mounts = format!("/proc/{}/mounts", daemon.process.id());
    let mounts = fs::read_to_string(mounts).expect("it runs");
    let data = cellar.path("data");
    let of_data = |line: &str| {
        let (device, rest) = line.split_once(' ')?;
        let (at, _) = rest.split_once(' ')?;
        (Path::new(at) == data).then(|| device.trim_start_matches("/dev/").to_owned())
    };
    mounts.lines().find_map(of_data).expect("it is mounted")
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

/// A float that goes on sending while nothing can be written.
struct Broken {
    visitor: Visitor,
    token: String,
    topic: String,
    /// Posted while nothing could be written, and again afterwards.
    later: String,
    stream: Stream,
}

/// While nothing can be written.
fn breaks(daemon: &mut Daemon, version: &str, break_it: impl FnOnce(), words: &str) -> Broken {
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
    // Of a disk that is all but full a small word may be kept in between.
    until_true("/healthz says so", || {
        let health = visitor.get("/healthz");
        health.status == 503 && health.body.contains(words)
    });
    assert_eq!(visitor.get("/healthz/alive").status, 200);
    daemon.process.err.wait_for_part("nothing can be written");
    let so_far = stream.client.out.all().len();
    assert!((so_far as u64) < TOTAL, "all of it was acknowledged");
    Broken {
        visitor,
        token,
        topic,
        later,
        stream,
    }
}

impl Broken {
    /// All of it was taken in the end, and what was posted is taken when it is posted again.
    fn ends_well(self, database: impl FnOnce() -> Database) {
        self.stream.ends_well(database);
        until_true("it is written again", || {
            !self
                .visitor
                .page("/feeds")
                .contains("nothing can be written")
        });
        assert_eq!(self.visitor.get("/healthz").body, "ok");
        let answer = self
            .visitor
            .post_reading(&self.topic, &self.token, self.later.as_bytes());
        assert_eq!(answer.status, 202);
    }

    /// Without a new start.
    fn heals(self, database: impl FnOnce() -> Database) {
        until_true("it is told", || {
            self.visitor
                .page("/notices")
                .contains("For a while nothing could be written")
        });
        self.ends_well(database);
    }
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
    let copied = || copied(&data, &cellar);
    let broken = breaks(&mut daemon, "311", fill, "full");
    room();
    broken.heals(copied);
    let told = "SELECT count(*) FROM notice WHERE kind = 'database'";
    assert_eq!(copied().count(told), 1);
    daemon.stop();
    // It was not tried all the time whether a notice can be kept.
    let tries: Vec<Moment> = daemon
        .process
        .err
        .all()
        .iter()
        .filter(|line| line.contains("a notice cannot be kept"))
        .map(|line| {
            Moment::parse_rfc3339(line.split(' ').next().unwrap_or_default()).expect("when")
        })
        .collect();
    for two in tries.windows(2) {
        assert!(two[1] > two[0] + Span::seconds(2), "{tries:?}");
    }
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
    let broken = breaks(&mut daemon, "5", || limit("1024:"), "disk I/O error");
    limit("unlimited:");
    broken.heals(|| cellar.database());
    daemon.stop();
}

/// A file system that the kernel itself makes read-only under the daemon, as it does with that of a card
/// that fails. It stays so until it was looked through and mounted anew, so the board has to be started
/// again: until then pages are read, and nothing that was acknowledged is lost by it.
#[test]
fn as_root_a_disk_that_turns_read_only() {
    tools::needs_root("mounts a file system of its own from a file");
    if !Path::new("/dev/loop-control").exists() {
        eprintln!(
            "not tried: in this container no file can be mounted (there is no /dev/loop-control)"
        );
        return;
    }
    let cellar = Cellar::with(NO_BACKUP);
    let image = cellar.path("card");
    File::create(&image)
        .and_then(|file| file.set_len(32 << 20))
        .expect("a temporary folder");
    run(Command::new(tools::system("mkfs.ext4"))
        .arg("-q")
        .arg(&image));
    let mut daemon = on_card(&cellar, true);
    let device = device_of(&daemon, &cellar);
    let id = daemon.process.id().to_string();
    let break_it = || {
        // Whoever would do it by hand is kept from it by the daemon's open files.
        let by_hand = Command::new(tools::system("nsenter"))
            .args(["-m", "-t", &id])
            .args(["mount", "-o", "remount,ro"])
            .arg(cellar.path("data"))
            .output()
            .expect("nsenter is part of every system");
        assert!(errors(&by_hand).contains("busy"), "{by_hand:?}");
        // The kernel's own way to have it meet an error.
        fs::write(format!("/sys/fs/ext4/{device}/trigger_fs_error"), "1").expect("we are root");
    };
    let broken = breaks(&mut daemon, "311", break_it, "read-only");
    daemon.stop();
    drop(daemon);
    // What the system does when it starts. 1 is its word for: there were errors, and they are mended.
    let looked = Command::new(tools::system("e2fsck"))
        .arg("-p")
        .arg(&image)
        .output()
        .expect("e2fsck is part of every Debian");
    assert_eq!(looked.status.code(), Some(1), "{looked:?}");
    let mut daemon = on_card(&cellar, false);
    let data = inside(&daemon, &cellar);
    broken.ends_well(|| copied(&data, &cellar));
    daemon.stop();
}

/// As above, but that it is over by itself: every change of a file is answered as on a file system that
/// is read-only, for as long as strace sees to that.
#[test]
fn a_disk_that_is_read_only_for_a_while() {
    const CHANGES: &str =
        "pwrite64,pwritev,ftruncate,fallocate,fdatasync,fsync,utimensat,unlink,rename";
    let cellar = Cellar::with(NO_BACKUP);
    cellar.set_password();
    let mut daemon = cellar.start();
    let id = daemon.process.id().to_string();
    let mut tracer = None;
    let read_only = || {
        let mut command = Command::new(tools::system("strace"));
        command
            .args(["-f", "-p", &id, "-o", "/dev/null"])
            .arg(format!("--trace={CHANGES}"))
            .arg(format!("--inject={CHANGES}:error=EROFS"));
        let process = Process::start("strace", &mut command);
        process.err.wait_for_part("attached");
        tracer = Some(process);
    };
    let broken = breaks(&mut daemon, "5", read_only, "read-only");
    let mut tracer = tracer.expect("it was started");
    tracer.terminate();
    tracer.wait();
    broken.heals(|| cellar.database());
    daemon.stop();
}

/// Mounts a file system of its own for the data, with what `before` did to it, and starts the program.
fn start_refused(cellar: &Cellar, options: &str, before: &str) -> String {
    let data = cellar.path("data");
    fs::create_dir_all(&data).expect("a temporary folder");
    let script = format!(
        "mount -t tmpfs -o {options} tmpfs {data} && {before} exec {program} run",
        data = data.display(),
        program = program(cellar)
    );
    let output = Command::new(tools::system("unshare"))
        .args(["-rm", "sh", "-c", &script])
        .env_remove("RUST_LOG")
        .output()
        .expect("unshare is part of every system");
    assert!(!output.status.success(), "{output:?}");
    let said = errors(&output);
    assert!(!said.contains("panicked"), "{said}");
    said.lines().last().unwrap_or_default().to_owned()
}

#[test]
fn a_disk_that_is_full_or_read_only_at_the_start_is_named() {
    let cellar = Cellar::with(NO_BACKUP);
    let said = start_refused(&cellar, "size=64k", "");
    assert!(said.contains("full") && said.contains("data"), "{said}");
    // Without a database and with one, as the program itself made it.
    let made = format!(
        "echo '{PASSWORD}' | {} password && mount -o remount,ro {} &&",
        program(&cellar),
        cellar.path("data").display()
    );
    for (options, before) in [("ro", ""), ("size=4m", made.as_str())] {
        let said = start_refused(&cellar, options, before);
        assert!(
            said.starts_with("ebbmark: cannot make") && said.contains("Read-only file system"),
            "{said}"
        );
        assert!(
            said.contains("see that the disk is neither full nor mounted read-only"),
            "{said}"
        );
    }
}
