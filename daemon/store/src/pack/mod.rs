//! How an hour of readings, and a stretch of payloads, lie in one value of the file.
//!
//! A row of its own costs a reading forty bytes and its payload a hundred and fifty; together they
//! take a tenth of that. Values come back to the last bit, whatever they were.

pub mod block;
pub mod bundle;
pub mod bytes;

/// A packed value this program cannot read: a damaged file, or a hand in it.
#[derive(Debug, thiserror::Error)]
#[error("what is packed here cannot be read: {0}")]
pub struct Unreadable(pub &'static str);

impl Unreadable {
    /// What was read, `None` if that it cannot be is all that is wrong: the rest of the file may be as it
    /// was. Any other failure stays one.
    pub fn aside<T>(read: rusqlite::Result<T>) -> rusqlite::Result<Option<T>> {
        match read {
            Err(rusqlite::Error::FromSqlConversionFailure(_, _, cause))
                if cause.is::<Unreadable>() =>
            {
                Ok(None)
            }
            read => read.map(Some),
        }
    }
}

impl From<Unreadable> for rusqlite::Error {
    fn from(cause: Unreadable) -> Self {
        rusqlite::Error::FromSqlConversionFailure(0, rusqlite::types::Type::Blob, cause.into())
    }
}
