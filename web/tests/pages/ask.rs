//! A cellar on disk, and a visitor to it.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::request::Builder;
use axum::http::{HeaderMap, Request, StatusCode, header};
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::look_round::Line;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Gravity;
use ebbmark_core::verdict::outcome::{Gate, Gates, Phase, Verdict};
use ebbmark_store::model::{BatchFacts, Command, Done, ImportRow, Stamp, VesselFacts};
use ebbmark_store::{Options, Reader, Writer};
use ebbmark_web::{Handle, StatusLine, WayOut};
use jiff::tz::TimeZone;
use tempfile::TempDir;
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;

pub const PASSWORD: &str = "three casks and a demijohn";
pub const FORM: &str = "application/x-www-form-urlencoded";

pub struct Cellar {
    pub pages: Router,
    pub writer: Writer,
    pub reader: Reader,
    pub shutdown: CancellationToken,
    clock: Arc<AtomicI64>,
    _folder: TempDir,
}

pub struct Answer {
    pub status: StatusCode,
    pub headers: HeaderMap,
    pub text: String,
    pub bytes: Vec<u8>,
}

impl Answer {
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |v| v.to_str().unwrap())
    }

    /// Value of the first hidden field of that name.
    pub fn field(&self, name: &str) -> String {
        let start = format!("name=\"{name}\" value=\"");
        let from = self
            .text
            .find(&start)
            .unwrap_or_else(|| panic!("no field {name}"))
            + start.len();
        self.text[from..].split('"').next().unwrap().to_owned()
    }
}

/// Someone signed in.
pub struct Maker<'a> {
    cellar: &'a Cellar,
    pub cookie: String,
}

pub fn noon() -> Moment {
    Moment::parse_rfc3339("2026-03-01T12:00:00Z").unwrap()
}

pub async fn cellar() -> Cellar {
    let folder = tempfile::tempdir().unwrap();
    let (writer, reader) =
        ebbmark_store::open(&folder.path().join("test.db"), Options::default()).unwrap();
    let clock = Arc::new(AtomicI64::new(noon().0));
    let shutdown = CancellationToken::new();
    let (now, wall) = (clock.clone(), clock.clone());
    let pages = ebbmark_web::routers(Handle {
        reader: reader.clone(),
        writer: writer.clone(),
        now: Arc::new(move || Moment(now.load(Ordering::SeqCst))),
        stamp: Arc::new(move || Stamp {
            wall: Some(Moment(wall.load(Ordering::SeqCst)))
                .filter(|at| *at >= Moment::EARLIEST_BELIEVABLE),
            monotonic_ms: 0,
        }),
        zone: TimeZone::get("Europe/Warsaw").unwrap(),
        intake: vec![([127, 0, 0, 1], 1883).into()],
        intake_over_tls: Vec::new(),
        start_code: Some("7K3F-2M9Q".to_owned()),
        ways_out: vec![WayOut {
            name: "mail".to_owned(),
            description: "mail to <cellar@example.org>".to_owned(),
        }],
        status: Arc::new(|| {
            vec![StatusLine {
                name: "intake".to_owned(),
                says: "listening & waiting".to_owned(),
                troubled: false,
                refused: Vec::new(),
            }]
        }),
        shutdown: shutdown.clone(),
        look_round: Arc::new(|| Box::pin(async { vec![Line::bad_configuration("a <test>")] })),
        behind_tls: false,
    })
    .plain;
    Cellar {
        pages,
        writer,
        reader,
        shutdown,
        clock,
        _folder: folder,
    }
}

impl Cellar {
    pub async fn ask(&self, request: Request<Body>) -> Answer {
        let answer = self.pages.clone().oneshot(request).await.unwrap();
        let (parts, body) = answer.into_parts();
        let bytes = to_bytes(body, 16 << 20).await.unwrap();
        Answer {
            status: parts.status,
            headers: parts.headers,
            text: String::from_utf8_lossy(&bytes).into_owned(),
            bytes: bytes.to_vec(),
        }
    }

    pub async fn get(&self, path: &str) -> Answer {
        self.ask(Request::get(path).body(Body::empty()).unwrap())
            .await
    }

    pub async fn post(&self, path: &str, form: &str) -> Answer {
        let request = Request::post(path).header(header::CONTENT_TYPE, FORM);
        self.ask(request.body(Body::from(form.to_owned())).unwrap())
            .await
    }

    pub fn later(&self, span: Span) {
        self.clock.fetch_add(span.0, Ordering::SeqCst);
    }

    /// Has the page make a token that may do these things.
    pub async fn token(&self, scopes: &[&str]) -> String {
        let maker = self.enter().await;
        let ticked: String = scopes.iter().map(|s| format!("&{s}=yes")).collect();
        let fields = format!("name=Somebody{ticked}");
        let page = maker.send("/access", "/access/token", &fields).await;
        assert_eq!(page.status, StatusCode::OK);
        let start = "<code class=\"token\">";
        let from = page.text.find(start).unwrap() + start.len();
        page.text[from..from + 64].to_owned()
    }

    pub async fn set(&self, key: &str, value: &str) {
        let command = Command::SetSetting {
            key: key.to_owned(),
            value: Some(value.to_owned()),
        };
        self.writer.command(command).await.unwrap();
    }

    pub async fn lock(&self) {
        let hash = ebbmark_web::auth::hash_password(PASSWORD).unwrap();
        self.set(ebbmark_web::auth::PASSWORD_SETTING, &hash).await;
    }

    /// Sets the password where there is none, and signs in.
    pub async fn enter(&self) -> Maker<'_> {
        let set = self.reader.setting(ebbmark_web::auth::PASSWORD_SETTING);
        if set.unwrap().is_none() {
            self.lock().await;
        }
        self.sign_in("a test").await
    }

    /// Signs in with a browser that calls itself so.
    pub async fn sign_in(&self, agent: &str) -> Maker<'_> {
        let form = format!("password={}", PASSWORD.replace(' ', "+"));
        let request = Request::post("/enter")
            .header(header::CONTENT_TYPE, FORM)
            .header(header::USER_AGENT, agent);
        let answer = self.ask(request.body(Body::from(form)).unwrap()).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.text);
        let cookie = answer
            .header("set-cookie")
            .split(';')
            .next()
            .unwrap()
            .to_owned();
        Maker {
            cellar: self,
            cookie,
        }
    }

    pub async fn vessel(&self, name: &str) -> VesselId {
        let facts = VesselFacts {
            name: name.to_owned(),
            capacity: None,
            temperature_low: None,
            temperature_high: None,
            tare: None,
            place: String::new(),
        };
        match self
            .writer
            .command(Command::AddVessel(facts))
            .await
            .unwrap()
        {
            Done::Vessel(id) => id,
            other => panic!("{other:?}"),
        }
    }

    pub async fn mead(&self, vessel: VesselId, name: &str, days: i64) -> BatchId {
        let facts = BatchFacts {
            name: name.to_owned(),
            started: noon() - Span::days(days),
            original_gravity: Some(Gravity::new(1.1).unwrap()),
            expected_final: Some(Gravity::new(1.0).unwrap()),
            tolerance: None,
            volume: None,
            yeast: format!("yeast of {name}"),
            honey: format!("honey of {name}"),
            note: format!("note of {name}"),
            origin: None,
        };
        let command = Command::StartBatch { vessel, facts };
        match self.writer.command(command).await.unwrap() {
            Done::Batch(id) => id,
            other => panic!("{other:?}"),
        }
    }

    /// Readings every `every` over the last `days`, falling.
    pub async fn readings(&self, vessel: VesselId, days: i64, every: Span) {
        let start = noon() - Span::days(days);
        let count = Span::days(days).0 / every.0;
        let rows = (0..count).map(|i| ImportRow {
            at: start + Span(every.0 * i),
            gravity: Some(Gravity::computed(1.1 - 0.1 * i as f64 / count as f64)),
            temperature: None,
        });
        let command = Command::Import {
            vessel,
            rows: rows.collect(),
        };
        self.writer.command(command).await.unwrap();
    }

    pub async fn judge(&self, vessel: VesselId, batch: BatchId, phase: Phase, sentence: &str) {
        self.judge_as(vessel, batch, phase, sentence, |_| {}).await;
    }

    /// With whatever more is known.
    pub async fn judge_as(
        &self,
        vessel: VesselId,
        batch: BatchId,
        phase: Phase,
        sentence: &str,
        more: impl FnOnce(&mut Verdict),
    ) {
        let gate = |why: &str| Gate {
            open: false,
            why: why.to_owned(),
            opens: None,
            wants_reading: false,
            since: None,
        };
        let mut verdict = Verdict {
            at: noon(),
            phase,
            gravity: Some(Gravity::new(1.01).unwrap()),
            fall_per_day: None,
            left_to_fall: None,
            settles_at: None,
            final_gravity: None,
            expected_end: None,
            looked_at: None,
            last_reading: Some(noon() - Span::minutes(12)),
            temperature: None,
            temperature_change: None,
            look_again_at: None,
            odds: None,
            float: None,
            test_ferment: None,
            end_unsure: false,
            gates: Gates {
                rack: gate("it is <too> early"),
                stabilise: gate("still falling"),
                seal: gate("still falling"),
            },
            no_curve_because: Some("too few readings".to_owned()),
            curve: Vec::new(),
            memory: None,
        };
        more(&mut verdict);
        let command = Command::SaveVerdict {
            vessel,
            batch,
            verdict: Box::new(verdict),
            sentence: sentence.to_owned(),
            notices: Vec::new(),
        };
        self.writer.command(command).await.unwrap();
    }
}

impl Maker<'_> {
    pub async fn get(&self, path: &str) -> Answer {
        let request = Request::get(path).header(header::COOKIE, &self.cookie);
        self.cellar.ask(request.body(Body::empty()).unwrap()).await
    }

    /// Sends a form as the page at `page` would, with its mark and the given once-token.
    pub async fn send_once(&self, page: &str, to: &str, fields: &str, once: &str) -> Answer {
        let mark = self.get(page).await.field("mark");
        self.send_raw(to, &format!("mark={mark}&once={once}&{fields}"), |r| r)
            .await
    }

    pub async fn send(&self, page: &str, to: &str, fields: &str) -> Answer {
        let once = self.get(page).await.field("once");
        self.send_once(page, to, fields, &once).await
    }

    pub async fn send_raw(
        &self,
        to: &str,
        form: &str,
        with: impl FnOnce(Builder) -> Builder,
    ) -> Answer {
        let request = Request::post(to)
            .header(header::COOKIE, &self.cookie)
            .header(header::CONTENT_TYPE, FORM);
        self.cellar
            .ask(with(request).body(Body::from(form.to_owned())).unwrap())
            .await
    }
}
