//! A card's log as a file of events: what [`crate::files::events`] reads back as the same deeds.

use csv::Writer;

use super::{Card, Line};
use crate::deed::Deed;
use crate::files::EVENT_COLUMNS;

/// One line a deed, in order of time; doses are a list as JSON in one field.
pub fn log(card: &Card) -> String {
    let deeds: Vec<Deed> = card.log.iter().map(Line::deed).collect();
    events(&deeds)
}

/// The same of any deeds, in the order they come in.
pub fn events(deeds: &[Deed]) -> String {
    let mut rows = Writer::from_writer(Vec::new());
    // Written into memory: nothing here can fail.
    let _ = rows.write_record(EVENT_COLUMNS);
    for deed in deeds {
        let _ = rows.write_record(fields(deed));
    }
    let bytes = rows.into_inner().unwrap_or_default();
    String::from_utf8(bytes).unwrap_or_default()
}

/// In the order of [`EVENT_COLUMNS`]; numbers with all their digits.
fn fields(deed: &Deed) -> [String; 9] {
    let number = |v: Option<f64>| v.map_or_else(String::new, |v| v.to_string());
    let doses = if deed.doses.is_empty() {
        String::new()
    } else {
        serde_json::to_string(&deed.doses).unwrap_or_default()
    };
    [
        deed.at.to_rfc3339(),
        deed.what.key().to_owned(),
        number(deed.gravity.map(|g| g.get())),
        number(deed.temperature.map(|t| t.get())),
        number(deed.ph.map(|p| p.get())),
        number(deed.volume.map(|v| v.get())),
        doses,
        deed.note.clone(),
        deed.despite.clone(),
    ]
}
