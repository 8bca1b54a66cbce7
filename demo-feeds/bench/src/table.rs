//! The tables: one row a kind, and all of them together.

use std::fmt::Write;

use crate::history::Pair;
use crate::kinds::Kind;
use crate::score::{Forecast, Quantity, Rule, STAGES, Score, Stage, THRESHOLDS, Within};

/// Markdown for one generator's scores.
pub fn tables(title: &str, scores: &[Score]) -> String {
    let mut out = format!("### {title}\n\n");
    gates(&mut out, scores);
    alarms(&mut out, scores);
    forecasts(&mut out, scores);
    out
}

/// The gates and nothing else.
pub fn gates_alone(title: &str, scores: &[Score]) -> String {
    let mut out = format!("### {title}\n\n");
    gates(&mut out, scores);
    out
}

/// What stabilise would cost and give at other odds.
pub fn trade_off(scores: &[Score]) -> String {
    let mut out = String::from(
        "### Other odds\n\nIf stabilise opened as soon as a mead is called settled and the odds of \
         more than 0.002 left are below this; the last line is the gate as it is, which asks for \
         more than that. Delays in hours (median / 90th percentile), of quick and dry and of \
         tolerance and starved.\n\n",
    );
    head(
        &mut out,
        &[
            "odds",
            "false",
            "share",
            "quick, dry h",
            "tolerance, starved h",
            "all h",
            "never",
        ],
    );
    let mut row = |name: String, of: &dyn Fn(&Score) -> Rule| {
        let wrong = scores.iter().filter(|s| of(s).false_open).count();
        let delays = |kinds: &[Kind]| -> Vec<f64> {
            scores
                .iter()
                .filter(|s| kinds.contains(&s.kind))
                .filter_map(|s| of(s).delay)
                .collect()
        };
        let evidence: Vec<&Score> = scores.iter().filter(|s| s.evidence.is_some()).collect();
        let never = evidence.iter().filter(|s| of(s).delay.is_none()).count();
        line(
            &mut out,
            &[
                name,
                wrong.to_string(),
                percent(wrong, scores.len()).map_or("-".into(), |p| format!("{p:.2} %")),
                hours(&delays(&[Kind::Quick, Kind::Dry])),
                hours(&delays(&[Kind::Tolerance, Kind::Starved])),
                hours(&delays(&Kind::ALL)),
                ratio_of(never, evidence.len()),
            ],
        );
    };
    for (i, odds) in THRESHOLDS.into_iter().enumerate() {
        row(odds.to_string(), &|s| s.at_odds[i]);
    }
    row("the gate".into(), &|s| Rule {
        false_open: s.false_open[1].is_some(),
        delay: s.delay,
    });
    out.push('\n');
    out
}

/// The next batches of cellars that have learned, against the same without history.
pub fn history(title: &str, pairs: &[Pair]) -> String {
    let mut out = format!(
        "### The cellar learns: {title}\n\nThe next three batches of a cellar with one yeast, one \
         honey and six batches behind it, with what was learned from them and without.\n\n"
    );
    head(
        &mut out,
        &[
            "what",
            "at",
            "n",
            "pinball with / without",
            "50 % with",
            "50 % without",
            "90 % with",
            "90 % without",
        ],
    );
    for quantity in [Quantity::Settles, Quantity::Final] {
        for stage in STAGES {
            let picked: Vec<&Pair> = pairs
                .iter()
                .filter(|p| p.quantity == quantity && p.stage == stage)
                .collect();
            let loss = |of: fn(&Pair) -> f64| picked.iter().map(|p| of(p)).sum::<f64>();
            let (with, without) = (loss(|p| p.with.loss), loss(|p| p.without.loss));
            let held = |of: fn(&Pair) -> bool| {
                share(picked.iter().filter(|p| of(p)).count(), picked.len())
            };
            line(
                &mut out,
                &[
                    quantity.name().into(),
                    stage.name().into(),
                    picked.len().to_string(),
                    if without > 0.0 {
                        format!("{:.2}", with / without)
                    } else {
                        "-".into()
                    },
                    held(|p| p.with.half),
                    held(|p| p.without.half),
                    held(|p| p.with.nine_tenths),
                    held(|p| p.without.nine_tenths),
                ],
            );
        }
    }
    out.push('\n');
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

pub fn line(out: &mut String, cells: &[String]) {
    let _ = writeln!(out, "| {} |", cells.join(" | "));
}

pub fn head(out: &mut String, cells: &[&str]) {
    let _ = writeln!(out, "| {} |", cells.join(" | "));
    let rules: Vec<&str> = cells
        .iter()
        .enumerate()
        .map(|(i, _)| if i == 0 { "---" } else { "---:" })
        .collect();
    let _ = writeln!(out, "| {} |", rules.join(" | "));
}

/// The value below which this share lies (nearest rank).
pub fn rank(values: &[f64], share: f64) -> Option<f64> {
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

fn ratio_of(hits: usize, all: usize) -> String {
    if all == 0 {
        "-".into()
    } else {
        format!("{hits}/{all}")
    }
}

fn percent(hits: usize, all: usize) -> Option<f64> {
    (all > 0).then(|| 100.0 * hits as f64 / all as f64)
}

fn share(hits: usize, all: usize) -> String {
    percent(hits, all).map_or("-".into(), |p| format!("{p:.0} %"))
}

fn gates(out: &mut String, scores: &[Score]) {
    out.push_str(
        "False openings (runs) of rack, stabilise and seal; seal open on living yeast with sugar; hours from the true end to stabilise \
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
            "sealed alive",
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
                count(&|x| x.sealed_alive.is_some()),
                hours(&all(&|x| x.delay)),
                ratio_of(evidence.iter().filter(|e| !**e).count(), evidence.len()),
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
        "Stalls told as stuck or resting within 12 days, and stalls called settled; finished runs \
         with the evidence whose last word is settled. After stabilising, hours from \
         when the yeast woke and from when it falls by 0.001 a day to the alarm; where it was sweetened \
         without, from the latter to being shown as falling (median / 90th percentile; missed ones in the \
         column beside it). Alarms in two days \
         without a fall, per year called settled.\n\n",
    );
    head(
        out,
        &[
            "kind",
            "stalls told",
            "called settled",
            "settled at last",
            "woke to alarm h",
            "missed",
            "fall to alarm h",
            "seen to fall h",
            "missed",
            "false alarms a vessel-year",
            "vessel-years",
        ],
    );
    for (name, s) in rows(scores) {
        let stalls: Vec<_> = s.iter().filter_map(|x| x.stall).collect();
        let settled: Vec<bool> = s.iter().filter_map(|x| x.settled_last).collect();
        let alarm: Vec<_> = s.iter().filter_map(|x| x.alarm).collect();
        let of_fall: Vec<_> = s.iter().filter_map(|x| x.alarm_of_fall).collect();
        let seen: Vec<_> = s.iter().filter_map(|x| x.falls_again).collect();
        let heard = |all: &[Option<f64>]| hours(&all.iter().flatten().copied().collect::<Vec<_>>());
        let missed =
            |all: &[Option<f64>]| ratio_of(all.iter().filter(|h| h.is_none()).count(), all.len());
        let years: f64 = s.iter().map(|x| x.quiet_days).sum::<f64>() / 365.0;
        let false_alarms: usize = s.iter().map(|x| x.false_alarms.len()).sum();
        let rate = if years > 0.0 {
            format!("{:.2}", false_alarms as f64 / years)
        } else {
            "-".into()
        };
        line(
            out,
            &[
                name.into(),
                ratio_of(stalls.iter().filter(|x| x.told).count(), stalls.len()),
                ratio_of(stalls.iter().filter(|x| x.settled).count(), stalls.len()),
                ratio_of(settled.iter().filter(|r| **r).count(), settled.len()),
                heard(&alarm),
                missed(&alarm),
                heard(&of_fall),
                heard(&seen),
                missed(&seen),
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
         pinball loss as a share of the best single curve's (its own 90 % coverage beside it). The \
         truth is what the generator does from there on, cold nights to come included. \
         Not judged with the rest, only counted: stalls (where a must will stall nobody can tell), \
         hand-only vessels and stretches with fewer than 12 hours of readings.\n\n",
    );
    head(
        out,
        &[
            "what",
            "at",
            "kind",
            "n",
            "not judged",
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
        for stage in STAGES {
            for (name, s) in rows(scores) {
                let row = if name.starts_with('*') {
                    Row::total(scores, quantity, stage)
                } else {
                    Row::of(s.iter().copied(), quantity, stage)
                };
                if row.judged.len() + row.left_out > 0 {
                    row.write(out, name);
                }
            }
        }
    }
    out.push('\n');
}

/// The forecasts of one quantity at one stage.
pub struct Row<'a> {
    quantity: Quantity,
    stage: Stage,
    judged: Vec<&'a Forecast>,
    left_out: usize,
}

impl<'a> Row<'a> {
    /// All of one kind.
    fn of(scores: impl Iterator<Item = &'a Score>, quantity: Quantity, stage: Stage) -> Row<'a> {
        let judged = scores
            .flat_map(|s| &s.forecasts)
            .filter(|f| f.quantity == quantity && f.stage == stage)
            .collect();
        Row {
            quantity,
            stage,
            judged,
            left_out: 0,
        }
    }

    /// Those of all kinds that count.
    pub fn total(scores: &'a [Score], quantity: Quantity, stage: Stage) -> Row<'a> {
        let all = Row::of(scores.iter(), quantity, stage).judged.len();
        let fair = scores.iter().filter(|s| !s.kind.stalls());
        let mut row = Row::of(fair, quantity, stage);
        row.judged.retain(|f| f.counts);
        row.left_out = all - row.judged.len();
        row
    }

    fn given(&self) -> impl Iterator<Item = Within> {
        self.judged.iter().filter_map(|f| f.within)
    }

    fn held(&self, of: fn(&Within) -> bool) -> Option<f64> {
        percent(self.given().filter(of).count(), self.given().count())
    }

    pub fn half(&self) -> Option<f64> {
        self.held(|w| w.half)
    }

    pub fn nine_tenths(&self) -> Option<f64> {
        self.held(|w| w.nine_tenths)
    }

    /// Pinball loss as a share of the single curve's, where both said something.
    pub fn ratio(&self) -> Option<f64> {
        let both = self.given().filter_map(|w| w.rival.map(|r| (w.loss, r)));
        let (ours, theirs) = both.fold((0.0, 0.0), |(a, b), (x, y)| (a + x, b + y));
        (theirs > 0.0).then(|| ours / theirs)
    }

    fn write(&self, out: &mut String, name: &str) {
        let given = self.given().count();
        let lone = self.given().filter(|w| w.rival.is_none()).count();
        let curves: Vec<bool> = self
            .judged
            .iter()
            .filter_map(|f| f.rival_within90)
            .collect();
        let errors: Vec<f64> = self.given().map(|w| w.error).collect();
        let error = rank(&errors, 0.5).map_or("-".into(), |e| match self.quantity {
            Quantity::Settles => format!("{e:+.0} h"),
            Quantity::Final => format!("{e:+.4}"),
        });
        let whole = |share: Option<f64>| share.map_or("-".into(), |p| format!("{p:.0} %"));
        line(
            out,
            &[
                self.quantity.name().into(),
                self.stage.name().into(),
                name.into(),
                self.judged.len().to_string(),
                self.left_out.to_string(),
                (self.judged.len() - given).to_string(),
                whole(self.half()),
                whole(self.nine_tenths()),
                error,
                self.ratio().map_or("-".into(), |r| format!("{r:.2}")),
                lone.to_string(),
                share(curves.iter().filter(|h| **h).count(), curves.len()),
            ],
        );
    }
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
    let alive: Vec<(&Score, usize)> = scores
        .iter()
        .filter_map(|s| s.sealed_alive.map(|hour| (s, hour)))
        .collect();
    let _ = writeln!(out, "sealed alive: {}", alive.len());
    for (s, hour) in alive.iter().take(most) {
        let _ = writeln!(out, "  {} on day {:.1}", id(s), *hour as f64 / 24.0);
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
    listed(&mut out, "stall not told", &|s| {
        s.stall.is_some_and(|x| !x.told)
    });
    listed(&mut out, "stall called settled", &|s| {
        s.stall.is_some_and(|x| x.settled)
    });
    listed(&mut out, "finished, not settled at last", &|s| {
        s.settled_last == Some(false)
    });
    let late_alarm = |a: Option<Option<f64>>| a.is_some_and(|a| a.is_none_or(|h| h > 48.0));
    listed(&mut out, "alarm missed or after 48 h", &|s| {
        late_alarm(s.alarm)
    });
    listed(&mut out, "renewed fall shown after 48 h or never", &|s| {
        late_alarm(s.falls_again)
    });
    let crying: Vec<&Score> = scores
        .iter()
        .filter(|s| !s.false_alarms.is_empty())
        .collect();
    let _ = writeln!(out, "false alarm: {}", crying.len());
    for s in crying.iter().take(most) {
        let days: Vec<String> = s
            .false_alarms
            .iter()
            .map(|h| format!("{:.1}", *h as f64 / 24.0))
            .collect();
        let _ = writeln!(out, "  {} on day {}", id(s), days.join(", "));
    }
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
