//! Carbon dioxide in the room of all that ferments there.

use super::answer::{Amount, Answer, Formula, result, table};
use super::scale::shown;
use super::{Complaints, Fact, Field, Given, Reckoning};
use crate::gas::room::{
    self, DANGER_TO_LIFE, EIGHT_HOURS, FIFTEEN_MINUTES, MOST_GRAMS_A_POINT, Room,
};
use crate::units::{AirChanges, CubicMetres, FallPerDay, GasRate, Hours, Litres, Ppm};

pub static ROOM_GAS: Reckoning = Reckoning {
    key: "room-gas",
    title: "Carbon dioxide in the room",
    says: "How much carbon dioxide the fermenting vessels give off, and what it comes to in the room's air.",
    gate: None,
    fields: &[
        Field::rows(
            "vessels",
            "Fermenting vessels",
            &[
                Field::words("vessel", "Vessel"),
                Field::number::<Litres>("volume", "Volume"),
                Field::number::<FallPerDay>("fall", "Fall").hint("As 0.008 SG a day."),
            ],
            1,
            50,
        )
        .fill(Fact::Fermenting),
        Field::number::<CubicMetres>("room", "Volume of the room")
            .hint("Length by breadth by height, less what stands in it."),
        Field::number::<AirChanges>("air-changes", "Changes of air")
            .usual("0.3 per h")
            .hint("0.3 is a guess for a cellar with its door shut (common practice, no source)."),
        // Common practice, no source; today's air is near it.
        Field::number::<Ppm>("outside", "Carbon dioxide in the air outside").usual("420 ppm"),
    ],
    run,
};

const CAUTION: &str = "Carbon dioxide has no smell worth the name, is heavier than air and can kill in minutes. This is \
     an estimate of the average air, not a gas test and no gas alarm: near the floor, in pits and over \
     vessels it is far higher, in an empty tank nearly pure. Install a fixed alarm; air first; never \
     enter a tank or pit alone, nor to rescue: local codes for confined spaces hold.";

fn run(given: &Given) -> Result<Answer, Complaints> {
    let mut rate = 0.0;
    for row in given.rows("vessels") {
        let (volume, fall): (Litres, FallPerDay) = (row.need("volume")?, row.need("fall")?);
        rate += room::given_off(volume, fall).get();
    }
    let rate = GasRate::computed(rate);
    let most = GasRate::computed(MOST_GRAMS_A_POINT * rate.get());
    let room = Room {
        volume: given.need("room")?,
        air_changes: given.need("air-changes")?,
        outside: given.need("outside")?,
    };
    if room.outside >= EIGHT_HOURS {
        let why = "as much as that is over the limit for a working day before anything ferments";
        return Err(given.complain("outside", why).into());
    }
    let mut limits = table(
        "limits",
        "Limits of exposure, and the average air",
        &[
            ("limit", "Limit"),
            ("what", "What it is"),
            ("reached", "Reached after"),
            ("changes", "Changes of air to stay below"),
            ("air", "Fresh air for that"),
        ],
    );
    for (limit, what) in [
        (EIGHT_HOURS, "average over a working day"),
        (FIFTEEN_MINUTES, "for 15 minutes"),
        (DANGER_TO_LIFE, "dangerous to life or health at once"),
    ] {
        // Outside air was checked to be below every limit.
        let changes = room
            .changes_needed(limit, most)
            .map_or(0.0, AirChanges::get);
        limits = limits.row(vec![
            Amount::of(limit),
            Amount::Words(what.to_owned()),
            match room.reaches(limit, most) {
                Some(time) => Amount::of(time),
                None => Amount::Words("not at this rate".to_owned()),
            },
            Amount::of(AirChanges::computed(changes)),
            Amount::Words(format!(
                "{:.0} m³ an hour",
                (changes * room.volume.get()).ceil()
            )),
        ]);
    }
    let mut answer = Answer::new(sentence(given, &room, rate, most)).result(
        result("rate", "Carbon dioxide given off", rate)
            .between(rate, most)
            .note(format!(
                "{:.2} m³ of gas an hour.",
                room::cubic_metres(rate)
            )),
    );
    if let (Some(steady), Some(high)) = (room.steady(rate), room.steady(most)) {
        answer = answer.result(
            result("steady", "Average air in the end", capped(steady))
                .between(capped(steady), capped(high)),
        );
    }
    let day = room.after(most, room.outside, Hours::computed(24.0));
    Ok(answer
        .result(result("after-a-day", "Average air after a day, at the most", capped(day)))
        .table(limits)
        .how_sure(
            "The gas is within 6 % of what the fall says; the fall itself is as sure as the readings. \
             The changes of air are a guess unless they were measured, and the air of no room is \
             evenly mixed: where gas lies, take several times the average.",
        )
        .formula(Formula {
            name: "gas from a fall of gravity",
            source: "mass balance: the liquid keeps its volume, what it loses in weight is gas, 1.0 to \
                     1.06 g to the litre for each 0.001 SG",
        })
        .formula(Formula {
            name: "a mixed room",
            source: "Burgess 1989, as quoted in Basic Concepts of Industrial Hygiene, p. 163",
        })
        .formula(Formula {
            name: "limits of exposure",
            source: "29 CFR 1910.1000 table Z-1 and NIOSH (May 1994): 5,000 ppm over a working day, \
                     30,000 for 15 minutes, 40,000 dangerous to life; other countries have their own",
        })
        .caution(CAUTION))
}

/// A share of the air cannot be more than all of it.
fn capped(share: Ppm) -> Ppm {
    Ppm::computed(share.get().min(1e6))
}

fn sentence(given: &Given, room: &Room, rate: GasRate, most: GasRate) -> String {
    let given_off = format!(
        "The vessels give off {} of carbon dioxide.",
        shown(given, rate)
    );
    let Some(steady) = room.steady(most) else {
        return format!(
            "{given_off} With no change of air it gathers without end: {} after a day.",
            shown(
                given,
                capped(room.after(most, room.outside, Hours::computed(24.0)))
            )
        );
    };
    let stands = if steady > DANGER_TO_LIFE {
        "above what is dangerous to life or health at once: stay out until it is aired"
    } else if steady > FIFTEEN_MINUTES {
        "above the limit for 15 minutes"
    } else if steady > EIGHT_HOURS {
        "above the limit for a working day"
    } else {
        "below the limit for a working day, as an average of a mixed room"
    };
    format!(
        "{given_off} In the end the air holds as much as {} on average, {stands}.",
        shown(given, capped(steady))
    )
}

#[cfg(test)]
mod tests {
    use crate::reckon::tests::{ask, ask_knowing, value};
    use crate::reckon::{Fact, Filling, Known, Refusal};

    const ONE: [(&str, &str); 3] = [
        ("vessels.1.volume", "200 L"),
        ("vessels.1.fall", "0.010"),
        ("room", "30 m3"),
    ];

    /// 200 L that fall ten points a day in 30 m³ at 0.3 changes an hour, 420 ppm outside: 5 455 ppm,
    /// by the same formulas reckoned apart.
    #[test]
    fn a_cellar() {
        let told = ask("room-gas", &ONE).unwrap();
        assert!((value(&told, "steady") - 5455.0).abs() < 5.0);
        assert!((value(&told, "rate") - 83.33).abs() < 0.01);
        assert!(
            told.sentence.contains("above the limit for a working day"),
            "{}",
            told.sentence
        );
        assert!(told.cautions[0].contains("no gas alarm"));
        assert_eq!(told.tables[0].rows[2][2].text, "not at this rate");
    }

    #[test]
    fn vessels_add_up_and_feet_are_metres() {
        let two = ask(
            "room-gas",
            &[
                &ONE[..2],
                &[
                    ("vessels.2.volume", "200"),
                    ("vessels.2.fall", "0.01"),
                    ("room", "1059.44 cu ft"),
                ],
            ]
            .concat(),
        )
        .unwrap();
        let one = ask("room-gas", &ONE).unwrap();
        assert!((value(&two, "rate") - 2.0 * value(&one, "rate")).abs() < 1e-9);
        assert!(
            (value(&two, "steady") - 420.0 - 2.0 * (value(&one, "steady") - 420.0)).abs() < 0.1
        );
    }

    #[test]
    fn without_air_it_gathers() {
        let told = ask("room-gas", &[&ONE[..], &[("air-changes", "0")]].concat()).unwrap();
        assert!(
            told.sentence.contains("gathers without end"),
            "{}",
            told.sentence
        );
        assert!(told.results.iter().all(|r| r.key != "steady"));
    }

    #[test]
    fn every_vessel_of_the_cellar() {
        let mut known = Known::default();
        let row = |volume: f64, fall| {
            vec![
                ("volume", Filling::Number(volume)),
                ("fall", Filling::Number(fall)),
            ]
        };
        let rows = vec![row(100.0, 0.01), row(100.0, 0.01)];
        known.fill(
            Fact::Fermenting,
            Filling::Rows(rows),
            "the verdicts on every vessel",
        );
        let told = ask_knowing("room-gas", &[("room", "30")], &known).unwrap();
        assert!((value(&told, "rate") - 83.33).abs() < 0.01);
    }

    #[test]
    fn impossible_input_is_named() {
        let said = |fields: &[(&str, &str)]| match ask("room-gas", fields) {
            Err(Refusal::Fields(all)) => all.iter().map(|c| c.say.clone()).collect::<String>(),
            other => panic!("{other:?}"),
        };
        assert!(said(&[("room", "30")]).contains("Fermenting vessels: at least one is needed"));
        assert!(
            said(&[&ONE[..2], &[("room", "0.2")]].concat())
                .contains("room 0.2 is outside 1 to 100000 m³")
        );
        assert!(
            said(&[
                ("vessels.1.volume", "-3"),
                ("vessels.1.fall", "0.01"),
                ("room", "30")
            ])
            .contains("volume -3 is outside")
        );
        assert!(
            said(&[&ONE[..], &[("outside", "6000")]].concat()).contains("outside: as much as that")
        );
    }
}
