//! One run told day by day, to see why it went as it did.

use ebbmark_core::time::Moment;

use crate::run::{START, Wanted, run};
use crate::score::score;

pub fn show(wanted: Wanted) -> String {
    let mut story = String::new();
    let mut last_day = i64::MIN;
    let mut before = (String::new(), [false; 3]);
    let told = run(wanted, |seen| {
        let (v, deeds) = (seen.verdict, seen.deeds);
        let hours = v.at.since(START).as_hours();
        let c = &seen.drawn.course;
        let p = c.point(hours as usize);
        let gates = [&v.gates.rack, &v.gates.stabilise, &v.gates.seal];
        let open = gates.map(|g| g.open);
        let day = (hours / 24.0).floor() as i64;
        let key = (v.phase.key().to_string(), open);
        if day == last_day && key == before {
            return;
        }
        last_day = day;
        before = key;
        let range = |r: Option<(f64, f64, f64)>| {
            r.map_or("-".into(), |(l, m, h)| format!("{l:.4}/{m:.4}/{h:.4}"))
        };
        let days = |m: Moment| m.since(START).as_days();
        let settles = v.settles_at.map_or("-".into(), |s| {
            format!("{:.1}/{:.1}/{:.1}", days(s.low), days(s.mid), days(s.high))
        });
        let hand = deeds
            .iter()
            .rev()
            .find(|d| d.gravity.is_some())
            .map_or(String::new(), |d| {
                format!(
                    "{:.4} at {:.1}",
                    d.gravity.map_or(f64::NAN, |g| g.get()),
                    days(d.at)
                )
            });
        let float = v.float.as_ref().map_or("-".into(), |f| {
            let trued = f.trued.map_or("untrued".into(), |t| {
                format!("high {:+.4} drift {:+.5}", t.reads_high, t.drift_per_day)
            });
            format!("{trued} jumps {}", f.jumps.len())
        });
        let shut = gates
            .iter()
            .skip(1)
            .filter(|g| !g.open)
            .map(|g| g.why.as_str())
            .collect::<Vec<_>>()
            .join(" | ");
        story.push_str(&format!(
            "d{:<5.1} G {:.4} left {:+.4} could {:.4}{} rate {:+.5} T {:.1} :: {} level {} fall {} over {} left {} ends {} settles d{} {:?} gates {} hand {} float {} :: {}\n",
            hours / 24.0,
            p.truth.gravity,
            p.truth.gravity - p.end,
            p.could,
            if p.stalled { " STALLED" } else { "" },
            c.rate(hours as usize),
            p.truth.temperature,
            v.phase.key(),
            v.gravity.map_or("-".into(), |g| format!("{:.4}", g.get())),
            range(v.fall_per_day.map(|r| (r.low, r.mid, r.high))),
            v.looked_at.map_or("-".into(), |s| format!("{:.1} d", s.as_days())),
            range(v.left_to_fall.map(|r| (r.low, r.mid, r.high))),
            range(v.final_gravity.map(|r| (r.low, r.mid, r.high))),
            settles,
            v.odds,
            open.map(|o| if o { 'o' } else { '.' }).iter().collect::<String>(),
            hand,
            float,
            shut,
        ));
    });
    let Some(run) = told else {
        return "no such run could be drawn\n".into();
    };
    let mut head = format!(
        "{} seed {} ({}), drawn in {} tries\n{:?}\nlabel {} % vol, {}; original gravity as read {:.3}\n",
        run.kind.name(),
        run.seed,
        run.generator.name(),
        run.drawn.tries,
        run.drawn.recipe,
        run.drawn.label,
        if run.label_known { "known" } else { "unknown" },
        run.original,
    );
    for act in &run.drawn.course.acts {
        head.push_str(&format!(
            "d{:.1} {:?} {:?}\n",
            act.hour as f64 / 24.0,
            act.logged,
            act.event
        ));
    }
    if let Some(s) = &run.sensor {
        head.push_str(&format!("{s:?}\n"));
    }
    format!("{head}{story}{:#?}\n", score(&run))
}
