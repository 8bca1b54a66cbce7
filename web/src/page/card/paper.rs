//! How much of a card goes onto its one sheet: how large its letters are, and how much of the log
//! there is room for.
//!
//! Reckoned in ems of the letters, from measured prints: a line of a list is 1.3 of them, a row of a
//! table 1.5. Letter is the lower of the two sheets, 257 mm between its margins, of which the drawing
//! takes 55.

use ebbmark_core::card::{Card, called};
use ebbmark_core::units::Kilograms;

/// Rows of a list that paper holds; what is beyond is counted.
pub(super) const INGREDIENTS: usize = 9;
pub(super) const PLACES: usize = 4;
pub(super) const KIN: usize = 3;
pub(super) const TASTINGS: usize = 2;
pub(super) const FININGS: usize = 1;
/// Characters of a note that paper holds.
pub(super) const NOTE: usize = 110;

const TEXT: f64 = 1.3;
const ROW: f64 = 1.5;
/// A heading with what is around it.
const HEADING: f64 = 2.8;
/// What columns that do not come out even leave empty, and what a font other than ours takes.
const SPARE: f64 = 4.0;

/// What a sheet holds in letters of one size.
struct Sheet {
    /// Of the card.
    class: &'static str,
    /// Its height in ems, without the drawing.
    ems: f64,
    /// Characters in a line of one of its two columns.
    column: usize,
}

/// In letters of 8.6, 7.9 and 7.2 points.
const SHEETS: [Sheet; 3] = [
    Sheet {
        class: "",
        ems: 66.5,
        column: 55,
    },
    Sheet {
        class: "filled",
        ems: 72.0,
        column: 60,
    },
    Sheet {
        class: "crowded",
        ems: 79.5,
        column: 66,
    },
];

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
    let mut paper = Paper {
        class: "",
        lines: 0,
        each: 1,
    };
    for sheet in &SHEETS {
        let rest = head(card, sheet) + parts(card, sheet) / 2.0 + LOG_AROUND + SPARE;
        paper.class = sheet.class;
        paper.lines = ((sheet.ems - rest) / ROW).floor().max(0.0) as usize;
        if paper.lines >= wanted {
            return Paper { each: 2, ..paper };
        }
    }
    // Not all of it fits: then rather more rows, and each in one line.
    paper
}

fn lines(characters: usize, in_one: usize) -> f64 {
    characters.div_ceil(in_one).max(1) as f64
}

fn head(card: &Card, sheet: &Sheet) -> f64 {
    let mead = &card.mead;
    let count = |text: &str| text.chars().count();
    let name = lines(count(&mead.name) + count(&mead.style) / 2, 50) * 2.5;
    let facts = lines(
        70 + count(&mead.honey) + count(&mead.yeast),
        2 * sheet.column,
    ) * TEXT;
    let note = if mead.note.is_empty() { 0.0 } else { TEXT };
    // The figures below it.
    name + facts + note + 7.5
}

/// Heading and head of the log, and what is said below it.
const LOG_AROUND: f64 = HEADING + ROW + 2.0 * TEXT;

/// Both columns together.
fn parts(card: &Card, sheet: &Sheet) -> f64 {
    let more = |all: usize, most: usize| if all > most { TEXT } else { 0.0 };
    let said =
        |texts: &[usize]| -> f64 { texts.iter().map(|n| lines(*n, sheet.column) * TEXT).sum() };
    let list = |texts: Vec<usize>, most: usize| {
        if texts.is_empty() {
            return 0.0;
        }
        HEADING + said(&texts[..texts.len().min(most)]) + more(texts.len(), most)
    };
    let count = |text: &str| text.chars().count();
    let some = |kg: &Option<Kilograms>| kg.is_none_or(|kg| kg.get() > 0.0);
    let all = || card.ingredients.iter();
    let columns = [
        all().any(|i| some(&i.inherited_kg)),
        all().any(|i| some(&i.poured_kg)),
    ];
    // Each column of masses takes a fifth from the names.
    let masses = columns.into_iter().filter(|there| *there).count();
    let first = sheet.column * (8 - 2 * masses) / 10;
    let ingredients = card.ingredients.iter().take(INGREDIENTS);
    let went_in: f64 = ingredients
        .map(|i| (lines(count(&called(i.of, &i.name)), first) - 1.0) * TEXT + ROW)
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
