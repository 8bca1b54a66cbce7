//! From the record to the card.

use super::said::{all_gone, allergens, drink, sulphites};
use super::{
    Card, Cost, DoseLine, Gravities, Ingredient, Line, Mead, PhRange, Phase, Place, PlaceLine,
    Point, Record, Relative, Step, Strength, Sweetness, Tasting, Temperatures, VERSION, Volumes,
    called,
};
use crate::deed::{Deed, Dose, Substance, What};
use crate::hours::{HOUR_MS, Hour};
use crate::lineage::{Goods, Past, dissolved};
use crate::strength::{from_gravities, of_liquid};
use crate::time::{Moment, Span};
use crate::units::{Celsius, Gravity, Kilograms, Litres};

/// The card of a mead, finished or not, as its record stands.
pub fn card(record: &Record) -> Card {
    let mut card = Card {
        version: VERSION,
        as_of: record.now,
        mead: mead(record),
        places: record.places.iter().map(|p| place(record, p)).collect(),
        parents: record.parents.iter().map(relative).collect(),
        children: record.children.iter().map(relative).collect(),
        ingredients: ingredients(record),
        steps: steps(record),
        gravity: gravities(record),
        strength: strength(record),
        volume: volumes(record),
        temperature: temperatures(record),
        ph: ph(record),
        sweetness: sweetness(record),
        sulphites: sulphites(&record.book),
        allergens: allergens(&record.deeds),
        cost: cost(record),
        tasting: tasting(record),
        curve: curve(record),
        log: log(record),
        missing: Vec::new(),
    };
    card.missing = missing(record, &card);
    card
}

fn mead(record: &Record) -> Mead {
    Mead {
        number: record.number,
        name: record.name.clone(),
        style: record.plan.style.clone(),
        yeast: record.yeast.clone(),
        honey: record.honey.clone(),
        note: record.note.clone(),
        pitched: record.pitched,
        began: record.began,
        ended: record.ended,
        days: record.until().since(record.pitched).as_days(),
    }
}

fn place(record: &Record, place: &Place) -> PlaceLine {
    let until = place.until.unwrap_or(record.now);
    PlaceLine {
        vessel: place.vessel.clone(),
        mead: place.mead.clone(),
        from: place.from,
        until: place.until,
        days: until.since(place.from).as_days(),
    }
}

fn relative(kin: &super::Kin) -> Relative {
    Relative {
        number: kin.number,
        name: kin.name.clone(),
        at: kin.at,
        volume_l: kin.volume,
    }
}

fn ingredients(record: &Record) -> Vec<Ingredient> {
    let book = &record.book;
    let mut all: Vec<Ingredient> = Vec::new();
    for dose in &book.received.doses {
        let poured = dose.mass.get() * (1.0 - record.kept(record.began));
        let row = row(&mut all, dose);
        row.inherited_kg = row.inherited_kg.map(|kg| more(kg, dose.mass.get()));
        row.poured_kg = row.poured_kg.map(|kg| more(kg, poured));
    }
    let own = |deed: &&Deed| record.parents.is_empty() || deed.at >= record.began;
    for deed in record.deeds.iter().filter(own) {
        for dose in &deed.doses {
            let poured = dose.mass.get() * (1.0 - record.kept(deed.at));
            let row = row(&mut all, dose);
            row.own_kg = more(row.own_kg, dose.mass.get());
            row.poured_kg = row.poured_kg.map(|kg| more(kg, poured));
        }
    }
    if !book.sure.shares {
        for row in &mut all {
            row.inherited_kg = row.inherited_kg.filter(|kg| kg.get() <= 0.0);
            row.poured_kg = row.poured_kg.filter(|kg| kg.get() <= 0.0);
        }
    }
    let place = |i: &Ingredient| Substance::ALL.into_iter().position(|of| of == i.of);
    all.sort_by_key(place);
    all
}

fn more(kg: Kilograms, by: f64) -> Kilograms {
    Kilograms::computed(kg.get() + by)
}

/// The row of this thing; a new one when there is none.
fn row<'a>(all: &'a mut Vec<Ingredient>, dose: &Dose) -> &'a mut Ingredient {
    let same =
        |i: &Ingredient| (i.of, &i.name, i.extract_percent) == (dose.of, &dose.name, dose.extract);
    let at = all.iter().position(same).unwrap_or_else(|| {
        let none = Kilograms::computed(0.0);
        all.push(Ingredient {
            of: dose.of,
            name: dose.name.clone(),
            extract_percent: dose.extract,
            own_kg: none,
            inherited_kg: Some(none),
            poured_kg: Some(none),
        });
        all.len() - 1
    });
    &mut all[at]
}

/// When each step began: the pitch, the last time it had settled before anything stopped the yeast
/// or closed it up, and the first time each was done.
fn steps(record: &Record) -> Vec<Step> {
    let first = |whats: &[What]| {
        let done = record.deeds.iter().filter(|d| whats.contains(&d.what));
        done.map(|d| d.at).find(|at| *at >= record.pitched)
    };
    let stopped = first(&[What::Stabilise, What::Pasteurise]);
    let sweetened = first(&[What::Sweeten]);
    let sealed = first(&[What::Seal]);
    let end = record.until();
    let closed = [stopped, sweetened, sealed].into_iter().flatten().min();
    let by = closed.unwrap_or(end);
    let settled = record.settled.iter().copied().filter(|at| *at <= by).max();
    let mut begun: Vec<(Phase, Moment)> = [
        (Phase::Fermenting, Some(record.pitched)),
        (Phase::Settled, settled),
        (Phase::Stabilised, stopped),
        (Phase::Sweetened, sweetened),
        (Phase::Sealed, sealed),
    ]
    .into_iter()
    .filter_map(|(step, at)| Some((step, at?)))
    .collect();
    begun.sort_by_key(|(_, at)| *at);
    let mut nexts: Vec<Option<Moment>> = begun.iter().skip(1).map(|(_, at)| Some(*at)).collect();
    nexts.push(record.ended);
    let lines = begun.into_iter().zip(nexts);
    lines
        .map(|((step, from), until)| Step {
            step,
            from,
            until,
            days: until.unwrap_or(record.now).since(from).as_days(),
        })
        .collect()
}

fn past(record: &Record) -> Past<'_> {
    Past {
        deeds: &record.deeds,
        hours: &record.hours,
        since: None,
    }
}

fn gravities(record: &Record) -> Gravities {
    let brought = record
        .deeds
        .iter()
        .any(|d| d.at >= record.began && is_fed(d));
    let carried = brought || record.parents.len() > 1;
    Gravities {
        original_sg: record.original,
        with_additions_sg: record.book.original().filter(|_| carried),
        last_sg: past(record)
            .gravity_at(record.until())
            .or(record.book.gravity().filter(|_| read_at_all(record))),
    }
}

fn read_at_all(record: &Record) -> bool {
    record.hours.iter().any(|h| h.gravity.is_some())
        || record.deeds.iter().any(|d| d.read().is_some())
}

/// Whether something was put in that brings sugar or water. What went in with the yeast was in when
/// the original gravity was measured.
fn is_fed(deed: &Deed) -> bool {
    deed.what != What::Pitch && deed.doses.iter().any(|d| dissolved(d).is_some())
}

fn strength(record: &Record) -> Strength {
    let read = read_at_all(record);
    let plain = record.parents.len() < 2 && !record.deeds.iter().any(is_fed);
    let last = past(record).gravity_at(record.until());
    let two = record.original.zip(last).filter(|_| plain);
    Strength {
        by_mass_percent: drink(&record.book)
            .liquid
            .strength()
            .ok()
            .filter(|_| read && record.book.sure.makeup),
        by_gravities_percent: two
            .and_then(|(original, last)| from_gravities(original, last).ok())
            .map(|s| s.by_volume),
    }
}

fn volumes(record: &Record) -> Volumes {
    let book = &record.book;
    let of = |goods: &Goods| {
        let volume = goods.liquid.volume().ok();
        volume.filter(|_| book.sure.volume)
    };
    let received = of(&book.received);
    Volumes {
        began_l: if record.parents.is_empty() {
            record.volume
        } else {
            received
        },
        poured_l: of(&book.poured),
        lost_l: of(&book.lost),
        made_l: book.volume(),
    }
}

fn temperatures(record: &Record) -> Option<Temperatures> {
    let end = steps(record)
        .into_iter()
        .find(|s| s.step == Phase::Fermenting)?
        .until
        .unwrap_or(record.until());
    let while_it_fermented =
        |h: &&Hour| h.index * HOUR_MS >= record.pitched.0 && h.index * HOUR_MS < end.0;
    let hours = record.hours.iter().filter(while_it_fermented);
    let warmth: Vec<_> = hours.filter_map(|h| h.temperature).collect();
    Some(Temperatures {
        lowest_c: warmth
            .iter()
            .map(|t| t.min)
            .min_by(f64::total_cmp)
            .map(Celsius::computed)?,
        median_c: median(warmth.iter().map(|t| t.median).collect()).map(Celsius::computed)?,
        highest_c: warmth
            .iter()
            .map(|t| t.max)
            .max_by(f64::total_cmp)
            .map(Celsius::computed)?,
    })
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    let upper = *values.get(middle)?;
    if values.len() % 2 == 1 {
        return Some(upper);
    }
    Some(f64::midpoint(*values.get(middle - 1)?, upper))
}

fn ph(record: &Record) -> Option<PhRange> {
    let read = || record.deeds.iter().filter_map(|d| d.ph);
    Some(PhRange {
        first: read().next()?,
        last: read().next_back()?,
    })
}

fn sweetness(record: &Record) -> Option<Sweetness> {
    let known = record.book.sure.makeup && read_at_all(record);
    let mead = of_liquid(drink(&record.book).liquid).ok();
    let mead = mead.filter(|_| known)?;
    Some(Sweetness {
        residual_extract_g_per_l: mead.extract,
        energy_kcal_per_100ml: mead.energy,
    })
}

fn cost(record: &Record) -> Option<Cost> {
    let (book, prices) = (&record.book, &record.prices);
    if prices.list.is_empty() || !book.sure.shares || all_gone(book) {
        return None;
    }
    let in_all = book.holds.cost;
    let litres = book.volume().map(Litres::get).filter(|v| *v > 0.0);
    let per_litre = litres.map(|l| in_all / l);
    let sealed = record.deeds.iter().rev().find(|d| d.what == What::Seal);
    let bottle = prices.of_bottle(sealed.map_or(record.until(), |d| d.at));
    let size = prices.bottle.get();
    Some(Cost {
        money: prices.money.clone(),
        in_all,
        per_litre,
        bottle_l: prices.bottle,
        per_bottle: per_litre.map(|each| each * size + bottle.unwrap_or(0.0)),
        with_bottle: bottle.is_some(),
        without_price: without_price(record),
    })
}

/// What is in it and has no price, each once.
fn without_price(record: &Record) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    let own = record.deeds.iter();
    let own = own.flat_map(|deed| deed.doses.iter().map(|dose| (dose, deed.at)));
    let own: Vec<(&Dose, Moment)> = own.collect();
    // Of what came from meads whose log is not its own past only that it came is known.
    let told = |dose: &&Dose| {
        own.iter()
            .any(|(d, _)| (d.of, &d.name) == (dose.of, &dose.name))
    };
    let others = record.book.received.doses.iter().filter(|d| !told(d));
    let others = others.map(|dose| (dose, record.began));
    for (dose, at) in own.iter().copied().chain(others) {
        let name = called(dose.of, &dose.name);
        if record.prices.of(dose, at).is_none() && !names.contains(&name) {
            names.push(name);
        }
    }
    names
}

fn tasting(record: &Record) -> Vec<Tasting> {
    let tasted = record.deeds.iter().filter(|d| d.what == What::Taste);
    tasted
        .map(|d| Tasting {
            at: d.at,
            note: d.note.clone(),
        })
        .collect()
}

/// Medians of each day's hours, days counted from the pitch.
fn curve(record: &Record) -> Vec<Point> {
    let mut points: Vec<Point> = Vec::new();
    let end = record.until();
    let hours = record.hours.iter();
    let within = hours.filter(|h| {
        let at = h.index * HOUR_MS;
        at >= record.pitched.0 && at <= end.0
    });
    let day = |h: &Hour| Moment(h.index * HOUR_MS).since(record.pitched).0 / Span::days(1).0;
    let hours: Vec<&Hour> = within.collect();
    for of_a_day in hours.chunk_by(|a, b| day(a) == day(b)) {
        let gravity = of_a_day.iter().filter_map(|h| Some(h.gravity?.median));
        let warmth = of_a_day.iter().filter_map(|h| Some(h.temperature?.median));
        let (gravity, warmth) = (median(gravity.collect()), median(warmth.collect()));
        if gravity.is_none() && warmth.is_none() {
            continue;
        }
        points.push(Point {
            day: of_a_day
                .first()
                .map_or(0, |h| u32::try_from(day(h)).unwrap_or(0)),
            gravity_sg: gravity.map(Gravity::computed),
            temperature_c: warmth.map(Celsius::computed),
        });
    }
    points
}

fn log(record: &Record) -> Vec<Line> {
    let past = past(record);
    let line = |d: &Deed| Line {
        at: d.at,
        what: d.what,
        inherited: d.at < record.began,
        gravity_sg: d.gravity,
        // What was read in that very instant is of the line itself.
        gravity_before_sg: past.gravity_at(Moment(d.at.0.saturating_sub(1))),
        temperature_c: d.temperature,
        ph: d.ph,
        volume_l: d.volume,
        doses: d.doses.iter().map(dose_line).collect(),
        note: d.note.clone(),
        despite: d.despite.clone(),
    };
    record.deeds.iter().map(line).collect()
}

fn dose_line(dose: &Dose) -> DoseLine {
    DoseLine {
        of: dose.of,
        name: dose.name.clone(),
        mass_kg: dose.mass,
        extract_percent: dose.extract,
    }
}

fn missing(record: &Record, card: &Card) -> Vec<String> {
    let tells = [
        (
            card.gravity.original_sg.is_some(),
            "no original gravity on record",
        ),
        (card.gravity.last_sg.is_some(), "no gravity was read"),
        (
            card.volume.began_l.is_some(),
            "no volume of the must on record",
        ),
        (
            record.book.sure.shares,
            "how much was poured off was not measured, so what came along and what it cost is not known",
        ),
        (
            card.gravity.last_sg.is_none() || card.strength.by_mass_percent.is_some(),
            "the strength cannot be told from what is on record",
        ),
        (
            !card.ingredients.is_empty(),
            "nothing that went in was weighed",
        ),
        (
            card.temperature.is_some(),
            "no temperature was read while it fermented",
        ),
        (card.ph.is_some(), "no pH was measured"),
        (!card.tasting.is_empty(), "no tasting on record"),
        (
            card.steps.iter().any(|s| s.step == Phase::Settled),
            "no verdict on record that it had settled",
        ),
    ];
    let mut missing: Vec<String> = tells
        .into_iter()
        .filter(|(told, _)| !told)
        .map(|(_, says)| says.to_owned())
        .collect();
    match &card.cost {
        None if record.prices.list.is_empty() => {
            missing.push("no prices are on the list".to_owned())
        }
        Some(cost) if !cost.without_price.is_empty() => {
            missing.push(format!("no price of {}", cost.without_price.join(", ")));
        }
        _ => {}
    }
    missing
}
