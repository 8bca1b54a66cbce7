//! Racking, splitting, bottling: where the litres go.

use super::answer::{Amount, Answer, Formula, result, table};
use super::field::Field;
use super::scale::shown;
use super::{Complaints, Fact, Given, Reckoning};
use crate::share::{Container, Filled, after_loss, fill};
use crate::units::{Count, Litres};

pub static SHARE_OUT: Reckoning = Reckoning {
    key: "share-out",
    title: "Racking, splitting, bottling",
    says: "What is lost to the lees, what goes into which vessel, how many bottles and kegs get full, and what is left.",
    gate: None,
    fields: &[
        Field::number::<Litres>("volume", "Volume there is").fill(Fact::Volume),
        Field::number::<Litres>("loss", "Lost to lees and hoses")
            .usual("0 L")
            .hint("2 to 6 % of it is common at a first racking, half as much later (common practice, no source)."),
        Field::rows("into", "Filled into, in this order", INTO, 1, 8),
    ],
    run,
};

const INTO: &[Field] = &[
    Field::words("name", "What"),
    Field::number::<Litres>("each", "Fill of each").hint("As 750 mL, 19 L."),
    Field::number::<Count>("number", "How many")
        .may_be_left()
        .hint("Left empty: as many as get full."),
];

fn run(given: &Given) -> Result<Answer, Complaints> {
    let (there, loss): (Litres, Litres) = (given.need("volume")?, given.need("loss")?);
    let clear = after_loss(there, loss).map_err(|e| given.complain("loss", &e.to_string()))?;
    let rows = given.rows("into");
    let mut names = Vec::new();
    let mut kinds = Vec::new();
    for row in &rows {
        let each: Litres = row.need("each")?;
        if each.get() < SMALLEST {
            return Err(row
                .complain(
                    "each",
                    &format!("{} is outside 10 mL to 100000 L", shown(given, each)),
                )
                .into());
        }
        kinds.push(Container {
            each,
            how_many: row.maybe("number"),
        });
        names.push(match row.words("name") {
            "" => shown(given, each),
            name => name.to_owned(),
        });
    }
    let filled = fill(clear, &kinds).map_err(|e| given.complain("into", &e.to_string()))?;
    Ok(tell(given, loss, clear, &names, &kinds, &filled))
}

/// Smallest thing filled, L.
const SMALLEST: f64 = 0.01;

fn tell(
    given: &Given,
    loss: Litres,
    clear: Litres,
    names: &[String],
    kinds: &[Container],
    filled: &[Filled],
) -> Answer {
    let left = filled.last().map_or(clear, |f| f.left);
    let mut words = Vec::new();
    let mut rows = table(
        "filled",
        "Filled",
        &[
            ("what", "What"),
            ("each", "Fill of each"),
            ("full", "Full"),
            ("part", "In one part full"),
            ("left", "Left after it"),
        ],
    );
    for ((name, kind), f) in names.iter().zip(kinds).zip(filled) {
        let part = if f.rest.get() > 0.0 {
            format!(" and one with {}", shown(given, f.rest))
        } else {
            String::new()
        };
        words.push(format!("{:.0} × {name}{part}", f.full.get()));
        rows = rows.row(vec![
            Amount::Words(name.clone()),
            Amount::of(kind.each),
            Amount::of(f.full),
            Amount::of(f.rest),
            Amount::of(f.left),
        ]);
    }
    let full: f64 = filled.iter().map(|f| f.full.get()).sum();
    Answer::new(format!(
        "{}; {} are left.",
        words.join(", "),
        shown(given, left)
    ))
    .result(result("clear", "To share out", clear))
    .result(result("loss", "Lost", loss))
    .result(result("full", "Filled full", Count::computed(full)))
    .result(result("left", "Left", left))
    .table(rows)
    .formula(Formula {
        name: "volumes subtracted",
        source: "arithmetic; one liquid, so strength and gravity stay what they are",
    })
    .how_sure(
        "As sure as the volume and the loss are. A part-full vessel lets air at the mead: top up or fill the rest smaller.",
    )
    .caution(
        "Close bottles and kegs only when the vessel's seal gate is open, and bottles only if they are made for the pressure; \
         wine glass is made for none.",
    )
}

#[cfg(test)]
mod tests {
    use crate::reckon::tests::{ask, value};

    #[test]
    fn a_keg_and_bottles() {
        let told = ask(
            "share-out",
            &[
                ("volume", "50 L"),
                ("loss", "1.5"),
                ("into.1.name", "keg"),
                ("into.1.each", "18.5"),
                ("into.1.number", "1"),
                ("into.2.name", "bottle"),
                ("into.2.each", "750 mL"),
            ],
        )
        .unwrap();
        assert_eq!(told.sentence, "1 × keg, 40 × bottle; 0 mL are left.");
        assert!((value(&told, "clear") - 48.5).abs() < 1e-9);
        assert_eq!(value(&told, "full"), 41.0);
    }

    #[test]
    fn part_full_is_said() {
        let told = ask(
            "share-out",
            &[
                ("volume", "15"),
                ("into.1.each", "10"),
                ("into.1.number", "2"),
                ("into.1.name", "carboy"),
            ],
        )
        .unwrap();
        assert!(
            told.sentence.starts_with("1 × carboy and one with 5.00 L"),
            "{}",
            told.sentence
        );
    }

    #[test]
    fn nonsense_is_named() {
        let said = |fields: &[(&str, &str)]| ask("share-out", fields).unwrap_err().to_string();
        assert_eq!(
            said(&[("volume", "5"), ("loss", "6"), ("into.1.each", "1")]),
            "Lost to lees and hoses: a loss of 6.00 L is more than the 5.00 L there are"
        );
        assert!(
            said(&[("volume", "5"), ("into.1.each", "0")])
                .contains("Fill of each: 0 mL is outside")
        );
        assert!(
            said(&[("volume", "5")]).contains("Filled into, in this order: at least one is needed")
        );
        assert!(
            said(&[
                ("volume", "5"),
                ("into.1.each", "1"),
                ("into.1.number", "-2")
            ])
            .contains("outside 0 to 10000")
        );
    }
}
