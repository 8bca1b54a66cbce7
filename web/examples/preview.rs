//! Shows the pages over an invented cellar of eight vessels, signed in, without a daemon.
//! Nothing in it was measured. `cargo run -p ebbmark-web --example preview -- 127.0.0.1:8090`

use std::sync::Arc;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

use axum::Router;
use axum::body::Body;
use axum::extract::Request;
use axum::http::{HeaderValue, header};
use axum::middleware::{Next, from_fn};
use axum::response::Response;
use ebbmark_core::deed::{Deed, What};
use ebbmark_core::notice::NoticeKind;
use ebbmark_core::text::{Style, sentence};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{AbvPercent, Celsius, Gravity, Litres};
use ebbmark_core::verdict::outcome::Gates;
use ebbmark_core::verdict::{Assessor, Case};
use ebbmark_store::model::{
    Arrival, BatchFacts, Command, DeliveryOutcome, Done, HandFacts, ImportRow, NewNotice, Stamp,
    VesselFacts,
};
use ebbmark_store::{Options, Reader, StoreError, Writer};
use ebbmark_web::{Handle, StatusLine, WayOut};
use jiff::tz::TimeZone;
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

const PASSWORD: &str = "invented cellar";

/// One invented mead.
struct Mead {
    vessel: &'static str,
    name: &'static str,
    days: i64,
    original: f64,
    end: f64,
    expected: f64,
    /// Days from the pitch to the middle of the fall.
    middle: f64,
    warmth: f64,
    /// Days since the last reading.
    silent: i64,
    deeds: &'static [(i64, What, &'static str)],
    /// Readings of a jar that ferments out: the day and SG.
    jars: &'static [(i64, f64)],
    quirk: Quirk,
}

/// What is out of the ordinary; days are counted from the pitch.
#[derive(Clone, Copy, PartialEq)]
enum Quirk {
    No,
    /// Moved into the cold on that day.
    Chilled(f64),
    /// Falls again from that day on.
    StartsAgain(f64),
    /// Its float sends one value from that day on.
    Sticks(f64),
    /// The hand reading of that day and the float are this far apart.
    Misread(i64, f64),
}

const CELLAR: [Mead; 8] = [
    Mead {
        vessel: "Carboy by the stairs",
        name: "Linden, invented",
        days: 31,
        original: 1.098,
        end: 1.001,
        expected: 1.000,
        middle: 5.0,
        warmth: 18.5,
        silent: 0,
        deeds: &[
            (0, What::Pitch, "rehydrated"),
            (1, What::Nutrient, "6 g"),
            (3, What::Nutrient, "6 g"),
            (3, What::Rouse, ""),
            (24, What::Rack, "off the lees"),
        ],
        jars: &[],
        quirk: Quirk::No,
    },
    Mead {
        vessel: "Steel tank",
        name: "Buckwheat <dark>, invented",
        days: 9,
        original: 1.112,
        end: 1.012,
        expected: 1.010,
        middle: 6.5,
        warmth: 20.0,
        silent: 0,
        deeds: &[(0, What::Pitch, ""), (2, What::Nutrient, "half the amount")],
        jars: &[(8, 1.013)],
        quirk: Quirk::No,
    },
    Mead {
        vessel: "Small oak",
        name: "Fig, invented",
        days: 40,
        original: 1.104,
        end: 1.038,
        expected: 1.004,
        middle: 6.0,
        warmth: 16.0,
        silent: 0,
        deeds: &[
            (0, What::Pitch, ""),
            (7, What::Addition, "1.2 kg dried fig"),
        ],
        jars: &[],
        quirk: Quirk::No,
    },
    Mead {
        vessel: "Demijohn",
        name: "Heather, invented",
        days: 22,
        original: 1.090,
        end: 0.998,
        expected: 0.998,
        middle: 5.5,
        warmth: 17.0,
        silent: 4,
        deeds: &[(0, What::Pitch, "")],
        jars: &[],
        quirk: Quirk::No,
    },
    Mead {
        vessel: "Crock in the porch",
        name: "Heath flower, invented",
        days: 24,
        original: 1.096,
        end: 0.999,
        expected: 0.998,
        middle: 6.0,
        warmth: 19.0,
        silent: 0,
        deeds: &[(0, What::Pitch, "")],
        jars: &[],
        quirk: Quirk::Chilled(7.0),
    },
    Mead {
        vessel: "Long demijohn",
        name: "Orange blossom, invented",
        days: 36,
        original: 1.094,
        end: 1.002,
        expected: 1.0,
        middle: 5.0,
        warmth: 19.0,
        silent: 0,
        deeds: &[(0, What::Pitch, "")],
        jars: &[],
        quirk: Quirk::StartsAgain(33.5),
    },
    Mead {
        vessel: "Loft carboy",
        name: "Clover, invented",
        days: 12,
        original: 1.092,
        end: 1.0,
        expected: 0.999,
        middle: 6.5,
        warmth: 19.5,
        silent: 0,
        deeds: &[(0, What::Pitch, "")],
        jars: &[],
        quirk: Quirk::Sticks(9.0),
    },
    Mead {
        vessel: "Cask by the door",
        name: "Chestnut, invented",
        days: 16,
        original: 1.1,
        end: 1.002,
        expected: 1.0,
        middle: 6.0,
        warmth: 18.0,
        silent: 0,
        deeds: &[(0, What::Pitch, "")],
        jars: &[(9, 1.003), (10, 1.002)],
        quirk: Quirk::Misread(14, 0.011),
    },
];

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> Outcome<()> {
    let address = std::env::args()
        .nth(1)
        .unwrap_or_else(|| "127.0.0.1:8090".to_owned());
    let folder = tempfile::tempdir()?;
    let (writer, reader) =
        ebbmark_store::open(&folder.path().join("invented.db"), Options::default())?;
    let now = wall();
    for mead in &CELLAR {
        fill(&writer, &reader, mead, now).await?;
    }
    strangers(&writer, now).await?;
    notices(&writer, now).await?;
    let started = Instant::now();
    let pages = ebbmark_web::routers(Handle {
        reader,
        writer: writer.clone(),
        now: Arc::new(wall),
        stamp: Arc::new(move || Stamp {
            wall: Some(wall()),
            monotonic_ms: i64::try_from(started.elapsed().as_millis()).unwrap_or(i64::MAX),
        }),
        zone: TimeZone::get("Europe/Warsaw")?,
        intake: vec![([127, 0, 0, 1], 1883).into()],
        intake_over_tls: Vec::new(),
        start_code: None,
        ways_out: vec![
            WayOut {
                name: "log".to_owned(),
                description: "a line in the daemon's log".to_owned(),
            },
            WayOut {
                name: "mail".to_owned(),
                description: "mail to cellar@example.org".to_owned(),
            },
        ],
        status: Arc::new(|| {
            vec![
                StatusLine {
                    name: "intake".to_owned(),
                    says: "listening on port 1883, 2 devices connected".to_owned(),
                    troubled: false,
                    refused: Vec::new(),
                },
                StatusLine {
                    name: "house broker".to_owned(),
                    says: "not reachable since 40 minutes: connection refused".to_owned(),
                    troubled: true,
                    refused: Vec::new(),
                },
            ]
        }),
        shutdown: CancellationToken::new(),
        look_round: Arc::new(|| Box::pin(async { Vec::new() })),
        behind_tls: false,
    })
    .plain;
    writer
        .command(Command::SetSetting {
            key: ebbmark_web::auth::PASSWORD_SETTING.to_owned(),
            value: Some(ebbmark_web::auth::hash_password(PASSWORD)?),
        })
        .await?;
    println!("http://{address}/ (password: {PASSWORD})");
    let listener = tokio::net::TcpListener::bind(&address).await?;
    // For a browser that cannot sign in by itself, as for pictures of the pages.
    let pages = if std::env::args().nth(2).as_deref() == Some("signed-in") {
        let cookie = sign_in(pages.clone()).await?;
        pages.layer(from_fn(move |request, next| {
            with(cookie.clone(), request, next)
        }))
    } else {
        pages
    };
    axum::serve(listener, pages).await?;
    Ok(())
}

async fn sign_in(pages: Router) -> Outcome<HeaderValue> {
    let form = format!("password={}", PASSWORD.replace(' ', "+"));
    let request = Request::post("/enter")
        .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded")
        .body(Body::from(form))?;
    let answer = pages.oneshot(request).await?;
    let cookie = answer
        .headers()
        .get(header::SET_COOKIE)
        .ok_or("no cookie was set")?;
    let pair = cookie.to_str()?.split(';').next().unwrap_or_default();
    Ok(HeaderValue::from_str(pair)?)
}

async fn with(cookie: HeaderValue, mut request: Request, next: Next) -> Response {
    request
        .headers_mut()
        .entry(header::COOKIE)
        .or_insert(cookie);
    next.run(request).await
}

fn wall() -> Moment {
    let since = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap_or_default();
    Moment(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}

/// A small repeatable stir in -1 to 1.
fn stir(n: i64) -> f64 {
    let mixed = (n as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let mixed = (mixed ^ (mixed >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    (mixed >> 40) as f64 / f64::from(1 << 23) - 1.0
}

async fn fill(writer: &Writer, reader: &Reader, mead: &Mead, now: Moment) -> Outcome<()> {
    let facts = VesselFacts {
        name: mead.vessel.to_owned(),
        capacity: Some(Litres::new(23.0)?),
        temperature_low: Some(Celsius::new(14.0)?),
        temperature_high: Some(Celsius::new(24.0)?),
        tare: None,
        place: String::new(),
    };
    let Done::Vessel(vessel) = writer.command(Command::AddVessel(facts)).await? else {
        return Err("no vessel was made".into());
    };
    let started = now - Span::days(mead.days);
    let facts = BatchFacts {
        name: mead.name.to_owned(),
        started,
        original_gravity: Some(Gravity::new(mead.original)?),
        expected_final: Some(Gravity::new(mead.expected)?),
        tolerance: Some(AbvPercent::new(14.0)?),
        volume: Some(Litres::new(20.0)?),
        yeast: "an invented white wine yeast".to_owned(),
        honey: "an invented lime honey".to_owned(),
        note: String::new(),
        origin: None,
    };
    let Done::Batch(batch) = writer
        .command(Command::StartBatch {
            vessel,
            facts: facts.clone(),
        })
        .await?
    else {
        return Err("no batch was made".into());
    };
    writer
        .command(Command::Import {
            vessel,
            rows: rows(mead, started, now)?,
        })
        .await?;
    for (day, what, note) in mead.deeds {
        let deed = Deed {
            note: (*note).to_owned(),
            ..Deed::new(started + Span::days(*day) + Span::hours(2), *what)
        };
        log(writer, vessel, deed, now).await?;
    }
    for (day, gravity) in mead.jars {
        let at = started + Span::days(*day) + Span::hours(3);
        let deed = Deed {
            gravity: Some(Gravity::new(*gravity)?),
            ..Deed::new(at, What::TestFerment)
        };
        log(writer, vessel, deed, at).await?;
    }
    let at = started + Span::from_days(mead.middle);
    hand(writer, vessel, at, mead.gravity(mead.middle)).await?;
    if let Quirk::Misread(day, by) = mead.quirk {
        let at = started + Span::days(day);
        hand(writer, vessel, at, mead.gravity(day as f64) + by).await?;
    }

    let hours = reader.vessel_hours(vessel, started, now)?;
    let deeds: Vec<Deed> = reader
        .log(vessel, started, now)?
        .into_iter()
        .map(|l| l.deed)
        .collect();
    let case = Case {
        hours: &hours,
        deeds: &deeds,
        started: Some(started),
        original: facts.original_gravity,
        expected_final: facts.expected_final,
        tolerance: facts.tolerance,
        learned: None,
    };
    let zone = TimeZone::get("Europe/Warsaw")?;
    let style = Style {
        units: Default::default(),
        zone: &zone,
    };
    let mut assessor = Assessor::default();
    let mut before: Option<Gates> = None;
    for back in (0..120).rev() {
        let at = now - Span::hours(6 * back);
        if at < started {
            continue;
        }
        let mut verdict = assessor.assess(&case, at, &style);
        if let Some(before) = &before {
            verdict.gates.follow(before, at);
        }
        before = Some(verdict.gates.clone());
        verdict.curve = assessor.curve(&verdict);
        let sentence = sentence(&verdict, &style);
        writer
            .command(Command::SaveVerdict {
                vessel,
                batch,
                verdict: Box::new(verdict),
                sentence,
                notices: Vec::new(),
            })
            .await?;
    }
    Ok(())
}

/// A hand reading at 23 °C; `gravity` is that at 20 °C.
async fn hand(
    writer: &Writer,
    vessel: ebbmark_core::ids::VesselId,
    at: Moment,
    gravity: f64,
) -> Outcome<()> {
    writer
        .command(Command::Log {
            vessel,
            deed: Deed {
                gravity: Some(Gravity::new(gravity)?),
                temperature: Some(Celsius::new(23.0)?),
                ..Deed::new(at, What::HandReading)
            },
            hand: Some(HandFacts {
                read: Gravity::new(gravity - 0.0006)?,
                sample: Celsius::new(23.0)?,
                reference: Celsius::new(20.0)?,
            }),
            once: None,
            made_at: at,
        })
        .await?;
    Ok(())
}

impl Mead {
    /// Share of the fall that is left.
    fn left(&self, days: f64) -> f64 {
        let days = match self.quirk {
            Quirk::Chilled(from) => days.min(from),
            _ => days,
        };
        1.0 / (1.0 + ((days - self.middle) / 1.7).exp())
    }

    fn gravity(&self, days: f64) -> f64 {
        let again = match self.quirk {
            Quirk::StartsAgain(from) => 0.0018 * (days - from).max(0.0),
            _ => 0.0,
        };
        self.end + (self.original - self.end) * self.left(days) - again
    }
}

fn rows(mead: &Mead, started: Moment, now: Moment) -> Outcome<Vec<ImportRow>> {
    let mut rows = Vec::new();
    let last = now - Span::days(mead.silent);
    let mut at = started + Span::minutes(7);
    let mut n = i64::from(mead.original.to_bits() as i32);
    while at <= last {
        let days = at.since(started).as_days();
        let left = mead.left(days);
        let spike = if n % 701 == 0 { 0.02 } else { 0.0 };
        let g = match mead.quirk {
            Quirk::Sticks(from) if days >= from => mead.gravity(from),
            _ => mead.gravity(days) + stir(n) * 0.0008 + spike,
        };
        let day = (days * std::f64::consts::TAU).sin();
        let warmth = match mead.quirk {
            Quirk::Chilled(from) if days >= from => 9.0,
            _ => mead.warmth,
        };
        let t = warmth + 1.6 * (4.0 * left * (1.0 - left)) + 0.5 * day + stir(n ^ 77) * 0.1;
        rows.push(ImportRow {
            at,
            gravity: Some(Gravity::new(g)?),
            temperature: Some(Celsius::new(t)?),
        });
        n += 1;
        at = at + Span::minutes(15);
    }
    Ok(rows)
}

async fn log(
    writer: &Writer,
    vessel: ebbmark_core::ids::VesselId,
    deed: Deed,
    made_at: Moment,
) -> Result<Done, StoreError> {
    writer
        .command(Command::Log {
            vessel,
            deed,
            hand: None,
            once: None,
            made_at,
        })
        .await
}

/// Messages nobody has claimed.
async fn strangers(writer: &Writer, now: Moment) -> Outcome<()> {
    let payloads = [
        (
            "cellar/float-7",
            r#"[{"bn":"float-7/","n":"gravity","v":1.0524},{"n":"temperature","u":"Cel","v":18.6},{"n":"battery","u":"V","v":3.91}]"#,
        ),
        (
            "shed/probe",
            r#"{"reading":{"angle":43.1,"temp":18.2},"power":81}"#,
        ),
        ("shed/scale", "12.75"),
    ];
    for (i, (topic, payload)) in payloads.into_iter().enumerate() {
        let arrival = Arrival {
            source: "intake".to_owned(),
            topic: topic.to_owned(),
            payload: payload.as_bytes().to_vec(),
            stamp: Stamp {
                wall: Some(now - Span::minutes(i64::try_from(i)? * 17)),
                monotonic_ms: 0,
            },
            delivery: None,
            retained: false,
        };
        writer.arrive(arrival).await?.await??;
    }
    Ok(())
}

async fn notices(writer: &Writer, now: Moment) -> Outcome<()> {
    let notice = |kind, key: &str, title: &str, body: &str| NewNotice {
        kind,
        key: key.to_owned(),
        vessel: None,
        at: now - Span::hours(3),
        title: title.to_owned(),
        body: body.to_owned(),
        pressing: false,
        channels: vec!["log".to_owned(), "mail".to_owned()],
    };
    let made = writer
        .command(Command::Notify(vec![
            notice(
                NoticeKind::Stuck,
                "stuck:3",
                "Small oak is stuck",
                "It stopped at 1.038 and should end near 1.004.",
            ),
            notice(
                NoticeKind::FeedSilent,
                "silent:4",
                "The float in Demijohn has gone quiet",
                "Its last reading came 4 days ago.",
            ),
        ]))
        .await?;
    let Done::Notices(ids) = made else {
        return Ok(());
    };
    for (i, id) in ids.into_iter().enumerate() {
        let sent = DeliveryOutcome::Sent {
            at: now - Span::hours(3),
        };
        let mail = if i == 0 {
            DeliveryOutcome::GivenUp {
                at: now - Span::hours(1),
                error: "the mail server refused the sender (550)".to_owned(),
            }
        } else {
            DeliveryOutcome::Retry {
                next: now + Span::minutes(20),
                error: "connection timed out".to_owned(),
            }
        };
        for (channel, attempt) in [("log", sent), ("mail", mail)] {
            let channel = channel.to_owned();
            writer
                .command(Command::Delivered {
                    notice: id,
                    channel,
                    attempt,
                })
                .await?;
        }
    }
    Ok(())
}
