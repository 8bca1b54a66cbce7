//! What each message and each command does, inside the writer's transaction.

pub mod access;
pub mod arrival;
mod curves;
mod door;
mod feeds;
mod import;
pub mod lines;
mod log;
mod moves;
mod payload;
mod plans;
mod pour;
mod prices;
mod reread;
pub(crate) mod shelf;
mod summaries;
pub(crate) mod tidy;
mod verdicts;
mod vessels;

use ebbmark_core::ids::VesselId;
use ebbmark_core::time::Moment;
use rusqlite::{Connection, OptionalExtension};

use crate::error::StoreError;
use crate::model::{Change, Command, Done};
use crate::outbox;
use crate::shelf_life;
use crate::singles::Unread;
use crate::table::Table;

/// What the writer knows between jobs.
pub struct Memory {
    table: Table,
    /// Must be read from the file before it is used again.
    forgotten: bool,
    run: i64,
    /// Wall time less monotonic time of this run, once a clock that was not believable became so.
    offset_ms: Option<i64>,
    changes: Vec<Change>,
    unread: Unread,
}

impl Memory {
    pub fn load(conn: &Connection) -> rusqlite::Result<Memory> {
        conn.execute("INSERT INTO run DEFAULT VALUES", [])?;
        shelf::make_lists(conn)?;
        Ok(Memory {
            table: Table::load(conn)?,
            forgotten: false,
            run: conn.last_insert_rowid(),
            offset_ms: None,
            changes: Vec::new(),
            unread: Unread::default(),
        })
    }

    /// At the start of each transaction.
    pub fn begin(&mut self, conn: &Connection) -> rusqlite::Result<()> {
        if self.forgotten {
            self.table = Table::load(conn)?;
            self.offset_ms =
                conn.query_row("SELECT offset_ms FROM run WHERE id = ?1", [self.run], |r| {
                    r.get(0)
                })?;
            self.forgotten = false;
        }
        self.changes.clear();
        Ok(())
    }

    /// After a transaction that was rolled back.
    pub fn forget(&mut self) {
        self.forgotten = true;
    }

    pub fn flush(&mut self, conn: &Connection) -> rusqlite::Result<()> {
        self.table.flush(conn)
    }

    /// What is known of topics and feeds is written, before a command that asks the file for it.
    pub fn flush_for(&mut self, conn: &Connection, command: &Command) -> rusqlite::Result<()> {
        if asks_for_feeds(command) {
            self.table.flush_all(conn)?;
        }
        Ok(())
    }

    pub fn reload_if_asked(&mut self, conn: &Connection) -> rusqlite::Result<()> {
        if std::mem::take(&mut self.forgotten) {
            self.table = Table::load(conn)?;
        }
        Ok(())
    }

    /// What to tell the listeners, the same thing said once.
    pub fn take_changes(&mut self) -> Vec<Change> {
        let mut told: Vec<Change> = Vec::new();
        for change in self.changes.drain(..) {
            if let Change::Readings { feed, vessel, from } = &change {
                let same = told.iter_mut().find_map(|t| match t {
                    Change::Readings {
                        feed: f,
                        vessel: v,
                        from,
                    } if f == feed && v == vessel => Some(from),
                    _ => None,
                });
                if let Some(earliest) = same {
                    *earliest = (*earliest).min(*from);
                    continue;
                }
            } else if told.contains(&change) {
                continue;
            }
            told.push(change);
        }
        told
    }

    /// Runs one job. Behind a savepoint only it is undone if it fails; without one the whole
    /// transaction has to be.
    pub fn job<T>(
        &mut self,
        conn: &Connection,
        guarded: bool,
        run: impl FnOnce(&mut Tx<'_>) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        if guarded {
            conn.prepare_cached("SAVEPOINT job")?.execute([])?;
        }
        let changes_before = self.changes.len();
        let mut tx = Tx {
            conn,
            memory: self,
            reload: false,
        };
        let result = run(&mut tx);
        let reload = tx.reload;
        if result.is_ok() {
            self.forgotten |= reload;
        } else {
            self.changes.truncate(changes_before);
        }
        if guarded && !conn.is_autocommit() {
            if result.is_err() {
                conn.prepare_cached("ROLLBACK TO job")?.execute([])?;
            }
            conn.prepare_cached("RELEASE job")?.execute([])?;
        }
        result
    }
}

/// One job's view of the transaction.
///
/// Rule for everything under `apply`: the table in memory is changed only after the last
/// statement that can fail, so that a job that fails leaves it as it was.
pub struct Tx<'a> {
    pub conn: &'a Connection,
    memory: &'a mut Memory,
    reload: bool,
}

impl Tx<'_> {
    pub fn table(&mut self) -> &mut Table {
        &mut self.memory.table
    }

    pub fn unread(&mut self) -> &mut Unread {
        &mut self.memory.unread
    }

    pub fn run(&self) -> i64 {
        self.memory.run
    }

    /// Wall time of an instant on this run's monotonic clock, if that can be told.
    pub fn wall_of(&self, monotonic_ms: i64) -> Option<Moment> {
        self.memory
            .offset_ms
            .map(|offset| Moment(offset.saturating_add(monotonic_ms)))
    }

    pub fn set_offset(&mut self, offset_ms: i64) {
        self.memory.offset_ms = Some(offset_ms);
    }

    pub fn changed(&mut self, change: Change) {
        self.memory.changes.push(change);
    }

    /// The picture in memory is read anew when this job is through.
    pub fn reload(&mut self) {
        self.reload = true;
    }

    /// A time for something that happened while the clock was not believable: the latest known.
    pub fn wall_or_latest(&self, wall: Option<Moment>) -> Moment {
        wall.or_else(|| self.memory.table.latest_wall())
            .unwrap_or(Moment::EARLIEST_BELIEVABLE)
    }

    /// The name of a vessel that is in use.
    fn vessel_in_use(&self, id: VesselId) -> Result<(), StoreError> {
        let found: Option<(String, bool)> = self
            .conn
            .prepare_cached("SELECT name, retired FROM vessel WHERE id = ?1")?
            .query_row([id.0], |r| Ok((r.get(0)?, r.get(1)?)))
            .optional()?;
        match found {
            None => refuse(format!("there is no vessel {id}")),
            Some((name, true)) => refuse(format!("the vessel \"{name}\" is retired")),
            Some((_, false)) => Ok(()),
        }
    }
}

fn refuse<T>(why: impl Into<String>) -> Result<T, StoreError> {
    Err(StoreError::Refused(why.into()))
}

/// A name as it is kept: without spaces around it, and not empty.
fn named(what: &str, name: &str) -> Result<String, StoreError> {
    let name = name.trim();
    if name.is_empty() {
        return refuse(format!("the {what} needs a name"));
    }
    Ok(name.to_owned())
}

/// Whether it looks at topics and feeds in the file, or takes away what they could be counted from. Most of
/// what the daemon does by itself does not: it is no reason to write all of them again.
fn asks_for_feeds(command: &Command) -> bool {
    match command {
        Command::Claim { .. }
        | Command::Remap { .. }
        | Command::Assign { .. }
        | Command::RetireFeed(_)
        | Command::RetireVessel(_)
        | Command::PourBatch { .. }
        | Command::MoveBatch(_)
        | Command::Import { .. }
        | Command::Redate { .. }
        | Command::PackHours(_)
        | Command::PackPayloads(_) => true,
        Command::Planned { mead, .. } => asks_for_feeds(mead),
        _ => false,
    }
}

pub fn command(tx: &mut Tx<'_>, command: &Command) -> Result<Done, StoreError> {
    match command {
        Command::AddVessel(facts) => vessels::add(tx, facts),
        Command::EditVessel(id, facts) => vessels::edit(tx, *id, facts),
        Command::RetireVessel(id) => vessels::retire(tx, *id),
        Command::StartBatch { vessel, facts } => vessels::start_batch(tx, *vessel, facts),
        Command::PourBatch {
            vessel,
            facts,
            parts,
            feeds,
            once,
            made_at,
        } => {
            let once = once.as_deref();
            pour::pour(tx, *vessel, facts, parts, feeds, once, *made_at)
        }
        Command::MoveBatch(asked) => moves::to_vessel(tx, asked),
        Command::EditBatch(id, facts) => vessels::edit_batch(tx, *id, facts),
        Command::EndBatch { batch, at } => vessels::end_batch(tx, *batch, *at),
        Command::Plan { batch, plan } => plans::plan(tx, *batch, plan),
        Command::Planned { mead, plan } => match self::command(tx, mead)? {
            Done::Batch(batch) => plans::plan(tx, batch, plan),
            other => Ok(other),
        },
        Command::AnswerTask {
            batch,
            task,
            answer,
            at,
        } => plans::answer(tx, *batch, task, *answer, *at),
        Command::Claim {
            source,
            topic,
            name,
            map,
            vessel,
        } => feeds::claim(tx, source, topic, name, map, *vessel),
        Command::Remap { feed, name, map } => feeds::remap(tx, *feed, name, map),
        Command::Assign { feed, vessel, at } => feeds::assign(tx, *feed, *vessel, *at),
        Command::RetireFeed(feed) => feeds::retire(tx, *feed),
        Command::WentAway { source, topics, at } => feeds::went_away(tx, source, topics, *at),
        Command::Log {
            vessel,
            deed,
            hand,
            once,
            made_at,
        } => log::add(tx, *vessel, deed, *hand, once.as_deref(), *made_at),
        Command::Correct {
            entry,
            deed,
            hand,
            made_at,
        } => log::correct(tx, *entry, deed, *hand, *made_at),
        Command::Import { vessel, rows } => import::import(tx, *vessel, rows),
        Command::Refused {
            source,
            topic,
            kind,
            detail,
            at,
        } => {
            let door = door::Where::Door;
            door::count(tx, source, topic, door, *kind, detail, Some(*at))?;
            Ok(Done::Nothing)
        }
        Command::SaveVerdict {
            vessel,
            batch,
            verdict,
            sentence,
            notices,
        } => verdicts::save(tx, *vessel, *batch, verdict, sentence, notices),
        Command::KeepCurve { batch, at, record } => curves::keep(tx, *batch, *at, record),
        Command::KeepSummary {
            batch,
            seen,
            summary,
        } => summaries::keep(tx, *batch, *seen, summary),
        Command::Notify(notices) => outbox::queue(tx, notices).map(Done::Notices),
        Command::Clear { key, at } => outbox::clear(tx, key, *at),
        Command::AnswerNotice { notice, again, at } => outbox::answer(tx, *notice, *again, *at),
        Command::TellAgain {
            notice,
            channels,
            at,
        } => outbox::tell_again(tx, *notice, channels, *at),
        Command::Delivered {
            notice,
            channel,
            attempt,
        } => outbox::delivered(tx, *notice, channel, attempt),
        Command::PackHours(hours) => tidy::hours(tx, hours),
        Command::PackPayloads(topics) => tidy::payloads(tx, topics),
        Command::LetPayloadsGo { topic, bundles } => {
            shelf_life::let_payloads_go(tx, *topic, bundles)
        }
        Command::LetReadingsGo { feed, hours } => shelf_life::let_readings_go(tx, *feed, hours),
        Command::Redate { offset_ms } => reread::redate(tx, *offset_ms),
        Command::SetPrice(price) => prices::set(tx, price),
        Command::StrikePrice { of, name, since } => prices::strike(tx, *of, name, *since),
        Command::SetSetting { key, value } => access::set_setting(tx, key, value.as_deref()),
        Command::OpenSession {
            token_hash,
            made_at,
            expires,
            label,
        } => access::open_session(tx, token_hash, *made_at, *expires, label),
        Command::CloseSession { token_hash } => access::close_session(tx, token_hash),
        Command::CloseOtherSessions { keep } => access::close_other_sessions(tx, keep),
        Command::SessionSeen {
            token_hash,
            at,
            expires,
        } => access::session_seen(tx, token_hash, *at, *expires),
        Command::MakeToken {
            name,
            hash,
            scopes,
            at,
        } => access::make_token(tx, name, hash, *scopes, *at),
        Command::TokenUsed { token, at } => access::token_used(tx, *token, *at),
        Command::RevokeToken(token) => access::revoke_token(tx, *token),
    }
}
