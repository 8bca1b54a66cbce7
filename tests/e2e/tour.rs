//! `web/PAGES.md`: the pages in pictures, and everyday work in touches. Both are made from the invented
//! cellar by `EBBMARK_WRITE=1 cargo test -p ebbmark-tests --test e2e tour`; without it these tests make
//! them anew and hold what is kept against them.

use std::fmt::Write;
use std::path::Path;

use ebbmark_tests::page::Visitor;
use ebbmark_tests::process::Process;
use ebbmark_tests::tools::root;
use ebbmark_tests::wait::until_true;
use serde_json::Value;

use crate::common::demo_on;
use crate::pages::browse_with;

const AGAIN: &str = "make it anew: EBBMARK_WRITE=1 cargo test -p ebbmark-tests --test e2e tour";
/// A day for the invented cellar, so that its pages are the same each time.
const DAY: &str = "@2026-11-20 10:00:00";

/// The invented cellar, judged, whose time stands nearly still; its password.
fn cellar() -> (Process, String, String) {
    let (demo, page) = demo_on(DAY, "0.01");
    let password = demo.out.wait_for("the password", |line| {
        Some(line.split_once("the password is ")?.1.to_owned())
    });
    let visitor = Visitor::new(&page);
    until_true(
        "every vessel judged, and what there is to tell told",
        || {
            let told = visitor.page("/notices");
            !visitor.page("/").contains("Nothing judged yet")
                && told.contains("it has stopped in the cold")
                && told.contains("it is at")
        },
    );
    (demo, page, password)
}

fn writes() -> bool {
    std::env::var_os("EBBMARK_WRITE").is_some()
}

/// Holds a part of the page between its two marks against what it has to be, or writes it.
fn part(name: &str, content: &str) {
    let path = root().join("web/PAGES.md");
    let page = std::fs::read_to_string(&path).expect("web/PAGES.md is there");
    let (start, end) = (format!("<!-- {name} -->\n"), format!("<!-- /{name} -->"));
    let (before, rest) = page.split_once(&start).expect("the part's mark");
    let (kept, after) = rest.split_once(&end).expect("the mark of the part's end");
    if writes() {
        let page = format!("{before}{start}{content}{end}{after}");
        std::fs::write(&path, page).expect("web/PAGES.md can be written");
    } else {
        assert_eq!(kept, content, "{name} in web/PAGES.md: {AGAIN}");
    }
}

#[test]
fn tour_of_the_pages_is_of_the_pages_as_they_are() {
    let (_demo, page, password) = cellar();
    let folder = tempfile::tempdir().expect("a temporary folder");
    let kept = root().join("web/pictures");
    let shots = if writes() {
        kept.as_path()
    } else {
        folder.path()
    };
    let outline = folder.path().join("outline.json");
    let more = [
        ("EBBMARK_SHOTS", shots.to_str().expect("a path")),
        ("EBBMARK_OUTLINE", outline.to_str().expect("a path")),
    ];
    browse_with("pictures.mjs", &page, &password, "on", &more);
    let made = read(&outline);
    if writes() {
        std::fs::copy(&outline, kept.join("outline.json")).expect("it can be written");
    } else {
        let there = read(&kept.join("outline.json"));
        let stale: Vec<&String> = made
            .as_object()
            .into_iter()
            .flatten()
            .filter(|(file, words)| there.get(file.as_str()) != Some(words))
            .map(|(file, _)| file)
            .collect();
        assert!(
            stale.is_empty(),
            "of other pages than now: {stale:?}; {AGAIN}"
        );
    }
    let wanted = read(&root().join("tests/browser/pictures.json"));
    let mut text = String::new();
    for picture in wanted.as_array().expect("a list") {
        let word = |key: &str| picture[key].as_str().expect("a text").to_owned();
        let (file, says) = (word("file"), word("says"));
        assert!(
            kept.join(format!("{file}.png")).is_file(),
            "{file}: {AGAIN}"
        );
        let _ = write!(text, "\n{says}\n\n![{file}](pictures/{file}.png)\n");
    }
    text.push('\n');
    part("pictures", &text);
}

#[test]
fn tour_of_everyday_work_takes_few_touches() {
    let (_demo, page, password) = cellar();
    let folder = tempfile::tempdir().expect("a temporary folder");
    let counted = folder.path().join("counted.json");
    let path = counted.to_str().expect("a path");
    browse_with(
        "everyday.mjs",
        &page,
        &password,
        "on",
        &[("EBBMARK_COUNTED", path)],
    );
    let mut text = "\n| from the cellar view | touches | which |\n|---|---|---|\n".to_owned();
    for task in read(&counted).as_array().expect("a list") {
        let steps: Vec<&str> = task["steps"]
            .as_array()
            .into_iter()
            .flatten()
            .filter_map(Value::as_str)
            .collect();
        let name = task["task"].as_str().expect("a name");
        let which = if steps.is_empty() {
            "it is there".to_owned()
        } else {
            steps.join(" · ")
        };
        let _ = writeln!(text, "| {name} | {} | {which} |", task["taps"]);
    }
    text.push('\n');
    part("touches", &text);
}

fn read(path: &Path) -> Value {
    let text = std::fs::read_to_string(path).expect("the file is there");
    serde_json::from_str(&text).expect("it is JSON")
}
