//! What was done, and what may be done since, as lines across the drawing: where their names go
//! so that none runs into another, and where a finger finds them.

use ebbmark_core::time::Moment;

use super::Plot;
use super::layout::Layout;

/// Something that happened at a moment.
#[derive(Clone, Debug)]
pub(crate) struct Mark {
    pub at: Moment,
    pub label: String,
    /// What, when and how much, in words.
    pub says: String,
    /// Where on the page more is said of it; empty of a drawing that is only looked at.
    pub leads_to: String,
    pub kind: MarkKind,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum MarkKind {
    Deed,
    /// Open since then.
    Gate,
}

/// A mark with a place for its name.
pub(super) struct Placed<'a> {
    pub mark: &'a Mark,
    /// Where it stands, and where the middle of its name goes, in units.
    pub x: i32,
    pub middle: i32,
    /// `None`: its name found no room.
    pub row: Option<usize>,
}

/// Where a finger finds a mark, or several that stand close: from where to where, in units.
#[derive(Debug, PartialEq)]
pub(super) struct Spot {
    pub from: i32,
    pub to: i32,
    pub says: Vec<String>,
    pub leads_to: String,
}

/// Half of what a finger needs in units: 24 CSS pixels in all where the drawing is shown smallest
/// (WCAG 2.2, 2.5.8).
const FINGER: i32 = 17;

/// Gives each mark a row for its name where it does not run into another; a mark whose name
/// finds no room keeps its line, and says what it is when asked.
pub(super) fn place<'a>(plot: &'a Plot, layout: &Layout) -> Vec<Placed<'a>> {
    let (left, right) = (layout.left, layout.right());
    let width = plot.to.since(plot.from).0.max(1) as f64;
    let mut taken_to = vec![i32::MIN; layout.rows];
    let shown = |m: &&Mark| m.at >= plot.from && m.at <= plot.to;
    let mut marks: Vec<&Mark> = plot.marks.iter().filter(shown).collect();
    marks.sort_by_key(|m| m.at);
    marks
        .into_iter()
        .map(|mark| {
            let part = mark.at.since(plot.from).0 as f64 / width;
            let x = left + (f64::from(right - left) * part).round() as i32;
            let long = i32::try_from(mark.label.chars().count()).unwrap_or(i32::MAX / 64);
            let room = long.saturating_mul(layout.letter);
            let start = (x - room / 2)
                .clamp(left.min(right - room), right - room)
                .max(0);
            let row = taken_to.iter().position(|to| start > to.saturating_add(8));
            if let Some(taken) = row.and_then(|r| taken_to.get_mut(r)) {
                *taken = start + room;
            }
            Placed {
                mark,
                x,
                middle: start + room / 2,
                row,
            }
        })
        .collect()
}

/// Marks too close for a finger share a spot.
pub(super) fn spots(placed: &[Placed]) -> Vec<Spot> {
    let mut spots: Vec<Spot> = Vec::new();
    for one in placed.iter().filter(|p| !p.mark.leads_to.is_empty()) {
        let says = one.mark.says.clone();
        match spots.last_mut() {
            Some(spot) if one.x - FINGER < spot.to => {
                spot.to = one.x + FINGER;
                spot.says.push(says);
            }
            _ => spots.push(Spot {
                from: one.x - FINGER,
                to: one.x + FINGER,
                says: vec![says],
                leads_to: one.mark.leads_to.clone(),
            }),
        }
    }
    spots
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mark(days: f64, leads_to: &str) -> Mark {
        Mark {
            at: Moment(0) + ebbmark_core::time::Span::from_days(days),
            label: "fed".to_owned(),
            says: format!("fed on day {days}"),
            leads_to: leads_to.to_owned(),
            kind: MarkKind::Deed,
        }
    }

    fn placed(marks: &[Mark], x: impl Fn(&Mark) -> i32) -> Vec<Placed<'_>> {
        let place = |mark| Placed {
            x: x(mark),
            middle: 0,
            row: None,
            mark,
        };
        marks.iter().map(place).collect()
    }

    #[test]
    fn marks_too_close_for_a_finger_share_a_spot() {
        let days = |m: &Mark| m.at.since(Moment(0)).as_days() as i32;
        let marks = [100.0, 120.0, 140.0, 180.0].map(|d| mark(d, "#line"));
        let spots = spots(&placed(&marks, days));
        let sides: Vec<(i32, i32)> = spots.iter().map(|s| (s.from, s.to)).collect();
        assert_eq!(sides, [(83, 157), (163, 197)]);
        assert_eq!(
            spots[0].says,
            ["fed on day 100", "fed on day 120", "fed on day 140"]
        );
        // None lies over another.
        assert!(sides.windows(2).all(|w| w[0].1 <= w[1].0));
    }

    #[test]
    fn what_leads_nowhere_is_no_spot() {
        let marks = [mark(1.0, "")];
        assert!(spots(&placed(&marks, |_| 50)).is_empty());
    }
}
