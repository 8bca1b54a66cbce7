//! One vessel: its record out of the store, through the core, verdict and notices back in.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use ebbmark_core::deed::Deed;
use ebbmark_core::fit::curve::Family;
use ebbmark_core::hours::HOUR_MS;
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::learn::{CurveRecord, Learned, learn};
use ebbmark_core::notice::{self, NoticeKind};
use ebbmark_core::text::{Style, sentence};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Preferences;
use ebbmark_core::verdict::outcome::{Phase, Verdict};
use ebbmark_core::verdict::{Assessor, Case, broad};
use ebbmark_store::StoreError;
use ebbmark_store::model::{Batch, BatchFacts, Command, LogLine, NewNotice};
use jiff::tz::TimeZone;

use super::Assess;
use super::float::Float;
use crate::slug;
use crate::tell::Told;

/// A verdict that says the same as the stored one is told again only after this long...
const REFRESH: Span = Span::minutes(15);
/// ... and written again only after this: each write wears the card, what is judged are the hours, and the
/// page needs no fresher number than the readings themselves.
const REWRITE: Span = Span::hours(1);

/// News of this much of a record's end are no others than that time goes on: floats send late.
const LATE: Span = Span::hours(1);

/// Vessels to judge, and from when on their record may be another than it was at the last verdict.
pub(super) type Due = BTreeMap<VesselId, Moment>;

/// Only time has passed.
pub(super) const NO_NEWS: Moment = Moment(i64::MAX);

/// Whatever the record was.
pub(super) fn anew(vessels: impl IntoIterator<Item = VesselId>) -> Due {
    vessels.into_iter().map(|v| (v, Moment(i64::MIN))).collect()
}

pub(super) struct Judge {
    assess: Arc<Assess>,
    held: HashMap<VesselId, Held>,
    /// What is written at the end of a round.
    later: Vec<(VesselId, Command)>,
    told: Told,
}

/// What is kept of the mead in a vessel between two verdicts.
struct Held {
    batch: BatchId,
    assessor: Assessor,
    facts: BatchFacts,
    deeds: Vec<Deed>,
    learned: Learned,
    last: Option<Verdict>,
    /// Since when and for how long that is good enough.
    stands: Option<(Moment, Span)>,
    /// When one was last told, stored or not.
    told_at: Option<Moment>,
    /// The hand reading a doubt about the float was last told of.
    doubted: Option<Moment>,
}

type Res<T> = Result<T, StoreError>;

impl Judge {
    pub fn new(assess: Arc<Assess>) -> Judge {
        Judge {
            assess,
            held: HashMap::new(),
            later: Vec::new(),
            told: Told::default(),
        }
    }

    pub async fn all(&self) -> Res<BTreeSet<VesselId>> {
        let assess = self.assess.clone();
        blocking(move || {
            let vessels = assess.reader.vessels()?;
            Ok(vessels
                .into_iter()
                .filter(|v| !v.retired)
                .map(|v| v.id)
                .collect())
        })
        .await
    }

    /// Judges these vessels. Trouble with one is logged and does not keep the others waiting.
    pub async fn round(mut self, due: Due) -> Res<Judge> {
        blocking(move || {
            let (zone, units) = self.assess.reader.zone_and_units(&self.assess.zone)?;
            let slugs = slug::slugs(&self.assess.reader.vessels()?);
            for (vessel, news) in due {
                let slug = slugs.get(&vessel).map(String::as_str);
                match self.judge((vessel, news), slug, &zone, units) {
                    Err(StoreError::WriterGone) => return Err(StoreError::WriterGone),
                    Err(error) => tracing::error!(%vessel, %error, "no verdict"),
                    Ok(()) => {}
                }
            }
            self.save_later()?;
            Ok(self)
        })
        .await
    }

    /// Writes what only had grown old: all of it in one commit, for each wears the card.
    fn save_later(&mut self) -> Res<()> {
        let (vessels, commands): (Vec<_>, Vec<_>) = self.later.drain(..).unzip();
        match self.assess.writer.commands_blocking(commands) {
            Err(StoreError::WriterGone) => Err(StoreError::WriterGone),
            Err(error) => {
                tracing::error!(%error, "verdicts were not kept");
                for vessel in vessels {
                    let Some(held) = self.held.get_mut(&vessel) else {
                        continue;
                    };
                    // The next round writes it.
                    held.stands = None;
                    if let Some(last) = held.last.as_mut() {
                        last.at = Moment(0);
                    }
                }
                Ok(())
            }
            Ok(()) => Ok(()),
        }
    }

    /// Looks at silence and batteries, and rolls hours that readings have touched.
    pub async fn watch(self, listening_since: Moment) -> Res<Judge> {
        blocking(move || {
            survived("hours and summaries", super::watches::tidy(&self.assess))?;
            survived("feeds", super::watches::look(&self.assess, listening_since))?;
            Ok(self)
        })
        .await
    }

    /// Looks at what is to be done.
    pub async fn steps(self) -> Res<Judge> {
        blocking(move || {
            survived("tasks", super::steps::look(&self.assess))?;
            Ok(self)
        })
        .await
    }

    /// Whether the last verdict on a vessel is good for a while yet.
    pub fn stands(&self, id: VesselId, news: Moment, now: Moment) -> bool {
        let Some(held) = self.held.get(&id) else {
            return false;
        };
        let was_silent = held.last.as_ref().is_some_and(|v| v.phase == Phase::NoData);
        let speaks_again = was_silent && news != NO_NEWS;
        held.stands.is_some_and(|(at, span)| {
            news >= at - LATE && !speaks_again && now.since(at).0.abs() < span.0
        })
    }

    fn judge(
        &mut self,
        (id, news): (VesselId, Moment),
        slug: Option<&str>,
        zone: &TimeZone,
        units: Preferences,
    ) -> Res<()> {
        let assess = self.assess.clone();
        let now = assess.clock.now();
        let Some(vessel) = assess.reader.vessel(id)? else {
            return Ok(());
        };
        let (Some(batch), Some(slug)) = (&vessel.batch, slug) else {
            self.held.remove(&id);
            self.told.move_to(&assess.outgoing, id, None);
            return Ok(());
        };
        let moved = self.told.move_to(&assess.outgoing, id, Some(slug));
        if !moved && self.stands(id, news, now) {
            return Ok(());
        }
        // Of a mead that was split off, the other one's record up to then is its own.
        let history = assess.reader.history(batch, now + Span::hours(1))?;
        let deeds = LogLine::standing(history.lines);
        let held = self.held(id, batch, deeds)?;
        let case = Case {
            hours: &history.hours,
            deeds: &held.deeds,
            started: Some(history.started),
            original: held.facts.original_gravity,
            expected_final: held.facts.expected_final,
            tolerance: held.facts.tolerance,
            learned: Some(&held.learned),
        };
        let style = Style { units, zone };
        let mut verdict = held.assessor.assess(&case, now, &style);
        let stands = Some((now, stands_for(history.hours.len())));
        if let Some(before) = &held.last {
            verdict.gates.follow(&before.gates, now);
        }
        let text = sentence(&verdict, &style);
        let fresh = moved || held.last.as_ref().is_none_or(|b| differs(b, &verdict));
        let name = &vessel.facts.name;
        if !fresh {
            held.stands = stands;
            // The stored one stays the yardstick, or a slow change would never be written.
            if held
                .told_at
                .is_none_or(|at| now.since(at).0.abs() >= REFRESH.0)
            {
                held.told_at = Some(now);
                self.told
                    .verdict(&assess.outgoing, id, (name, slug), &verdict, &text);
            }
            return Ok(());
        }
        verdict.curve = held.assessor.curve(&verdict);
        let remembered = held.last.as_ref().and_then(|b| b.memory).map(|m| m.phase);
        let call = notice::on_phase(remembered, &verdict, name, &style);
        let mut notices: Vec<NewNotice> = Vec::new();
        if let Some(call) = call {
            let (kind, key) = (call.kind, key(call.kind, batch));
            notices.push(NewNotice {
                pressing: notice::is_pressing(kind, &held.deeds),
                ..assess.notice(call, key, Some(id), now)?
            });
        }
        clear_left_phases(&assess, batch, remembered, &verdict)?;
        let float = Float {
            assess: &assess,
            vessel: &vessel,
            batch,
            verdict: &verdict,
            hours: &history.hours,
        };
        let (of_the_float, doubted) = float.look(held.doubted, &style)?;
        notices.extend(of_the_float);
        let settles = verdict.phase == Phase::Settled && remembered != Some(Phase::Settled);
        let families = settles.then(|| held.assessor.families()).flatten();
        if let Some(record) = families.and_then(|f| record(&batch.facts, &verdict, f)) {
            assess.writer.command_blocking(Command::KeepCurve {
                batch: batch.id,
                at: now,
                record,
            })?;
        }
        let phase = verdict.phase.key();
        let is_news = moved
            || !notices.is_empty()
            || held.last.as_ref().is_none_or(|b| says_other(b, &verdict));
        let save = Command::SaveVerdict {
            vessel: id,
            batch: batch.id,
            verdict: Box::new(verdict.clone()),
            sentence: text.clone(),
            notices,
        };
        let later = match is_news {
            true => {
                assess.writer.command_blocking(save)?;
                None
            }
            false => Some((id, save)),
        };
        // Only now: had the save failed, the next round must find the same news again.
        held.last = Some(verdict.clone());
        held.stands = stands;
        held.told_at = Some(now);
        held.doubted = doubted;
        self.later.extend(later);
        self.told
            .verdict(&assess.outgoing, id, (name, slug), &verdict, &text);
        if remembered.is_none_or(|p| p.key() != phase) {
            tracing::info!(vessel = %name, phase, "{text}");
        }
        Ok(())
    }

    /// The held state, started anew from the mead's own memory when the facts changed. What
    /// another mead in the same vessel left behind is no memory of this one.
    fn held(&mut self, id: VesselId, batch: &Batch, deeds: Vec<Deed>) -> Res<&mut Held> {
        let held = self.held.remove(&id).filter(|h| h.batch == batch.id);
        let held = match held {
            Some(held) if held.facts == batch.facts && held.deeds == deeds => held,
            earlier => self.anew(id, batch, deeds, earlier)?,
        };
        Ok(self.held.entry(id).insert_entry(held).into_mut())
    }

    fn anew(
        &self,
        id: VesselId,
        batch: &Batch,
        deeds: Vec<Deed>,
        earlier: Option<Held>,
    ) -> Res<Held> {
        let stored = self.stored(id, batch)?;
        let (memory, doubted) = match earlier {
            Some(h) => (h.last.and_then(|v| v.memory), h.doubted),
            None => (stored.as_ref().and_then(|v| v.memory), None),
        };
        let last = stored.map(|mut v| {
            // The facts changed: whatever comes out is worth writing.
            v.at = Moment(0);
            v
        });
        let records = self.assess.reader.curve_records(batch.id)?;
        let facts = &batch.facts;
        Ok(Held {
            batch: batch.id,
            assessor: Assessor::resume(memory),
            facts: facts.clone(),
            deeds,
            learned: learn(&records, &facts.yeast, &facts.honey, &broad()),
            last,
            stands: None,
            told_at: None,
            doubted,
        })
    }

    fn stored(&self, id: VesselId, batch: &Batch) -> Res<Option<Verdict>> {
        let stored = self.assess.reader.verdict(id)?;
        Ok(stored.filter(|s| s.batch == batch.id).map(|s| s.verdict))
    }
}

/// A verdict costs the more the more hours there are to judge from, and the less a further one changes it.
/// It stands for a ten thousandth of them, nine minutes with sixty days: so what judging costs does not
/// grow with history.
fn stands_for(hours: usize) -> Span {
    let hours = i64::try_from(hours).unwrap_or(i64::MAX);
    Span(hours.saturating_mul(HOUR_MS / 10_000))
}

/// Trouble with one look is logged and does not keep the next waiting.
fn survived(what: &str, result: Res<()>) -> Res<()> {
    match result {
        Err(StoreError::WriterGone) => Err(StoreError::WriterGone),
        Err(error) => {
            tracing::error!(%error, "{what} were not looked at");
            Ok(())
        }
        Ok(()) => Ok(()),
    }
}

/// What a settled mead leaves for the next one; nothing without the gravity it began at.
fn record(
    facts: &BatchFacts,
    verdict: &Verdict,
    families: Vec<(Family, Vec<f64>)>,
) -> Option<CurveRecord> {
    Some(CurveRecord {
        yeast: facts.yeast.clone(),
        honey: facts.honey.clone(),
        original: facts.original_gravity?.get(),
        ended: verdict.gravity?.get(),
        families,
    })
}

/// Whether the maker would see a difference, or the stored one has grown old.
fn differs(stored: &Verdict, new: &Verdict) -> bool {
    // Also one from a day when the clock ran ahead, which would otherwise stay for years.
    says_other(stored, new) || new.at.since(stored.at).0.abs() >= REWRITE.0
}

fn says_other(stored: &Verdict, new: &Verdict) -> bool {
    let gates = |v: &Verdict| [v.gates.rack.open, v.gates.stabilise.open, v.gates.seal.open];
    let trouble = |v: &Verdict| {
        let float = v.float.as_ref();
        float.map(|f| (f.still_since.is_some(), f.disagrees.map(|d| d.at)))
    };
    stored.phase != new.phase
        || stored.memory.map(|m| m.phase) != new.memory.map(|m| m.phase)
        || gates(stored) != gates(new)
        || trouble(stored) != trouble(new)
}

fn key(kind: NoticeKind, batch: &Batch) -> String {
    format!("{}:{}", kind.key(), batch.id)
}

/// A phase that was left ends what its notice stood for, so that it may be told again.
fn clear_left_phases(
    assess: &Assess,
    batch: &Batch,
    remembered: Option<Phase>,
    verdict: &Verdict,
) -> Res<()> {
    let Some(memory) = verdict.memory else {
        return Ok(());
    };
    let kind = match remembered {
        Some(was) if was == memory.phase => return Ok(()),
        Some(Phase::Settled) => NoticeKind::Settled,
        Some(Phase::Stuck | Phase::Resting) => NoticeKind::Stuck,
        Some(Phase::Restarted) => NoticeKind::Restarted,
        _ => return Ok(()),
    };
    let clear = Command::Clear {
        key: key(kind, batch),
        at: verdict.at,
    };
    assess.writer.command_blocking(clear).map(|_| ())
}

/// Runs on a thread that may block. A panic there is a bug and must end the task, not hide.
async fn blocking<T: Send + 'static>(f: impl FnOnce() -> Res<T> + Send + 'static) -> Res<T> {
    match tokio::task::spawn_blocking(f).await {
        Ok(result) => result,
        Err(joined) => std::panic::resume_unwind(joined.into_panic()),
    }
}
