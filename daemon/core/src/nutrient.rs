//! Nitrogen for the yeast: how much, from what, and in which steps.
//!
//! Nitrogen is what yeast can take up (ammonium and the right amino acids), mg/L. Honey must has hardly
//! any. What is wanted follows a line that is only held up by musts of 21 to 27 °Bx, [`LINE`]; outside
//! it there is a range, and no figure is carried on ([`Wanted`]).
//!
//! | what | formula |
//! |---|---|
//! | wanted, 21 to 27 °Bx | `200 + 25 · (°Bx - 21)` mg/L (credited to Bisson and Butzke 2000; read only as quoted) |
//! | phosphate | `grams = nitrogen mg/L · litres / 1000 / 0.2121` |
//! | gravity of a step | `SG = original - (original - end) · sugar used` |
//!
//! Diammonium phosphate by stoichiometry; other nutrients by their maker's own figure. Never urea: it
//! leaves what turns into ethyl carbamate (from memory).

use crate::molar;
use crate::units::{
    FallPerDay, Gravity, Hours, Kilograms, Litres, MassPercent, MgPerLitre, Percent, Plato,
};

/// Where the line of what is wanted holds, °Bx.
pub const LINE: (f64, f64) = (21.0, 27.0);

/// Least nitrogen that was ever called enough, and the most that was called the least (mg/L): Butzke
/// 1998 and Spayd 1998, as quoted by a report of Oregon State University.
pub const MINIMA: (f64, f64) = (140.0, 500.0);

/// Nitrogen in a gram of diammonium phosphate, g.
pub const PHOSPHATE_SHARE: f64 = 2.0 * molar::NITROGEN / molar::DIAMMONIUM_PHOSPHATE;

/// How much of the sugar is used up when the last nutrient goes in (common practice, no source):
/// ammonium that comes later is left for what spoils mead.
pub const LAST_STEP: f64 = 1.0 / 3.0;

/// How hungry the yeast is, by its maker's sheet. The factors on the line are common practice, no source.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Need {
    Low,
    Usual,
    High,
}

impl Need {
    fn factor(self) -> f64 {
        match self {
            Need::Low => 0.75,
            Need::Usual => 1.0,
            Need::High => 1.25,
        }
    }
}

/// Nitrogen wanted in all, mg/L.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wanted {
    Line(MgPerLitre),
    /// Below or above the line: from the least that was called enough up to the line's first value, or
    /// from its last value up to the most. `plan` is the end of the line, which goes by the yeast's
    /// need; the published ends do not.
    Range {
        low: MgPerLitre,
        high: MgPerLitre,
        plan: MgPerLitre,
    },
}

impl Wanted {
    /// The figure to work with.
    pub fn plan(self) -> MgPerLitre {
        match self {
            Wanted::Line(n) | Wanted::Range { plan: n, .. } => n,
        }
    }
}

pub fn wanted(original: Plato, need: Need) -> Wanted {
    let line = |bx: f64| MgPerLitre::computed((200.0 + 25.0 * (bx - LINE.0)) * need.factor());
    let bx = original.get();
    if bx < LINE.0 {
        Wanted::Range {
            low: MgPerLitre::computed(MINIMA.0),
            high: line(LINE.0),
            plan: line(LINE.0),
        }
    } else if bx > LINE.1 {
        Wanted::Range {
            low: line(LINE.1),
            high: MgPerLitre::computed(MINIMA.1),
            plan: line(LINE.1),
        }
    } else {
        Wanted::Line(line(bx))
    }
}

/// What the nitrogen comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sources {
    /// Share of the nitrogen that comes from diammonium phosphate.
    pub phosphate: Percent,
    /// Nitrogen yeast can take up in the other nutrient, by its maker's figure; none where there is no
    /// other.
    pub other: Option<MassPercent>,
    /// Most diammonium phosphate that may still go in.
    pub phosphate_most: Option<MgPerLitre>,
    /// Most of the other nutrient, by its maker.
    pub other_most: Option<MgPerLitre>,
}

/// What to weigh in, all steps together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ration {
    pub phosphate: Kilograms,
    pub other: Kilograms,
    /// Nitrogen these bring.
    pub brings: MgPerLitre,
    /// Nitrogen that is still missing because of a limit or for want of another nutrient.
    pub missing: MgPerLitre,
    /// The limit for phosphate cut its share.
    pub limited: bool,
}

/// Nutrient to bring `missing` nitrogen. What the limit for phosphate holds back, the other nutrient
/// takes over where there is one.
pub fn ration(missing: MgPerLitre, volume: Litres, from: Sources) -> Ration {
    let missing = missing.get().max(0.0);
    let asked = missing * from.phosphate.get() / 100.0;
    let most = from
        .phosphate_most
        .map_or(f64::INFINITY, |m| m.get() * PHOSPHATE_SHARE);
    let phosphate = asked.min(most);
    let share = from.other.map_or(0.0, |m| m.get() / 100.0);
    let other_most = from.other_most.map_or(f64::INFINITY, |m| m.get() * share);
    let other = if share > 0.0 {
        (missing - phosphate).min(other_most)
    } else {
        0.0
    };
    let kilograms = |mg_per_l: f64| mg_per_l * 1e-6 * volume.get();
    Ration {
        phosphate: Kilograms::computed(kilograms(phosphate) / PHOSPHATE_SHARE),
        other: Kilograms::computed(if share > 0.0 {
            kilograms(other) / share
        } else {
            0.0
        }),
        brings: MgPerLitre::computed(phosphate + other),
        missing: MgPerLitre::computed(missing - phosphate - other),
        limited: asked > most,
    }
}

/// Gravity at which so much of the sugar is used up.
pub fn gravity_at(original: Gravity, end: Gravity, used: f64) -> Gravity {
    Gravity::computed(original.get() - (original.get() - end.get()) * used)
}

/// Share of the sugar used up at a gravity; `None` where the end is no lower than the original.
pub fn used_at(original: Gravity, end: Gravity, now: Gravity) -> Option<f64> {
    let whole = original.get() - end.get();
    (whole > 0.0).then(|| (original.get() - now.get()) / whole)
}

/// Gravities of so many steps, evenly from the start of the fall to [`LAST_STEP`]. A single step is
/// the first.
pub fn steps(original: Gravity, end: Gravity, count: usize) -> Vec<Gravity> {
    let gaps = count.saturating_sub(1).max(1) as f64;
    (0..count)
        .map(|i| gravity_at(original, end, LAST_STEP * i as f64 / gaps))
        .collect()
}

/// When a gravity is reached.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Due {
    /// The gravity is at it or below.
    Passed,
    In(Hours),
    /// It does not fall.
    Unknown,
}

/// Between two steps that go by hours; the first so long after the pitch. Common practice, no source.
pub const HOURS_APART: f64 = 24.0;

/// When the gravity falls to `at`, if it goes on as fast as now.
pub fn due(now: Gravity, at: Gravity, fall: FallPerDay) -> Due {
    if now <= at {
        return Due::Passed;
    }
    if fall.get() <= 0.0 {
        return Due::Unknown;
    }
    Due::In(Hours::computed((now.get() - at.get()) / fall.get() * 24.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The minima are others' measurements, so a hungry yeast does not move them: 140 and 500 mg/L
    /// (Butzke 1998, Spayd 1998, as quoted by a report of Oregon State University).
    #[test]
    fn the_need_moves_the_line_and_not_what_was_published() {
        for need in [Need::Low, Need::Usual, Need::High] {
            let ends = |bx| match wanted(Plato::computed(bx), need) {
                Wanted::Range { low, high, plan } => (low.get(), high.get(), plan.get()),
                line @ Wanted::Line(_) => panic!("{line:?}"),
            };
            let (low, high, plan) = ends(15.0);
            assert_eq!((low, high), (140.0, plan));
            let (low, high, plan) = ends(35.0);
            assert_eq!((low, high), (plan, 500.0));
        }
    }
}
