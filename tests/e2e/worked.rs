//! The worked batch of the documentation: every command in it is run and must print what stands
//! there. After a change that is meant, `EBBMARK_WRITE=1` writes the new output into it.

use std::collections::BTreeSet;
use std::fmt::Write;
use std::process::Command;

use ebbmark_core::reckon;
use ebbmark_tests::tools;

use crate::clock::faketime;

const FILE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../daemon/WORKED-BATCH.md");
/// "Now" of the whole story, so that its days do not move.
const NOW: &str = "@2026-03-02 18:00:00";

/// A command with the output that stands below it, and where in the document.
struct Shown {
    command: String,
    output: String,
}

/// The document in pieces: text as it is, and what is shown of the terminal.
enum Piece {
    Text(String),
    Terminal(Vec<Shown>),
}

#[test]
fn the_worked_batch_says_what_the_commands_say() {
    let document = std::fs::read_to_string(FILE).expect("the worked batch is there");
    let mut made = String::new();
    let mut used = BTreeSet::new();
    for piece in pieces(&document) {
        match piece {
            Piece::Text(text) => made.push_str(&text),
            Piece::Terminal(all) => {
                for Shown { command, .. } in &all {
                    let mut words = command.split_whitespace().skip_while(|w| *w != "reckon");
                    used.extend(words.nth(1).map(str::to_owned));
                }
                let shown: Vec<String> = all.iter().map(|s| rerun(&s.command)).collect();
                write!(made, "```console\n{}```\n", shown.join("\n")).expect("a string");
                if std::env::var_os("EBBMARK_WRITE").is_none() {
                    for (was, is) in all.iter().zip(&shown) {
                        let was = format!("$ {}\n{}", was.command, was.output);
                        assert_eq!(
                            was.trim_end(),
                            is.trim_end(),
                            "of {}",
                            was.lines().next().unwrap_or("")
                        );
                    }
                }
            }
        }
    }
    if std::env::var_os("EBBMARK_WRITE").is_some() {
        std::fs::write(FILE, made).expect("the worked batch can be written");
    }
    // Every reckoning is used once on the command line.
    let all: BTreeSet<String> = reckon::ALL.iter().map(|r| r.key.to_owned()).collect();
    let unused: Vec<&String> = all.difference(&used).collect();
    assert!(unused.is_empty(), "not in the worked batch: {unused:?}");
}

/// The command and its output as they stand in the document.
fn rerun(command: &str) -> String {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let programs = tools::built("ebbmark");
    let path = format!(
        "{}:{}",
        programs.parent().expect("it is in a folder").display(),
        std::env::var("PATH").unwrap_or_default()
    );
    let output = Command::new("sh")
        .arg("-c")
        .arg(command)
        .current_dir(&folder)
        .env("PATH", path)
        .env("HOME", folder.path())
        .env("TZ", "UTC")
        .env("LD_PRELOAD", faketime())
        .env("FAKETIME", NOW)
        .env_remove("STATE_DIRECTORY")
        .output()
        .expect("sh starts");
    let said = String::from_utf8_lossy(&output.stdout);
    let errors = String::from_utf8_lossy(&output.stderr);
    format!("$ {command}\n{said}{errors}")
}

fn pieces(document: &str) -> Vec<Piece> {
    let mut pieces = Vec::new();
    let mut rest = document;
    while let Some((text, after)) = rest.split_once("```console\n") {
        let (block, tail) = after.split_once("```\n").expect("a block ends");
        pieces.push(Piece::Text(text.to_owned()));
        pieces.push(Piece::Terminal(shown(block)));
        rest = tail;
    }
    pieces.push(Piece::Text(rest.to_owned()));
    pieces
}

fn shown(block: &str) -> Vec<Shown> {
    let mut all: Vec<Shown> = Vec::new();
    let mut in_command = false;
    for line in block.lines() {
        if let Some(command) = line.strip_prefix("$ ") {
            all.push(Shown {
                command: command.to_owned(),
                output: String::new(),
            });
            in_command = command.ends_with('\\');
        } else if let Some(last) = all.last_mut() {
            if in_command {
                last.command.push('\n');
                last.command.push_str(line);
                in_command = line.ends_with('\\');
            } else {
                last.output.push_str(line);
                last.output.push('\n');
            }
        }
    }
    all
}
