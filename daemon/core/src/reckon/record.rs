//! From a vessel's record to what a reckoning is filled with.

use super::known::{Fact, Filling, Known};
use super::nutrient::{BY_HOURS, BY_SUGAR};
use super::{Asker, Row};
use crate::deed::{Deed, Dose, Substance, What};
use crate::hours::{HOUR_MS, Hour};
use crate::lineage::{Book, Past, Step, dissolved, sulphur_dioxide};
use crate::plan::{By, Plan};
use crate::show;
use crate::sorbate::SORBIC_SHARE;
use crate::time::Moment;
use crate::units::{AbvPercent, Celsius, Count, FallPerDay, Gravity, Hours, Litres};
use crate::verdict::outcome::Verdict;

/// What is on record of the mead in a vessel, and of the cellar around it.
#[derive(Clone, Debug)]
pub struct Record {
    /// The pitch, of the mead it was split off from if it was.
    pub started: Moment,
    pub original: Option<Gravity>,
    pub tolerance: Option<AbvPercent>,
    pub plan: Plan,
    /// As the maker noted it for this mead.
    pub volume: Option<Litres>,
    /// What it began as, when it is of parts of others.
    pub inherited: Option<Inherited>,
    /// When some of it went into another mead, and how much.
    pub poured: Vec<(Moment, Option<Litres>)>,
    /// Standing lines in order of time, inherited ones first.
    pub deeds: Vec<Deed>,
    /// In order of time, inherited ones first.
    pub hours: Vec<Hour>,
    pub verdict: Option<Verdict>,
    /// Single temperature readings of the last two days.
    pub trace: Vec<(Moment, Celsius)>,
    /// Every vessel whose gravity falls, this one among them.
    pub fermenting: Vec<Fermenting>,
}

/// A mead that was split off from another, or poured together from several.
#[derive(Clone, Debug)]
pub struct Inherited {
    pub at: Moment,
    /// How many meads it came from.
    pub parts: usize,
    /// As it stood then.
    pub book: Book,
}

/// A vessel that gives off gas.
#[derive(Clone, Debug)]
pub struct Fermenting {
    pub vessel: String,
    pub volume: Option<Litres>,
    /// SG a day.
    pub fall: f64,
}

/// What a reckoning about this vessel may be filled with.
pub fn known(record: &Record, asker: &Asker) -> Known {
    let mut known = Known::default();
    let day = |at: Moment| show::day(at, asker.now, &asker.style);
    known.fill(
        Fact::Pitched,
        Filling::When(record.started),
        "the pitch in its log",
    );
    known.set(
        Fact::SincePitch,
        Hours::computed(asker.now.since(record.started).as_hours()),
        "the pitch in its log",
    );
    readings(record, asker, &mut known);
    blended(record, &mut known);
    let book = book(record, &known);
    mead(record, &book, asker, &mut known);
    additives(record, &book, &mut known);
    if let Some(tolerance) = record.tolerance {
        known.set(Fact::Tolerance, tolerance, "the facts of this mead");
    }
    if let Some(gravity) = record.plan.gravity {
        known.set(Fact::PlannedGravity, gravity, "the plan");
    }
    if let Some((deed, ph)) = last(&record.deeds, |d| d.ph) {
        known.set(Fact::Ph, ph, format!("measured {}", day(deed.at)));
    }
    let stopped = record
        .deeds
        .iter()
        .rev()
        .find(|d| matches!(d.what, What::Stabilise | What::Pasteurise));
    let (word, from) = match stopped {
        Some(deed) => ("yes", format!("{} {}", deed.what.label(), day(deed.at))),
        None => ("no", "nothing in its log".to_owned()),
    };
    known.fill(Fact::Stabilised, Filling::Words(word.to_owned()), from);
    let rows: Vec<Row> = record.fermenting.iter().map(row).collect();
    if !rows.is_empty() {
        known.fill(
            Fact::Fermenting,
            Filling::Rows(rows),
            "the verdicts on every vessel",
        );
    }
    known.gates = record.verdict.as_ref().map(|v| v.gates.clone());
    known.trace.clone_from(&record.trace);
    known
}

/// Gravity, temperature and what the verdict says of the fall.
fn readings(record: &Record, asker: &Asker, known: &mut Known) {
    let when = |at: Moment| show::day_and_time(at, asker.now, &asker.style);
    if let Some((deed, gravity)) = last(&record.deeds, Deed::read) {
        known.set(
            Fact::Gravity,
            gravity,
            format!("{} {}", deed.what.label(), when(deed.at)),
        );
    }
    let Some(verdict) = &record.verdict else {
        return;
    };
    let read = match verdict.last_reading {
        Some(at) => format!("its readings up to {}", when(at)),
        None => "its readings".to_owned(),
    };
    if let Some(gravity) = verdict.gravity {
        known.set(Fact::Gravity, gravity, read.clone());
    }
    if let Some(temperature) = verdict.temperature {
        known.set(Fact::Temperature, temperature, read);
    }
    if let Some(end) = verdict.expected_end {
        known.set(Fact::ExpectedEnd, end, "where it should end");
    }
    if let Some(fall) = verdict.fall_per_day {
        let fall = FallPerDay::computed(fall.mid.max(0.0));
        known.set(Fact::FallPerDay, fall, "the fall its readings show");
    }
    if let Some((left, from)) = most_left(record, verdict) {
        known.fill(Fact::MostLeft, Filling::Number(left), from);
    }
    let still = verdict.phase.is_still();
    if let Some(from) = verdict.memory.and_then(|m| m.flat_from).filter(|_| still)
        && let Some(warmest) = warmest(&record.hours, from)
    {
        let day = show::day(from, asker.now, &asker.style);
        known.set(
            Fact::WarmestSinceEnd,
            warmest,
            format!("the warmest hour since it stopped, {day}"),
        );
    }
}

/// Until it is read again a blend's gravity is that of its parts, not of the largest of them.
fn blended(record: &Record, known: &mut Known) {
    let Some(inherited) = record.inherited.as_ref().filter(|i| i.parts > 1) else {
        return;
    };
    let by_float = record.verdict.as_ref().and_then(|v| v.last_reading);
    let by_hand = last(&record.deeds, Deed::read).map(|(d, _)| d.at);
    if by_float.max(by_hand) < Some(inherited.at)
        && let Some(gravity) = inherited.book.gravity()
    {
        known.set(
            Fact::Gravity,
            gravity,
            "the meads it was poured together from",
        );
    }
}

/// The most that may still ferment, SG: what the verdict cannot rule out, and of a mead that was
/// sweetened all that was put in, for only stopped yeast leaves it.
fn most_left(record: &Record, verdict: &Verdict) -> Option<(f64, &'static str)> {
    let left = verdict.left_to_fall?.high.max(0.0);
    let sweetened = record.deeds.iter().rposition(|d| d.what == What::Sweeten);
    let lift = sweetened.and_then(|at| {
        let before = record.deeds[..at].iter().rev().find_map(Deed::read)?;
        Some((verdict.gravity?.get() - before.get()).max(0.0))
    });
    Some(match lift {
        Some(lift) => (left + lift, "the verdict's upper end and the sweetening"),
        None => (left, "the verdict's upper end"),
    })
}

fn warmest(hours: &[Hour], from: Moment) -> Option<Celsius> {
    let since = hours.iter().filter(|h| h.index * HOUR_MS >= from.0);
    let warm = since.filter_map(|h| h.temperature).map(|t| t.median);
    warm.max_by(f64::total_cmp).map(Celsius::computed)
}

/// The mead's ledger up to now: what it began as, carried through its own log.
fn book(record: &Record, known: &Known) -> Book {
    let since = record.inherited.as_ref().map(|i| i.at);
    let past = Past {
        deeds: &record.deeds,
        hours: &record.hours,
        since,
    };
    let poured: Vec<Moment> = record.poured.iter().map(|(at, _)| *at).collect();
    let mut steps = past.steps(&poured, |_, _| 0.0);
    steps.extend(record.poured.iter().map(|(at, v)| (*at, Step::Out(*v))));
    // In one instant what was read comes first, then what was poured.
    steps.sort_by_key(|(at, step)| {
        let rank = match step {
            Step::Reads(_) => 0,
            Step::Out(_) => 1,
            Step::In(_) | Step::Holds(_) => 2,
        };
        (*at, rank)
    });
    let mut steps: Vec<Step> = steps.into_iter().map(|(_, step)| step).collect();
    if let Some((Filling::Number(now), _)) = known.get(Fact::Gravity) {
        steps.push(Step::Reads(Gravity::computed(*now)));
    }
    let start = match &record.inherited {
        Some(inherited) => inherited.book.clone(),
        None => Book::must(record.volume, record.original, 0.0),
    };
    start.through(steps)
}

/// Original gravity, strength and volume, carried through the log by mass.
fn mead(record: &Record, book: &Book, asker: &Asker, known: &mut Known) {
    let day = |at: Moment| show::day(at, asker.now, &asker.style);
    let since = record.inherited.as_ref().map_or(record.started, |i| i.at);
    let noted = last(&record.deeds, |d| d.volume).filter(|(d, _)| d.at >= since);
    let from = match (noted, record.volume) {
        (Some((deed, volume)), _) => {
            known.set(Fact::Volume, volume, format!("noted {}", day(deed.at)));
            Some(deed.at)
        }
        (None, Some(volume)) => {
            known.set(Fact::Volume, volume, "the facts of this mead");
            Some(since)
        }
        (None, None) => None,
    };
    let fed_after = |at: Moment| {
        let later = record.deeds.iter().filter(|d| d.at > at);
        later.flat_map(|d| &d.doses).any(brings)
    };
    let poured_after = |at: Moment| record.poured.iter().any(|(when, _)| *when > at);
    if let Some(volume) = book.volume() {
        match from {
            Some(at) if fed_after(at) || poured_after(at) => {
                known.set(Fact::Volume, volume, "its log, what came and went counted");
            }
            Some(_) => {}
            None => known.set(Fact::Volume, volume, "what was poured into it"),
        }
    }
    if let Some(original) = record.original {
        known.set(Fact::OriginalGravity, original, "the facts of this mead");
    }
    if known.get(Fact::Gravity).is_none() {
        return;
    }
    let inherited = record.inherited.is_some();
    let fed = record.deeds.iter().any(|d| d.doses.iter().any(brings));
    if let Some(strength) = book.strength() {
        let from = match (inherited, fed) {
            (true, _) => "the meads it came from, its log and gravity now",
            (false, true) => "original gravity, what was added, and gravity now",
            (false, false) => "original gravity and gravity now",
        };
        known.set(Fact::Strength, strength, from);
    }
    if (fed || inherited)
        && let Some(original) = book.original()
    {
        let from = if inherited {
            "the meads it came from and what was added since"
        } else {
            "the facts of this mead and what was added since"
        };
        known.set(Fact::OriginalGravity, original, from);
    }
}

/// Whether it brings sugar or volume that counts.
fn brings(dose: &Dose) -> bool {
    dissolved(dose).is_some()
}

/// What it still holds of the sulphite, sorbate and nutrient it was given. Nothing is told when
/// nobody knows how much of it came along from the meads before.
fn additives(record: &Record, book: &Book, known: &mut Known) {
    let from = |share: fn(Substance) -> Option<f64>| {
        let doses = record.deeds.iter().flat_map(|d| &d.doses);
        match (
            doses.filter(|d| share(d.of).is_some()).count(),
            &record.inherited,
        ) {
            (_, Some(_)) => "the meads it came from and its log".to_owned(),
            (0, None) => "no dose in its log".to_owned(),
            (1, None) => "the dose in its log".to_owned(),
            (n, None) => format!("the {n} doses in its log"),
        }
    };
    steps(record, known);
    for (fact, of) in [
        (Fact::PhosphateSoFar, phosphate as fn(Substance) -> _),
        (Fact::NutrientSoFar, nutrient),
    ] {
        if let Some(mass) = book.given(of) {
            known.set(fact, mass, from(of));
        }
    }
    for (fact, of) in [
        (Fact::SulphiteSoFar, sulphur_dioxide as fn(Substance) -> _),
        (Fact::SorbicSoFar, sorbic_acid),
    ] {
        if let Some(given) = book.given_per_litre(of) {
            known.set(fact, given, from(of));
        }
    }
}

/// Nutrient steps, planned and given.
fn steps(record: &Record, known: &mut Known) {
    if let Some(nutrient) = record.plan.nutrient {
        let by = match nutrient.by {
            By::Sugar => BY_SUGAR,
            By::Hours => BY_HOURS,
        };
        known.fill(Fact::NutrientBy, Filling::Words(by.into()), "the plan");
        let steps = Count::computed(nutrient.steps.into());
        known.set(Fact::NutrientSteps, steps, "the plan");
    }
    let since_pitch = record.deeds.iter().filter(|d| d.at >= record.started);
    let given = since_pitch.filter(|d| d.what == What::Nutrient).count();
    known.set(Fact::StepsGiven, Count::computed(given as f64), "its log");
}

fn phosphate(of: Substance) -> Option<f64> {
    (of == Substance::DiammoniumPhosphate).then_some(1.0)
}

fn nutrient(of: Substance) -> Option<f64> {
    (of == Substance::Nutrient).then_some(1.0)
}

fn sorbic_acid(of: Substance) -> Option<f64> {
    (of == Substance::PotassiumSorbate).then_some(SORBIC_SHARE)
}

fn row(f: &Fermenting) -> Row {
    let mut row = vec![
        ("vessel", Filling::Words(f.vessel.clone())),
        ("fall", Filling::Number(f.fall)),
    ];
    row.extend(f.volume.map(|v| ("volume", Filling::Number(v.get()))));
    row
}

fn last<T>(deeds: &[Deed], of: impl Fn(&Deed) -> Option<T>) -> Option<(&Deed, T)> {
    deeds.iter().rev().find_map(|d| Some((d, of(d)?)))
}

#[cfg(test)]
mod tests {
    use jiff::tz::TimeZone;

    use super::*;
    use crate::lineage::Goods;
    use crate::liquid::Liquid;
    use crate::text::Style;
    use crate::time::Span;
    use crate::units::{Kilograms, MassPercent, Ph, Preferences};

    const START: Moment = Moment(1_772_000_000_000);

    const ASKER: Asker<'static> = Asker {
        now: Moment(START.0 + Span::days(30).0),
        style: Style {
            units: Preferences::USUAL,
            zone: &TimeZone::UTC,
        },
    };

    fn g(sg: f64) -> Gravity {
        Gravity::new(sg).unwrap()
    }

    /// Invented: 20 L at 1.100, read by hand at 1.010 on the 20th day.
    fn record() -> Record {
        Record {
            started: START,
            original: Some(g(1.100)),
            tolerance: AbvPercent::new(16.0).ok(),
            plan: Plan::default(),
            volume: Litres::new(20.0).ok(),
            inherited: None,
            poured: Vec::new(),
            deeds: vec![Deed {
                gravity: Some(g(1.010)),
                ..Deed::new(START + Span::days(20), What::HandReading)
            }],
            hours: Vec::new(),
            verdict: None,
            trace: Vec::new(),
            fermenting: Vec::new(),
        }
    }

    fn number(known: &Known, fact: Fact) -> f64 {
        match known.get(fact) {
            Some((Filling::Number(v), _)) => *v,
            other => panic!("{fact:?}: {other:?}"),
        }
    }

    fn dose(of: Substance, kg: f64, extract: Option<f64>) -> Dose {
        Dose {
            of,
            mass: Kilograms::new(kg).unwrap(),
            name: String::new(),
            extract: extract.map(|e| MassPercent::new(e).unwrap()),
        }
    }

    #[test]
    fn strength_without_additions_is_that_of_the_two_gravities() {
        let known = known(&record(), &ASKER);
        let must = Liquid::must(Litres::computed(10.0), g(1.100)).unwrap();
        let direct = must.ferment_to(g(1.010)).unwrap().liquid;
        let expected = direct.strength().unwrap().get();
        assert!((number(&known, Fact::Strength) - expected).abs() < 1e-9);
        assert_eq!(number(&known, Fact::OriginalGravity), 1.100);
        assert_eq!(number(&known, Fact::Volume), 20.0);
        let (_, from) = known.get(Fact::Gravity).unwrap();
        assert!(from.starts_with("hand reading"), "{from}");
    }

    #[test]
    fn a_jars_gravity_fills_nothing() {
        let jar = |days| Deed {
            gravity: Some(g(0.996)),
            ..Deed::new(START + Span::days(days), What::TestFerment)
        };
        let mut with = record();
        with.deeds.insert(0, jar(8));
        with.deeds.push(jar(25));
        let (plain, with) = (known(&record(), &ASKER), known(&with, &ASKER));
        for fact in [Fact::Gravity, Fact::Strength, Fact::Volume] {
            assert_eq!(plain.get(fact), with.get(fact), "{fact:?}");
        }
        // Nor is it what a blend was read at since it was poured together.
        let mut blend = record();
        blend.deeds.clear();
        blend.inherited = Some(Inherited {
            at: START + Span::days(10),
            parts: 2,
            book: Book::must(Litres::new(20.0).ok(), Some(g(1.050)), 0.0),
        });
        blend.deeds = vec![jar(12)];
        assert!((number(&known(&blend, &ASKER), Fact::Gravity) - 1.050).abs() < 1e-9);
    }

    /// Honey raises the gravity it would have begun at, water thins what is there.
    #[test]
    fn additions_are_counted_by_mass() {
        let plain = number(&known(&record(), &ASKER), Fact::Strength);
        let mut fed = record();
        let honey = Deed {
            gravity: Some(g(1.030)),
            doses: vec![dose(Substance::Honey, 1.0, Some(82.8))],
            ..Deed::new(START + Span::days(10), What::Addition)
        };
        fed.deeds.insert(0, honey);
        let known_fed = known(&fed, &ASKER);
        assert!(number(&known_fed, Fact::Strength) > plain + 0.8);
        assert!(number(&known_fed, Fact::OriginalGravity) > 1.110);
        assert!(number(&known_fed, Fact::Volume) > 20.3);

        let mut thinned = record();
        let water = Deed {
            doses: vec![dose(Substance::Water, 2.0, None)],
            ..Deed::new(START + Span::days(21), What::Addition)
        };
        thinned.deeds.push(water);
        thinned.deeds.push(Deed {
            gravity: Some(g(1.0091)),
            ..Deed::new(START + Span::days(22), What::HandReading)
        });
        let known_thin = known(&thinned, &ASKER);
        // Two litres in twenty: ten elevenths of the strength.
        assert!((number(&known_thin, Fact::Strength) - plain / 1.1).abs() < 0.1);
    }

    #[test]
    fn what_the_log_tells() {
        let mut r = record();
        r.deeds.push(Deed {
            ph: Ph::new(3.5).ok(),
            doses: vec![
                dose(Substance::PotassiumMetabisulphite, 0.002, None),
                dose(Substance::PotassiumSorbate, 0.004, None),
            ],
            volume: Litres::new(18.0).ok(),
            ..Deed::new(START + Span::days(25), What::Stabilise)
        });
        let known = known(&r, &ASKER);
        assert_eq!(number(&known, Fact::Ph), 3.5);
        assert_eq!(number(&known, Fact::Volume), 18.0);
        // 2 g of the salt hold 1.1526 g of sulphur dioxide.
        let so_far = number(&known, Fact::SulphiteSoFar);
        assert!((so_far - 1152.6 / 18.0).abs() < 0.01, "{so_far}");
        // 4 g of sorbate are "about 75 %" sorbic acid.
        let sorbic = number(&known, Fact::SorbicSoFar);
        assert!((sorbic - 3000.0 / 18.0).abs() < 1.0, "{sorbic}");
        assert_eq!(number(&known, Fact::PhosphateSoFar), 0.0);
        let (stopped, _) = known.get(Fact::Stabilised).unwrap();
        assert_eq!(*stopped, Filling::Words("yes".into()));
    }

    /// Invented: 20 L at 1.100 are given 2 g of sulphite at 1.020 and split in two of 10 L; the
    /// one half is then given a kilogram of honey.
    #[test]
    fn a_part_inherits_sulphite_and_strength() {
        let mut whole = Book::must(Litres::new(20.0).ok(), Some(g(1.100)), 0.0);
        let sulphite = Goods {
            doses: vec![dose(Substance::PotassiumMetabisulphite, 0.002, None)],
            ..Goods::default()
        };
        whole = whole.through(vec![
            Step::Reads(g(1.020)),
            Step::Holds(Litres::computed(20.0)),
            Step::In(sulphite),
            Step::Holds(Litres::computed(10.0)),
        ]);
        let at = START + Span::days(12);
        let mut r = record();
        r.volume = Litres::new(10.0).ok();
        r.deeds.insert(
            0,
            Deed {
                doses: vec![dose(Substance::PotassiumMetabisulphite, 0.002, None)],
                ..Deed::new(START + Span::days(11), What::Addition)
            },
        );
        let inherited = |book| Inherited { at, parts: 1, book };
        r.inherited = Some(inherited(whole.clone()));
        let plain = known(&r, &ASKER);
        let must = Liquid::must(Litres::computed(10.0), g(1.100)).unwrap();
        let direct = must.ferment_to(g(1.010)).unwrap().liquid;
        let expected = direct.strength().unwrap().get();
        assert!((number(&plain, Fact::Strength) - expected).abs() < 1e-9);
        // A gram in ten litres, however little the rest of the fermentation takes off their volume.
        let so_far = number(&plain, Fact::SulphiteSoFar);
        assert!((so_far - 57.63).abs() < 0.6, "{so_far}");
        r.deeds.insert(
            1,
            Deed {
                doses: vec![dose(Substance::Honey, 1.0, Some(82.8))],
                ..Deed::new(START + Span::days(13), What::Addition)
            },
        );
        let fed = known(&r, &ASKER);
        assert!(number(&fed, Fact::Strength) > expected + 2.0);
        assert!(number(&fed, Fact::Volume) > 10.5);
        assert!(number(&fed, Fact::SulphiteSoFar) < 55.0);

        // Poured on: what left took its share along.
        r.poured = vec![(START + Span::days(14), Litres::new(4.0).ok())];
        let less = known(&r, &ASKER);
        let litres = number(&fed, Fact::Volume) - number(&less, Fact::Volume);
        assert!((litres - 4.0).abs() < 0.1, "{litres}");
        let change = number(&fed, Fact::SulphiteSoFar) - number(&less, Fact::SulphiteSoFar);
        assert!(change.abs() < 0.01, "{change}");

        // Of a blend nothing has been read yet.
        r.deeds.clear();
        r.inherited = Some(Inherited {
            parts: 2,
            ..inherited(whole)
        });
        let gravity = number(&known(&r, &ASKER), Fact::Gravity);
        assert!((gravity - 1.020).abs() < 1e-9);
    }

    /// A log that cannot have been leaves strength out instead of inventing it.
    #[test]
    fn an_impossible_log_fills_nothing() {
        let mut r = record();
        r.original = Some(g(1.005));
        let known = known(&r, &ASKER);
        assert!(known.get(Fact::Strength).is_none());
        assert!(known.get(Fact::Volume).is_some());
    }
}
