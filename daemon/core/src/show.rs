//! Numbers, times and quantities as the maker likes to read them.

use jiff::ZonedDateTime;
use jiff::tz::TimeZone;

use crate::density::plato_from_gravity;
use crate::time::{Moment, Span};
use crate::units::{
    Celsius, Gravity, GravityScale, LITRES_PER_IMPERIAL_GALLON, LITRES_PER_US_GALLON, Litres,
    Preferences, Quantity, TemperatureScale, VolumeScale,
};

/// "1.0524", "12.94 °P", "12.94 °Bx".
pub fn gravity(g: Gravity, p: Preferences) -> String {
    Gravity::MEASURE.show(g.get(), p)
}

/// A difference of gravity near a gravity, without a sign for a fall: "0.0021", "0.53 °P".
pub fn gravity_step(sg: f64, near: Gravity, p: Preferences) -> String {
    let degrees = || {
        let above = Gravity::computed(near.get() + sg);
        plato_from_gravity(above).get() - plato_from_gravity(near).get()
    };
    // Adding zero turns -0.0 into 0.0, so that no "-0.0000" is ever shown.
    let rounded = |v: f64, scale: f64| (v * scale).round() / scale + 0.0;
    match p.gravity {
        GravityScale::SpecificGravity => format!("{:.4}", rounded(sg, 1e4)),
        GravityScale::Plato => format!("{:.2} °P", rounded(degrees(), 1e2)),
        GravityScale::Brix => format!("{:.2} °Bx", rounded(degrees(), 1e2)),
    }
}

/// "18.5 °C", "65.3 °F".
pub fn temperature(t: Celsius, p: Preferences) -> String {
    Celsius::MEASURE.show(t.get(), p)
}

/// Any quantity with its unit.
pub fn of<Q: Quantity>(q: Q, p: Preferences) -> String {
    Q::MEASURE.show(q.get(), p)
}

/// A difference of temperature: "2.5 °C", "4.5 °F".
pub fn temperature_step(by_kelvin: f64, p: Preferences) -> String {
    match p.temperature {
        TemperatureScale::Celsius => format!("{by_kelvin:.1} °C"),
        TemperatureScale::Fahrenheit => format!("{:.1} °F", by_kelvin * 1.8),
    }
}

/// "20.0 L", "5.3 US gal", "4.4 imp gal".
pub fn volume(v: Litres, p: Preferences) -> String {
    match p.volume {
        VolumeScale::Litres => format!("{:.1} L", v.get()),
        VolumeScale::UsGallons => format!("{:.1} US gal", v.get() / LITRES_PER_US_GALLON),
        VolumeScale::ImperialGallons => {
            format!("{:.1} imp gal", v.get() / LITRES_PER_IMPERIAL_GALLON)
        }
    }
}

fn zoned(at: Moment, zone: &TimeZone) -> Option<ZonedDateTime> {
    at.timestamp().map(|t| t.to_zoned_datetime(zone.clone()))
}

/// "Thu 3 Dec"; with the year when it is not the year of `now`.
pub fn day(at: Moment, now: Moment, zone: &TimeZone) -> String {
    let (Some(z), Some(n)) = (zoned(at, zone), zoned(now, zone)) else {
        return at.to_rfc3339();
    };
    let form = if z.year() == n.year() {
        "%a %-d %b"
    } else {
        "%a %-d %b %Y"
    };
    z.strftime(form).to_string()
}

/// "Thu": for a day within six days of `near`, else as [`day`]. For intervals that name a day
/// and its neighbours.
pub fn weekday(at: Moment, near: Moment, now: Moment, zone: &TimeZone) -> String {
    match zoned(at, zone) {
        Some(z) if at.since(near).0.abs() < Span::days(6).0 => z.strftime("%a").to_string(),
        _ => day(at, now, zone),
    }
}

/// "Thu 3 Dec 14:05"; "today 14:05" on the day of `now`.
pub fn day_and_time(at: Moment, now: Moment, zone: &TimeZone) -> String {
    let (Some(z), Some(n)) = (zoned(at, zone), zoned(now, zone)) else {
        return at.to_rfc3339();
    };
    let clock = z.strftime("%H:%M");
    if z.date() == n.date() {
        format!("today {clock}")
    } else {
        format!("{} {clock}", day(at, now, zone))
    }
}

/// For a time that is only about known: "this evening", "tomorrow morning", "Tuesday night"; as
/// [`day`] when it is six days off or more. A night belongs to the day it began on.
pub fn about(at: Moment, now: Moment, zone: &TimeZone) -> String {
    const DAWN: Span = Span::hours(5);
    let [Some(z), Some(n)] = [at, now].map(|t| zoned(t - DAWN, zone)) else {
        return at.to_rfc3339();
    };
    let part = match z.hour() {
        0..=5 => "morning",
        6..=8 => "noon",
        9..=12 => "afternoon",
        13..=17 => "evening",
        _ => "night",
    };
    let days = n
        .date()
        .until(z.date())
        .map_or(i32::MAX, |between| between.get_days());
    match (days, part) {
        (0, "noon") => "noon today".to_owned(),
        (0, "night") => "tonight".to_owned(),
        (0, part) => format!("this {part}"),
        (1, part) => format!("tomorrow {part}"),
        (2..=5, part) => format!("{} {part}", z.strftime("%A")),
        _ => day(at, now, zone),
    }
}

/// "3 minutes", "5 hours", "9 days": one unit, rounded.
pub fn span(s: Span) -> String {
    let minutes = s.0.abs() as f64 / 60_000.0;
    let (n, unit) = if minutes < 90.0 {
        (minutes, "minute")
    } else if minutes < 48.0 * 60.0 {
        (minutes / 60.0, "hour")
    } else {
        (minutes / 1440.0, "day")
    };
    let n = n.round() as i64;
    if n == 1 {
        format!("1 {unit}")
    } else {
        format!("{n} {unit}s")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Moment {
        Moment::parse_rfc3339(text).unwrap()
    }

    #[test]
    fn about_when() {
        let zone = TimeZone::get("Europe/Vienna").unwrap();
        // A Monday, 13:00 there.
        let now = at("2026-11-30T12:00:00Z");
        for (then, said) in [
            ("2026-11-30T16:00:00Z", "this afternoon"),
            ("2026-12-01T01:00:00Z", "tonight"),
            ("2026-12-01T07:00:00Z", "tomorrow morning"),
            ("2026-12-02T18:00:00Z", "Wednesday evening"),
            ("2026-12-03T02:00:00Z", "Wednesday night"),
            ("2026-12-08T12:00:00Z", "Tue 8 Dec"),
        ] {
            assert_eq!(about(at(then), now, &zone), said);
        }
    }

    #[test]
    fn days_and_spans() {
        let zone = TimeZone::get("Europe/Vienna").unwrap();
        let now = at("2026-11-30T12:00:00Z");
        assert_eq!(day(at("2026-12-03T12:00:00Z"), now, &zone), "Thu 3 Dec");
        assert_eq!(
            day(at("2027-01-02T12:00:00Z"), now, &zone),
            "Sat 2 Jan 2027"
        );
        assert_eq!(
            day_and_time(at("2026-11-30T13:05:00Z"), now, &zone),
            "today 14:05"
        );
        assert_eq!(
            weekday(
                at("2026-12-05T12:00:00Z"),
                at("2026-12-03T12:00:00Z"),
                now,
                &zone
            ),
            "Sat"
        );
        assert_eq!(span(Span::minutes(1)), "1 minute");
        assert_eq!(span(Span::hours(5)), "5 hours");
        assert_eq!(span(Span::days(9)), "9 days");
    }

    #[test]
    fn scales() {
        let g = Gravity::new(1.0).unwrap();
        let plato = Preferences {
            gravity: GravityScale::Plato,
            ..Preferences::default()
        };
        assert_eq!(gravity(g, Preferences::default()), "1.0000");
        assert_eq!(gravity(Gravity::new(1.080).unwrap(), plato), "19.34 °P");
        assert_eq!(gravity_step(-0.000_01, g, Preferences::default()), "0.0000");
        let gallons = Preferences {
            volume: VolumeScale::UsGallons,
            ..Preferences::default()
        };
        assert_eq!(volume(Litres::new(18.927).unwrap(), gallons), "5.0 US gal");
    }
}
