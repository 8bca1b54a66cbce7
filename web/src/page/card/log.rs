//! The log as a table. What is done over and over stands in one row; where it is long, paper holds
//! what matters most and says how much more there is.

use ebbmark_core::card::{Card, Line, called};
use ebbmark_core::deed::What;
use ebbmark_core::time::Moment;
use maud::{Markup, html};

use crate::show::as_heading;
use crate::visitor::Visitor;

/// Lines of paper the rows may take.
const PAPER: usize = 20;
/// Characters that fit into a line of what was put in and noted.
const LINE: usize = 78;
/// Longest words a row has on paper.
const LONGEST: usize = 2 * LINE;

struct Row<'a> {
    line: &'a Line,
    /// So often, the last time then.
    times: Option<(usize, Moment)>,
    words: String,
    on_paper: bool,
}

pub(super) fn show(visitor: &Visitor, card: &Card) -> Markup {
    let rows = rows(visitor, card);
    if rows.is_empty() {
        return html! {};
    }
    let beyond = rows.iter().filter(|r| !r.on_paper).count();
    let day = |at: Moment| at.since(card.mead.pitched).as_days().floor();
    html! {
        section.log aria-labelledby="log" {
            h2 #log { "What was done" }
            div.scroll tabindex="0" role="region" aria-labelledby="log" {
                table {
                    thead { tr {
                        th scope="col" { "Date" } th.number scope="col" { "Day" } th scope="col" { "What" }
                        th.number scope="col" { "Gravity" } th.number scope="col" { "pH" }
                        th.number scope="col" { "In it" } th scope="col" { "Put in, and noted" }
                    } }
                    tbody {
                        @for row in &rows {
                            @let line = row.line;
                            tr.beyond[!row.on_paper] {
                                td.date { (visitor.date(line.at)) }
                                td.number { (format!("{:.0}", day(line.at))) }
                                td {
                                    (line.what.label())
                                    @if let Some((times, _)) = row.times { " × " (times) }
                                }
                                td.number {
                                    @if let Some(g) = line.gravity_sg { (visitor.gravity(g)) }
                                }
                                td.number { @if let Some(ph) = line.ph { (visitor.ph(ph)) } }
                                td.number { @if let Some(v) = line.volume_l { (visitor.volume(v)) } }
                                td.words { (brief(&row.words)) }
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
fn brief(words: &str) -> Markup {
    if words.chars().count() <= LONGEST {
        return html! { (words) };
    }
    let cut: String = words.chars().take(LONGEST - 1).chain(['…']).collect();
    html! { span.full { (words) } span.cut aria-hidden="true" { (cut) } }
}

fn rows<'a>(visitor: &Visitor, card: &'a Card) -> Vec<Row<'a>> {
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
    let mut order: Vec<usize> = (0..rows.len()).collect();
    order.sort_by_key(|n| rows.get(*n).map_or(0, |r| rank(r.line)));
    let mut left = PAPER;
    for n in order {
        let Some(row) = rows.get_mut(n) else { continue };
        let takes = row.words.chars().count().min(LONGEST).div_ceil(LINE).max(1);
        row.on_paper = takes <= left;
        left = left.saturating_sub(takes);
    }
    rows
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
        _ if !line.doses.is_empty() => 0,
        What::Pitch
        | What::Addition
        | What::Split
        | What::Blend
        | What::Stabilise
        | What::Pasteurise
        | What::Sweeten
        | What::Seal => 0,
        What::Nutrient | What::Rack | What::TakeOut | What::Fine | What::Carbonate => 1,
        What::HandReading => 2,
        What::Rouse | What::PushDown => 3,
        What::Taste | What::Clean | What::Remark => 4,
    }
}

fn words(visitor: &Visitor, line: &Line) -> String {
    let doses = line
        .doses
        .iter()
        .map(|d| format!("{} {}", visitor.mass(d.mass_kg), called(d.of, &d.name)));
    // A note written by a reckoning says them itself.
    let doses: Vec<String> = doses.filter(|d| !line.note.contains(d)).collect();
    let mut all = vec![doses.join(", ")];
    // What was tasted stands above.
    if line.what != What::Taste {
        all.push(line.note.clone());
    }
    if let Some(t) = line.temperature_c {
        all.push(visitor.temperature(t));
    }
    if !line.despite.is_empty() {
        all.push(format!("though the gate was shut: {}", line.despite));
    }
    all.retain(|part| !part.trim().is_empty());
    as_heading(&all.join("; "))
}
