//! The log as a table. What is done over and over stands in one row; where it is long, paper holds
//! what matters most and says how much more there is.

use ebbmark_core::card::{Card, Line, called};
use ebbmark_core::deed::What;
use ebbmark_core::time::Moment;
use maud::{Markup, html};

use super::paper::Paper;
use crate::show::as_heading;
use crate::visitor::Visitor;

/// Characters that fit into a line of what was put in and noted, on paper.
const LINE: usize = 64;

/// What each column is called, and whether it holds numbers.
const COLUMNS: [(&str, bool); 7] = [
    ("Date", false),
    ("Day", true),
    ("What", false),
    ("Gravity", true),
    ("pH", true),
    ("In it", true),
    ("Put in, and noted", false),
];

pub(super) struct Row<'a> {
    line: &'a Line,
    /// So often, the last time then.
    times: Option<(usize, Moment)>,
    words: String,
    on_paper: bool,
}

pub(super) fn show(visitor: &Visitor, card: &Card, mut rows: Vec<Row>, paper: Paper) -> Markup {
    choose(&mut rows, paper);
    if rows.is_empty() {
        return html! {};
    }
    // What was tasted stands in a list of its own.
    let beyond = rows
        .iter()
        .filter(|r| !r.on_paper && r.line.what != What::Taste);
    let beyond = beyond.count();
    let day = |at: Moment| at.since(card.mead.pitched).as_days().floor();
    html! {
        section.log aria-labelledby="log" {
            h2 #log { "What was done" }
            div {
                // On a phone its rows stand one under the other: the roles say that it is a table still.
                table role="table" {
                    thead role="rowgroup" { tr role="row" {
                        @for (name, number) in COLUMNS {
                            th.number[number] scope="col" role="columnheader" { (name) }
                        }
                    } }
                    tbody role="rowgroup" {
                        @for row in &rows {
                            @let line = row.line;
                            tr.beyond[!row.on_paper] role="row" {
                                td.date role="cell" { (visitor.date(line.at)) }
                                td.number.day role="cell" { (format!("{:.0}", day(line.at))) }
                                td.what role="cell" {
                                    (line.what.label())
                                    @if let Some((times, _)) = row.times { " × " (times) }
                                }
                                td.number.gravity role="cell" {
                                    @if let Some(g) = line.gravity_sg { (visitor.gravity(g)) }
                                }
                                td.number.ph role="cell" { @if let Some(ph) = line.ph { (visitor.ph(ph)) } }
                                td.number role="cell" { @if let Some(v) = line.volume_l { (visitor.volume(v)) } }
                                td.words role="cell" { (brief(&row.words, paper.each * LINE)) }
                            }
                        }
                    }
                }
            }
            @if beyond > 0 {
                p.beyond-said { "And " (beyond) " more, which are in the book and in the card's files." }
            }
        }
    }
}

/// All of it on the screen, the beginning of it on paper.
fn brief(words: &str, most: usize) -> Markup {
    if words.chars().count() <= most {
        return html! { (words) };
    }
    let cut: String = words.chars().take(most - 1).chain(['…']).collect();
    html! { span.full { (words) } span.cut aria-hidden="true" { (cut) } }
}

pub(super) fn rows<'a>(visitor: &Visitor, card: &'a Card) -> Vec<Row<'a>> {
    let mut rows: Vec<Row> = Vec::new();
    for line in &card.log {
        let again = rows.iter_mut().find(|r| gathers(r.line, line));
        if let Some(row) = again {
            let times = row.times.map_or(1, |(times, _)| times);
            row.times = Some((times + 1, line.at));
            continue;
        }
        rows.push(Row {
            line,
            times: None,
            words: words(visitor, line),
            on_paper: true,
        });
    }
    for row in &mut rows {
        if let Some((_, last)) = row.times {
            row.words = format!("the last time {}", visitor.date(last));
        }
    }
    rows
}

/// Lines of paper all rows would take.
pub(super) fn wanted(rows: &[Row]) -> usize {
    let rows = rows.iter().filter(|r| !is_told(r));
    rows.map(|r| takes(r, 2)).sum()
}

fn takes(row: &Row, most: usize) -> usize {
    row.words.chars().count().div_ceil(LINE).clamp(1, most)
}

/// What was tasted stands in a list of its own.
fn is_told(row: &Row) -> bool {
    row.line.what == What::Taste
}

/// What matters most comes onto paper first.
fn choose(rows: &mut [Row], paper: Paper) {
    let mut order: Vec<usize> = (0..rows.len()).collect();
    order.sort_by_key(|n| rows.get(*n).map_or(0, |r| rank(r.line)));
    let mut left = paper.lines;
    for n in order {
        let Some(row) = rows.get_mut(n) else { continue };
        let takes = takes(row, paper.each);
        row.on_paper = takes <= left && !is_told(row);
        if row.on_paper {
            left -= takes;
        }
    }
}

/// Stirred or pushed down, and nothing measured or said beside it.
fn gathers(a: &Line, b: &Line) -> bool {
    let plain = |l: &Line| {
        l.gravity_sg.is_none()
            && l.ph.is_none()
            && l.volume_l.is_none()
            && l.doses.is_empty()
            && l.despite.is_empty()
    };
    matches!(a.what, What::PushDown | What::Rouse) && a.what == b.what && plain(a) && plain(b)
}

/// What matters most comes first.
fn rank(line: &Line) -> u8 {
    match line.what {
        What::Pitch
        | What::Split
        | What::Blend
        | What::Stabilise
        | What::Pasteurise
        | What::Sweeten
        | What::Seal => 0,
        _ if !line.doses.is_empty() => 1,
        What::Addition | What::Nutrient | What::Rack => 2,
        What::TakeOut | What::Fine | What::Carbonate => 2,
        What::HandReading | What::TestFerment => 3,
        What::Rouse | What::PushDown => 4,
        What::Taste | What::Clean | What::Remark => 5,
    }
}

fn words(visitor: &Visitor, line: &Line) -> String {
    let doses = line
        .doses
        .iter()
        .map(|d| format!("{} {}", visitor.mass(d.mass_kg), called(d.of, &d.name)));
    // A note written by a reckoning says them itself.
    let doses: Vec<String> = doses.filter(|d| !line.note.contains(d)).collect();
    let mut all = vec![doses.join(", "), line.note.clone()];
    if let Some(t) = line.temperature_c {
        all.push(visitor.temperature(t));
    }
    if !line.despite.is_empty() {
        all.push(format!("though the gate was shut: {}", line.despite));
    }
    all.retain(|part| !part.trim().is_empty());
    as_heading(&all.join("; "))
}
