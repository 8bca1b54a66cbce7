//! Schemathesis, which reads the OpenAPI document and tries what it says on the daemon.

use std::process::Command;

use ebbmark_tests::cellar::{Cellar, Daemon};
use ebbmark_tests::page::Visitor;
use ebbmark_tests::tools;
use serde_json::{Value, json};

use crate::common::{days_ago, rfc3339, series, text};

/// Cases for each operation by each way of making them up; the long form takes more.
const CASES: u32 = 15;
const SEED: u32 = 1;

/// A number from the surroundings, for a longer look or another one.
fn number(name: &str, usual: u32) -> u32 {
    let set = std::env::var(name).ok();
    set.map_or(usual, |text| text.parse().expect("a whole number"))
}

/// Meads that are going, with readings, a plan and a log.
fn fill(cellar: &Cellar, visitor: &Visitor, token: &str) {
    let post = |path: &str, body: &Value| -> Value {
        let answer = visitor.api(path, token, "", body);
        assert_eq!(answer.status, 201, "{path}: {}", answer.body);
        serde_json::from_str(&answer.body).expect("the answer is JSON")
    };
    for name in ["Cask", "Demijohn", "Keg"] {
        let made = post("vessels", &json!({ "name": name, "capacity": 30 }));
        let vessel = &made["vessel"];
        let plan = json!({
            "rouse": true, "nutrient": { "steps": 2, "by": "hours" }, "finish": "sweetened",
            "steeps": [{ "name": "figs", "days": 9, "push-every": 2 }],
            "goods": [{ "with": "pitch", "of": "honey", "mass": 6 }],
        });
        let mead = json!({
            "name": format!("Linden in the {name}"), "at": rfc3339(days_ago(12)), "volume": 20,
            "original-gravity": 1.1, "tolerance": 14, "plan": plan,
        });
        post(&format!("vessels/{vessel}/meads"), &mead);
        let line =
            json!({ "what": "addition", "doses": [{ "of": "fruit", "mass": 1, "name": "figs" }] });
        post(&format!("vessels/{vessel}/log"), &line);
    }
    let file = cellar.file("readings.csv", series("dry", 12, "15"));
    let import = ["import", "readings.csv", "--vessel", "Cask"].map(|a| match a {
        "readings.csv" => file.as_os_str(),
        other => other.as_ref(),
    });
    text(&cellar.ebbmark(&import));
}

fn ask(cellar: &Cellar, daemon: &Daemon, visitor: &Visitor, token: &str) -> (bool, String) {
    let output = Command::new(tools::tool("venv/bin/schemathesis"))
        .arg("--config-file")
        .arg(tools::root().join("tests/clients/schemathesis.toml"))
        .arg("run")
        .arg(format!("{}/api/v1/openapi.json", daemon.page))
        .args(["--phases", "coverage,fuzzing,stateful", "--no-color"])
        // That stream does not end.
        .args(["--exclude-path", "/live"])
        .args([
            "--max-examples",
            &number("EBBMARK_API_CASES", CASES).to_string(),
        ])
        .args(["--seed", &number("EBBMARK_API_SEED", SEED).to_string()])
        .env("API_TOKEN", token)
        .env("INTAKE_TOKEN", visitor.intake_token())
        .env("CALENDAR_KEY", visitor.calendar_key())
        // It keeps what it tried there.
        .current_dir(cellar.path("."))
        .output()
        .expect("schemathesis starts");
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    (output.status.success(), said)
}

#[test]
fn nothing_a_program_may_ask_breaks_it_or_its_word() {
    let cellar = Cellar::new();
    let (daemon, visitor) = cellar.open();
    let token = visitor.api_token();
    fill(&cellar, &visitor, &token);
    let (is_well, said) = ask(&cellar, &daemon, &visitor, &token);
    assert!(is_well, "{said}");
    // All was asked but the stream, and the document itself, which it leaves out.
    let document = visitor.page("/api/v1/openapi.json");
    let document: Value = serde_json::from_str(&document).expect("the document is JSON");
    let paths = document["paths"].as_object().expect("it has paths");
    let operations: usize = paths
        .values()
        .map(|p| p.as_object().map_or(0, |o| o.len()))
        .sum();
    let tested = format!("Tested: {}", operations - 2);
    assert!(said.contains(&tested), "{tested}: {said}");
    assert_eq!(visitor.get("/healthz").status, 200);
}
