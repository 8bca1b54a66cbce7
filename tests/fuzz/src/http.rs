//! Bytes at the page's door, over a stream in memory: hyper, every route, every form, the readings
//! that come over HTTP, addresses of curves and signed links.

use std::cell::RefCell;
use std::net::SocketAddr;
use std::sync::Arc;

use axum::Router;
use axum::body::Body;
use axum::http::{Request, header};
use ebbmark::serve::{Pages, Turned};
use ebbmark_core::feed::{FeedMap, Format, Quantity};
use ebbmark_core::ids::VesselId;
use ebbmark_core::time::Span;
use ebbmark_core::units::Gravity;
use ebbmark_store::model::{BatchFacts, Command, Done, ImportRow, Stamp, VesselFacts};
use ebbmark_store::{Reader, Writer};
use ebbmark_web::auth::{PASSWORD_SETTING, hash_password};
use ebbmark_web::{Handle, START_SETTING};
use jiff::tz::TimeZone;
use tempfile::TempDir;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _, duplex, split};
use tokio::runtime::Runtime;
use tokio_util::sync::CancellationToken;
use tower::ServiceExt as _;

use crate::{NOW, store};

const PEER: SocketAddr = SocketAddr::new(
    std::net::IpAddr::V4(std::net::Ipv4Addr::new(192, 0, 2, 1)),
    50_000,
);
const PASSWORD: &str = "three casks and a demijohn";
/// More than any page has.
const PIPE: usize = 4 << 20;
/// What is written stays; after so many the cellar is begun anew.
const RENEWED_AFTER: usize = 500;

struct House {
    pages: Pages,
    cookie: String,
    mark: String,
    token: String,
    asked: usize,
    _folder: TempDir,
}

thread_local! {
    static RUNTIME: Runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .expect("a runtime");
    static HOUSE: RefCell<Option<House>> = const { RefCell::new(None) };
}

/// A request as it goes over the wire. `@cookie`, `@mark` and `@token` stand for what lets
/// somebody in, which is other in each run; `@length` for the length of what follows the header.
pub fn run(data: &[u8]) {
    RUNTIME.with(|runtime| {
        HOUSE.with_borrow_mut(|house| {
            if house.as_ref().is_none_or(|h| h.asked >= RENEWED_AFTER) {
                *house = Some(runtime.block_on(open()));
            }
            if let Some(house) = house {
                house.asked += 1;
                runtime.block_on(ask(house, data));
            }
        });
    });
}

async fn ask(house: &House, data: &[u8]) {
    let request = [
        ("@cookie", &house.cookie),
        ("@mark", &house.mark),
        ("@token", &house.token),
    ]
    .iter()
    .fold(data.to_vec(), |text, (name, value)| {
        replaced(&text, name.as_bytes(), value.as_bytes())
    });
    let body = request.windows(4).position(|w| w == b"\r\n\r\n");
    let length = body.map_or(0, |at| request.len() - at - 4).to_string();
    let request = replaced(&request, b"@length", length.as_bytes());
    // It ends when we shut it; nobody waits here for a time limit.
    if request.windows(5).any(|w| w == b"/live") {
        return;
    }
    let (ours, theirs) = duplex(PIPE);
    let (mut reads, mut writes) = split(theirs);
    let sending = async {
        let _ = writes.write_all(&request).await;
        let _ = writes.shutdown().await;
    };
    let reading = async {
        let mut said = Vec::new();
        let _ = reads.read_to_end(&mut said).await;
        said
    };
    let ((), (), said) = tokio::join!(house.pages.welcome(ours, PEER), sending, reading);
    if said.is_empty() {
        return;
    }
    let head = said.windows(4).position(|w| w == b"\r\n\r\n");
    let head = String::from_utf8_lossy(&said[..head.expect("an answer has a header")]);
    let status = head
        .strip_prefix("HTTP/1.1 ")
        .or_else(|| head.strip_prefix("HTTP/1.0 "))
        .and_then(|rest| rest.get(..3))
        .and_then(|code| code.parse::<u16>().ok());
    let status = status.unwrap_or_else(|| panic!("{head}"));
    // 500 is a fault of ours; 503 would be a stuck disk.
    assert!(status < 500, "{head}");
}

fn replaced(text: &[u8], name: &[u8], value: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(text.len());
    let mut rest = text;
    while let Some(at) = rest.windows(name.len()).position(|w| w == name) {
        out.extend(&rest[..at]);
        out.extend(value);
        rest = &rest[at + name.len()..];
    }
    out.extend(rest);
    out
}

async fn open() -> House {
    let (writer, reader, folder) = store::open();
    fill(&writer).await;
    let router = router(&reader, &writer);
    let (cookie, mark) = enter(&router).await;
    let token = token(&router, &cookie, &mark).await;
    House {
        pages: Pages::new(
            router,
            Arc::new(Turned::default()),
            CancellationToken::new(),
        ),
        cookie,
        mark,
        token,
        asked: 0,
        _folder: folder,
    }
}

fn router(reader: &Reader, writer: &Writer) -> Router {
    let handle = Handle {
        reader: reader.clone(),
        writer: writer.clone(),
        now: Arc::new(|| NOW),
        stamp: Arc::new(|| Stamp {
            wall: Some(NOW),
            monotonic_ms: 0,
        }),
        zone: TimeZone::UTC,
        intake: vec![([127, 0, 0, 1], 1883).into()],
        intake_over_tls: Vec::new(),
        start_code: None,
        ways_out: Vec::new(),
        status: Arc::new(Vec::new),
        look_round: Arc::new(|| Box::pin(async { Vec::new() })),
        shutdown: CancellationToken::new(),
        behind_tls: false,
    };
    ebbmark_web::routers(handle).plain
}

/// One vessel with a mead in it and two days of a float's readings.
async fn fill(writer: &Writer) {
    let hash = hash_password(PASSWORD).expect("a password that can be hashed");
    for (key, value) in [(PASSWORD_SETTING, hash.as_str()), (START_SETTING, "yes")] {
        command(
            writer,
            Command::SetSetting {
                key: key.to_owned(),
                value: Some(value.to_owned()),
            },
        )
        .await;
    }
    let facts = VesselFacts {
        name: "Oak".to_owned(),
        capacity: None,
        temperature_low: None,
        temperature_high: None,
        tare: None,
        place: String::new(),
    };
    let Done::Vessel(vessel) = command(writer, Command::AddVessel(facts)).await else {
        panic!("a vessel was asked for");
    };
    start(writer, vessel).await;
    let rows = (0..48).map(|hour| ImportRow {
        at: NOW - Span::hours(48 - hour),
        gravity: Gravity::new(1.09 - 0.0005 * hour as f64).ok(),
        temperature: None,
    });
    command(
        writer,
        Command::Import {
            vessel,
            rows: rows.collect(),
        },
    )
    .await;
    command(
        writer,
        Command::Claim {
            source: "http".to_owned(),
            topic: "cellar/oak".to_owned(),
            name: "over HTTP".to_owned(),
            map: FeedMap {
                format: Format::Number {
                    quantity: Quantity::GravitySg,
                },
                tilt_polynomial: Vec::new(),
            },
            vessel: None,
        },
    )
    .await;
}

async fn start(writer: &Writer, vessel: VesselId) {
    let facts = BatchFacts {
        name: "Lime blossom".to_owned(),
        started: NOW - Span::days(2),
        original_gravity: Gravity::new(1.09).ok(),
        expected_final: None,
        tolerance: None,
        volume: None,
        yeast: String::new(),
        honey: String::new(),
        note: String::new(),
        origin: None,
    };
    command(writer, Command::StartBatch { vessel, facts }).await;
}

async fn command(writer: &Writer, command: Command) -> Done {
    writer.command(command).await.expect("a sound command")
}

const FORM: &str = "application/x-www-form-urlencoded";

async fn post(router: &Router, to: &str, cookie: &str, form: String) -> axum::response::Response {
    let request = Request::post(to)
        .header(header::CONTENT_TYPE, FORM)
        .header(header::COOKIE, cookie)
        .body(Body::from(form))
        .expect("a sound request");
    router.clone().oneshot(request).await.expect("an answer")
}

async fn text(answer: axum::response::Response) -> String {
    let bytes = axum::body::to_bytes(answer.into_body(), PIPE).await;
    String::from_utf8_lossy(&bytes.expect("a page")).into_owned()
}

/// The session's cookie, and the mark its forms carry.
async fn enter(router: &Router) -> (String, String) {
    let form = format!("password={}", PASSWORD.replace(' ', "+"));
    let answer = post(router, "/enter", "", form).await;
    let cookie = answer.headers()[header::SET_COOKIE]
        .to_str()
        .expect("a cookie is text")
        .split(';')
        .next()
        .unwrap_or_default()
        .to_owned();
    let request = Request::get("/settings")
        .header(header::COOKIE, &cookie)
        .body(Body::empty())
        .expect("a sound request");
    let page = text(router.clone().oneshot(request).await.expect("an answer")).await;
    (cookie, between(&page, "name=\"mark\" value=\"", "\""))
}

async fn token(router: &Router, cookie: &str, mark: &str) -> String {
    let form = format!("mark={mark}&name=fuzz&send=yes&look=yes&write=yes");
    let page = text(post(router, "/access/token", cookie, form).await).await;
    between(&page, "<code class=\"token\">", "<")
}

fn between(page: &str, start: &str, end: &str) -> String {
    let from = page
        .find(start)
        .unwrap_or_else(|| panic!("no {start} in {page}"))
        + start.len();
    page[from..]
        .split(end)
        .next()
        .unwrap_or_default()
        .to_owned()
}
