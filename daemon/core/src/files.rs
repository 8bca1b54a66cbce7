//! Readings and events in CSV files (RFC 4180), with a report of every line that cannot be taken.
//!
//! Good lines go in, bad ones are listed with number and reason: a file with one broken line is
//! not a broken file.

use std::ops::RangeInclusive;

use csv::{ReaderBuilder, StringRecord, Trim};

use crate::decode::number;
use crate::deed::{Deed, Dose, What};
use crate::density::{gravity_from_density, gravity_from_plato};
use crate::feed::Quantity;
use crate::time::{Moment, Span};
use crate::units::{
    Celsius, Gravity, Kilograms, Litres, MassPercent, Ph, Plato, Quantity as Number,
};

/// One reading from a file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    pub at: Moment,
    pub gravity: Option<Gravity>,
    pub temperature: Option<Celsius>,
}

/// A line that was not taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BadLine {
    /// As an editor counts it, from 1.
    pub line: u64,
    pub why: String,
}

/// The file as a whole cannot be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FileError {
    #[error(
        "the file is empty; its first line must name the columns, such as at,gravity,temperature"
    )]
    Empty,
    #[error("line 1: no column \"{0}\"; the columns are {1}")]
    NoColumn(String, String),
    #[error("line 1: neither a gravity nor a temperature column among {0}")]
    NothingToRead(String),
    #[error("line 1: the columns cannot be read: {0}")]
    Header(String),
}

/// Which columns to read. `None` takes a column whose name is `at`, `gravity`, `temperature`,
/// or a [`Quantity`] key such as `gravity-plato`.
pub type Columns<'a> = Option<&'a [(String, Quantity)]>;

/// The times that are believed: a slip in one line's year must not stretch a record over
/// centuries.
pub type Believed = RangeInclusive<Moment>;

/// For a replay, which has no clock: 1990-01-01 to 2100-01-01.
pub const ON_RECORD: Believed = Moment(631_152_000_000)..=Moment(4_102_444_800_000);

/// For an import: from 2000-01-01 to a day from now, since a file may be written in any zone.
pub fn up_to_tomorrow(now: Moment) -> Believed {
    Moment(946_684_800_000)..=now + Span::days(1)
}

/// Reads a file of readings.
///
/// # Errors
/// The header is missing or names no column that can be read.
pub fn readings(
    text: &str,
    columns: Columns,
    believed: &Believed,
) -> Result<(Vec<Row>, Vec<BadLine>), FileError> {
    let text = without_mark(text);
    let (header, mut reader) = open(text)?;
    let wanted = match columns {
        Some(columns) => columns
            .iter()
            .map(|(name, q)| Ok((position(&header, name)?, *q)))
            .collect::<Result<Vec<_>, FileError>>()?,
        None => header
            .iter()
            .enumerate()
            .filter_map(|(i, n)| Some((i, known(n)?)))
            .collect(),
    };
    if !wanted.iter().any(|(_, q)| *q == Quantity::Time) {
        return Err(FileError::NoColumn("at".into(), names(&header)));
    }
    if wanted.len() < 2 {
        return Err(FileError::NothingToRead(names(&header)));
    }
    Ok(each_line(text, &mut reader, &header, |record| {
        row(record, &wanted, believed)
    }))
}

/// The columns of a file of events, as a card's log is written.
pub const EVENT_COLUMNS: [&str; 9] = [
    "at",
    "what",
    "gravity",
    "temperature",
    "ph",
    "volume",
    "doses",
    "note",
    "despite",
];

/// Reads a file of events: [`EVENT_COLUMNS`], of which all but the first two may be missing or
/// empty. SG, °C, litres; doses are a list as JSON, as in a deed's. Blanks around a note are dropped.
///
/// # Errors
/// The header is missing or lacks `at` or `what`.
pub fn events(text: &str, believed: &Believed) -> Result<(Vec<Deed>, Vec<BadLine>), FileError> {
    let text = without_mark(text);
    let (header, mut reader) = open(text)?;
    position(&header, "at")?;
    position(&header, "what")?;
    let columns = EVENT_COLUMNS.map(|name| position(&header, name).ok());
    let (mut deeds, bad) = each_line(text, &mut reader, &header, |record| {
        let fields = columns.map(|c| c.and_then(|c| record.get(c)).unwrap_or(""));
        deed(fields, believed)
    });
    deeds.sort_by_key(|d| d.at);
    Ok((deeds, bad))
}

/// From fields in the order of [`EVENT_COLUMNS`].
fn deed(fields: [&str; 9], believed: &Believed) -> Result<Deed, String> {
    let [
        at,
        what,
        gravity,
        temperature,
        ph,
        volume,
        doses,
        note,
        despite,
    ] = fields;
    let known = What::from_key(what).ok_or_else(|| {
        let all: Vec<_> = What::ALL.iter().map(|w| w.key()).collect();
        format!("\"{what}\" is none of {}", all.join(", "))
    })?;
    let deed = Deed {
        gravity: measured::<Gravity>(gravity)?,
        temperature: measured::<Celsius>(temperature)?,
        ph: measured::<Ph>(ph)?,
        volume: measured::<Litres>(volume)?,
        doses: weighed(doses)?,
        note: note.to_owned(),
        despite: despite.to_owned(),
        ..Deed::new(time(at, believed)?, known)
    };
    deed.check()
        .map_err(|why| format!("{}: {why}", why.field()))?;
    Ok(deed)
}

fn measured<Q: Number>(text: &str) -> Result<Option<Q>, String> {
    if text.is_empty() {
        return Ok(None);
    }
    let name = Q::MEASURE.name;
    let value = number::parse(text).ok_or_else(|| format!("{name} \"{text}\" is not a number"))?;
    Q::new(value).map(Some).map_err(|e| e.to_string())
}

fn weighed(text: &str) -> Result<Vec<Dose>, String> {
    if text.is_empty() {
        return Ok(Vec::new());
    }
    let doses: Vec<Dose> =
        serde_json::from_str(text).map_err(|e| format!("the doses cannot be read: {e}"))?;
    for dose in &doses {
        Kilograms::new(dose.mass.get()).map_err(|e| e.to_string())?;
        if let Some(extract) = dose.extract {
            MassPercent::new(extract.get()).map_err(|e| e.to_string())?;
        }
    }
    Ok(doses)
}

type Reader<'a> = csv::Reader<&'a [u8]>;

/// Spreadsheets put a byte order mark before the first column's name.
fn without_mark(text: &str) -> &str {
    text.strip_prefix('\u{feff}').unwrap_or(text)
}

fn open(text: &str) -> Result<(StringRecord, Reader<'_>), FileError> {
    let mut reader = ReaderBuilder::new()
        .flexible(true)
        .trim(Trim::All)
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    let header = reader
        .headers()
        .map_err(|e| FileError::Header(e.to_string()))?
        .clone();
    if header.iter().all(str::is_empty) {
        return Err(FileError::Empty);
    }
    Ok((header, reader))
}

/// `text` is what `reader` reads: lines are counted in it, since the reader's own count is one
/// short where lines end in CR LF.
fn each_line<T>(
    text: &str,
    reader: &mut Reader,
    header: &StringRecord,
    mut read: impl FnMut(&StringRecord) -> Result<T, String>,
) -> (Vec<T>, Vec<BadLine>) {
    let (mut good, mut bad) = (Vec::new(), Vec::new());
    let mut lines = LineCounter {
        bytes: text.as_bytes(),
        counted: 0,
        line: 1,
    };
    for record in reader.records() {
        let (place, result) = match record {
            Err(e) => (
                e.position().map_or(0, csv::Position::byte),
                Err(e.to_string()),
            ),
            Ok(r) => {
                let place = r.position().map_or(0, csv::Position::byte);
                let result = if r.len() == header.len() {
                    read(&r)
                } else {
                    Err(format!(
                        "{} fields where the first line names {}",
                        r.len(),
                        header.len()
                    ))
                };
                (place, result)
            }
        };
        let line = lines.line_at(place);
        match result {
            Ok(value) => good.push(value),
            Err(why) => bad.push(BadLine { line, why }),
        }
    }
    (good, bad)
}

struct LineCounter<'a> {
    bytes: &'a [u8],
    counted: usize,
    line: u64,
}

impl LineCounter<'_> {
    /// The line of the first thing at or after `place` that is not a line end. Places only grow.
    fn line_at(&mut self, place: u64) -> u64 {
        let mut end = (place as usize).min(self.bytes.len());
        while matches!(self.bytes.get(end), Some(b'\r' | b'\n')) {
            end += 1;
        }
        let passed = self.bytes.get(self.counted..end).unwrap_or(&[]);
        self.line += passed.iter().filter(|b| **b == b'\n').count() as u64;
        self.counted = self.counted.max(end);
        self.line
    }
}

fn names(header: &StringRecord) -> String {
    header.iter().collect::<Vec<_>>().join(", ")
}

fn position(header: &StringRecord, name: &str) -> Result<usize, FileError> {
    header
        .iter()
        .position(|h| h.eq_ignore_ascii_case(name))
        .ok_or_else(|| FileError::NoColumn(name.to_string(), names(header)))
}

fn known(name: &str) -> Option<Quantity> {
    match name.to_ascii_lowercase().as_str() {
        "at" => Some(Quantity::Time),
        "gravity" => Some(Quantity::GravitySg),
        "temperature" => Some(Quantity::TemperatureCelsius),
        key => Quantity::from_key(key),
    }
}

fn time(text: &str, believed: &Believed) -> Result<Moment, String> {
    let at = Moment::parse_rfc3339(text)?;
    if believed.contains(&at) {
        return Ok(at);
    }
    Err(format!(
        "{text} is not between {} and {}",
        believed.start().to_rfc3339(),
        believed.end().to_rfc3339()
    ))
}

fn row(
    record: &StringRecord,
    wanted: &[(usize, Quantity)],
    believed: &Believed,
) -> Result<Row, String> {
    let (mut at, mut gravity, mut temperature) = (None, None, None);
    for &(column, quantity) in wanted {
        let text = record.get(column).unwrap_or("");
        if quantity == Quantity::Time {
            at = Some(time(text, believed)?);
            continue;
        }
        if text.is_empty() {
            continue;
        }
        let v = number::parse(text).ok_or_else(|| format!("\"{text}\" is not a number"))?;
        let refused = |e: crate::units::OutOfRange| e.to_string();
        match quantity {
            Quantity::GravitySg => gravity = Some(Gravity::new(v).map_err(refused)?),
            Quantity::GravityPlato | Quantity::GravityBrix => {
                let plato = Plato::new(v).map_err(refused)?;
                gravity = Some(gravity_from_plato(plato).map_err(refused)?);
            }
            Quantity::GravityDensity => gravity = Some(gravity_from_density(v).map_err(refused)?),
            Quantity::TemperatureCelsius => temperature = Some(Celsius::new(v).map_err(refused)?),
            Quantity::TemperatureKelvin => {
                temperature = Some(Celsius::from_kelvin(v).map_err(refused)?);
            }
            Quantity::TemperatureFahrenheit => {
                temperature = Some(Celsius::from_fahrenheit(v).map_err(refused)?);
            }
            // A file of readings has no use for the rest.
            _ => {}
        }
    }
    let at = at.ok_or("no time")?;
    if gravity.is_none() && temperature.is_none() {
        return Err("neither gravity nor temperature".into());
    }
    Ok(Row {
        at,
        gravity,
        temperature,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn good_lines_go_in_bad_lines_are_listed() {
        let text = "at,gravity,temperature\r\n\
            2026-03-01T06:00:00Z,1.0942,18.1\r\n\
            2026-03-01T06:15:00Z,,18.2\r\n\
            yesterday,1.0942,18.1\r\n\
            2026-03-01T06:30:00Z,7,18.1\r\n\
            2026-03-01T06:45:00Z,1.094\r\n\
            2026-03-01T07:00:00Z,sweet,18.1\r\n\
            2026-03-01T07:15:00Z,,\r\n\
            \"2026-03-01T07:30:00Z\",\"1,0930\",18.0\r\n";
        let (rows, bad) = readings(text, None, &ON_RECORD).unwrap();
        assert_eq!(rows.len(), 3);
        assert_eq!(rows[2].gravity.unwrap().get(), 1.093);
        let lines: Vec<_> = bad.iter().map(|b| b.line).collect();
        assert_eq!(lines, [4, 5, 6, 7, 8]);
        assert!(bad[0].why.contains("yesterday") && bad[1].why.contains("gravity 7"));
        assert!(bad[2].why.contains("2 fields"));
    }

    #[test]
    fn times_nobody_can_have_measured_at() {
        let text = "at,gravity\n\
            1970-01-01T00:01:00Z,1.05\n\
            1989-12-31T23:59:59Z,1.05\n\
            1995-01-01T00:00:00Z,1.05\n\
            2026-03-02T06:00:00Z,1.05\n\
            2026-03-02T06:00:01Z,1.05\n\
            9026-03-01T06:00:00Z,1.05\n";
        let left_out = |believed: &Believed| {
            let (rows, bad) = readings(text, None, believed).unwrap();
            assert_eq!(rows.len() + bad.len(), 6);
            bad.iter().map(|b| b.line).collect::<Vec<_>>()
        };
        let now = Moment::parse_rfc3339("2026-03-01T06:00:00Z").unwrap();
        assert_eq!(left_out(&ON_RECORD), [2, 3, 7]);
        assert_eq!(left_out(&up_to_tomorrow(now)), [2, 3, 4, 6, 7]);
        let (_, bad) = readings(text, None, &ON_RECORD).unwrap();
        assert_eq!(
            bad[2].why,
            "9026-03-01T06:00:00Z is not between 1990-01-01T00:00:00Z and 2100-01-01T00:00:00Z"
        );
        let (deeds, bad) = events("at,what\n9026-03-01T06:00:00Z,rack\n", &ON_RECORD).unwrap();
        assert!(deeds.is_empty() && bad.len() == 1);
    }

    #[test]
    fn columns_by_name_or_by_map() {
        let text = "When,Balling,F\n2026-03-01T06:00:00Z,10,68\n";
        assert!(matches!(
            readings(text, None, &ON_RECORD),
            Err(FileError::NoColumn(..))
        ));
        let map = [
            ("when".to_string(), Quantity::Time),
            ("Balling".to_string(), Quantity::GravityPlato),
            ("F".to_string(), Quantity::TemperatureFahrenheit),
        ];
        let (rows, bad) = readings(text, Some(&map), &ON_RECORD).unwrap();
        assert!(bad.is_empty());
        assert!((rows[0].temperature.unwrap().get() - 20.0).abs() < 1e-9);
        assert!((rows[0].gravity.unwrap().get() - 1.0400).abs() < 2e-4);
        assert_eq!(
            readings("", None, &ON_RECORD).unwrap_err(),
            FileError::Empty
        );
        assert!(matches!(
            readings("at,note\n", None, &ON_RECORD),
            Err(FileError::NothingToRead(_))
        ));
    }

    #[test]
    fn events_in_order() {
        let text = "at,what,gravity,note\n\
            2026-03-03T06:00:00Z,nutrient,,second step\n\
            2026-03-01T06:00:00Z,pitch,1.094,\n\
            2026-03-02T06:00:00Z,prayed,,\n";
        let (deeds, bad) = events(text, &ON_RECORD).unwrap();
        assert_eq!(deeds.len(), 2);
        assert_eq!(deeds[0].what, What::Pitch);
        assert_eq!(deeds[1].note, "second step");
        assert_eq!(bad[0].line, 4);
        assert!(bad[0].why.contains("prayed"));
    }
}
