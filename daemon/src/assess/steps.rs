//! Steps that had to wait: one notice when the time of each has come, over when it was done.

use ebbmark_core::deed::Deed;
use ebbmark_core::notice::{self, NoticeKind};
use ebbmark_core::tasks;
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::StoreError;
use ebbmark_store::model::{Batch, Command, NewNotice};

use super::{Assess, zone_and_units};

type Res<T> = Result<T, StoreError>;

pub(super) fn look(assess: &Assess) -> Res<()> {
    let (zone, units) = zone_and_units(&assess.reader, &assess.zone)?;
    let style = Style { units, zone: &zone };
    let now = assess.clock.now();
    let mut due = Vec::new();
    for vessel in assess.reader.vessels()?.iter().filter(|v| !v.retired) {
        let Some(batch) = &vessel.batch else { continue };
        let tasks = tasks::tasks(&deeds(assess, batch, now)?);
        for task in tasks.iter().filter(|t| t.is_due(now)) {
            let call = notice::on_task(task, &vessel.facts.name, now, &style);
            due.push(NewNotice {
                kind: call.kind,
                key: format!(
                    "{}:{}:{}",
                    NoticeKind::StepDue.key(),
                    batch.id,
                    task.since.0
                ),
                vessel: Some(vessel.id),
                at: now,
                title: call.title,
                body: call.body,
                channels: assess.channels.clone(),
            });
        }
    }
    let open = assess.reader.open_notice_keys()?;
    let ours = format!("{}:", NoticeKind::StepDue.key());
    // Done, corrected away, or the mead was finished.
    for key in open.iter().filter(|key| key.starts_with(&ours)) {
        if !due.iter().any(|notice| notice.key == *key) {
            let key = key.clone();
            let clear = Command::Clear { key, at: now };
            assess.writer.command_blocking(clear)?;
        }
    }
    due.retain(|notice| !open.contains(&notice.key));
    if !due.is_empty() {
        assess.writer.command_blocking(Command::Notify(due))?;
    }
    Ok(())
}

/// Standing lines of a mead, those of the one it was split off from included.
fn deeds(assess: &Assess, batch: &Batch, now: Moment) -> Res<Vec<Deed>> {
    let mut deeds = Vec::new();
    for stay in assess.reader.stays(batch, now + Span::hours(1))? {
        let lines = assess.reader.log(stay.vessel, stay.from, stay.to)?;
        let standing = lines.into_iter().filter(|line| line.replaced_by.is_none());
        deeds.extend(standing.map(|line| line.deed));
    }
    Ok(deeds)
}
