//! From a file to a verdict: by import into a running cellar, and by replay.

use ebbmark_tests::cellar::Cellar;
use ebbmark_tests::wait::until_true;
use serde_json::Value;

use crate::common::{days_ago, errors, local, rfc3339, series, text};

#[test]
fn a_dry_mead_from_a_file_is_settled() {
    let cellar = Cellar::new();
    let (daemon, visitor) = cellar.open();
    let vessel = visitor.add_vessel("North cask");
    visitor.start_mead(&vessel, &local(days_ago(40)), "1.094", "1.000");
    let csv = series("dry", 40, "60");
    let lines = csv.lines().count() - 1;
    let file = cellar.file("dry.csv", &csv);
    let import = |file: &std::path::Path| cellar.import(file, "north cask");
    let said = text(&import(&file));
    assert!(
        said.contains(&format!("{lines} readings added, 0 were")),
        "{said}"
    );

    // Again: nothing new.
    let said = text(&import(&file));
    assert!(
        said.contains(&format!("0 readings added, {lines} were")),
        "{said}"
    );
    let imported = cellar.database().count("SELECT sum(readings) FROM feed");
    assert_eq!(imported, lines as u64);

    // Bad lines are named by their number and the good ones go in.
    let at = "2026-01-01T00:00:00Z";
    let broken = cellar.file(
        "broken.csv",
        format!("at,gravity,temperature\n{at},1.09,18\nyesterday,1.09,18\n{at},7,18\nonly\n"),
    );
    let output = import(&broken);
    let told = errors(&output);
    for part in ["line 3 left out", "line 4 left out", "line 5 left out"] {
        assert!(told.contains(part), "{told}");
    }
    assert!(text(&output).contains("1 readings added"), "{output:?}");
    let nobody = cellar.import(&file, "South");
    assert!(!nobody.status.success());
    assert!(errors(&nobody).contains("North cask"), "names who is there");

    until_true("the verdict that it has settled", || {
        let state: Value = serde_json::from_str(&visitor.page("/api/v1/vessels")).unwrap();
        state[0]["verdict"]["phase"] == "settled"
    });
    let page = visitor.page(&vessel);
    assert!(
        page.contains("class=\"gate open\""),
        "racking is open: {page}"
    );
    drop(daemon);
}

#[test]
fn replay_says_the_same_every_time_and_at_least_once_a_day() {
    let cellar = Cellar::new();
    let days = 30;
    let file = cellar.file("dry.csv", series("dry", days, "60"));
    let replay = || {
        let output = cellar.ebbmark(&[
            "replay".as_ref(),
            file.as_os_str(),
            "--original-gravity".as_ref(),
            "1.094".as_ref(),
            "--expected-final".as_ref(),
            "1.000".as_ref(),
            "--json".as_ref(),
        ]);
        text(&output)
    };
    let first = replay();
    assert_eq!(first, replay());
    let mut dates = std::collections::BTreeSet::new();
    let mut phases = Vec::new();
    for line in first.lines() {
        let line: Value = serde_json::from_str(line).unwrap();
        let at = line["at"].as_str().unwrap();
        dates.insert(at.get(..10).unwrap().to_owned());
        phases.push(line["phase"].as_str().unwrap().to_owned());
        assert!(line["sentence"].as_str().is_some_and(|s| !s.is_empty()));
        for gate in ["rack", "stabilise", "seal"] {
            assert!(line["gates"][gate]["open"].is_boolean(), "{line}");
            assert!(line["gates"][gate]["why"].is_string(), "{line}");
        }
        for range in ["fall_per_day", "left_to_fall"] {
            let range = &line[range];
            if let (Some(low), Some(mid), Some(high)) = (
                range["low"].as_f64(),
                range["mid"].as_f64(),
                range["high"].as_f64(),
            ) {
                assert!(low <= mid && mid <= high, "{line}");
            } else {
                assert!(range.is_null(), "{line}");
            }
        }
        assert!(line["gravity"].is_number() || line["gravity"].is_null());
        assert!(line["settles_at"]["mid"].is_string() || line["settles_at"].is_null());
        let known = [
            "at",
            "phase",
            "gravity",
            "fall_per_day",
            "left_to_fall",
            "settles_at",
            "gates",
            "sentence",
        ];
        for key in line.as_object().unwrap().keys() {
            assert!(known.contains(&key.as_str()), "{key} is not documented");
        }
    }
    assert!(dates.len() as i64 >= days, "{} of {days} days", dates.len());
    assert_eq!(phases.last().map(String::as_str), Some("settled"));
    assert!(phases.iter().any(|p| p == "active"), "{phases:?}");
}

#[test]
fn replay_names_what_it_cannot_read() {
    let cellar = Cellar::new();
    let replay = |content: &str| {
        let file = cellar.file("x.csv", content);
        let output = cellar.ebbmark(&["replay".as_ref(), file.as_os_str()]);
        (output.status.success(), errors(&output))
    };
    let (well, said) = replay("");
    assert!(
        !well && said.contains("x.csv") && said.contains("empty"),
        "{said}"
    );
    let (well, said) = replay("when,what\n1,2\n");
    assert!(!well && said.contains("no column \"at\""), "{said}");
    let (well, said) = replay("at,gravity\nyesterday,1.05\n");
    assert!(!well && said.contains("line 2"), "{said}");
}

#[test]
fn the_log_is_written_and_read_on_the_command_line() {
    let cellar = Cellar::new();
    let (_daemon, visitor) = cellar.open();
    let vessel = visitor.add_vessel("North cask");
    visitor.start_mead(&vessel, &local(days_ago(9)), "1.094", "1.000");
    let log = |more: &[&str]| {
        let mut all = vec!["log", "--vessel", "north cask"];
        all.extend(more);
        cellar.ebbmark(&all)
    };
    let doses = [
        "--dose",
        "fruit=2.4 kg dried quince",
        "--dose",
        "water=250g",
    ];
    let more = ["--volume", "11.5 L", "--ph", "3.6", "--note", "scalded"];
    let said = text(&log(&[&["addition"], &doses[..], &more[..]].concat()));
    assert_eq!(said, "North cask: added\n");
    let line = "added, pH 3.60, 11.5 L in the vessel after it: scalded [2.400 kg dried quince, 250 g water]";
    assert!(visitor.page(&vessel).contains(line));
    let printed = text(&log(&[]));
    assert!(printed.trim_end().ends_with(line), "{printed}");
    for (wrong, words) in [
        (vec!["stir"], "rouse"),
        (vec!["addition", "--dose", "gold=1 kg"], "is none of"),
        (vec!["addition", "--dose", "honey"], "it must look like"),
        (vec!["addition", "--dose", "honey=much"], "honey=much"),
        (vec!["rack", "--volume", "some"], "--volume"),
        (vec!["test-ferment"], "--gravity: a test ferment"),
        (
            vec!["test-ferment", "--gravity", "0.996", "--dose", "honey=1 g"],
            "--dose: this does not go with a test ferment",
        ),
        (vec!["--note", "nothing was done"], "say what was done"),
    ] {
        let output = log(&wrong);
        let said = errors(&output);
        assert!(!output.status.success() && said.contains(words), "{said}");
    }
    let future = rfc3339(days_ago(-2));
    assert!(errors(&log(&["rack", "--at", &future])).contains("future"));
    assert_eq!(text(&log(&[])), printed);
}

/// By how much is for the core's tests; here the program and the page have to say the same.
#[test]
fn a_hand_reading_from_the_command_line_stands_in_the_log() {
    let cellar = Cellar::new();
    let (_daemon, visitor) = cellar.open();
    let vessel = visitor.add_vessel("North cask");
    visitor.start_mead(&vessel, &local(days_ago(9)), "1.094", "1.000");
    let at = rfc3339(days_ago(1));
    let hand = |gravity: &str, at: &str| {
        cellar.ebbmark(&[
            "hand",
            "--vessel",
            "North cask",
            "--gravity",
            gravity,
            "--sample",
            "30",
            "--at",
            at,
        ])
    };
    let said = text(&hand("1.050", &at));
    let corrected = said
        .split_once(": ")
        .and_then(|(_, rest)| rest.split(' ').next())
        .unwrap();
    assert!(corrected > "1.0500", "a warm sample reads low: {said}");
    assert!(visitor.page(&vessel).contains(corrected));
    let output = hand("3", &at);
    assert!(!output.status.success() && errors(&output).contains("--gravity"));
    let output = hand("1.05", &rfc3339(days_ago(-2)));
    assert!(!output.status.success() && errors(&output).contains("future"));
}
