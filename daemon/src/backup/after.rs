//! The maker's own program, run after a copy: to carry it to another house, for instance.
//!
//! It is run without a shell, so that no name is ever taken for a command; what it says is kept only
//! for the case that it fails.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use ebbmark_store::backup::GoOn;
use rustix::process::{Pid, Signal, kill_process_group};

/// As much of its last words as a notice takes.
const LAST_WORDS: u64 = 400;
const LOOK: Duration = Duration::from_millis(50);

/// Runs `program` with `copy` as its last argument.
///
/// # Errors
/// It cannot be started, fails, or takes longer than `limit`; `go_on` said no. In words.
pub fn run(
    program: &[String],
    copy: &Path,
    limit: Duration,
    go_on: GoOn<'_>,
) -> Result<(), String> {
    let Some((name, arguments)) = program.split_first() else {
        return Ok(());
    };
    let said = |e: std::io::Error| format!("{name} cannot be started: {e}");
    let mut words = tempfile::tempfile().map_err(said)?;
    let mut child = Command::new(name)
        .args(arguments)
        .arg(copy)
        .stdin(Stdio::null())
        .stdout(words.try_clone().map_err(said)?)
        .stderr(words.try_clone().map_err(said)?)
        // What it starts in turn goes with it.
        .process_group(0)
        .spawn()
        .map_err(said)?;
    let begun = Instant::now();
    loop {
        match child.try_wait() {
            Ok(Some(status)) if status.success() => return Ok(()),
            Ok(Some(status)) => {
                return Err(format!("{name} failed ({status}){}", last(&mut words)));
            }
            Ok(None) if !go_on() => {
                end(&mut child);
                return Err(format!("{name} was ended, since the daemon stops"));
            }
            Ok(None) if begun.elapsed() > limit => {
                end(&mut child);
                let minutes = limit.as_secs_f64() / 60.0;
                return Err(format!(
                    "{name} took longer than {minutes:.0} min and was ended{}",
                    last(&mut words)
                ));
            }
            Ok(None) => sleep(LOOK),
            Err(e) => return Err(format!("{name} cannot be waited for: {e}")),
        }
    }
}

fn end(child: &mut Child) {
    let group = i32::try_from(child.id()).ok().and_then(Pid::from_raw);
    if let Some(group) = group {
        let _ = kill_process_group(group, Signal::KILL);
    }
    let _ = child.wait();
}

/// ": " and what it said last, if it said anything.
fn last(words: &mut File) -> String {
    let length = words.metadata().map_or(0, |m| m.len());
    let mut bytes = Vec::new();
    let read = words
        .seek(SeekFrom::Start(length.saturating_sub(LAST_WORDS)))
        .and_then(|_| words.read_to_end(&mut bytes));
    let text = String::from_utf8_lossy(&bytes);
    match (read, text.trim()) {
        (Ok(_), text) if !text.is_empty() => format!(": {text}"),
        _ => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LONG: Duration = Duration::from_secs(3600);

    fn sh(script: &str) -> Vec<String> {
        ["/bin/sh", "-c", script, "sh"].map(str::to_owned).to_vec()
    }

    fn run_on(script: &str, limit: Duration, go_on: bool) -> Result<(), String> {
        run(&sh(script), Path::new("/copy; rm x"), limit, &|| go_on)
    }

    #[test]
    fn the_copy_is_its_last_argument_whatever_is_in_the_name() {
        assert_eq!(run_on("test \"$1\" = '/copy; rm x'", LONG, true), Ok(()));
        assert_eq!(run(&[], Path::new("/copy"), LONG, &|| true), Ok(()));
    }

    #[test]
    fn its_failure_is_told_in_its_own_words() {
        let said = run_on("echo nobody answers >&2; exit 3", LONG, true).unwrap_err();
        assert!(
            said.contains("nobody answers") && said.contains('3'),
            "{said}"
        );
        let missing = ["/nowhere/program".to_owned()];
        let said = run(&missing, Path::new("/copy"), LONG, &|| true).unwrap_err();
        assert!(
            said.contains("/nowhere/program cannot be started"),
            "{said}"
        );
    }

    #[test]
    fn one_that_does_not_end_is_ended_with_all_it_started() {
        let folder = tempfile::tempdir().unwrap();
        let mark = folder.path().join("child");
        let script = format!("sleep 1000 & echo $! > {}; wait", mark.display());
        let said = run_on(&script, Duration::from_secs(1), true).unwrap_err();
        assert!(said.contains("took longer"), "{said}");
        let child = std::fs::read_to_string(mark).unwrap();
        let status = format!("/proc/{}/status", child.trim());
        // Gone, or dead and waiting for whoever takes orphans.
        let gone = || std::fs::read_to_string(&status).map_or(true, |s| s.contains("State:\tZ"));
        for _ in 0..200 {
            if gone() {
                break;
            }
            sleep(LOOK);
        }
        assert!(gone());
        let said = run_on("sleep 1000", LONG, false).unwrap_err();
        assert!(said.contains("daemon stops"), "{said}");
    }
}
