use super::*;
use crate::deed::{Deed, Dose, Substance, What};
use crate::liquid::Liquid;
use crate::time::Span;
use crate::units::{AbvPercent, Kilograms, MassPercent};

const START: Moment = Moment(1_772_000_000_000);

fn day(n: i64) -> Moment {
    START + Span::days(n)
}

fn g(sg: f64) -> Gravity {
    Gravity::new(sg).unwrap()
}

fn l(litres: f64) -> Option<Litres> {
    Litres::new(litres).ok()
}

fn dose(of: Substance, kg: f64) -> Dose {
    Dose {
        of,
        mass: Kilograms::new(kg).unwrap(),
        name: String::new(),
        extract: (of == Substance::Honey).then(|| MassPercent::new(82.0).unwrap()),
    }
}

fn must(volume: Option<Litres>, gravity: f64, steps: Vec<(Moment, Step)>) -> Mead {
    let gravity = Some(g(gravity));
    let must = Must {
        volume,
        gravity,
        cost: 100.0,
    };
    Mead {
        must: Some(must),
        steps,
    }
}

fn of_parts(steps: Vec<(Moment, Step)>) -> Mead {
    Mead { must: None, steps }
}

fn share(parent: usize, child: usize, days: i64, volume: Option<Litres>) -> Share {
    Share {
        parent,
        child,
        at: day(days),
        volume,
    }
}

/// Strength by two gravities alone, as if nothing had been split.
fn strength(original: f64, now: f64) -> f64 {
    let must = Liquid::must(Litres::computed(1.0), g(original)).unwrap();
    let mead = must.ferment_to(g(now)).unwrap().liquid;
    mead.strength().unwrap().get()
}

/// 20 L are given 4 g of sulphite, 5 L are split off, the rest is racked to 12 L: by hand, the
/// part has 1 g of it and a quarter of the cost, and the loss took 3 L of 15.
#[test]
fn a_part_takes_its_share_of_everything() {
    let sulphite = Goods {
        doses: vec![dose(Substance::PotassiumMetabisulphite, 0.004)],
        cost: 2.0,
        ..Goods::default()
    };
    let whole = must(
        l(20.0),
        1.100,
        vec![
            (day(8), Step::Reads(g(1.010))),
            // The gas that left and the settled yeast had made it a little less.
            (day(8), Step::Holds(Litres::computed(20.0))),
            (day(9), Step::In(sulphite)),
            (day(12), Step::Holds(Litres::computed(12.0))),
        ],
    );
    let part = of_parts(vec![(day(20), Step::Reads(g(1.002)))]);
    let books = carry(&[whole, part], &[share(0, 1, 10, l(5.0))], day(30));
    let [whole, part] = &books[..] else { panic!() };
    let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} {b}");
    near(part.holds.cost, 25.5);
    near(part.holds.doses[0].mass.get(), 0.001);
    near(part.strength().unwrap().get(), strength(1.100, 1.002));
    near(part.original().unwrap().get(), 1.100);
    near(whole.volume().unwrap().get(), 12.0);
    near(whole.strength().unwrap().get(), strength(1.100, 1.010));
    near(whole.holds.cost, 102.0 * 0.75);
    near(whole.lost.cost, 0.0);
    // Sulphur dioxide is 2·64.064/222.32 of the salt by mass (IUPAC); of 2.4 g in 12 L.
    let so_far = whole.given_per_litre(sulphur_dioxide).unwrap().get();
    assert!((so_far - 200.0 * 0.5763).abs() < 0.01);
}

/// Three meads of known strength: the blend holds the sum of their ethanol and sugar.
#[test]
fn a_blend_is_the_sum_of_its_parts() {
    let of = |gravity, abv| {
        Liquid::mead(
            Litres::computed(1.0),
            g(gravity),
            AbvPercent::new(abv).unwrap(),
        )
        .unwrap()
    };
    let made = |original: f64, now: f64| {
        let steps = vec![
            (day(5), Step::Reads(g(now))),
            (day(5), Step::Holds(Litres::computed(20.0))),
        ];
        must(l(20.0), original, steps)
    };
    let meads = [
        made(1.100, 1.000),
        made(1.080, 1.020),
        made(1.120, 1.040),
        of_parts(Vec::new()),
    ];
    let shares = [
        share(0, 3, 6, l(10.0)),
        share(1, 3, 6, l(4.0)),
        share(2, 3, 6, l(6.0)),
    ];
    let books = carry(&meads, &shares, day(6));
    let parts = [
        (1.100, 1.000, 10.0),
        (1.080, 1.020, 4.0),
        (1.120, 1.040, 6.0),
    ];
    let by_hand = parts.iter().fold(Liquid::NOTHING, |sum, (o, now, litres)| {
        sum.with(of(*now, strength(*o, *now)).times(*litres))
    });
    let blend = &books[3];
    let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} {b}");
    near(
        blend.strength().unwrap().get(),
        by_hand.strength().unwrap().get(),
    );
    near(
        blend.gravity().unwrap().get(),
        by_hand.gravity().unwrap().get(),
    );
    near(blend.holds.cost, 50.0 + 20.0 + 30.0);
    let asked: Vec<(&Book, Option<Litres>)> = books[..3]
        .iter()
        .zip([4.0, 2.0, 4.0])
        .map(|(book, litres)| (book, l(litres)))
        .collect();
    assert!(together(&asked).strength().is_some());
    // Volumes do not add, but nearly.
    let volume = blend.volume().unwrap().get();
    assert!((19.95..20.05).contains(&volume), "{volume}");
}

#[test]
fn without_volumes_strength_is_known_and_shares_are_not() {
    let sulphite = Goods {
        doses: vec![dose(Substance::SodiumMetabisulphite, 0.002)],
        ..Goods::default()
    };
    let whole = must(
        None,
        1.100,
        vec![
            (day(3), Step::In(sulphite)),
            (day(9), Step::Reads(g(1.010))),
        ],
    );
    let meads = [
        whole,
        of_parts(Vec::new()),
        must(l(10.0), 1.08, Vec::new()),
        of_parts(Vec::new()),
    ];
    let shares = [
        share(0, 1, 10, l(5.0)),
        share(1, 3, 11, None),
        share(2, 3, 11, l(3.0)),
    ];
    let books = carry(&meads, &shares, day(10));
    let part = &books[1];
    assert!((part.strength().unwrap().get() - strength(1.100, 1.010)).abs() < 1e-9);
    assert!((part.volume().unwrap().get() - 5.0).abs() < 1e-9);
    assert_eq!(part.given_per_litre(sulphur_dioxide), None);
    assert_eq!(books[0].volume(), None);
    // How strong a blend with an unmeasured part is, nobody can say.
    let blend = &carry(&meads, &shares, day(11))[3];
    assert_eq!((blend.strength(), blend.volume()), (None, None));
}

#[test]
fn a_log_that_cannot_have_been_leaves_the_makeup_unknown_and_the_rest_known() {
    let rises = must(l(10.0), 1.05, vec![(day(2), Step::Reads(g(1.09)))]);
    let books = carry(
        &[rises, of_parts(Vec::new())],
        &[share(0, 1, 3, l(4.0))],
        day(4),
    );
    for (book, volume) in books.iter().zip([6.0, 4.0]) {
        assert_eq!((book.strength(), book.gravity()), (None, None));
        assert!((book.volume().unwrap().get() - volume).abs() < 1e-9);
    }
}

/// More than the record explains was poured off: the mead still adds up.
#[test]
fn what_was_found_is_told() {
    let books = carry(
        &[must(l(10.0), 1.05, Vec::new()), of_parts(Vec::new())],
        &[share(0, 1, 3, l(10.5))],
        day(4),
    );
    assert!((books[1].volume().unwrap().get() - 10.5).abs() < 1e-9);
    assert!((books[0].found.volume().unwrap().get() - 0.5).abs() < 1e-9);
    assert!(books[0].holds.liquid.mass().get() < 1e-9);
}

fn line(days: i64, what: What, sg: Option<f64>, doses: Vec<Dose>) -> Deed {
    Deed {
        gravity: sg.map(g),
        doses,
        ..Deed::new(day(days), what)
    }
}

#[test]
fn steps_come_from_the_log() {
    let honey = || vec![dose(Substance::Honey, 1.0)];
    let mut racked = line(
        9,
        What::Rack,
        Some(1.004),
        vec![dose(Substance::PotassiumMetabisulphite, 0.001)],
    );
    racked.volume = l(18.0);
    let deeds = [
        line(0, What::Pitch, Some(1.090), honey()),
        line(4, What::HandReading, Some(1.030), Vec::new()),
        line(5, What::Addition, None, honey()),
        line(
            6,
            What::Nutrient,
            None,
            vec![dose(Substance::Nutrient, 0.01)],
        ),
        racked,
    ];
    let past = Past {
        deeds: &deeds,
        hours: &[],
        since: None,
    };
    let steps = past.steps(&[day(6), day(10)], |d, _| 8.0 * d.mass.get());
    let told: Vec<(i64, &str)> = steps
        .iter()
        .map(|(at, step)| {
            let kind = match step {
                Step::Reads(sg) if sg.get() == 1.030 => "reads 1.030",
                Step::Reads(sg) if sg.get() == 1.004 => "reads 1.004",
                Step::Reads(_) => "reads something else",
                Step::In(goods) if goods.liquid == Liquid::NOTHING => "dry in",
                Step::In(_) => "in",
                Step::Holds(_) => "holds",
                Step::Out(_) => "out",
            };
            ((at.0 - START.0) / Span::days(1).0, kind)
        })
        .collect();
    assert_eq!(
        told,
        [
            // In the gravity the must was measured at.
            (0, "dry in"),
            (5, "reads 1.030"),
            (5, "in"),
            (6, "dry in"),
            (9, "reads 1.004"),
            (9, "holds"),
            (9, "dry in"),
            // Nothing was read between the honey and day 6.
            (10, "reads 1.004"),
        ]
    );
    let later = Past {
        since: Some(day(7)),
        ..past
    };
    assert_eq!(later.steps(&[], |_, _| 0.0).len(), 3);
    assert_eq!(later.gravity_at(day(8)), None);
    assert_eq!(later.gravity_at(day(9)), Some(g(1.004)));
}

#[test]
fn a_jars_gravity_is_not_the_vessels() {
    let honey = vec![dose(Substance::Honey, 1.0)];
    let jar = |days| line(days, What::TestFerment, Some(0.996), Vec::new());
    let with = |jars: bool| {
        let mut deeds = vec![
            line(4, What::HandReading, Some(1.030), Vec::new()),
            line(6, What::Addition, None, honey.clone()),
            line(9, What::HandReading, Some(1.020), Vec::new()),
        ];
        if jars {
            deeds.extend([jar(5), jar(8), jar(10)]);
            deeds.sort_by_key(|d| d.at);
        }
        let past = Past {
            deeds: &deeds,
            hours: &[],
            since: None,
        };
        let read = [5, 7, 8, 10, 11].map(|d| past.gravity_at(day(d)));
        (read, past.steps(&[day(5), day(11)], |_, _| 0.0))
    };
    assert_eq!(with(true), with(false));
    assert_eq!(
        with(true).0,
        [Some(g(1.030)), None, None, Some(g(1.020)), Some(g(1.020))]
    );
}

/// A float that lay in water before the must was there tells nothing of it.
#[test]
fn what_was_read_before_the_pitch_ferments_nothing() {
    let pitch = Deed {
        volume: l(20.0),
        ..Deed::new(day(1), What::Pitch)
    };
    let past = Past {
        deeds: &[pitch],
        hours: &[],
        since: None,
    };
    let hand = Deed {
        gravity: Some(g(1.0)),
        ..Deed::new(day(0), What::HandReading)
    };
    let with = Past {
        deeds: &[hand, past.deeds[0].clone()],
        ..past
    };
    assert_eq!(with.steps(&[], |_, _| 0.0), past.steps(&[], |_, _| 0.0));
}
