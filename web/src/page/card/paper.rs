//! How much of a card goes onto its one sheet: how large its letters are, and how much of the log
//! there is room for.
//!
//! Reckoned in ems of the letters, from measured prints: a line of a list is 1.3 of them, a row of a
//! table 1.5. Letter is the lower of the two sheets, 257 mm between its margins, of which the drawing
//! takes 55.

use ebbmark_core::card::{Card, called};

/// Rows of a list that paper holds; what is beyond is counted.
pub(super) const INGREDIENTS: usize = 10;
pub(super) const PLACES: usize = 5;
pub(super) const KIN: usize = 4;
pub(super) const TASTINGS: usize = 3;
pub(super) const FININGS: usize = 2;
/// Characters of a note that paper holds.
pub(super) const NOTE: usize = 110;

const TEXT: f64 = 1.3;
const ROW: f64 = 1.5;
/// A heading with what is around it.
const HEADING: f64 = 2.8;
/// Characters in a line of one of the two columns, and in a table's first column there.
const COLUMN: usize = 58;
const FIRST: usize = 34;
/// What columns that do not come out even leave empty, and what a font other than ours takes.
const SPARE: f64 = 6.0;

/// The sheet's height in ems without the drawing, by class of the card: 8.6, 7.9 and 7.2 points.
const SHEETS: [(&str, f64); 3] = [("", 66.5), ("filled", 72.0), ("crowded", 79.5)];

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Paper {
    /// Of the card, for its style.
    pub class: &'static str,
    /// Lines the rows of the log may take in all, and each of them.
    pub lines: usize,
    pub each: usize,
}

/// `wanted` are the lines all of the log would take.
pub(super) fn paper(card: &Card, wanted: usize) -> Paper {
    let rest = head(card) + parts(card) / 2.0 + log_around() + SPARE;
    let room = |ems: f64| ((ems - rest) / ROW).floor().max(0.0) as usize;
    let fits = SHEETS.iter().find(|(_, ems)| room(*ems) >= wanted);
    match fits {
        Some((class, ems)) => Paper {
            class,
            lines: room(*ems),
            each: 2,
        },
        // Not all of it: then rather more of them, and each in one line.
        None => Paper {
            class: SHEETS[2].0,
            lines: room(SHEETS[2].1),
            each: 1,
        },
    }
}

fn lines(characters: usize, in_one: usize) -> f64 {
    characters.div_ceil(in_one).max(1) as f64
}

fn head(card: &Card) -> f64 {
    let mead = &card.mead;
    let count = |text: &str| text.chars().count();
    let name = lines(count(&mead.name) + count(&mead.style) / 2, 42) * 2.6;
    let facts = lines(70 + count(&mead.honey) + count(&mead.yeast), 2 * COLUMN) * TEXT;
    let note = if mead.note.is_empty() { 0.0 } else { TEXT };
    // The figures below it.
    name + facts + note + 8.5
}

fn log_around() -> f64 {
    HEADING + ROW + 2.0 * TEXT
}

/// Both columns together.
fn parts(card: &Card) -> f64 {
    let more = |all: usize, most: usize| if all > most { TEXT } else { 0.0 };
    let said = |texts: &[usize]| -> f64 { texts.iter().map(|n| lines(*n, COLUMN) * TEXT).sum() };
    let list = |texts: Vec<usize>, most: usize| {
        if texts.is_empty() {
            return 0.0;
        }
        HEADING + said(&texts[..texts.len().min(most)]) + more(texts.len(), most)
    };
    let count = |text: &str| text.chars().count();
    let ingredients = card.ingredients.iter().take(INGREDIENTS);
    let went_in: f64 = ingredients
        .map(|i| (lines(count(&called(i.of, &i.name)), FIRST) - 1.0) * TEXT + ROW)
        .sum();
    let places = card.places.iter().map(|p| {
        let as_mead = if p.mead == card.mead.name {
            0
        } else {
            6 + count(&p.mead)
        };
        count(&p.vessel) + as_mead + 46
    });
    let kin = card.parents.iter().chain(&card.children);
    let tasted = card.tasting.iter();
    let fined = card.allergens.iter().map(|a| count(a).min(NOTE));
    let fined: Vec<usize> = fined.collect();
    let missing: usize = card.missing.iter().map(|m| count(m) + 2).sum();
    let sections = [
        HEADING + ROW + went_in + more(card.ingredients.len(), INGREDIENTS) + 2.0 * TEXT,
        HEADING + ROW * (card.steps.len() + 1) as f64,
        list(places.collect(), PLACES),
        list(kin.map(|k| count(&k.name) + 38).collect(), KIN),
        HEADING + 2.0 * TEXT,
        list(
            tasted.map(|t| count(&t.note).min(NOTE) + 14).collect(),
            TASTINGS,
        ),
        HEADING + said(&[count(&card.sulphites.says)]),
        said(&fined[..fined.len().min(FININGS + 1)]) + TEXT,
        HEADING + said(&[missing]),
    ];
    sections.iter().sum()
}
