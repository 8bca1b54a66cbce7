//! The fields of a reckoning as a form shows them: as typed, or filled, and where that is from.

use super::field::{Field, Kind};
use super::given::{Asked, Source, Standing, standing};
use super::known::{Filling, Known};
use super::{Asker, Reckoning};

/// One field with what stands in it.
#[derive(Clone, Debug)]
pub struct Shown {
    pub field: &'static Field,
    pub path: String,
    /// Empty where nothing is typed, on record or usual.
    pub text: String,
    /// Where `text` is from.
    pub source: Option<Source>,
    /// Of a field that has rows: each with its own fields. The last ones are empty.
    pub rows: Vec<Vec<Shown>>,
}

/// `spare` is how many empty rows follow the filled ones, as far as there may be more.
pub fn shown(
    reckoning: &Reckoning,
    asked: &Asked,
    known: &Known,
    asker: &Asker,
    spare: usize,
) -> Vec<Shown> {
    let form = Form {
        asked,
        known,
        asker,
        spare,
    };
    let fields = reckoning.fields.iter();
    fields.map(|field| form.field(field)).collect()
}

struct Form<'a> {
    asked: &'a Asked,
    known: &'a Known,
    asker: &'a Asker<'a>,
    spare: usize,
}

impl Form<'_> {
    fn field(&self, field: &'static Field) -> Shown {
        let fill = field.fill.and_then(|fact| self.known.get(fact));
        if let Kind::Rows { of, least, most } = &field.kind {
            let (rows, source) = self.rows(field.key, of, *least, *most, fill);
            return Shown {
                field,
                path: field.key.to_owned(),
                text: String::new(),
                source,
                rows,
            };
        }
        self.leaf(field, field.key.to_owned(), fill, true)
    }

    /// `usual`: whether what is usual is filled in.
    fn leaf(
        &self,
        field: &'static Field,
        path: String,
        fill: Option<(&Filling, &str)>,
        usual: bool,
    ) -> Shown {
        let typed = self.asked.get(&path);
        let (text, source) = match standing(field, typed, fill, self.asker) {
            Some(Standing::Record { text, from, .. }) => {
                (text, Some(Source::Record(from.to_owned())))
            }
            Some(Standing::Text(_, Source::Usual)) if typed.is_empty() && !usual => {
                (String::new(), None)
            }
            Some(Standing::Text(text, source)) => (text.to_owned(), Some(source)),
            None => (String::new(), None),
        };
        Shown {
            field,
            path,
            text,
            source,
            rows: Vec::new(),
        }
    }

    fn rows(
        &self,
        key: &str,
        of: &'static [Field],
        least: usize,
        most: usize,
        fill: Option<(&Filling, &str)>,
    ) -> (Vec<Vec<Shown>>, Option<Source>) {
        let typed = (1..=most)
            .rev()
            .find(|n| self.asked.has(&format!("{key}.{n}.")))
            .unwrap_or(0);
        let record = match fill {
            Some((Filling::Rows(rows), from)) if typed == 0 => Some((rows, from)),
            _ => None,
        };
        let on_record = record.map_or(0, |(rows, _)| rows.len());
        let filled = typed.max(on_record).min(most);
        let count = (filled + self.spare).max(least).min(most);
        let rows = (1..=count).map(|n| {
            let row = record.and_then(|(rows, from)| Some((rows.get(n - 1)?, from)));
            let cells = of.iter().map(|field| {
                let fill = row.and_then(|(row, from)| {
                    let (_, filling) = row.iter().find(|(key, _)| *key == field.key)?;
                    Some((filling, from))
                });
                // In an empty row even what is usual would count as something typed.
                self.leaf(field, format!("{key}.{n}.{}", field.key), fill, n <= filled)
            });
            cells.collect()
        });
        let source = record
            .filter(|(rows, _)| !rows.is_empty())
            .map(|(_, from)| Source::Record(from.to_owned()));
        (rows.collect(), source)
    }
}

#[cfg(test)]
mod tests {
    use jiff::tz::TimeZone;

    use super::*;
    use crate::reckon::{Answer, Choice, Fact};
    use crate::text::Style;
    use crate::time::Moment;
    use crate::units::{Litres, Ph, Preferences};

    static SORTS: &[Choice] = &[
        Choice {
            key: "dry",
            label: "dry",
        },
        Choice {
            key: "sweet",
            label: "sweet",
        },
    ];
    static PART: &[Field] = &[
        Field::number::<Litres>("volume", "Volume"),
        Field::choice("sort", "Sort", SORTS),
    ];
    static REHEARSAL: Reckoning = Reckoning {
        key: "rehearsal",
        title: "Rehearsal",
        says: "",
        gate: None,
        fields: &[
            Field::number::<Ph>("ph", "pH").fill(Fact::Ph),
            Field::choice("sort", "Sort", SORTS),
            Field::words("why", "Why"),
            Field::rows("parts", "Parts", PART, 1, 4).fill(Fact::Fermenting),
        ],
        run: |_| Ok(Answer::new("Done.")),
    };

    fn look(typed: &[(&str, &str)], known: &Known) -> Vec<Shown> {
        let asker = Asker {
            now: Moment(0),
            style: Style {
                units: Preferences::USUAL,
                zone: &TimeZone::UTC,
            },
        };
        let pairs = typed.iter().map(|(k, v)| ((*k).into(), (*v).into()));
        shown(&REHEARSAL, &Asked::new(pairs), known, &asker, 2)
    }

    fn texts(row: &[Shown]) -> Vec<&str> {
        row.iter().map(|s| s.text.as_str()).collect()
    }

    #[test]
    fn what_is_on_record_stands_in_the_field_until_something_else_is_typed() {
        let mut known = Known::default();
        known.set(Fact::Ph, Ph::new(3.4).unwrap(), "the log, 3 days ago");
        let record = Some(Source::Record("the log, 3 days ago".into()));
        let fresh = look(&[], &known);
        assert_eq!(texts(&fresh)[..3], ["3.4", "dry", ""]);
        assert_eq!(fresh[0].source, record);
        assert_eq!(fresh[1].source, Some(Source::Usual));
        assert_eq!(fresh[2].source, None);
        let back = look(&[("ph", "3.4"), ("sort", "dry"), ("why", "")], &known);
        assert_eq!(back[0].source, record);
        assert_eq!(back[1].source, Some(Source::Usual));
        let changed = look(&[("ph", " 3,3 "), ("sort", "sweet")], &known);
        assert_eq!(texts(&changed)[..2], ["3,3", "sweet"]);
        assert_eq!(changed[0].source, Some(Source::Typed));
    }

    /// A form never stands filled with what reading it would refuse.
    #[test]
    fn what_is_on_record_out_of_range_is_not_filled_in() {
        let mut known = Known::default();
        known.fill(Fact::Ph, Filling::Number(12.0), "the log");
        let ph = look(&[], &known).remove(0);
        assert_eq!((ph.text.as_str(), ph.source), ("", None));
    }

    #[test]
    fn rows_as_filled_and_two_more_that_are_really_empty() {
        let none = Known::default();
        let rows = look(&[], &none).remove(3).rows;
        assert_eq!(rows.len(), 2);
        assert!(rows.iter().all(|row| texts(row) == ["", ""]));

        let rows = look(&[("parts.1.volume", "5"), ("parts.2.volume", "2 L")], &none).remove(3);
        let typed: Vec<_> = rows.rows.iter().map(|row| texts(row)).collect();
        assert_eq!(typed, [["5", "dry"], ["2 L", "dry"], ["", ""], ["", ""]]);
        assert_eq!(rows.rows[1][0].path, "parts.2.volume");

        let mut known = Known::default();
        let row = |l: f64| vec![("volume", Filling::Number(l))];
        let filling = Filling::Rows(vec![row(20.0), row(5.5), row(1.0)]);
        known.fill(Fact::Fermenting, filling, "the cellar");
        let rows = look(&[], &known).remove(3);
        assert_eq!(rows.source, Some(Source::Record("the cellar".into())));
        assert_eq!(rows.rows.len(), 4, "no more than there may be");
        assert_eq!(texts(&rows.rows[1]), ["5.5", "dry"]);
    }
}
