//! A mead made again: a plan from what was done, not from what was meant, for another volume.
//!
//! What was weighed in scales with the volume of must: twice the must, twice the honey, to the gram.
//! A mead that is a part of others takes its share of what those were given, as its ledger has it,
//! and its must is what it received, unfermented. What preserves and what turns the acid is left out:
//! how much of that is needed hangs on the new mead's pH and volume and has to be reckoned anew.

use std::collections::HashMap;

use crate::card::Record;
use crate::deed::{Deed, Dose, Substance, What};
use crate::plan::{
    By, Finish, GOES_IN, MOST_DAYS, MOST_STEEPS, MOST_STEPS, Nutrient, PUSH_EVERY, Plan, Planned,
    Steep,
};
use crate::units::{AbvPercent, Gravity, Kilograms, Litres, MassPercent};

#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AgainError {
    #[error(
        "how much must it began as is not on record, so nothing can be scaled; note its volume first"
    )]
    NoVolume,
    #[error("the new volume has to be more than nothing")]
    Nothing,
}

/// The must it was made from.
///
/// # Errors
/// It is not on record.
pub fn must(record: &Record) -> Result<Litres, AgainError> {
    let volume = if record.parents.is_empty() {
        record.volume
    } else {
        let received = record.book.received.liquid.unfermented().volume().ok();
        received.filter(|_| record.book.sure.volume && record.book.sure.shares)
    };
    volume.filter(|v| v.get() > 0.0).ok_or(AgainError::NoVolume)
}

/// The plan of the same mead from so much must.
///
/// # Errors
/// The volume it was made at is not on record, or the new one is nothing.
pub fn again(record: &Record, volume: Litres) -> Result<Plan, AgainError> {
    // What went into other meads took its share of the must along.
    let kept = must(record)?.get() * record.kept(record.began);
    let factor = volume.get() / kept;
    if factor.is_nan() || factor <= 0.0 {
        return Err(AgainError::Nothing);
    }
    let did = |what: What| record.deeds.iter().filter(move |d| d.what == what);
    let steps = did(What::Nutrient).count().min(MOST_STEPS.into());
    let nutrient = u8::try_from(steps).ok().filter(|n| *n > 0);
    let by = record.plan.nutrient.map_or(By::Sugar, |n| n.by);
    let any = |what| did(what).next().is_some();
    let finish = match (any(What::Sweeten), any(What::Seal)) {
        (true, _) => Some(Finish::Sweetened),
        (false, true) => Some(Finish::Dry),
        (false, false) => record.plan.finish,
    };
    let book = &record.book;
    // What is aimed at is said as a maker says it.
    let gravity = book
        .gravity()
        .map(|g| Gravity::computed((g.get() * 1e3).round() / 1e3));
    let strength = book
        .strength()
        .map(|s| AbvPercent::computed((s.get() * 10.0).round() / 10.0));
    Ok(Plan {
        gravity: gravity.or(record.plan.gravity),
        strength: strength.or(record.plan.strength),
        style: record.plan.style.clone(),
        nutrient: nutrient.map(|steps| Nutrient { steps, by }),
        rouse: any(What::Rouse) || record.plan.rouse,
        steeps: steeps(record),
        finish,
        fine: any(What::Fine) || record.plan.fine,
        pack: record.plan.pack,
        sparkling: any(What::Carbonate) || record.plan.sparkling,
        goods: goods(record, factor),
    })
}

/// Whether it goes in by what the must weighs, whatever the new mead's pH.
fn scales(of: Substance) -> bool {
    match of {
        Substance::Honey
        | Substance::Sugar
        | Substance::Syrup
        | Substance::Juice
        | Substance::Fruit
        | Substance::Water
        | Substance::DiammoniumPhosphate
        | Substance::Nutrient
        | Substance::Other => true,
        Substance::PotassiumMetabisulphite
        | Substance::SodiumMetabisulphite
        | Substance::PotassiumSorbate
        | Substance::TartaricAcid
        | Substance::MalicAcid
        | Substance::CitricAcid
        | Substance::LacticAcid
        | Substance::PotassiumBicarbonate
        | Substance::PotassiumCarbonate
        | Substance::CalciumCarbonate => false,
    }
}

type Key<'a> = (Substance, &'a str, Option<u64>);

fn key(dose: &Dose) -> Key<'_> {
    let extract = dose.extract.map(|e: MassPercent| e.get().to_bits());
    (dose.of, &dose.name, extract)
}

fn goods(record: &Record, factor: f64) -> Vec<Planned> {
    let before = |d: &&Deed| !record.parents.is_empty() && d.at < record.began;
    let inherited = || record.deeds.iter().filter(before);
    let mut given: HashMap<Key, f64> = HashMap::new();
    for dose in inherited().flat_map(|d| &d.doses) {
        *given.entry(key(dose)).or_default() += dose.mass.get();
    }
    let mut goods: Vec<Planned> = Vec::new();
    let mut add = |with: What, dose: &Dose, share: f64| {
        let mass = dose.mass.get() * share * factor;
        if !scales(dose.of) || mass <= 0.0 {
            return;
        }
        let with = if GOES_IN.contains(&with) {
            with
        } else {
            What::Addition
        };
        // Nutrient goes in step by step; of the rest one thing is weighed in once.
        let same = |p: &&mut Planned| p.with == with && key(&p.dose) == key(dose);
        let known = goods.iter_mut().find(same);
        if let Some(known) = known.filter(|_| with != What::Nutrient) {
            known.dose.mass = Kilograms::computed(known.dose.mass.get() + mass);
            return;
        }
        let mass = Kilograms::computed(mass);
        goods.push(Planned {
            with,
            dose: Dose {
                mass,
                ..dose.clone()
            },
        });
    };
    let received = &record.book.received.doses;
    // What came from meads whose log is not its own past.
    for dose in received.iter().filter(|d| !given.contains_key(&key(d))) {
        add(What::Pitch, dose, record.kept(record.began));
    }
    for deed in &record.deeds {
        let own = !before(&deed);
        for dose in &deed.doses {
            let share = if own {
                1.0
            } else {
                let came = received.iter().find(|r| key(r) == key(dose));
                let all = given.get(&key(dose)).copied().filter(|all| *all > 0.0);
                came.zip(all)
                    .map_or(0.0, |(came, all)| came.mass.get() / all)
            };
            let share = share * record.kept(deed.at.max(record.began));
            add(deed.what, dose, share);
        }
    }
    goods
}

/// Fruit with the time it was in, and whatever else was planned.
fn steeps(record: &Record) -> Vec<Steep> {
    let mut steeps: Vec<Steep> = Vec::new();
    for (n, deed) in record.deeds.iter().enumerate() {
        if !matches!(deed.what, What::Pitch | What::Addition) {
            continue;
        }
        let later = || record.deeds.iter().skip(n + 1);
        let out = later()
            .find(|d| matches!(d.what, What::TakeOut | What::Rack | What::Seal))
            .map(|d| d.at);
        let days = out.map(|out| out.since(deed.at).as_days().round().max(1.0));
        let floats = later().any(|d| d.what == What::PushDown);
        for fruit in deed.doses.iter().filter(|d| d.of == Substance::Fruit) {
            let planned = record
                .plan
                .steeps
                .iter()
                .find(|s| same(&s.name, &fruit.name));
            let name = match fruit.name.trim() {
                "" => "fruit",
                name => name,
            };
            if steeps.iter().any(|s| same(&s.name, name)) {
                continue;
            }
            steeps.push(Steep {
                name: name.to_owned(),
                days: days.map(|d| d.min(f64::from(MOST_DAYS)) as u16),
                push_every: match planned {
                    Some(planned) => planned.push_every,
                    None if floats => PUSH_EVERY,
                    None => 0,
                },
            });
        }
    }
    let told: Vec<String> = steeps.iter().map(|s| s.name.clone()).collect();
    let rest = record.plan.steeps.iter();
    steeps.extend(
        rest.filter(|s| !told.iter().any(|name| same(&s.name, name)))
            .cloned(),
    );
    // No mead on more than that is planned; the goods hold them all.
    steeps.truncate(MOST_STEEPS);
    steeps
}

fn same(a: &str, b: &str) -> bool {
    a.trim().to_lowercase() == b.trim().to_lowercase()
}
