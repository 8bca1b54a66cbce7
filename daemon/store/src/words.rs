//! Words a mead is found by.
//!
//! They are written in the transaction that changes what they are taken from, so that whoever has
//! just noted the figs finds them. A mead whose record cannot be read keeps the words it had: it
//! must not keep others' readings from being stored.

use ebbmark_core::ids::BatchId;
use rusqlite::{Connection, params};

use crate::meads;
use crate::model::{Batch, LogLine};

/// Most meads in one commit: after an upgrade all of them wait.
const AT_ONCE: i64 = 100;
/// `trigram` finds no shorter part of a word.
const SHORTEST: usize = 3;

pub fn keep_up(conn: &Connection) -> rusqlite::Result<()> {
    let waiting: Vec<BatchId> = conn
        .prepare_cached("SELECT batch FROM summary WHERE worded < version LIMIT ?1")?
        .query_map([AT_ONCE], |r| r.get(0).map(BatchId))?
        .collect::<rusqlite::Result<_>>()?;
    for batch in waiting {
        if let Err(cause) = write(conn, batch) {
            tracing::error!(%batch, %cause, "a mead's words could not be written");
        }
        conn.prepare_cached("UPDATE summary SET worded = version WHERE batch = ?1")?
            .execute([batch.0])?;
    }
    Ok(())
}

fn write(conn: &Connection, id: BatchId) -> rusqlite::Result<()> {
    let Some(batch) = meads::batch(conn, id)? else {
        return Ok(());
    };
    let to = batch.ended.unwrap_or(ebbmark_core::time::Moment(i64::MAX));
    let lines = meads::past(conn, &batch, to)?.lines;
    conn.prepare_cached(
        "INSERT OR REPLACE INTO mead_words (rowid, yeast, words) VALUES (?1, ?2, ?3)",
    )?
    .execute(params![id.0, batch.facts.yeast, of(&batch, lines)])?;
    Ok(())
}

fn of(batch: &Batch, lines: Vec<LogLine>) -> String {
    let facts = &batch.facts;
    let mut words = [
        &facts.name,
        &facts.yeast,
        &facts.honey,
        &facts.note,
        &batch.plan.style,
    ]
    .map(String::as_str)
    .to_vec();
    words.extend(batch.plan.steeps.iter().map(|s| s.name.as_str()));
    let deeds = LogLine::standing(lines);
    for deed in &deeds {
        words.push(&deed.note);
        words.extend(deed.doses.iter().map(|d| d.name.as_str()));
    }
    words.retain(|w| !w.is_empty());
    // Words of two things are not one: a line's end is in no word.
    words.join("\n")
}

/// What is searched for: parts to be matched, and such as are too short for that.
pub struct Sought {
    /// For `MATCH`; `None` where nothing is long enough.
    pub matching: Option<String>,
    /// Column and pattern, for `LIKE … ESCAPE '\'`.
    pub like: Vec<(&'static str, String)>,
}

pub fn sought(words: &str, yeast: &str) -> Sought {
    let mut matching = Vec::new();
    let mut like = Vec::new();
    for (column, text) in [("words", words), ("yeast", yeast)] {
        let apart = |c: char| c.is_whitespace() || c.is_control();
        for word in text.split(apart).filter(|w| !w.is_empty()) {
            if word.chars().count() >= SHORTEST {
                matching.push(format!("{column} : \"{}\"", word.replace('"', "\"\"")));
            } else {
                let mut pattern = String::from("%");
                for c in word.chars() {
                    if matches!(c, '%' | '_' | '\\') {
                        pattern.push('\\');
                    }
                    pattern.push(c);
                }
                pattern.push('%');
                like.push((column, pattern));
            }
        }
    }
    Sought {
        matching: (!matching.is_empty()).then(|| matching.join(" AND ")),
        like,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_typed_is_no_syntax() {
        let s = sought("fig* \"OR\" NEAR(a b) 5%", "k12");
        assert_eq!(
            s.matching.as_deref(),
            Some(
                "words : \"fig*\" AND words : \"\"\"OR\"\"\" AND words : \"NEAR(a\" AND yeast : \"k12\""
            )
        );
        assert_eq!(
            s.like,
            [("words", "%b)%".to_owned()), ("words", "%5\\%%".to_owned())]
        );
        assert_eq!(
            sought("fig\0dry", "").matching.as_deref(),
            Some("words : \"fig\" AND words : \"dry\"")
        );
        let nothing = sought("  ", "\0");
        assert!(nothing.matching.is_none() && nothing.like.is_empty());
    }
}
