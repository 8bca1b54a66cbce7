//! The small curve beside a vessel in the cellar view.

use ebbmark_core::hours::Hour;
use ebbmark_core::time::Moment;
use maud::{Markup, html};
use std::fmt::Write;

use super::envelope::{fold, gravity_of_hours};
use super::scale::{Panel, range};

const WIDTH: i32 = 480;
const HEIGHT: i32 = 128;
const EDGE: i32 = 8;
const COLUMNS: u32 = 240;
/// More are drawn no finer: two to a column.
pub(crate) const SPARK_POINTS: u32 = 2 * COLUMNS;

/// Gravity over time without axes; empty when there are fewer than two points. Says nothing the
/// row's words do not, so it is hidden from who cannot see it.
pub(crate) fn spark(hours: &[Hour], from: Moment, to: Moment) -> Markup {
    let runs = fold(&gravity_of_hours(hours), from, to, COLUMNS);
    let points: usize = runs.iter().map(Vec::len).sum();
    let (Some((low, high)), true) = (range(&runs, std::iter::empty(), 0.004), points > 1) else {
        return html! {};
    };
    let panel = Panel {
        left: EDGE,
        right: WIDTH - EDGE,
        top: EDGE,
        bottom: HEIGHT - EDGE,
        from,
        to,
        low,
        high,
    };
    let mut path = String::new();
    for run in &runs {
        for (i, s) in run.iter().enumerate() {
            let verb = if i == 0 { 'M' } else { 'L' };
            // Writing to a string cannot fail.
            let _ = write!(path, "{verb}{} {}", panel.x(s.at), panel.y(s.mid));
        }
    }
    let last = runs.last().and_then(|run| run.last());
    html! {
        svg.spark viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } aria-hidden="true" {
            path.s-gravity d=(path) fill="none" stroke-width="4" {}
            @if let Some(s) = last {
                circle.f-gravity cx=(panel.x(s.at)) cy=(panel.y(s.mid)) r="7" {}
            }
        }
    }
}
