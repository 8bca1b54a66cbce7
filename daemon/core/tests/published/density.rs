//! Water, sucrose, ethanol.

use ebbmark_core::density::{ethanol, sucrose, water};

use crate::{Check, Source};

pub fn sources() -> Vec<Source> {
    vec![tanaka(), crc_sucrose(), oiml()]
}

fn tanaka() -> Source {
    let table = [
        (0.0, 999.8428),
        (4.0, 999.9749),
        (5.0, 999.9668),
        (10.0, 999.7027),
        (15.0, 999.1026),
        (20.0, 998.2067),
        (25.0, 997.0470),
        (30.0, 995.6488),
        (40.0, 992.2152),
    ];
    Source {
        topic: "Density of water",
        source: "Tanaka, Girard, Davis, Peuto, Bignell, Metrologia 38 (2001) 301, table (as typed out in public data)",
        why: "the table's last digit",
        checks: table
            .into_iter()
            .map(|(t, rho)| Check {
                what: format!("water at {t} °C"),
                unit: "kg/m³",
                published: rho,
                ours: water::density(t),
                tolerance: 0.0001,
            })
            .collect(),
    }
}

fn crc_sucrose() -> Source {
    let table = [
        (1.0, 1.0021, 0.0001),
        (5.0, 1.0178, 0.0001),
        (10.0, 1.0381, 0.0001),
        (15.0, 1.0592, 0.0001),
        (20.0, 1.0810, 0.0001),
        (24.0, 1.0990, 0.0001),
        (30.0, 1.1270, 0.0001),
        (40.0, 1.1765, 0.0001),
        (50.0, 1.2295, 0.0002),
        (60.0, 1.2864, 0.0003),
    ];
    Source {
        topic: "Density of sugar solutions",
        source: "CRC Handbook of Chemistry and Physics, 102nd ed. (2021), Concentrative properties of aqueous solutions: sucrose (as typed out in public data)",
        why: "the table's last digit; twice and three times that in syrups",
        checks: table
            .into_iter()
            .map(|(w, rho, tolerance)| Check {
                what: format!("{w} % sucrose by mass at 20 °C"),
                unit: "g/cm³",
                published: rho,
                ours: sucrose::density(w, 20.0) / 1000.0,
                tolerance,
            })
            .collect(),
    }
}

fn oiml() -> Source {
    let table = [
        (10.0, 984.71),
        (20.0, 973.56),
        (30.0, 962.21),
        (40.0, 948.05),
        (50.0, 930.14),
        (80.0, 859.27),
        (95.0, 811.38),
        (100.0, 789.24),
    ];
    Source {
        topic: "Density of ethanol in water",
        source: "OIML R 22 (1975), International Alcoholometric Tables, table at 20 °C (as typed out in public data)",
        why: "the table's last digit",
        checks: table
            .into_iter()
            .map(|(vol, rho)| Check {
                what: format!("{vol} % vol ethanol at 20 °C"),
                unit: "kg/m³",
                published: rho,
                ours: ethanol::density(vol * 789.24 / rho, 20.0),
                tolerance: 0.01,
            })
            .collect(),
    }
}
