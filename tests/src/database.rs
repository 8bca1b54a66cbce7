//! A look into the database beside the running daemon: the only witness that is not the daemon.

use std::path::Path;

use ebbmark_core::time::Moment;
use rusqlite::{Connection, OpenFlags, Row};

pub struct Database(Connection);

/// As it stands in the database: ms since 1970, SG, °C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    pub at: i64,
    pub gravity: Option<f64>,
    pub temperature: Option<f64>,
}

impl Database {
    /// # Panics
    /// There is none.
    pub fn open(path: &Path) -> Database {
        let connection = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY)
            .unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        connection
            .busy_timeout(crate::wait::DEADLINE)
            .expect("a timeout can be set");
        Database(connection)
    }

    fn all<T>(
        &self,
        sql: &str,
        parameters: &[&dyn rusqlite::ToSql],
        read: impl FnMut(&Row) -> rusqlite::Result<T>,
    ) -> Vec<T> {
        let mut statement = self.0.prepare(sql).expect("the SQL is ours");
        statement
            .query_map(parameters, read)
            .and_then(Iterator::collect)
            .unwrap_or_else(|e| panic!("{sql}: {e}"))
    }

    /// # Panics
    /// The database cannot be read.
    pub fn count(&self, sql: &str) -> u64 {
        self.0
            .query_row(sql, [], |r| r.get::<_, i64>(0))
            .map(i64::unsigned_abs)
            .unwrap_or_else(|e| panic!("{sql}: {e}"))
    }

    /// Kept payloads of a topic, oldest first.
    pub fn payloads(&self, source: &str, topic: &str) -> Vec<Vec<u8>> {
        self.reader().payloads(source, topic).expect("payloads")
    }

    /// Readings of a claimed topic in order of time.
    pub fn readings(&self, source: &str, topic: &str) -> Vec<Reading> {
        let reader = self.reader();
        let feeds = reader.feeds().expect("feeds").into_iter();
        let mut of_topic = feeds.filter(|f| f.source == source && f.topic == topic);
        let Some(feed) = of_topic.next() else {
            return Vec::new();
        };
        let always = (Moment(i64::MIN), Moment(i64::MAX));
        let readings = reader.readings(feed.id, always.0, always.1);
        let told = readings.expect("readings").into_iter().map(|r| Reading {
            at: r.at.0,
            gravity: r.gravity,
            temperature: r.temperature,
        });
        told.collect()
    }

    /// What is packed takes the store's own words to be read.
    fn reader(&self) -> ebbmark_store::Reader {
        let path = self.0.path().expect("it is a file");
        ebbmark_store::read(Path::new(path)).expect("a database of ours")
    }

    /// Deliveries as (kind of notice, way out, state), in order of notices and ways.
    pub fn deliveries(&self) -> Vec<(String, String, String)> {
        self.all(
            "SELECT kind, channel, state FROM delivery \
             JOIN notice ON notice.id = delivery.notice ORDER BY notice.id, channel",
            &[],
            |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)),
        )
    }

    /// What SQLite finds wrong with the file: "ok" when nothing is.
    pub fn integrity(&self) -> String {
        self.all("PRAGMA integrity_check", &[], |r| r.get::<_, String>(0))
            .join("\n")
    }
}
