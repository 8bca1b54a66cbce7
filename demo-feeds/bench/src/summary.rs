//! What was asked for, what was measured, and whether that is enough.

use crate::history::Pair;
use crate::kinds::Kind;
use crate::score::{Quantity, STAGES, Score, Stage};
use crate::table::{Row, head, line, rank};

struct Figure {
    what: String,
    measured: String,
    target: &'static str,
    /// `None`: nothing to measure it by.
    met: Option<bool>,
}

/// `without`: the same meads of a maker who ferments no jar out.
pub fn summary(scores: &[Score], pairs: &[Pair], without: Option<&[Score]>) -> String {
    let of = |scores: &[Score]| {
        let mut figures = gates(scores);
        figures.extend(delays(scores));
        figures.extend(watch(scores));
        figures.extend(ranges(scores));
        figures
    };
    let mut figures = of(scores);
    figures.extend(learned(pairs));
    let mut beside = without.map_or_else(Vec::new, of).into_iter();
    let mut out = String::from(
        "### Against what was asked for\n\nBoth generators together. A missed alarm counts as one \
         that never comes. Forecasts: without hand-only vessels, stalls and stretches with hardly \
         a reading.\n\n",
    );
    let columns = ["figure", "measured", "target", "", "without a jar"];
    let columns = &columns[..if without.is_some() { 5 } else { 4 }];
    head(&mut out, columns);
    for f in figures {
        let met = match f.met {
            Some(true) => "met",
            Some(false) => "**not met**",
            None => "-",
        };
        let mut cells = vec![f.what, f.measured, f.target.into(), met.into()];
        if without.is_some() {
            cells.push(beside.next().map_or("-".into(), |f| f.measured));
        }
        line(&mut out, &cells);
    }
    out.push('\n');
    out
}

fn share(hits: usize, all: usize) -> f64 {
    if all == 0 {
        0.0
    } else {
        100.0 * hits as f64 / all as f64
    }
}

fn gates(scores: &[Score]) -> Vec<Figure> {
    let wrong =
        |of: &[&Score], gate: usize| of.iter().filter(|s| s.false_open[gate].is_some()).count();
    let all: Vec<&Score> = scores.iter().collect();
    let stabilise = wrong(&all, 1);
    let overall = share(stabilise, all.len());
    let worst = Kind::ALL
        .into_iter()
        .filter_map(|kind| {
            let of: Vec<&Score> = scores.iter().filter(|s| s.kind == kind).collect();
            (!of.is_empty()).then(|| (share(wrong(&of, 1), of.len()), kind))
        })
        .max_by(|a, b| a.0.total_cmp(&b.0));
    let seal = wrong(&all, 2);
    let alive = scores.iter().filter(|s| s.sealed_alive.is_some()).count();
    let some = !all.is_empty();
    vec![
        Figure {
            what: "1. stabilise opened falsely, all kinds".into(),
            measured: format!("{overall:.2} % ({stabilise} of {})", all.len()),
            target: "0.5 % or less",
            met: some.then_some(overall <= 0.5),
        },
        Figure {
            what: "1. the same, worst kind".into(),
            measured: worst.map_or("-".into(), |(share, kind)| {
                format!("{share:.1} % ({})", kind.name())
            }),
            target: "2 % or less",
            met: worst.map(|(share, _)| share <= 2.0),
        },
        Figure {
            what: "1. seal opened falsely".into(),
            measured: seal.to_string(),
            target: "none",
            met: some.then_some(seal == 0),
        },
        Figure {
            what: "1. seal opened on living yeast with sugar left".into(),
            measured: alive.to_string(),
            target: "none",
            met: some.then_some(alive == 0),
        },
    ]
}

fn delays(scores: &[Score]) -> Vec<Figure> {
    let delay = |what: &str, kinds: [Kind; 2], target, most: f64| {
        let hours: Vec<f64> = scores
            .iter()
            .filter(|s| kinds.contains(&s.kind))
            .filter_map(|s| s.delay)
            .collect();
        let median = rank(&hours, 0.5);
        Figure {
            what: format!("2. true end to stabilise open, {what}, median"),
            measured: median.map_or("-".into(), |m| format!("{m:.0} h")),
            target,
            met: median.map(|m| m <= most),
        }
    };
    let evidence: Vec<bool> = scores.iter().filter_map(|s| s.evidence).collect();
    let opened = evidence.iter().filter(|e| **e).count();
    let opens = share(opened, evidence.len());
    vec![
        delay(
            "quick and dry",
            [Kind::Quick, Kind::Dry],
            "36 h or less",
            36.0,
        ),
        delay(
            "tolerance and starved",
            [Kind::Tolerance, Kind::Starved],
            "120 h or less",
            120.0,
        ),
        Figure {
            what: "2. opens in the end, of those with the evidence".into(),
            measured: format!("{opens:.1} % ({opened} of {})", evidence.len()),
            target: "98 % or more",
            met: (!evidence.is_empty()).then_some(opens >= 98.0),
        },
    ]
}

fn watch(scores: &[Score]) -> Vec<Figure> {
    let stalls: Vec<_> = scores.iter().filter_map(|s| s.stall).collect();
    let told = stalls.iter().filter(|s| s.told).count();
    let apart = stalls.iter().filter(|s| s.told && !s.settled).count();
    let recall = |what: &str, hits: usize| Figure {
        what: format!("3. stalls told as stuck or resting within 12 days{what}"),
        measured: format!(
            "{:.1} % ({hits} of {})",
            share(hits, stalls.len()),
            stalls.len()
        ),
        target: "98 % or more",
        met: (!stalls.is_empty()).then_some(share(hits, stalls.len()) >= 98.0),
    };
    let alarm = |what: &str, heard: Vec<Option<f64>>, asked: bool| {
        let hours: Vec<f64> = heard.iter().map(|h| h.unwrap_or(f64::INFINITY)).collect();
        let median = rank(&hours, 0.5);
        let missed = heard.iter().filter(|h| h.is_none()).count();
        Figure {
            what: format!("3. {what}, median"),
            measured: median.map_or("-".into(), |m| {
                let hours = if m.is_finite() {
                    format!("{m:.0} h")
                } else {
                    "never".into()
                };
                format!("{hours} ({missed} of {} missed)", heard.len())
            }),
            target: if asked { "24 h or less" } else { "-" },
            met: median.filter(|_| asked).map(|m| m <= 24.0),
        }
    };
    let years: f64 = scores.iter().map(|s| s.quiet_days).sum::<f64>() / 365.0;
    let false_alarms: usize = scores.iter().map(|s| s.false_alarms.len()).sum();
    let rate = false_alarms as f64 / years;
    vec![
        recall("", told),
        recall(" and never called settled", apart),
        alarm(
            "stabilised, falls by 0.001 a day again to alarm",
            scores.iter().filter_map(|s| s.alarm_of_fall).collect(),
            true,
        ),
        alarm(
            "the same from the hour its yeast woke",
            scores.iter().filter_map(|s| s.alarm).collect(),
            false,
        ),
        alarm(
            "sweetened only, falls by 0.001 a day again to shown falling",
            scores.iter().filter_map(|s| s.falls_again).collect(),
            true,
        ),
        Figure {
            what: "3. false alarms a quiet vessel-year".into(),
            measured: if years > 0.0 {
                format!("{rate:.2} ({false_alarms} in {years:.1} years)")
            } else {
                "-".into()
            },
            target: "less than 1",
            met: (years > 0.0).then_some(rate < 1.0),
        },
    ]
}

fn ranges(scores: &[Score]) -> Vec<Figure> {
    let mut out = Vec::new();
    for quantity in [Quantity::Settles, Quantity::Final] {
        for stage in STAGES {
            let row = Row::total(scores, quantity, stage);
            let what = place(quantity, stage);
            let (half, nine) = (row.half(), row.nine_tenths());
            out.push(Figure {
                what: format!("4. {what}: 50 % and 90 % range hold"),
                measured: match (half, nine) {
                    (Some(h), Some(n)) => format!("{h:.0} % and {n:.0} %"),
                    _ => "-".into(),
                },
                target: "45 to 55 % and 85 to 95 %",
                met: half
                    .zip(nine)
                    .map(|(h, n)| (45.0..=55.0).contains(&h) && (85.0..=95.0).contains(&n)),
            });
            out.push(Figure {
                what: format!("4. {what}: pinball loss against the best single curve's"),
                measured: row.ratio().map_or("-".into(), |r| format!("{r:.2}")),
                target: "0.70 or less",
                met: row.ratio().map(|r| r <= 0.7),
            });
        }
    }
    out
}

fn learned(pairs: &[Pair]) -> Vec<Figure> {
    [Quantity::Settles, Quantity::Final]
        .into_iter()
        .filter(|_| !pairs.is_empty())
        .map(|quantity| {
            let of = || pairs.iter().filter(|p| p.quantity == quantity);
            let with: f64 = of().map(|p| p.with.loss).sum();
            let without: f64 = of().map(|p| p.without.loss).sum();
            let ratio = with / without;
            Figure {
                what: format!(
                    "{}: pinball loss with history against without",
                    quantity.name()
                ),
                measured: format!("{ratio:.2}"),
                target: "less than 1",
                met: (without > 0.0).then_some(ratio < 1.0),
            }
        })
        .collect()
}

fn place(quantity: Quantity, stage: Stage) -> String {
    format!("{}, {}", quantity.name(), stage.name())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_measured_is_nothing_met() {
        let text = summary(&[], &[], None);
        assert!(
            !text.contains("| met |") && !text.contains("not met"),
            "{text}"
        );
        assert!(!text.contains("NaN") && !text.contains("inf"), "{text}");
    }
}
