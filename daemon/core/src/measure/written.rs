//! The units each quantity may be written in.

use super::{Scale, Unit, Written};
use crate::density;
use crate::units::{
    Gravity, GravityScale, LITRES_PER_IMPERIAL_GALLON, LITRES_PER_US_GALLON, MassScale,
    Preferences, PressureScale, TemperatureScale, VolumeScale,
};

/// Exact by definition (international avoirdupois pound).
const KILOGRAMS_PER_POUND: f64 = 0.453_592_37;
/// One pound-force to the square inch, bar (from the pound, the inch and standard gravity, all exact).
const BAR_PER_PSI: f64 = 0.068_947_572_931_683_6;

const fn times(
    sign: &'static str,
    names: &'static [&'static str],
    places: usize,
    each: f64,
) -> Unit {
    Unit {
        sign,
        names,
        places,
        trimmed: false,
        scale: Scale::Times(each),
    }
}

/// One unit only.
const fn only(units: &'static [Unit]) -> Written {
    Written {
        units,
        bare: first,
        shown: first_shown,
    }
}

fn first(_: Preferences) -> usize {
    0
}

fn first_shown(_: f64, _: Preferences) -> usize {
    0
}

/// A gravity said aloud: "1052" can be no other reading.
fn gravity_said(v: f64) -> f64 {
    if (950.0..=1250.0).contains(&v) {
        v / 1000.0
    } else {
        v
    }
}

fn itself(v: f64) -> f64 {
    v
}

/// Extract to SG; what lies outside stays outside, so that the range check names it.
fn sg_from_plato(p: f64) -> f64 {
    if (-15.0..=50.0).contains(&p) {
        density::gravity_of_extract(p)
    } else {
        f64::NAN
    }
}

fn plato_from_sg(g: f64) -> f64 {
    density::plato_from_gravity(Gravity::computed(g)).get()
}

pub(crate) fn fahrenheit_to_celsius(f: f64) -> f64 {
    (f - 32.0) / 1.8
}

pub(crate) fn celsius_to_fahrenheit(c: f64) -> f64 {
    c * 1.8 + 32.0
}

fn sg_from_density(d: f64) -> f64 {
    d / density::water::density(20.0)
}

fn density_from_sg(g: f64) -> f64 {
    g * density::water::density(20.0)
}

pub static GRAVITY: Written = Written {
    units: &[
        Unit {
            sign: "SG",
            names: &["sg"],
            places: 4,
            trimmed: false,
            scale: Scale::By {
                to_plain: gravity_said,
                from_plain: itself,
            },
        },
        Unit {
            sign: "°P",
            names: &["p", "plato"],
            places: 2,
            trimmed: false,
            scale: Scale::By {
                to_plain: sg_from_plato,
                from_plain: plato_from_sg,
            },
        },
        Unit {
            sign: "°Bx",
            names: &["bx", "brix"],
            places: 2,
            trimmed: false,
            scale: Scale::By {
                to_plain: sg_from_plato,
                from_plain: plato_from_sg,
            },
        },
    ],
    bare: |p| match p.gravity {
        GravityScale::SpecificGravity => 0,
        GravityScale::Plato => 1,
        GravityScale::Brix => 2,
    },
    shown: |_, p| (GRAVITY.bare)(p),
};

pub static PLATO: Written = only(&[times("°P", &["p", "plato", "bx", "brix"], 2, 1.0)]);
pub static BRIX: Written = only(&[times("°Bx", &["bx", "brix"], 2, 1.0)]);
pub static REFRACTIVE: Written = only(&[times("nD", &["nd", "n"], 5, 1.0)]);

pub static TEMPERATURE: Written = Written {
    units: &[
        times("°C", &["c"], 1, 1.0),
        Unit {
            sign: "°F",
            names: &["f"],
            places: 1,
            trimmed: false,
            scale: Scale::By {
                to_plain: fahrenheit_to_celsius,
                from_plain: celsius_to_fahrenheit,
            },
        },
    ],
    bare: |p| match p.temperature {
        TemperatureScale::Celsius => 0,
        TemperatureScale::Fahrenheit => 1,
    },
    shown: |_, p| (TEMPERATURE.bare)(p),
};

pub static DEGREES: Written = only(&[times("degrees", &["degrees", "deg"], 1, 1.0)]);

pub static VOLUME: Written = Written {
    units: &[
        times("L", &["l", "litre", "litres", "liter", "liters"], 2, 1.0),
        times("mL", &["ml"], 0, 1e-3),
        times("hL", &["hl"], 3, 100.0),
        times("US gal", &["usgal", "gal"], 2, LITRES_PER_US_GALLON),
        times("imp gal", &["impgal", "gal"], 2, LITRES_PER_IMPERIAL_GALLON),
    ],
    bare: |p| match p.volume {
        VolumeScale::Litres => 0,
        VolumeScale::UsGallons => 3,
        VolumeScale::ImperialGallons => 4,
    },
    // A dose of solution is measured out in millilitres whatever the vessel is.
    shown: |v, p| if v.abs() < 0.5 { 1 } else { (VOLUME.bare)(p) },
};

pub static MILLILITRES: Written = only(&[times("mL", &["ml"], 1, 1.0)]);
pub static NORMALITY: Written = only(&[times("N", &["n", "mol/l", "m"], 4, 1.0)]);

pub static MASS: Written = Written {
    units: &[
        times("kg", &["kg"], 3, 1.0),
        times("g", &["g", "gram", "grams"], 1, 1e-3),
        times("mg", &["mg"], 0, 1e-6),
        times("lb", &["lb", "lbs"], 3, KILOGRAMS_PER_POUND),
        times("oz", &["oz"], 2, KILOGRAMS_PER_POUND / 16.0),
        // Only shown: a dose above 10 g was weighed to the gram.
        Unit {
            trimmed: true,
            ..times("g", &[], 1, 1e-3)
        },
    ],
    bare: |p| match p.mass {
        MassScale::Kilograms => 0,
        MassScale::Pounds => 3,
    },
    // Doses are weighed in grams whatever the honey is bought in.
    shown: |v, p| match p.mass {
        _ if v.abs() < 0.009_95 => 1,
        _ if v.abs() < 0.0995 => 5,
        MassScale::Kilograms if v.abs() < 0.9995 => 5,
        MassScale::Kilograms => 0,
        MassScale::Pounds => 3,
    },
};

pub static DENSITY: Written = Written {
    units: &[
        times("kg/m³", &["kg/m3", "kg/m³", "g/l"], 2, 1.0),
        Unit {
            sign: "SG",
            names: &["sg"],
            places: 4,
            trimmed: false,
            scale: Scale::By {
                to_plain: density_from_sg,
                from_plain: sg_from_density,
            },
        },
    ],
    bare: first,
    shown: first_shown,
};

pub static STRENGTH: Written = only(&[times("% vol", &["%", "%vol", "vol%", "vol"], 2, 1.0)]);
pub static MASS_PERCENT: Written = only(&[times(
    "% by mass",
    &["%", "%mass", "%bymass", "g/100g"],
    2,
    1.0,
)]);
pub static PERCENT: Written = only(&[times("%", &["%"], 1, 1.0)]);
pub static GRAMS_PER_LITRE: Written = only(&[
    times("g/L", &["g/l"], 2, 1.0),
    times("g/100 mL", &["g/100ml"], 3, 10.0),
    times("mg/L", &["mg/l"], 0, 1e-3),
]);
pub static MG_PER_LITRE: Written = only(&[
    times("mg/L", &["mg/l", "ppm"], 1, 1.0),
    times("g/L", &["g/l"], 3, 1000.0),
]);
pub static PH: Written = only(&[times("", &["ph"], 2, 1.0)]);

const fn pressure(names: [&'static [&'static str]; 2], signs: [&'static str; 2]) -> [Unit; 2] {
    [
        times(signs[0], names[0], 2, 1.0),
        times(signs[1], names[1], 1, BAR_PER_PSI),
    ]
}

static GAUGE_UNITS: [Unit; 2] = pressure([&["bar"], &["psi", "psig"]], ["bar", "psi"]);
static ABSOLUTE_UNITS: [Unit; 2] = pressure(
    [&["bar", "barabsolute"], &["psi", "psia"]],
    ["bar absolute", "psi absolute"],
);

pub static PRESSURE: Written = Written {
    units: &GAUGE_UNITS,
    bare: preferred_pressure,
    shown: |_, p| preferred_pressure(p),
};
pub static PRESSURE_ABSOLUTE: Written = Written {
    units: &ABSOLUTE_UNITS,
    bare: preferred_pressure,
    shown: |_, p| preferred_pressure(p),
};

fn preferred_pressure(p: Preferences) -> usize {
    match p.pressure {
        PressureScale::Bar => 0,
        PressureScale::Psi => 1,
    }
}

pub static VOLUMES: Written = only(&[times("volumes", &["vol", "vols", "volumes"], 2, 1.0)]);
pub static HOURS: Written = only(&[
    times("h", &["h", "hour", "hours"], 1, 1.0),
    times("days", &["d", "day", "days"], 1, 24.0),
    times("min", &["min", "minute", "minutes"], 0, 1.0 / 60.0),
]);
pub static MINUTES: Written = only(&[
    times("min", &["min", "minute", "minutes"], 1, 1.0),
    times("h", &["h", "hour", "hours"], 2, 60.0),
    times("s", &["s", "second", "seconds"], 0, 1.0 / 60.0),
]);
pub static PASTEUR_UNITS: Written = only(&[times("PU", &["pu"], 1, 1.0)]);
pub static ROOM: Written = only(&[
    times("m³", &["m3", "m³"], 1, 1.0),
    times("cu ft", &["cuft", "ft3", "ft³"], 0, 0.028_316_846_592),
]);
pub static AIR_CHANGES: Written = only(&[times("per h", &["perh", "/h"], 2, 1.0)]);
pub static PPM: Written = only(&[
    times("ppm", &["ppm"], 0, 1.0),
    times("%", &["%"], 2, 10_000.0),
]);
pub static FALL: Written = only(&[times("SG a day", &["sg", "sgaday"], 4, 1.0)]);
pub static ENERGY: Written = only(&[times("kcal/100 mL", &["kcal", "kcal/100ml"], 0, 1.0)]);
pub static FALL_IN_ALL: Written = only(&[
    times("SG", &["sg"], 4, 1.0),
    times("points", &["point", "points"], 1, 0.001),
]);
pub static GAS_RATE: Written = only(&[times("g/h", &["g/h"], 1, 1.0)]);
pub static HEIGHT: Written = only(&[
    times("m", &["m", "metre", "metres", "meter", "meters"], 0, 1.0),
    times("ft", &["ft", "feet"], 0, 0.3048),
]);
pub static COUNT: Written = only(&[times("", &[], 0, 1.0)]);
