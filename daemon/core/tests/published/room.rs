//! Carbon dioxide in a room.

use ebbmark_core::gas::room::{self, Room};
use ebbmark_core::units::{AirChanges, CubicMetres, GasRate, Hours, Ppm};

use crate::{Check, Source};

pub fn sources() -> Vec<Source> {
    vec![limits(), mixed_room()]
}

fn limits() -> Source {
    let table = [
        ("29 CFR 1910.1000, eight hours", room::EIGHT_HOURS, 9_000.0),
        (
            "NIOSH recommended limit, a working day",
            room::EIGHT_HOURS,
            9_000.0,
        ),
        (
            "NIOSH short-term limit, 15 min",
            room::FIFTEEN_MINUTES,
            54_000.0,
        ),
    ];
    Source {
        topic: "Limits of exposure to carbon dioxide",
        source: "NIOSH, Immediately Dangerous to Life or Health: carbon dioxide (May 1994)",
        why: "printed in whole thousands",
        checks: table
            .into_iter()
            .map(|(what, limit, mg)| Check {
                what: format!("{what}: {} ppm", limit.get()),
                unit: "mg/m³",
                published: mg,
                ours: room::milligrams_per_cubic_metre(limit),
                tolerance: 50.0,
            })
            .collect(),
    }
}

fn mixed_room() -> Source {
    let table = [
        (0.5, [0.1599, 0.3070, 0.5669, 0.9732, 1.4728]),
        (1.0, [0.1535, 0.2835, 0.4866, 0.7364, 0.9305]),
        (4.0, [0.1216, 0.1841, 0.2326, 0.2488, 0.2500]),
    ];
    let minutes = [10.0, 20.0, 40.0, 80.0, 160.0];
    // The table feeds a volume of 1 with 1 an hour; so does a room of 1000 m³ with a thousandth of
    // its volume, told in parts of a thousand.
    let share = |changes: f64, minutes: f64| {
        let room = Room {
            volume: CubicMetres::computed(1000.0),
            air_changes: AirChanges::computed(changes),
            outside: Ppm::computed(0.0),
        };
        // A cubic metre an hour of pure gas, by its density of 1.839 kg/m³.
        let rate = GasRate::computed(1839.0);
        let time = Hours::computed(minutes / 60.0);
        room.after(rate, Ppm::computed(0.0), time).get() / 1000.0
    };
    Source {
        topic: "A mixed room",
        source: "engineeringtoolbox.com, pollution concentration in a room, table",
        why: "the table's last digit",
        checks: table
            .into_iter()
            .flat_map(|(changes, row)| {
                minutes
                    .into_iter()
                    .zip(row)
                    .map(move |(min, published)| Check {
                        what: format!("{changes} changes of air an hour, after {min} min"),
                        unit: "",
                        published,
                        ours: share(changes, min),
                        tolerance: 0.000_051,
                    })
            })
            .collect(),
    }
}
