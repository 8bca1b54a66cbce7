//! What readers keep in memory of the readings: those that are not packed, by feed, and the hours of
//! meads that are followed, all of them where there are not many and as they are drawn small.
//!
//! What came lies in the order it came, whatever feed it is of: without a list of its own each question
//! for one feed would look through all of them. And a mead that is followed is asked for its hours every
//! minute, of which one in sixty minutes is new. Both hold for one *turn* of the database: a number that
//! goes up with every commit that packs, changes or takes away what was there (`migrations/0010.sql`,
//! [`turned`]). Within a turn readings are only added, at the end.

use std::collections::HashMap;
use std::ops::Deref;
use std::sync::{Mutex, MutexGuard, PoisonError};

use ebbmark_core::hours::{HOUR_MS, Hour};
use ebbmark_core::ids::FeedId;
use ebbmark_core::time::Span;
use rusqlite::Connection;

use crate::pack::block::Single;
use crate::singles::Unread;
use crate::table::Stats;
use crate::{rows, singles};

/// Hours kept of all feeds together, 10 MB: forty meads of a hundred days. What is beyond that is read from
/// the database each time; of a long record that is not often, since a verdict on it stands for long.
const HOURS: usize = 100_000;

/// What is asked for up to so many hours before the last one is of a mead that is followed.
const RECENT: i64 = 24;

/// How closely hours are asked for: of each so many the middle one of those there are, with gravity if
/// one has it. What is drawn small has no use for more, and costs no more with a long history.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Grain(i64);

impl Grain {
    pub const EVERY: Grain = Grain(1);

    /// For about so many hours out of a span.
    pub fn over(span: Span, points: u32) -> Grain {
        Grain((span.0 / HOUR_MS / i64::from(points.max(1))).max(1))
    }

    fn of(self, hours: &[Hour]) -> Vec<Hour> {
        if self.0 == 1 {
            return hours.to_vec();
        }
        let mut kept = Vec::new();
        let mut rest = hours;
        while let Some(first) = rest.first() {
            let next = (first.index.div_euclid(self.0) + 1) * self.0;
            let (here, after) = rest.split_at(before(rest, next));
            let (earlier, from_middle) = here.split_at(here.len() / 2);
            let with_gravity = from_middle
                .iter()
                .chain(earlier)
                .find(|h| h.gravity.is_some());
            kept.extend(with_gravity.or(from_middle.first()));
            rest = after;
        }
        kept
    }
}

/// One snapshot of what was committed.
pub struct Snapshot<'a> {
    conn: &'a Connection,
    at_hand: &'a AtHand,
}

impl<'a> Snapshot<'a> {
    pub fn new(conn: &'a Connection, at_hand: &'a AtHand) -> Snapshot<'a> {
        Snapshot { conn, at_hand }
    }
}

impl Deref for Snapshot<'_> {
    type Target = Connection;

    fn deref(&self) -> &Connection {
        self.conn
    }
}

/// Shared by the readers of one database.
pub struct AtHand {
    kept: Mutex<Kept>,
    unread: Mutex<Unread>,
    /// Hours there is room for.
    room: usize,
}

impl Default for AtHand {
    fn default() -> AtHand {
        AtHand {
            kept: Mutex::default(),
            unread: Mutex::default(),
            room: HOURS,
        }
    }
}

#[derive(Default)]
struct Kept {
    /// What is kept is of this turn.
    turn: i64,
    /// Readings up to this one are in `fresh`.
    read_to: i64,
    /// Not packed, by number.
    fresh: HashMap<FeedId, Vec<(i64, Single)>>,
    hours: HashMap<FeedId, Followed>,
    hours_kept: usize,
    /// As they were last asked for with a grain.
    drawn: HashMap<FeedId, Drawn>,
}

/// The packed hours of one feed from some hour on.
struct Followed {
    from: i64,
    hours: Vec<Hour>,
}

/// Those of them a small curve is made of.
struct Drawn {
    /// First, last and grain.
    asked: (i64, i64, Grain),
    hours: Vec<Hour>,
}

impl AtHand {
    // A panic in between leaves what was read, or a turn that matches no more.
    fn lock(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Readings were taken away: what others keep of them holds no longer. Hours that are written, as they are
/// when readings are packed, say it by themselves.
pub fn turned(conn: &Connection) -> rusqlite::Result<()> {
    conn.prepare_cached("UPDATE tally SET n = n + 1 WHERE name = 'turn'")?
        .execute([])?;
    Ok(())
}

fn turn(conn: &Connection) -> rusqlite::Result<i64> {
    conn.prepare_cached("SELECT n FROM tally WHERE name = 'turn'")?
        .query_row([], |r| r.get(0))
}

impl Snapshot<'_> {
    /// Packed readings that cannot be read were met.
    pub fn unreadable(&self, feed: FeedId, hour: i64) {
        let unread = &self.at_hand.unread;
        unread
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .met(feed, hour);
    }

    /// What came of a feed after the payload its row was last written with, added up.
    pub fn unwritten(&self, feed: FeedId, written: i64) -> rusqlite::Result<Stats> {
        let mut stats = Stats::default();
        for single in self.fresh(feed, i64::MIN, i64::MAX)? {
            if single.raw > Some(written) {
                stats.take(single.at, &single.values);
            }
        }
        Ok(stats)
    }

    /// What is kept, of this snapshot's turn. `None`: this snapshot is older, others are further.
    fn kept(&self) -> rusqlite::Result<Option<MutexGuard<'_, Kept>>> {
        let turn = turn(self.conn)?;
        let mut kept = self.at_hand.lock();
        if kept.turn > turn {
            return Ok(None);
        }
        if kept.turn < turn {
            *kept = Kept {
                turn,
                ..Kept::default()
            };
        }
        Ok(Some(kept))
    }

    /// Readings of a feed in `[from, to)` that are not packed, in the order they came.
    pub fn fresh(&self, feed: FeedId, from: i64, to: i64) -> rusqlite::Result<Vec<Single>> {
        let Some(mut kept) = self.kept()? else {
            return singles::fresh(self.conn, feed, from, to);
        };
        let last = self
            .conn
            .prepare_cached("SELECT coalesce(max(id), 0) FROM reading")?
            .query_row([], |r| r.get(0))?;
        kept.read_on(self.conn, last)?;
        let of_feed = kept.fresh.get(&feed).map_or(&[][..], Vec::as_slice);
        // Another snapshot may have read further.
        let seen = of_feed.partition_point(|(id, _)| *id <= last);
        Ok(of_feed[..seen]
            .iter()
            .map(|(_, single)| *single)
            .filter(|r| from <= r.at && r.at < to)
            .collect())
    }

    /// Packed hours of a feed from the first to the last index (both included), those with nothing in
    /// them left out.
    pub fn hours(
        &self,
        feed: FeedId,
        first: i64,
        last: i64,
        grain: Grain,
    ) -> rusqlite::Result<Vec<Hour>> {
        let newest: Option<i64> = self
            .conn
            .prepare_cached("SELECT max(hour) FROM hour WHERE feed = ?1")?
            .query_row([feed.0], |r| r.get(0))?;
        // What is over is looked at now and then; it would only take the room of what is followed.
        if newest.is_none_or(|newest| last + RECENT < newest) {
            return Ok(grain.of(&stored(self.conn, feed, first, last)?));
        }
        let Some(mut kept) = self.kept()? else {
            return Ok(grain.of(&stored(self.conn, feed, first, last)?));
        };
        if let Some(followed) = kept.hours.get(&feed).filter(|f| f.from <= first) {
            return Ok(grain.of(within(&followed.hours, first, last)));
        }
        let drawn = kept.drawn.get(&feed);
        if let Some(drawn) = drawn.filter(|d| d.asked == (first, last, grain)) {
            return Ok(drawn.hours.clone());
        }
        let hours = stored(self.conn, feed, first, i64::MAX)?;
        let asked = grain.of(within(&hours, first, last));
        let before = kept.hours.remove(&feed).map_or(0, |f| f.hours.len());
        kept.hours_kept -= before;
        if kept.hours_kept + hours.len() <= self.at_hand.room {
            kept.hours_kept += hours.len();
            kept.hours.insert(feed, Followed { from: first, hours });
        } else if grain != Grain::EVERY {
            let drawn = Drawn {
                asked: (first, last, grain),
                hours: asked.clone(),
            };
            kept.drawn.insert(feed, drawn);
        }
        Ok(asked)
    }
}

/// How many of the hours lie before `end`. Mostly there is one for each: then one look tells.
fn before(hours: &[Hour], end: i64) -> usize {
    let most = hours.first().map_or(0, |first| end - first.index);
    let most = usize::try_from(most).unwrap_or(0).min(hours.len());
    match most.checked_sub(1).map(|last| hours[last].index) {
        Some(index) if index < end => most,
        _ => hours[..most].partition_point(|h| h.index < end),
    }
}

fn within(hours: &[Hour], first: i64, last: i64) -> &[Hour] {
    let begin = hours.partition_point(|h| h.index < first);
    let end = hours.partition_point(|h| h.index <= last);
    hours.get(begin..end).unwrap_or_default()
}

impl Kept {
    fn read_on(&mut self, conn: &Connection, last: i64) -> rusqlite::Result<()> {
        if last <= self.read_to {
            return Ok(());
        }
        let mut statement = conn.prepare_cached(&format!(
            "SELECT {}, at, raw, feed, id FROM reading WHERE id > ?1 ORDER BY id",
            rows::READING
        ))?;
        let mut found = statement.query([self.read_to])?;
        while let Some(row) = found.next()? {
            let (feed, id) = (FeedId(row.get(8)?), row.get(9)?);
            let single = singles::single(row)?;
            self.fresh.entry(feed).or_default().push((id, single));
            self.read_to = id;
        }
        Ok(())
    }
}

fn stored(conn: &Connection, feed: FeedId, first: i64, last: i64) -> rusqlite::Result<Vec<Hour>> {
    conn.prepare_cached(&format!(
        "SELECT {} FROM hour WHERE feed = ?1 AND hour BETWEEN ?2 AND ?3 \
         AND (gravity_n IS NOT NULL OR temperature_median IS NOT NULL) ORDER BY hour",
        rows::HOUR
    ))?
    .query_map([feed.0, first, last], rows::hour)?
    .collect()
}

#[cfg(test)]
mod tests {
    use ebbmark_core::hours::{HourGravity, HourTemperature};
    use ebbmark_core::time::Moment;
    use proptest::prelude::*;

    use super::*;

    fn hour(index: i64, has_gravity: bool) -> Hour {
        let gravity = has_gravity.then_some(HourGravity {
            n: 4,
            median: 1.05,
            min: 1.05,
            max: 1.05,
            at: Moment(index * HOUR_MS),
        });
        let temperature = Some(HourTemperature {
            median: 18.0,
            min: 18.0,
            max: 18.0,
        });
        Hour {
            index,
            gravity,
            temperature,
        }
    }

    proptest! {
        /// Against the plain way: put all into their groups, take what lies nearest the middle.
        #[test]
        fn of_each_group_the_middle_one_stands(
            there in prop::collection::btree_map(-500_i64..500, prop::bool::weighted(0.7), 0..200),
            grain in 1_i64..60,
        ) {
            let hours: Vec<Hour> = there.iter().map(|(i, g)| hour(*i, *g)).collect();
            let kept = Grain(grain).of(&hours);
            let mut groups = std::collections::BTreeMap::<i64, Vec<Hour>>::new();
            for h in &hours {
                groups.entry(h.index.div_euclid(grain)).or_default().push(*h);
            }
            prop_assert_eq!(kept.len(), groups.len());
            for (kept, group) in kept.iter().zip(groups.values()) {
                prop_assert!(group.contains(kept));
                prop_assert_eq!(kept.gravity.is_some(), group.iter().any(|h| h.gravity.is_some()));
                if group.iter().all(|h| h.gravity.is_some()) {
                    prop_assert_eq!(kept.index, group[group.len() / 2].index);
                }
            }
            prop_assert_eq!(Grain::EVERY.of(&hours), hours);
        }
    }

    const FEED: FeedId = FeedId(1);

    #[derive(Clone, Debug)]
    enum Step {
        Written(i64, bool),
        Asked(i64, i64, i64),
    }

    fn step() -> impl Strategy<Value = Step> {
        let hour = 0..300_i64;
        prop_oneof![
            1 => (hour.clone(), any::<bool>()).prop_map(|(h, g)| Step::Written(h, g)),
            3 => (hour.clone(), prop_oneof![hour, Just(300)], prop_oneof![Just(1), Just(7), Just(24)])
                .prop_map(|(from, to, grain)| Step::Asked(from, to, grain)),
            // As a page does that is looked at again and again.
            3 => Just(Step::Asked(0, 300, 24)),
        ]
    }

    fn written(conn: &Connection, index: i64, has_gravity: bool) {
        let n = has_gravity.then_some(4);
        let gravity = has_gravity.then_some(1.05);
        conn.execute(
            &format!(
                "INSERT OR REPLACE INTO hour (feed, {}) \
                 VALUES (?1, ?2, ?3, ?4, ?4, ?4, ?5, 18.0, 18.0, 18.0)",
                rows::HOUR
            ),
            rusqlite::params![FEED.0, index, n, gravity, gravity.map(|_| index * HOUR_MS)],
        )
        .expect("a database in memory");
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 32, ..ProptestConfig::default() })]

        /// However much there is room for.
        #[test]
        fn hours_are_those_that_stand_in_the_database(
            there in prop::collection::btree_map(0_i64..300, prop::bool::weighted(0.7), 0..200),
            steps in prop::collection::vec(step(), 1..30),
        ) {
            let mut conn = Connection::open_in_memory().expect("memory");
            conn.pragma_update(None, "foreign_keys", false).expect("memory");
            crate::migrate::upgrade(&mut conn).expect("a database in memory");
            for (index, has_gravity) in there {
                written(&conn, index, has_gravity);
            }
            let rooms = [0, 100, HOURS].map(|room| AtHand { room, ..AtHand::default() });
            for step in steps {
                let (first, last, grain) = match step {
                    Step::Written(index, has_gravity) => {
                        written(&conn, index, has_gravity);
                        continue;
                    }
                    Step::Asked(first, last, grain) => (first, last, Grain(grain)),
                };
                let there = grain.of(&stored(&conn, FEED, first, last).expect("memory"));
                for at_hand in &rooms {
                    let snapshot = Snapshot::new(&conn, at_hand);
                    let hours = snapshot.hours(FEED, first, last, grain).expect("memory");
                    prop_assert_eq!(&hours, &there);
                }
            }
        }
    }

    #[test]
    fn a_short_mead_is_asked_for_every_hour() {
        assert_eq!(Grain::over(Span::days(30), 480).0, 1);
        assert_eq!(Grain::over(Span::days(360), 480).0, 18);
        assert_eq!(Grain::over(Span(-1), 480).0, 1);
    }
}
