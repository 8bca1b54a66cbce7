//! What is drawn, as a file: one row a point.

use crate::compared::Compared;

/// `mead` is empty in the rows of the usual band.
const USUAL: &str = "usual";

/// # Errors
/// None that could be met: it is written into memory.
pub(super) fn csv(compared: &Compared) -> Result<Vec<u8>, csv::Error> {
    let view = compared.view;
    let mut rows = csv::Writer::from_writer(Vec::new());
    rows.write_record([
        "mead",
        "name",
        "what",
        view.across(),
        "value",
        "low",
        "high",
    ])?;
    for mead in &compared.meads {
        let number = mead.batch.id.to_string();
        let name = plain(&mead.batch.facts.name);
        let parts = [
            (view.value(), mead.curve(view)),
            ("temperature_celsius", mead.warmth(view)),
        ];
        for (what, points) in parts {
            for (x, y) in points {
                let (x, y) = (format!("{x:.4}"), format!("{y:.5}"));
                rows.write_record([&number, &name, what, &x, &y, "", ""])?;
            }
        }
    }
    for place in compared.usual() {
        let [x, low, middle, high] = place.map(|v| format!("{v:.4}"));
        rows.write_record(["", USUAL, view.value(), &x, &middle, &low, &high])?;
    }
    rows.into_inner().map_err(|e| e.into_error().into())
}

/// A spreadsheet takes a cell that begins so for a formula.
fn plain(name: &str) -> String {
    if name.starts_with(['=', '+', '-', '@', '\t']) {
        format!("'{name}")
    } else {
        name.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_no_formula() {
        assert_eq!(plain("=1+1"), "'=1+1");
        assert_eq!(plain("Linden 2"), "Linden 2");
    }
}
