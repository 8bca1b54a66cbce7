//! The tables: one row a kind, and all of them together.

use std::fmt::Write;

use crate::kinds::Kind;
use crate::score::{Forecast, Quantity, Score, Stage};

/// Markdown for one generator's scores.
pub fn tables(title: &str, scores: &[Score]) -> String {
    let mut out = format!("### {title}\n\n");
    gates(&mut out, scores);
    alarms(&mut out, scores);
    forecasts(&mut out, scores);
    out
}

fn rows(scores: &[Score]) -> Vec<(&'static str, Vec<&Score>)> {
    let mut rows: Vec<_> = Kind::ALL
        .into_iter()
        .map(|k| (k.name(), scores.iter().filter(|s| s.kind == k).collect()))
        .filter(|(_, s): &(_, Vec<&Score>)| !s.is_empty())
        .collect();
    rows.push(("**all**", scores.iter().collect()));
    rows
}

fn line(out: &mut String, cells: &[String]) {
    let _ = writeln!(out, "| {} |", cells.join(" | "));
}

fn head(out: &mut String, cells: &[&str]) {
    let _ = writeln!(out, "| {} |", cells.join(" | "));
    let rules: Vec<&str> = cells
        .iter()
        .enumerate()
        .map(|(i, _)| if i == 0 { "---" } else { "---:" })
        .collect();
    let _ = writeln!(out, "| {} |", rules.join(" | "));
}

/// The value below which this share lies (nearest rank).
fn rank(values: &[f64], share: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let at = ((share * sorted.len() as f64).ceil() as usize).max(1) - 1;
    sorted.get(at).copied()
}

fn hours(values: &[f64]) -> String {
    match (rank(values, 0.5), rank(values, 0.9)) {
        (Some(m), Some(p)) => format!("{m:.0} / {p:.0}"),
        _ => "-".into(),
    }
}

fn of(hits: usize, all: usize) -> String {
    if all == 0 {
        "-".into()
    } else {
        format!("{hits}/{all}")
    }
}

fn share(hits: usize, all: usize) -> String {
    if all == 0 {
        "-".into()
    } else {
        format!("{:.0} %", 100.0 * hits as f64 / all as f64)
    }
}

fn gates(out: &mut String, scores: &[Score]) {
    out.push_str(
        "False openings (runs) of rack, stabilise and seal; hours from the true end to stabilise \
         (median / 90th percentile); finished runs with the evidence in which it never opened. \
         Beside it the trade's rule and a plain slope.\n\n",
    );
    head(
        out,
        &[
            "kind",
            "runs",
            "rack false",
            "stabilise false",
            "seal false",
            "delay h",
            "never",
            "trade false",
            "trade delay h",
            "slope false",
            "slope delay h",
        ],
    );
    for (name, s) in rows(scores) {
        let count = |f: &dyn Fn(&Score) -> bool| s.iter().filter(|x| f(x)).count().to_string();
        let all = |f: &dyn Fn(&Score) -> Option<f64>| -> Vec<f64> {
            s.iter().filter_map(|x| f(x)).collect()
        };
        let evidence: Vec<bool> = s.iter().filter_map(|x| x.evidence).collect();
        line(
            out,
            &[
                name.into(),
                s.len().to_string(),
                count(&|x| x.false_open[0].is_some()),
                count(&|x| x.false_open[1].is_some()),
                count(&|x| x.false_open[2].is_some()),
                hours(&all(&|x| x.delay)),
                of(evidence.iter().filter(|e| !**e).count(), evidence.len()),
                count(&|x| x.trade.false_open),
                hours(&all(&|x| x.trade.delay)),
                count(&|x| x.slope.false_open),
                hours(&all(&|x| x.slope.delay)),
            ],
        );
    }
    out.push('\n');
}

fn alarms(out: &mut String, scores: &[Score]) {
    out.push_str(
        "Stalls told as stuck or resting within 12 days and never called settled; finished runs \
         whose last word is settled; hours from a renewed fall to its alarm (missed ones count in \
         the last column); false alarms while nothing happens.\n\n",
    );
    head(
        out,
        &[
            "kind",
            "stalls told",
            "settled at last",
            "alarm h",
            "alarm missed",
            "false alarms a vessel-year",
            "vessel-years",
        ],
    );
    for (name, s) in rows(scores) {
        let recall: Vec<bool> = s.iter().filter_map(|x| x.recall).collect();
        let settled: Vec<bool> = s.iter().filter_map(|x| x.settled_last).collect();
        let alarm: Vec<Option<f64>> = s.iter().filter_map(|x| x.alarm).collect();
        let heard: Vec<f64> = alarm.iter().flatten().copied().collect();
        let years: f64 = s.iter().map(|x| x.quiet_days).sum::<f64>() / 365.0;
        let false_alarms: u32 = s.iter().map(|x| x.false_alarms).sum();
        let rate = if years > 0.0 {
            format!("{:.2}", f64::from(false_alarms) / years)
        } else {
            "-".into()
        };
        line(
            out,
            &[
                name.into(),
                of(recall.iter().filter(|r| **r).count(), recall.len()),
                of(settled.iter().filter(|r| **r).count(), settled.len()),
                hours(&heard),
                of(alarm.len() - heard.len(), alarm.len()),
                rate,
                format!("{years:.1}"),
            ],
        );
    }
    out.push('\n');
}

fn forecasts(out: &mut String, scores: &[Score]) {
    out.push_str(
        "Forecasts: how often the 50 % and the 90 % range hold the truth, middling error, and the \
         pinball loss as a share of the best single curve's (its own 90 % coverage beside it). \
         Stalled runs are not among the totals: where a must will stall nobody can tell.\n\n",
    );
    head(
        out,
        &[
            "what",
            "at",
            "kind",
            "n",
            "none given",
            "50 %",
            "90 %",
            "median error",
            "pinball / curve's",
            "without it",
            "curve's 90 %",
        ],
    );
    for quantity in [Quantity::Settles, Quantity::Final] {
        for stage in [Stage::Day3, Stage::Mid, Stage::Tail] {
            for (name, s) in rows(scores) {
                let total = name.starts_with('*');
                let picked: Vec<&Forecast> = s
                    .iter()
                    .filter(|x| !(total && x.kind.stalls()))
                    .flat_map(|x| &x.forecasts)
                    .filter(|f| f.quantity == quantity && f.stage == stage)
                    .collect();
                if !picked.is_empty() {
                    forecast_line(out, quantity, stage, name, &picked);
                }
            }
        }
    }
    out.push('\n');
}

fn forecast_line(
    out: &mut String,
    quantity: Quantity,
    stage: Stage,
    name: &str,
    picked: &[&Forecast],
) {
    let given: Vec<_> = picked.iter().filter_map(|f| f.within).collect();
    let both: Vec<(f64, f64)> = given
        .iter()
        .filter_map(|w| w.rival.map(|r| (w.loss, r)))
        .collect();
    let ours: f64 = both.iter().map(|b| b.0).sum();
    let theirs: f64 = both.iter().map(|b| b.1).sum();
    let curves: Vec<bool> = picked.iter().filter_map(|f| f.rival_within90).collect();
    let errors: Vec<f64> = given.iter().map(|w| w.error).collect();
    let error = rank(&errors, 0.5).map_or("-".into(), |e| match quantity {
        Quantity::Settles => format!("{e:+.0} h"),
        Quantity::Final => format!("{e:+.4}"),
    });
    line(
        out,
        &[
            match quantity {
                Quantity::Settles => "settles".into(),
                Quantity::Final => "final gravity".into(),
            },
            match stage {
                Stage::Day3 => "day 3".into(),
                Stage::Mid => "mid-fall".into(),
                Stage::Tail => "tail".into(),
            },
            name.into(),
            picked.len().to_string(),
            (picked.len() - given.len()).to_string(),
            share(given.iter().filter(|w| w.half).count(), given.len()),
            share(given.iter().filter(|w| w.nine_tenths).count(), given.len()),
            error,
            if theirs > 0.0 {
                format!("{:.2}", ours / theirs)
            } else {
                "-".into()
            },
            (given.len() - both.len()).to_string(),
            share(curves.iter().filter(|h| **h).count(), curves.len()),
        ],
    );
}

/// The runs to look at first.
pub fn worst(scores: &[Score], most: usize) -> String {
    let mut out = String::new();
    for (gate, name) in ["rack", "stabilise", "seal"].into_iter().enumerate() {
        let mut wrong: Vec<(&Score, usize, f64)> = scores
            .iter()
            .filter_map(|s| s.false_open[gate].map(|(hour, left)| (s, hour, left)))
            .collect();
        wrong.sort_by(|a, b| b.2.total_cmp(&a.2));
        let _ = writeln!(out, "false {name}: {}", wrong.len());
        for (s, hour, left) in wrong.iter().take(most) {
            let day = *hour as f64 / 24.0;
            let _ = writeln!(out, "  {} left {left:.4} on day {day:.1}", id(s));
        }
    }
    let mut late: Vec<(&Score, f64)> = scores
        .iter()
        .filter_map(|s| match (s.evidence, s.delay) {
            (Some(false), _) => Some((s, f64::INFINITY)),
            (_, Some(delay)) => Some((s, delay)),
            _ => None,
        })
        .collect();
    late.sort_by(|a, b| b.1.total_cmp(&a.1));
    let _ = writeln!(out, "late or never:");
    for (s, delay) in late.iter().take(most) {
        let _ = writeln!(out, "  {} {delay:.0} h", id(s));
    }
    let listed = |out: &mut String, what: &str, pick: &dyn Fn(&Score) -> bool| {
        let picked: Vec<&Score> = scores.iter().filter(|s| pick(s)).collect();
        let _ = writeln!(out, "{what}: {}", picked.len());
        for s in picked.iter().take(most) {
            let _ = writeln!(out, "  {}", id(s));
        }
    };
    listed(&mut out, "stall not told", &|s| s.recall == Some(false));
    listed(&mut out, "finished, not settled at last", &|s| {
        s.settled_last == Some(false)
    });
    listed(&mut out, "alarm missed or after 48 h", &|s| {
        s.alarm.is_some_and(|a| a.is_none_or(|h| h > 48.0))
    });
    listed(&mut out, "false alarm", &|s| s.false_alarms > 0);
    listed(&mut out, "hard to draw", &|s| s.tries > 40);
    out
}

fn id(s: &Score) -> String {
    format!(
        "--generator {} --show {} {}",
        s.generator.name(),
        s.kind.name(),
        s.seed
    )
}
