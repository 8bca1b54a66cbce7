//! Where the ticks go: round numbers, and round local times whatever the zone's clock changes.

use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_core::units::{ClockFace, DateOrder, Preferences};
use jiff::{ToSpan, ZonedDateTime};

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Tick<T> {
    pub at: T,
    pub label: String,
}

/// Round values in `[low, high]`, about `most` of them.
pub(crate) fn value_ticks(low: f64, high: f64, most: usize) -> Vec<Tick<f64>> {
    let width = high - low;
    if !width.is_finite() || width <= 0.0 || most == 0 {
        return Vec::new();
    }
    let rough = width / most as f64;
    let decade = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .map(|m| m * decade)
        .into_iter()
        .find(|step| *step >= rough * 0.999)
        .unwrap_or(10.0 * decade);
    let places = (-step.log10().floor()).clamp(0.0, 6.0) as usize;
    let first = (low / step).ceil() as i64;
    let last = (high / step).floor() as i64;
    (first..=last)
        .map(|n| {
            let at = n as f64 * step;
            Tick {
                at,
                label: format!("{at:.places$}"),
            }
        })
        .collect()
}

#[derive(Clone, Copy)]
enum Step {
    Hours(i8),
    Days(i32),
    Months(i32),
}

/// From fine to coarse.
const STEPS: [Step; 13] = [
    Step::Hours(1),
    Step::Hours(3),
    Step::Hours(6),
    Step::Hours(12),
    Step::Days(1),
    Step::Days(2),
    Step::Days(3),
    Step::Days(7),
    Step::Days(14),
    Step::Months(1),
    Step::Months(2),
    Step::Months(3),
    Step::Months(6),
];

impl Step {
    fn rough_days(self) -> f64 {
        match self {
            Step::Hours(n) => f64::from(n) / 24.0,
            Step::Days(n) => f64::from(n),
            Step::Months(n) => f64::from(n) * 30.4,
        }
    }

    /// The last round time not after `at`.
    fn floor(self, at: &ZonedDateTime) -> Option<ZonedDateTime> {
        let day = at.start_of_day().ok()?;
        match self {
            Step::Hours(n) => day.with().hour(at.hour() / n * n).build().ok(),
            Step::Days(1..=3) => Some(day),
            // Longer steps start on a Monday.
            Step::Days(_) => {
                let past = i64::from(at.weekday().to_monday_zero_offset());
                day.checked_sub(past.days()).ok()
            }
            Step::Months(n) => {
                let month = (i32::from(at.month()) - 1) / n * n + 1;
                day.with()
                    .day(1)
                    .month(i8::try_from(month).ok()?)
                    .build()
                    .ok()
            }
        }
    }

    fn next(self, at: &ZonedDateTime) -> Option<ZonedDateTime> {
        match self {
            // Within the day by the clock on the wall, so that 06:00 stays 06:00 when the
            // clocks change in the night.
            Step::Hours(n) => {
                let hour = at.hour() + n;
                if hour >= 24 {
                    at.tomorrow().ok()?.start_of_day().ok()
                } else {
                    at.with().hour(hour).minute(0).build().ok()
                }
            }
            Step::Days(n) => at.checked_add(n.days()).ok(),
            Step::Months(n) => at.checked_add(n.months()).ok(),
        }
    }

    fn label(self, at: &ZonedDateTime, units: Preferences) -> String {
        let form = match (self, units.clock, units.dates) {
            (Step::Hours(_), ClockFace::TwentyFour, _) if at.hour() != 0 => "%H:%M",
            (Step::Hours(_), ClockFace::Twelve, _) if at.hour() != 0 => "%-I %P",
            (Step::Months(_), ..) if at.month() == 1 => "%Y",
            (Step::Months(_), ..) => "%b",
            (_, _, DateOrder::DayMonth) => "%-d %b",
            (_, _, DateOrder::MonthDay) => "%b %-d",
            (_, _, DateOrder::YearFirst) => "%m-%d",
        };
        at.strftime(form).to_string()
    }
}

/// Round local times in `[from, to]`, at most `most` of them.
pub(crate) fn time_ticks(
    from: Moment,
    to: Moment,
    style: &Style,
    most: usize,
) -> Vec<Tick<Moment>> {
    let zone = style.zone;
    let days = to.since(from).as_days();
    let step = STEPS
        .into_iter()
        .find(|s| days / s.rough_days() <= most as f64)
        .unwrap_or(Step::Months(12));
    let Some(start) = from.timestamp().map(|t| t.to_zoned_datetime(zone.clone())) else {
        return Vec::new();
    };
    let mut ticks = Vec::new();
    let mut next = step.floor(&start);
    // The bound stops a step that could not advance (none is known) from turning for ever.
    for _ in 0..most * 2 + 4 {
        let Some(at) = next else { break };
        let moment = Moment(at.timestamp().as_millisecond());
        if moment > to {
            break;
        }
        if moment >= from {
            ticks.push(Tick {
                at: moment,
                label: step.label(&at, style.units),
            });
        }
        next = step.next(&at);
    }
    ticks
}

#[cfg(test)]
mod tests {
    use jiff::tz::TimeZone;

    use super::*;

    fn moment(text: &str) -> Moment {
        Moment::parse_rfc3339(text).unwrap()
    }

    fn labels<T>(ticks: &[Tick<T>]) -> Vec<&str> {
        ticks.iter().map(|t| t.label.as_str()).collect()
    }

    #[test]
    fn round_values() {
        assert_eq!(
            labels(&value_ticks(0.998, 1.104, 6)),
            ["1.00", "1.02", "1.04", "1.06", "1.08", "1.10"]
        );
        assert_eq!(labels(&value_ticks(17.2, 21.9, 4)), ["18", "20"]);
        assert_eq!(labels(&value_ticks(-1.0, 26.0, 3)), ["0", "10", "20"]);
        assert_eq!(value_ticks(1.0, 1.0, 5), []);
        assert_eq!(value_ticks(f64::NAN, 1.0, 5), []);
    }

    #[test]
    fn hours_keep_to_the_wall_clock_over_a_clock_change() {
        // In Berlin clocks went forward at 02:00 on 29 March 2026.
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        let ticks = time_ticks(
            moment("2026-03-28T12:00:00Z"),
            moment("2026-03-29T20:00:00Z"),
            &Style::usual(&zone),
            6,
        );
        assert_eq!(
            labels(&ticks),
            ["18:00", "29 Mar", "06:00", "12:00", "18:00"]
        );
        let units = Preferences {
            dates: DateOrder::MonthDay,
            clock: ClockFace::Twelve,
            ..Preferences::USUAL
        };
        let american = time_ticks(
            moment("2026-03-28T12:00:00Z"),
            moment("2026-03-29T20:00:00Z"),
            &Style { units, zone: &zone },
            6,
        );
        assert_eq!(
            labels(&american),
            ["6 pm", "Mar 29", "6 am", "12 pm", "6 pm"]
        );
        assert_eq!(ticks[1].at, moment("2026-03-28T23:00:00Z"));
        assert_eq!(ticks[2].at, moment("2026-03-29T04:00:00Z"));
    }

    #[test]
    fn days_weeks_and_months() {
        let zone = TimeZone::get("America/New_York").unwrap();
        let from = moment("2026-10-20T15:00:00Z");
        let fortnight = time_ticks(
            from,
            moment("2026-11-03T15:00:00Z"),
            &Style::usual(&zone),
            8,
        );
        assert_eq!(
            labels(&fortnight),
            [
                "22 Oct", "24 Oct", "26 Oct", "28 Oct", "30 Oct", "1 Nov", "3 Nov"
            ]
        );
        let season = time_ticks(
            from,
            moment("2026-12-20T15:00:00Z"),
            &Style::usual(&zone),
            5,
        );
        assert_eq!(labels(&season), ["2 Nov", "16 Nov", "30 Nov", "14 Dec"]);
        let year = time_ticks(
            from,
            moment("2027-10-20T15:00:00Z"),
            &Style::usual(&zone),
            7,
        );
        assert_eq!(labels(&year), ["Nov", "2027", "Mar", "May", "Jul", "Sep"]);
    }

    #[test]
    fn every_step_gives_ticks_within_its_bounds() {
        let zone = TimeZone::get("Australia/Lord_Howe").unwrap();
        let from = moment("2026-01-01T00:00:00Z");
        for hours in [1, 5, 30, 100, 700, 3000, 9000, 80_000] {
            let to = from + ebbmark_core::time::Span::hours(hours);
            let ticks = time_ticks(from, to, &Style::usual(&zone), 8);
            assert!(ticks.len() <= 10, "{hours} h: {}", ticks.len());
            assert!(ticks.windows(2).all(|w| w[0].at < w[1].at));
            assert!(ticks.iter().all(|t| t.at >= from && t.at <= to));
        }
    }
}
