//! The table as a page of Markdown.

use std::fmt::Write;
use std::fs;

use crate::Source;

const FILE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/CHECKS.md");

/// With `EBBMARK_WRITE` set writes the page, otherwise compares it with the one kept.
pub fn compare_or_write(sources: &[Source]) {
    let made = page(sources);
    if std::env::var_os("EBBMARK_WRITE").is_some() {
        fs::write(FILE, made).expect("CHECKS.md can be written");
        return;
    }
    let kept = fs::read_to_string(FILE).unwrap_or_default();
    let first = kept.lines().zip(made.lines()).find(|(k, m)| k != m);
    assert!(
        kept == made,
        "daemon/core/CHECKS.md is not what the checks make; first difference: {first:?}. Make it anew with EBBMARK_WRITE=1 cargo test -p ebbmark-core --test published"
    );
}

fn page(sources: &[Source]) -> String {
    let count: usize = sources.iter().map(|s| s.checks.len()).sum();
    let mut out = format!(
        "# Published values beside ours\n\n\
         {count} values. Made by `EBBMARK_WRITE=1 cargo test -p ebbmark-core --test published` from the data\n\
         in `daemon/core/tests/published`; the same test fails when one leaves its tolerance.\n"
    );
    for source in sources {
        write!(
            out,
            "\n## {}\n\n{}. Tolerance: {}.\n\n| what | unit | published | ours | difference | tolerance |\n|---|---|---|---|---|---|\n",
            source.topic, source.source, source.why
        )
        .expect("a string takes everything");
        for c in &source.checks {
            let places = places(c.tolerance);
            writeln!(
                out,
                "| {} | {} | {} | {:.places$} | {:+.places$} | {} |",
                c.what,
                c.unit,
                c.published,
                c.ours,
                // Adding zero turns -0.0 into 0.0.
                rounded(c.ours - c.published, places),
                c.tolerance
            )
            .expect("a string takes everything");
        }
    }
    out
}

fn rounded(v: f64, places: usize) -> f64 {
    let unit = 10f64.powi(i32::try_from(places).expect("few places"));
    (v * unit).round() / unit + 0.0
}

/// One digit more than the tolerance has.
fn places(tolerance: f64) -> usize {
    let mut places = 1;
    while places < 9 && tolerance < 0.999 * 10f64.powi(1 - places) {
        places += 1;
    }
    usize::try_from(places).expect("above zero")
}
