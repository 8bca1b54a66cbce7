//! From a vessel's record to what a reckoning is filled with.

use super::known::{Fact, Filling, Known};
use super::{Asker, Row};
use crate::deed::{Deed, Dose, Substance, What};
use crate::hours::{HOUR_MS, Hour};
use crate::liquid::{Liquid, Step, carry};
use crate::show;
use crate::sorbate::SORBIC_SHARE;
use crate::sulphite::Salt;
use crate::time::Moment;
use crate::units::{AbvPercent, Celsius, FallPerDay, Gravity, Kilograms, Litres, MgPerLitre};
use crate::verdict::outcome::Verdict;

/// What is on record of the mead in a vessel, and of the cellar around it.
#[derive(Clone, Debug)]
pub struct Record {
    /// The pitch, of the mead it was split off from if it was.
    pub started: Moment,
    pub original: Option<Gravity>,
    pub tolerance: Option<AbvPercent>,
    /// As the maker noted it for this mead.
    pub volume: Option<Litres>,
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
    let day = |at: Moment| show::day(at, asker.now, asker.style.zone);
    known.fill(
        Fact::Pitched,
        Filling::When(record.started),
        "the pitch in its log",
    );
    readings(record, asker, &mut known);
    mead(record, asker, &mut known);
    additives(record, &mut known);
    if let Some(tolerance) = record.tolerance {
        known.set(Fact::Tolerance, tolerance, "the facts of this mead");
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
    let when = |at: Moment| show::day_and_time(at, asker.now, asker.style.zone);
    if let Some((deed, gravity)) = last(&record.deeds, |d| d.gravity) {
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
        let day = show::day(from, asker.now, asker.style.zone);
        known.set(
            Fact::WarmestSinceEnd,
            warmest,
            format!("the warmest hour since it stopped, {day}"),
        );
    }
}

/// The most that may still ferment, SG: what the verdict cannot rule out, and of a mead that was
/// sweetened all that was put in, for only stopped yeast leaves it.
fn most_left(record: &Record, verdict: &Verdict) -> Option<(f64, &'static str)> {
    let left = verdict.left_to_fall?.high.max(0.0);
    let sweetened = record.deeds.iter().rposition(|d| d.what == What::Sweeten);
    let lift = sweetened.and_then(|at| {
        let before = record.deeds[..at].iter().rev().find_map(|d| d.gravity)?;
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

/// Original gravity, strength and volume, carried through the log by mass.
fn mead(record: &Record, asker: &Asker, known: &mut Known) {
    let day = |at: Moment| show::day(at, asker.now, asker.style.zone);
    let noted = last(&record.deeds, |d| d.volume);
    match (noted, record.volume) {
        (Some((deed, volume)), _) => {
            known.set(Fact::Volume, volume, format!("noted {}", day(deed.at)));
        }
        (None, Some(volume)) => known.set(Fact::Volume, volume, "the facts of this mead"),
        (None, None) => {}
    }
    let Some(original) = record.original else {
        return;
    };
    known.set(Fact::OriginalGravity, original, "the facts of this mead");
    let now = match known.get(Fact::Gravity) {
        Some((Filling::Number(g), _)) => Gravity::computed(*g),
        _ => return,
    };
    let Some(liquid) = carried(record, original, now) else {
        return;
    };
    let fed = record.deeds.iter().any(|d| d.doses.iter().any(brings));
    if let Ok(strength) = liquid.strength() {
        let from = if fed {
            "original gravity, what was added, and gravity now"
        } else {
            "original gravity and gravity now"
        };
        known.set(Fact::Strength, strength, from);
    }
    if fed && let Ok(unfermented) = liquid.unfermented().gravity() {
        known.set(
            Fact::OriginalGravity,
            unfermented,
            "the facts of this mead and what was added since",
        );
    }
    let doses_since = |at: Moment| {
        let later = record.deeds.iter().filter(|d| d.at > at);
        later.flat_map(|d| &d.doses).any(brings)
    };
    if doses_since(noted.map_or(record.started, |(d, _)| d.at))
        && record.volume.or(noted.map(|(_, v)| v)).is_some()
        && let Ok(volume) = liquid.volume()
    {
        known.set(Fact::Volume, volume, "its log, additions counted");
    }
}

/// Volume that stands in where none is known: strength does not depend on it.
const ANY_VOLUME: Litres = Litres::computed(10.0);

/// `None` when the log tells of something that cannot have been.
fn carried(record: &Record, original: Gravity, now: Gravity) -> Option<Liquid> {
    let start = Liquid::must(record.volume.unwrap_or(ANY_VOLUME), original).ok()?;
    let mut steps = Vec::new();
    for (at, deed) in record.deeds.iter().enumerate() {
        let doses: Vec<Liquid> = deed.doses.iter().filter_map(dissolved).collect();
        if !doses.is_empty() {
            // How far it had fermented by then: the last gravity before.
            let before = record.deeds[..at].iter().rev().find_map(|d| d.gravity);
            let before = gravity_before(&record.hours, deed.at).or(before);
            steps.extend(before.map(Step::Reads));
            steps.extend(doses.into_iter().map(Step::In));
        }
        if let (Some(volume), Some(_)) = (deed.volume, record.volume) {
            let there = carry(start, &steps).ok()?.liquid.volume().ok()?;
            let lost = there.get() - volume.get();
            if lost > 0.0 {
                steps.push(Step::Out(Litres::computed(lost)));
            }
        }
    }
    steps.push(Step::Reads(now));
    carry(start, &steps).ok().map(|c| c.liquid)
}

/// The hour's middle before an instant, not older than a day.
fn gravity_before(hours: &[Hour], at: Moment) -> Option<Gravity> {
    let end = hours.partition_point(|h| (h.index + 1) * HOUR_MS <= at.0);
    let recent = hours[..end]
        .iter()
        .rev()
        .take_while(|h| at.0 - h.index * HOUR_MS <= 24 * HOUR_MS);
    let mut gravities = recent.filter_map(|h| h.gravity);
    gravities.next().map(|g| Gravity::computed(g.median))
}

/// Whether it brings sugar or volume that counts.
fn brings(dose: &Dose) -> bool {
    dissolved(dose).is_some()
}

/// What a dose adds to the liquid: its extract and its water. Salts and acids are too little to count.
fn dissolved(dose: &Dose) -> Option<Liquid> {
    let extract = match dose.of {
        Substance::Water => 0.0,
        Substance::Honey
        | Substance::Sugar
        | Substance::Syrup
        | Substance::Juice
        | Substance::Fruit => dose.extract?.get() / 100.0,
        _ => return None,
    };
    let mass = dose.mass.get();
    Liquid::of(
        Kilograms::computed(mass * (1.0 - extract)),
        Kilograms::computed(mass * extract),
        Kilograms::computed(0.0),
    )
    .ok()
}

/// What the log tells of sulphite, sorbate and nutrient.
fn additives(record: &Record, known: &mut Known) {
    let sum = |share: fn(Substance) -> Option<f64>| {
        let doses = record.deeds.iter().flat_map(|d| &d.doses);
        let each: Vec<f64> = doses
            .filter_map(|d| Some(d.mass.get() * share(d.of)?))
            .collect();
        let from = match each.len() {
            0 => "no dose in its log".to_owned(),
            1 => "the dose in its log".to_owned(),
            n => format!("the {n} doses in its log"),
        };
        (each.iter().sum::<f64>(), from)
    };
    for (fact, of) in [
        (
            Fact::PhosphateSoFar,
            (|of| (of == Substance::DiammoniumPhosphate).then_some(1.0)) as fn(Substance) -> _,
        ),
        (Fact::NutrientSoFar, |of| {
            (of == Substance::Nutrient).then_some(1.0)
        }),
    ] {
        let (mass, from) = sum(of);
        known.set(fact, Kilograms::computed(mass), from);
    }
    let Some((Filling::Number(volume), _)) = known.get(Fact::Volume) else {
        return;
    };
    let volume = *volume;
    if volume <= 0.0 {
        return;
    }
    for (fact, of) in [
        (
            Fact::SulphiteSoFar,
            sulphur_dioxide as fn(Substance) -> Option<f64>,
        ),
        (Fact::SorbicSoFar, sorbic_acid),
    ] {
        let (mass, from) = sum(of);
        known.set(fact, MgPerLitre::computed(mass * 1e6 / volume), from);
    }
}

/// Share of a salt that is sulphur dioxide.
fn sulphur_dioxide(of: Substance) -> Option<f64> {
    match of {
        Substance::PotassiumMetabisulphite => Some(Salt::Potassium.sulphur_dioxide()),
        Substance::SodiumMetabisulphite => Some(Salt::Sodium.sulphur_dioxide()),
        _ => None,
    }
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
    use crate::text::Style;
    use crate::time::Span;
    use crate::units::{MassPercent, Ph, Preferences};

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
            volume: Litres::new(20.0).ok(),
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
        let must = Liquid::must(ANY_VOLUME, g(1.100)).unwrap();
        let direct = must.ferment_to(g(1.010)).unwrap().liquid;
        let expected = direct.strength().unwrap().get();
        assert!((number(&known, Fact::Strength) - expected).abs() < 1e-9);
        assert_eq!(number(&known, Fact::OriginalGravity), 1.100);
        assert_eq!(number(&known, Fact::Volume), 20.0);
        let (_, from) = known.get(Fact::Gravity).unwrap();
        assert!(from.starts_with("hand reading"), "{from}");
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
