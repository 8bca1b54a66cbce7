//! What a process asked of the disk, by the account of `strace`.

use std::collections::HashMap;
use std::fs;
use std::path::Path;
use std::process::Command as Process;

/// A file in which a child notes each message that was acknowledged.
pub const NOTED: &str = "noted";

/// What the child asked of the disk, in order.
#[derive(Debug)]
pub enum Step {
    Write {
        file: String,
        at: usize,
        bytes: Vec<u8>,
    },
    Cut {
        file: String,
        length: usize,
    },
    Sync {
        file: String,
    },
    SyncFolder,
    /// Made, or only opened.
    Open {
        file: String,
    },
    Remove {
        file: String,
    },
    Rename {
        from: String,
        to: String,
    },
    /// A message was acknowledged.
    Noted(u64),
}

/// Runs a test of this binary as a child to its end, with `variable` as its folder, under `strace`;
/// and reads what that saw.
pub fn watched(child: &str, variable: &str, folder: &Path) -> Vec<Step> {
    let log = tempfile::NamedTempFile::new().unwrap();
    let output = Process::new("strace")
        .args(["-f", "-y", "-s", "70000", "-e"])
        .arg("trace=openat,pwrite64,pwritev,write,writev,ftruncate,fsync,fdatasync,unlink,unlinkat,rename")
        .arg("-o")
        .arg(log.path())
        .arg(std::env::current_exe().unwrap())
        .args([child, "--exact"])
        .env(variable, folder)
        .output()
        .expect("strace is installed by tests/run");
    assert!(output.status.success(), "{output:?}");
    let folder = folder.canonicalize().unwrap();
    let folder = folder.to_str().unwrap();
    let text = fs::read_to_string(log.path()).unwrap();
    // What one thread began and another interrupted.
    let mut begun: HashMap<&str, &str> = HashMap::new();
    let mut steps = Vec::new();
    for line in text.lines() {
        let (thread, call) = line.split_once(' ').unwrap();
        let call = call.trim_start();
        if let Some(call) = call.strip_suffix(" <unfinished ...>") {
            if call.starts_with("fsync") || call.starts_with("fdatasync") {
                // Done only when it comes back.
                begun.insert(thread, call);
            } else {
                steps.extend(step(call, folder));
            }
        } else if call.starts_with("<...") {
            if let Some(call) = begun.remove(thread) {
                steps.extend(step(call, folder));
            }
        } else {
            steps.extend(step(call, folder));
        }
    }
    steps
}

fn step(call: &str, folder: &str) -> Option<Step> {
    let (name, rest) = call.split_once('(')?;
    if matches!(name, "unlink" | "unlinkat") {
        let path = rest.split('"').nth(1)?;
        let file = path.strip_prefix(folder)?.trim_start_matches('/');
        return Some(Step::Remove { file: file.into() });
    }
    if name == "openat" {
        let path = rest.split('"').nth(1)?;
        let file = path.strip_prefix(folder)?.trim_start_matches('/');
        let is_made = rest.contains("O_CREAT") && !file.ends_with("-shm");
        return is_made.then(|| Step::Open { file: file.into() });
    }
    if name == "rename" {
        let mut paths = rest.split('"').skip(1).step_by(2);
        let mut file = || {
            Some(
                paths
                    .next()?
                    .strip_prefix(folder)?
                    .trim_start_matches('/')
                    .to_owned(),
            )
        };
        let (from, to) = (file()?, file()?);
        return Some(Step::Rename { from, to });
    }
    let path = rest.split_once('<')?.1.split_once('>')?.0;
    let file = path
        .strip_prefix(folder)?
        .trim_start_matches('/')
        .to_owned();
    // Shared memory: it does not outlive the power.
    if file.ends_with("-shm") {
        return None;
    }
    let arguments = rest.split_once('>')?.1;
    match name {
        "fsync" | "fdatasync" if file.is_empty() => Some(Step::SyncFolder),
        "fsync" | "fdatasync" => Some(Step::Sync { file }),
        "ftruncate" => {
            let length = arguments.trim_start_matches(", ").split([')', ' ']).next();
            let length = length?.parse().unwrap();
            Some(Step::Cut { file, length })
        }
        "pwrite64" => {
            let (bytes, after) = unescaped(arguments.split_once('"')?.1);
            let place = after.split(", ").nth(2).unwrap();
            let at = place.split([')', ' ']).next()?.parse().unwrap();
            Some(Step::Write { file, at, bytes })
        }
        "write" if file == NOTED => {
            let (bytes, _) = unescaped(arguments.split_once('"')?.1);
            let text = String::from_utf8(bytes).unwrap();
            Some(Step::Noted(text.trim().parse().unwrap()))
        }
        other => panic!("a call this test does not know: {other}({rest})"),
    }
}

/// A string as strace writes it, up to its closing quote, and what follows.
fn unescaped(text: &str) -> (Vec<u8>, &str) {
    let (mut bytes, all) = (Vec::new(), text.as_bytes());
    let mut i = 0;
    while all[i] != b'"' {
        if all[i] != b'\\' {
            bytes.push(all[i]);
            i += 1;
            continue;
        }
        i += 1;
        let digits = all[i..].iter().take(3);
        let digits = digits.take_while(|b| (b'0'..=b'7').contains(*b)).count();
        if digits > 0 {
            let octal = &all[i..i + digits];
            bytes.push(octal.iter().fold(0_u8, |n, b| (n << 3) | (b - b'0')));
            i += digits;
            continue;
        }
        bytes.push(match all[i] {
            b'n' => b'\n',
            b't' => b'\t',
            b'r' => b'\r',
            b'v' => 0x0b,
            b'f' => 0x0c,
            other => other,
        });
        i += 1;
    }
    (bytes, &text[i..])
}
