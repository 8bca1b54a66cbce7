//! Numbers, times and quantities as the maker likes to read them.

use jiff::ZonedDateTime;
use jiff::tz::TimeZone;

use crate::density::plato_from_gravity;
use crate::text::Style;
use crate::time::{Moment, Span};
use crate::units::{
    Celsius, ClockFace, DateOrder, Gravity, GravityScale, LITRES_PER_IMPERIAL_GALLON,
    LITRES_PER_US_GALLON, Litres, Preferences, Quantity, TemperatureScale, VolumeScale,
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

/// "Thu 3 Dec", in the maker's order; with the year when it is not the year of `now`.
pub fn day(at: Moment, now: Moment, style: &Style) -> String {
    let (Some(z), Some(n)) = (zoned(at, style.zone), zoned(now, style.zone)) else {
        return at.to_rfc3339();
    };
    let form = match (style.units.dates, z.year() == n.year()) {
        (DateOrder::DayMonth, true) => "%a %-d %b",
        (DateOrder::DayMonth, false) => "%a %-d %b %Y",
        (DateOrder::MonthDay, true) => "%a %b %-d",
        (DateOrder::MonthDay, false) => "%a %b %-d, %Y",
        (DateOrder::YearFirst, _) => "%a %Y-%m-%d",
    };
    z.strftime(form).to_string()
}

/// "3 Dec 2026", in the maker's order: for what is read years later.
pub fn date(at: Moment, style: &Style) -> String {
    let form = match style.units.dates {
        DateOrder::DayMonth => "%-d %b %Y",
        DateOrder::MonthDay => "%b %-d, %Y",
        DateOrder::YearFirst => "%Y-%m-%d",
    };
    zoned(at, style.zone).map_or_else(|| at.to_rfc3339(), |z| z.strftime(form).to_string())
}

/// "14:05" or "2:05 pm".
pub fn clock(at: Moment, style: &Style) -> String {
    let form = match style.units.clock {
        ClockFace::TwentyFour => "%H:%M",
        ClockFace::Twelve => "%-I:%M %P",
    };
    zoned(at, style.zone).map_or_else(|| at.to_rfc3339(), |z| z.strftime(form).to_string())
}

/// "Thu": for a day within six days of `near`, else as [`day`]. For intervals that name a day
/// and its neighbours.
pub fn weekday(at: Moment, near: Moment, now: Moment, style: &Style) -> String {
    match zoned(at, style.zone) {
        Some(z) if at.since(near).0.abs() < Span::days(6).0 => z.strftime("%a").to_string(),
        _ => day(at, now, style),
    }
}

/// "Thu 3 Dec 14:05"; "today 14:05" on the day of `now`.
pub fn day_and_time(at: Moment, now: Moment, style: &Style) -> String {
    let (Some(z), Some(n)) = (zoned(at, style.zone), zoned(now, style.zone)) else {
        return at.to_rfc3339();
    };
    let clock = clock(at, style);
    if z.date() == n.date() {
        format!("today {clock}")
    } else {
        format!("{} {clock}", day(at, now, style))
    }
}

/// For a time that is only about known: "this evening", "tomorrow morning", "Tuesday night"; as
/// [`day`] when it is six days off or more. A night belongs to the day it began on.
pub fn about(at: Moment, now: Moment, style: &Style) -> String {
    const DAWN: Span = Span::hours(5);
    let [Some(z), Some(n)] = [at, now].map(|t| zoned(t - DAWN, style.zone)) else {
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
        _ => day(at, now, style),
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

/// "3.1 GB".
pub fn bytes(n: u64) -> String {
    match n as f64 {
        n if n >= 1e9 => format!("{:.1} GB", n / 1e9),
        n if n >= 1e6 => format!("{:.0} MB", n / 1e6),
        n => format!("{:.0} kB", n / 1e3),
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
        let style = Style::usual(&zone);
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
            assert_eq!(about(at(then), now, &style), said);
        }
    }

    #[test]
    fn days_and_spans() {
        let zone = TimeZone::get("Europe/Vienna").unwrap();
        let style = Style::usual(&zone);
        let now = at("2026-11-30T12:00:00Z");
        assert_eq!(day(at("2026-12-03T12:00:00Z"), now, &style), "Thu 3 Dec");
        assert_eq!(
            day(at("2027-01-02T12:00:00Z"), now, &style),
            "Sat 2 Jan 2027"
        );
        assert_eq!(
            day_and_time(at("2026-11-30T13:05:00Z"), now, &style),
            "today 14:05"
        );
        assert_eq!(
            weekday(
                at("2026-12-05T12:00:00Z"),
                at("2026-12-03T12:00:00Z"),
                now,
                &style
            ),
            "Sat"
        );
        let written = |dates, clock, then| {
            let units = Preferences {
                dates,
                clock,
                ..Preferences::USUAL
            };
            let style = Style { units, zone: &zone };
            (day_and_time(at(then), now, &style), date(at(then), &style))
        };
        let (this, next) = ("2026-12-03T13:05:00Z", "2027-01-02T23:05:00Z");
        let american = |then| written(DateOrder::MonthDay, ClockFace::Twelve, then);
        assert_eq!(american(this).0, "Thu Dec 3 2:05 pm");
        assert_eq!(american(next).0, "Sun Jan 3, 2027 12:05 am");
        assert_eq!(american(this).1, "Dec 3, 2026");
        let year_first = written(DateOrder::YearFirst, ClockFace::TwentyFour, this);
        assert_eq!(year_first.0, "Thu 2026-12-03 14:05");
        assert_eq!(year_first.1, "2026-12-03");
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
