//! `ebbmark reckon`: the maker's arithmetic on the command line, the same as on the page.

use std::io::Write;

use anyhow::{Result, bail};
use clap::{Arg, ArgAction, ArgMatches, Args, Command, FromArgMatches};
use ebbmark_core::reckon::{
    self, Asked, Asker, Field, Kind, Known, Need, Reckoning, Refusal, Told,
};
use ebbmark_core::text::Style;
use ebbmark_core::units::Preferences;
use ebbmark_store::model;

use crate::backup::upgrade;
use crate::clock::Clock;
use crate::config::Config;
use crate::hand;

/// Which reckoning, with its fields as typed.
#[derive(Debug)]
pub struct ReckonArgs {
    reckoning: &'static Reckoning,
    fields: Vec<(String, String)>,
    vessel: Option<String>,
    despite: String,
    do_it: bool,
    json: bool,
}

/// Longest a number and its unit are; said in the help of a field.
fn unit_of(field: &Field) -> String {
    match &field.kind {
        Kind::Number(measure) => {
            let units: Vec<&str> = measure.signs().collect();
            if units.is_empty() {
                String::new()
            } else {
                format!(" [{}]", units.join(", "))
            }
        }
        Kind::Choice(choices) => {
            let keys: Vec<&str> = choices.iter().map(|c| c.key).collect();
            format!(" [{}]", keys.join(", "))
        }
        Kind::Rows { of, .. } => {
            let inner: Vec<String> = of
                .iter()
                .map(|f| match f.need {
                    Need::Needed => format!("{}=…", f.key),
                    _ => format!("[{}=…]", f.key),
                })
                .collect();
            format!(" as \"{}\"; may be given several times", inner.join("; "))
        }
        Kind::Words => String::new(),
        Kind::When => " [2026-03-01T06:30]".to_owned(),
    }
}

fn argument(field: &'static Field) -> Arg {
    let usual = match field.need {
        Need::Needed if field.fill.is_some() => " (needed without --vessel)".to_owned(),
        Need::Needed => " (needed)".to_owned(),
        Need::Usual(text) => format!(" (usually {text})"),
        Need::MayBeLeft => String::new(),
    };
    let hint = match field.hint {
        "" => String::new(),
        hint => format!(". {hint}"),
    };
    let arg = Arg::new(field.key)
        .long(field.key)
        .value_name(match field.kind {
            Kind::Choice(_) => "WHICH",
            Kind::Words => "WORDS",
            Kind::When => "TIME",
            Kind::Rows { .. } => "PARTS",
            Kind::Number(_) => "NUMBER",
        })
        .allow_hyphen_values(true)
        .help(format!("{}{}{usual}{hint}", field.label, unit_of(field)));
    match field.kind {
        Kind::Rows { .. } => arg.action(ArgAction::Append),
        _ => arg,
    }
}

fn command(reckoning: &'static Reckoning) -> Command {
    let mut command = Command::new(reckoning.key).about(reckoning.says);
    for field in reckoning.fields {
        command = command.arg(argument(field));
    }
    command = command
        .arg(
            Arg::new("vessel")
                .long("vessel")
                .value_name("NAME")
                .help("Fill what is left out from this vessel's record"),
        )
        .arg(
            Arg::new("do")
                .long("do")
                .action(ArgAction::SetTrue)
                .requires("vessel")
                .help("Write the step and its doses into the vessel's log"),
        )
        .arg(
            Arg::new("json")
                .long("json")
                .action(ArgAction::SetTrue)
                .help("Print JSON instead of text"),
        );
    if reckoning.gate.is_some() {
        command = command.arg(
            Arg::new("despite")
                .long("despite")
                .value_name("REASON")
                .requires("vessel")
                .help("Reckon although the vessel's gate is shut; the reason goes into the log"),
        );
    }
    command
}

impl Args for ReckonArgs {
    fn augment_args(cmd: Command) -> Command {
        cmd.about("Reckon: gravity, strength, must, nutrient, doses, pressure, and what else a maker looks up")
            .subcommand_required(true)
            .arg_required_else_help(true)
            .subcommands(reckon::ALL.iter().copied().map(command))
    }

    fn augment_args_for_update(cmd: Command) -> Command {
        Self::augment_args(cmd)
    }
}

impl FromArgMatches for ReckonArgs {
    fn from_arg_matches(matches: &ArgMatches) -> Result<Self, clap::Error> {
        let missing = || clap::Error::new(clap::error::ErrorKind::MissingSubcommand);
        let (key, given) = matches.subcommand().ok_or_else(missing)?;
        let reckoning = reckon::find(key).ok_or_else(missing)?;
        let mut fields = Vec::new();
        for field in reckoning.fields {
            if let Kind::Rows { .. } = field.kind {
                let rows = given.get_many::<String>(field.key).into_iter().flatten();
                for (n, row) in rows.enumerate() {
                    for part in row.split(';').filter(|p| !p.trim().is_empty()) {
                        let (name, text) = part.split_once('=').ok_or_else(|| {
                            clap::Error::raw(
                                clap::error::ErrorKind::ValueValidation,
                                format!(
                                    "--{}: \"{}\" must look like NAME=VALUE\n",
                                    field.key,
                                    part.trim()
                                ),
                            )
                        })?;
                        let path = format!("{}.{}.{}", field.key, n + 1, name.trim());
                        fields.push((path, text.trim().to_owned()));
                    }
                }
            } else if let Some(text) = given.get_one::<String>(field.key) {
                fields.push((field.key.to_owned(), text.clone()));
            }
        }
        let despite = match reckoning.gate {
            Some(_) => given.get_one::<String>("despite").cloned(),
            None => None,
        };
        Ok(ReckonArgs {
            reckoning,
            fields,
            vessel: given.get_one::<String>("vessel").cloned(),
            despite: despite.unwrap_or_default(),
            do_it: given.get_flag("do"),
            json: given.get_flag("json"),
        })
    }

    fn update_from_arg_matches(&mut self, matches: &ArgMatches) -> Result<(), clap::Error> {
        *self = Self::from_arg_matches(matches)?;
        Ok(())
    }
}

pub fn run(config: &Config, args: &ReckonArgs) -> Result<()> {
    let asked = Asked::new(args.fields.iter().cloned());
    if let Some(path) = asked.stranger(args.reckoning.fields) {
        bail!(
            "{path} is not asked; see ebbmark reckon {} --help",
            args.reckoning.key
        );
    }
    // What is written has to bear a time that can be; an answer alone does not.
    let now = if args.do_it {
        hand::now()?
    } else {
        Clock::system().now()
    };
    let database = config.database();
    // Units and zone as the maker set them, where there is a cellar already.
    let reader = if args.vessel.is_some() || database.exists() {
        Some(ebbmark_store::read(&database)?)
    } else {
        None
    };
    let (zone, units) = match &reader {
        Some(reader) => reader.zone_and_units(&config.zone())?,
        None => (config.zone(), Preferences::USUAL),
    };
    let asker = Asker {
        now,
        style: Style { units, zone: &zone },
    };
    let (Some(reader), Some(name)) = (reader, &args.vessel) else {
        let told = answer(args, &asked, &Known::default(), &asker)?;
        return print(&told, args.json);
    };
    let vessel = hand::find(&reader, name)?;
    let known = reader.known(vessel.id, &asker)?;
    let told = answer(args, &asked, &known, &asker)?;
    print(&told, args.json)?;
    if args.do_it {
        let Some(step) = &told.step else {
            bail!("nothing to be done follows from this answer, so nothing was written");
        };
        let (writer, _reader) = upgrade::open(config)?;
        writer.command_blocking(model::Command::Log {
            vessel: vessel.id,
            deed: step.deed.clone(),
            hand: None,
            once: None,
            made_at: now,
        })?;
        eprintln!(
            "Written into the log of {}: {}",
            vessel.facts.name, step.deed.note
        );
    }
    Ok(())
}

fn answer(args: &ReckonArgs, asked: &Asked, known: &Known, asker: &Asker) -> Result<Told> {
    match reckon::reckon(args.reckoning, asked, &args.despite, known, asker) {
        Ok(told) => Ok(told),
        Err(Refusal::Shut { why }) => {
            bail!("the gate is shut: {why} To reckon all the same give --despite REASON")
        }
        Err(Refusal::Fields(complaints)) => {
            let all: Vec<&str> = complaints.iter().map(|c| c.say.as_str()).collect();
            bail!(
                "{}\nsee ebbmark reckon {} --help",
                all.join("\n"),
                args.reckoning.key
            )
        }
    }
}

fn print(told: &Told, json: bool) -> Result<()> {
    let mut out = std::io::stdout().lock();
    let written = if json {
        serde_json::to_string_pretty(told).map(|text| writeln!(out, "{text}"))?
    } else {
        write!(out, "{told}")
    };
    match written {
        // `| head` closes the pipe: that is an end, not an error.
        Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        other => Ok(other?),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ebbmark_store::model::VesselFacts;

    fn runs(config: &Config) -> i64 {
        let conn = rusqlite::Connection::open(config.database()).unwrap();
        let sql = "SELECT count(*) FROM run";
        conn.query_row(sql, [], |r| r.get(0)).unwrap()
    }

    #[tokio::test]
    async fn an_answer_writes_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let config = Config {
            data_folder: Some(dir.path().to_owned()),
            ..Config::default()
        };
        let options = config.store.options();
        let (writer, reader) = ebbmark_store::open(&config.database(), options).unwrap();
        let jar = VesselFacts {
            name: "Jar".into(),
            capacity: None,
            temperature_low: None,
            temperature_high: None,
            tare: None,
            place: String::new(),
        };
        let add = model::Command::AddVessel(jar);
        writer.command(add).await.unwrap();
        writer.close().await;
        drop(reader);
        let before = runs(&config);
        for vessel in [None, Some("Jar".to_owned())] {
            let args = ReckonArgs {
                reckoning: reckon::find("strength").unwrap(),
                fields: vec![
                    ("original".into(), "1.1".into()),
                    ("gravity".into(), "1.0".into()),
                ],
                vessel,
                despite: String::new(),
                do_it: false,
                json: false,
            };
            run(&config, &args).unwrap();
        }
        assert_eq!(runs(&config), before);
    }
}
