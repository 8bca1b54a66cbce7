//! The demo shows what it says it shows.

use ebbmark_tests::page::Visitor;
use ebbmark_tests::wait::until_true;

use crate::common::demo;

/// Faster than by default, so that the two minutes in which a vessel settles are a few seconds.
#[test]
fn four_vessels_and_one_settles() {
    let (mut demo, page) = demo("240");
    let visitor = Visitor::new(&page);
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
