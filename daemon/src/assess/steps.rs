//! Tasks: one notice when one falls due that should not wait, over when it was done or answered; and
//! all of them on their topic.

use ebbmark_core::notice::{self, NoticeKind};
use ebbmark_core::text::Style;
use ebbmark_store::StoreError;
use ebbmark_store::model::Command;

use super::Assess;
use crate::tell;

type Res<T> = Result<T, StoreError>;

pub(super) fn look(assess: &Assess) -> Res<()> {
    let (zone, units) = assess.reader.zone_and_units(&assess.zone)?;
    let style = Style { units, zone: &zone };
    let now = assess.clock.now();
    let to_do = assess.reader.to_do(now, &style)?;
    tell::tasks(&assess.outgoing, &to_do, now, &style);
    let mut due = Vec::new();
    for one in &to_do {
        let worth_telling = |t: &&ebbmark_core::tasks::Task| t.kind.notifies() && t.is_due(now);
        for task in one.tasks.iter().filter(worth_telling) {
            let call = notice::on_task(task, &one.vessel.facts.name);
            let key = format!("{}:{}:{}", call.kind.key(), one.batch.id, task.key);
            due.push(assess.notice(call, key, Some(one.vessel.id), now)?);
        }
    }
    let open = assess.reader.open_notice_keys()?;
    let ours = format!("{}:", NoticeKind::StepDue.key());
    // Done, put off, corrected away, or the mead was finished.
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
