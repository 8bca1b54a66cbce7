//! The demo shows what it says it shows.

use ebbmark_tests::lines::Lines;
use ebbmark_tests::page::Visitor;
use ebbmark_tests::process::Process;
use ebbmark_tests::tools;
use ebbmark_tests::wait::until_true;

fn address(out: &Lines) -> String {
    out.wait_for("the address of the page", |line| {
        let (_, rest) = line.split_once("http://")?;
        Some(format!("http://{}", rest.trim_end_matches('/')))
    })
}

/// Faster than by default, so that the two minutes in which a vessel settles are a few seconds.
#[test]
fn four_vessels_and_one_settles() {
    let mut command = std::process::Command::new(tools::built("ebbmark"));
    command
        .args(["demo", "--page-port", "0", "--minutes-per-second", "240"])
        .env_remove("RUST_LOG");
    let mut demo = Process::start("the demo", &mut command);
    let visitor = Visitor::new(&address(&demo.out));
    until_true("four vessels with a sentence each", || {
        let page = visitor.page("/");
        page.matches("class=\"vessel-name\"").count() == 4 && !page.contains("Nothing judged yet")
    });
    demo.err.wait_for_part("kind=\"settled\"");
    until_true("the notice on its page", || {
        visitor.page("/notices").to_lowercase().contains("settled")
    });
    assert!(visitor.page("/feeds").contains("connected"));
    demo.terminate();
    demo.must_end_well();
}
