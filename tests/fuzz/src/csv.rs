//! Files of readings and of events.

use ebbmark_core::feed::Quantity;
use ebbmark_core::files::{events, readings, up_to_tomorrow};
use ebbmark_core::units::{Celsius, Gravity};

use crate::{NOW, first_line};

/// The first byte says whether columns are named (then on the first line) and which file it is.
pub fn run(data: &[u8]) {
    let Some((how, data)) = data.split_first() else {
        return;
    };
    let (named, rest) = match how % 3 {
        0 => (&[][..], data),
        _ => first_line(data),
    };
    let Ok(text) = std::str::from_utf8(rest) else {
        return;
    };
    let believed = up_to_tomorrow(NOW);
    if how % 3 == 2 {
        if let Ok((deeds, bad)) = events(text, &believed) {
            assert!(deeds.len() + bad.len() <= lines(text));
            assert!(deeds.iter().all(|deed| believed.contains(&deed.at)));
            assert!(deeds.is_sorted_by_key(|deed| deed.at));
        }
        return;
    }
    let named = String::from_utf8_lossy(named);
    let columns: Vec<(String, Quantity)> = named
        .split(',')
        .filter_map(|column| column.split_once('='))
        .filter_map(|(name, key)| Some((name.to_owned(), Quantity::from_key(key)?)))
        .collect();
    let columns = (how % 3 == 1).then_some(columns.as_slice());
    if let Ok((rows, bad)) = readings(text, columns, &believed) {
        assert!(rows.len() + bad.len() <= lines(text));
        let last = lines(text) as u64;
        for line in &bad {
            assert!(
                (1..=last).contains(&line.line) && !line.why.is_empty(),
                "{line:?}"
            );
        }
        for row in rows {
            assert!(believed.contains(&row.at));
            assert!(row.gravity.is_none_or(|g| Gravity::new(g.get()).is_ok()));
            assert!(
                row.temperature
                    .is_none_or(|t| Celsius::new(t.get()).is_ok())
            );
        }
    }
}

/// A lone carriage return ends a line too.
fn lines(text: &str) -> usize {
    text.matches(['\n', '\r']).count() + 1
}
