//! Who came from whom: the family of the mead, drawn and in words.

use ebbmark_core::ids::BatchId;
use ebbmark_store::model::{Family, Relative, Share};
use maud::{Markup, html};

use super::Story;
use super::forms::in_words;
use crate::page::card::sheet::address;
use crate::visitor::Visitor;

/// Of the drawing, in its own units.
const WIDTH: f64 = 150.0;
const HEIGHT: f64 = 56.0;
const APART: f64 = 16.0;
const BETWEEN: f64 = 52.0;
/// For lines that go round a row.
const ASIDE: f64 = 60.0;
/// Characters of a name that fit into its box.
const FIT: usize = 18;

pub(super) fn show(visitor: &Visitor, story: &Story) -> Markup {
    let (Some(family), Some(own)) = (&story.family, story.own()) else {
        return html! {};
    };
    if family.shares.is_empty() {
        return html! {};
    }
    html! {
        section aria-labelledby="family" {
            h2 #family { "Where it comes from, and what came of it" }
            div.scroll { (drawing(visitor, family, own.batch.id)) }
            ul.points {
                @for mead in &family.meads { li { (words(visitor, family, mead, own.batch.id)) } }
            }
        }
    }
}

/// Generation of each mead: one below the lowest it came from.
fn rows(family: &Family) -> Vec<usize> {
    let mut rows = vec![0; family.meads.len()];
    // As often as there are meads is enough for any tree, and ends in a circle too.
    for _ in &family.meads {
        for share in &family.shares {
            if let Some((parent, child)) = places(family, share) {
                rows[child] = rows[child].max(rows[parent] + 1).min(family.meads.len());
            }
        }
    }
    rows
}

fn places(family: &Family, share: &Share) -> Option<(usize, usize)> {
    let place = |id: BatchId| family.meads.iter().position(|m| m.batch.id == id);
    place(share.parent).zip(place(share.child))
}

/// Middle of each box.
fn middles(rows: &[usize]) -> (Vec<(f64, f64)>, f64, f64) {
    let in_row = |row: usize| rows.iter().filter(|r| **r == row).count();
    let deepest = rows.iter().max().map_or(0, |r| r + 1);
    let widest = (0..deepest).map(in_row).max().unwrap_or(1);
    let wide = |n: usize| n as f64 * WIDTH + n.saturating_sub(1) as f64 * APART;
    let width = wide(widest.max(2)) + 2.0;
    let mut placed = vec![0_usize; deepest];
    let middles = rows
        .iter()
        .map(|row| {
            let left = (width - wide(in_row(*row))) / 2.0;
            let x = left + placed[*row] as f64 * (WIDTH + APART) + WIDTH / 2.0;
            placed[*row] += 1;
            (x, 1.0 + *row as f64 * (HEIGHT + BETWEEN) + HEIGHT / 2.0)
        })
        .collect();
    let height = deepest as f64 * (HEIGHT + BETWEEN) - BETWEEN + 2.0;
    (middles, width, height)
}

fn drawing(visitor: &Visitor, family: &Family, own: BatchId) -> Markup {
    let rows = rows(family);
    let (at, width, height) = middles(&rows);
    let skips = family.shares.iter().any(|share| {
        places(family, share).is_some_and(|(parent, child)| rows[child] > rows[parent] + 1)
    });
    let whole = if skips { width + ASIDE } else { width };
    let box_of = |n: usize| (at[n].0 - WIDTH / 2.0, at[n].1 - HEIGHT / 2.0);
    html! {
        svg.family viewBox={ "0 0 " (round(whole)) " " (round(height)) } width=(round(whole))
            role="img" aria-labelledby="family-title" {
            title #family-title { "Family of the mead; the list below says the same" }
            @for share in &family.shares {
                @if let Some((parent, child)) = places(family, share) {
                    @let aside = (rows[child] > rows[parent] + 1).then_some(width + 8.0);
                    @let (line, middle) = line(at[parent], at[child], aside);
                    path d=(line) {}
                    @if let Some(volume) = share.volume {
                        text.amount x=(round(middle.0)) y=(round(middle.1 + 5.0)) { (visitor.volume(volume)) }
                    }
                }
            }
            @for (n, mead) in family.meads.iter().enumerate() {
                @let (left, top) = box_of(n);
                rect.own[mead.batch.id == own] .gone[mead.batch.ended.is_some()]
                    x=(round(left)) y=(round(top)) width=(WIDTH) height=(HEIGHT) rx="2" {}
                text x=(round(at[n].0)) y=(round(at[n].1 - 4.0)) { (fitting(&mead.batch.facts.name)) }
                text.where x=(round(at[n].0)) y=(round(at[n].1 + 16.0)) { (fitting(&mead.vessel)) }
            }
        }
    }
}

/// From the lower edge of one box to the upper edge of another, and where its amount stands.
/// What skips a row goes round it, as far as `aside`.
fn line(from: (f64, f64), to: (f64, f64), aside: Option<f64>) -> (String, (f64, f64)) {
    let (top, bottom) = (from.1 + HEIGHT / 2.0, to.1 - HEIGHT / 2.0);
    let middle = (top + bottom) / 2.0;
    match aside {
        None => {
            let ends = [from.0, top, to.0, bottom].map(round);
            let [x1, y1, x2, y2] = ends;
            let between = ((from.0 + to.0) / 2.0, middle);
            (format!("M{x1} {y1}L{x2} {y2}"), between)
        }
        Some(aside) => {
            let turns = [from.0, top, aside, middle, to.0, bottom].map(round);
            let [x1, y1, xm, ym, x2, y2] = turns;
            let curve = format!("M{x1} {y1}Q{xm} {y1} {xm} {ym}Q{xm} {y2} {x2} {y2}");
            (curve, (aside, middle))
        }
    }
}

fn round(v: f64) -> String {
    format!("{v:.0}")
}

fn fitting(name: &str) -> String {
    if name.chars().count() <= FIT {
        return name.to_owned();
    }
    name.chars().take(FIT - 1).chain(['…']).collect()
}

fn words(visitor: &Visitor, family: &Family, mead: &Relative, own: BatchId) -> Markup {
    let facts = &mead.batch.facts;
    let came = family.shares.iter().filter(|s| s.child == mead.batch.id);
    let name = |id: BatchId| {
        family
            .of(id)
            .map_or("another mead", |m| m.batch.facts.name.as_str())
    };
    let amount = |share: &Share| {
        share
            .volume
            .map_or_else(|| "a part".to_owned(), |v| visitor.volume(v))
    };
    html! {
        @if mead.batch.id == own { b { (facts.name) } }
        @else if mead.batch.ended.is_some() { a href=(address(mead.batch.id)) { (facts.name) } }
        @else { a href={ "/vessel/" (mead.batch.vessel) } { (facts.name) } }
        " in " (mead.vessel) ": "
        @let came: Vec<String> = came
            .map(|s| format!("{} of {}, {}", amount(s), name(s.parent), visitor.day(s.at)))
            .collect();
        @if came.is_empty() { "pitched " (visitor.day(facts.started)) }
        @else { (came.join("; ")) }
        ". "
        @match mead.batch.ended {
            Some(ended) => { "Ended " (visitor.day(ended)) "." }
            None => { "Now " (in_words(visitor, &mead.book)) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn boxes_stand_in_rows_and_not_on_each_other() {
        let (at, width, height) = middles(&[0, 0, 1, 2, 1]);
        assert_eq!(at[0].1, at[1].1);
        assert!((at[1].0 - at[0].0 - WIDTH - APART).abs() < 1e-9);
        assert!(at[2].1 > at[0].1 + HEIGHT && at[3].1 > at[2].1 + HEIGHT);
        assert_eq!(at[3].0, width / 2.0);
        let inside = |(x, y): &(f64, f64)| *x < width && *y < height;
        assert!(at.iter().all(inside));
    }

    #[test]
    fn a_long_name_is_cut() {
        assert_eq!(fitting("linden"), "linden");
        let cut = fitting("linden on plums from the old orchard");
        assert_eq!(cut.chars().count(), FIT);
        assert!(cut.ends_with('…'));
    }
}
