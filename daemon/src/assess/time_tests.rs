//! The wall clock does what it should not while a mead is watched: what a maker would see of it.

use std::sync::Arc;
use std::time::Duration;

use ebbmark_core::feed::{FeedMap, Format, Quantity};
use ebbmark_core::ids::{FeedId, VesselId};
use ebbmark_core::notice::NoticeKind;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Gravity;
use ebbmark_core::verdict::outcome::{Phase, Verdict};
use ebbmark_store::model::{Arrival, BatchFacts, Command, Done, VesselFacts};
use ebbmark_store::{Reader, Writer};
use jiff::tz::TimeZone;

use super::judge::{Due, NO_NEWS};
use super::{Assess, Judge, Listening};
use crate::clock::{Clock, Hands};
use crate::mqtt::Outgoing;

/// 2026-09-21, in the morning.
const START: Moment = Moment(1_790_000_000_000);
const YEARS: Span = Span::days(730);
const APART: Span = Span::minutes(15);

struct Cellar {
    _folder: tempfile::TempDir,
    hands: Hands,
    clock: Clock,
    reader: Reader,
    writer: Writer,
    judge: Option<Judge>,
    listening: Listening,
    vessel: VesselId,
    feed: FeedId,
    /// How often the float has sent.
    sent: i64,
}

impl Cellar {
    /// A mead that has been falling for five days, its float sending all the time.
    async fn falling() -> Cellar {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("cellar.db");
        let (writer, reader) =
            ebbmark_store::open(&path, ebbmark_store::Options::default()).unwrap();
        let hands = Hands::at(START);
        let clock = Clock::new(hands.clone());
        let vessel = VesselFacts {
            name: "Jar".into(),
            capacity: None,
            temperature_low: None,
            temperature_high: None,
            tare: None,
            place: String::new(),
        };
        let Done::Vessel(vessel) = writer.command(Command::AddVessel(vessel)).await.unwrap() else {
            panic!("a vessel was asked for");
        };
        let facts = BatchFacts {
            name: "Invented".into(),
            started: START,
            original_gravity: Gravity::new(1.0905).ok(),
            expected_final: None,
            tolerance: None,
            volume: None,
            yeast: String::new(),
            honey: String::new(),
            note: String::new(),
            origin: None,
        };
        let start = Command::StartBatch { vessel, facts };
        writer.command(start).await.unwrap();
        let claim = Command::Claim {
            source: "intake".into(),
            topic: "float".into(),
            name: "float".into(),
            map: FeedMap {
                format: Format::Number {
                    quantity: Quantity::GravitySg,
                },
                tilt_polynomial: Vec::new(),
            },
            vessel: Some(vessel),
        };
        writer.command(claim).await.unwrap();
        let feed = reader.feeds().unwrap()[0].id;
        let assess = Assess {
            reader: reader.clone(),
            writer: writer.clone(),
            clock: clock.clone(),
            zone: TimeZone::UTC,
            outgoing: Outgoing::new(),
            channels: vec!["log".into()],
            shelf_life: ebbmark_store::shelf_life::ShelfLife::default(),
            pace: Duration::from_millis(1),
        };
        let mut cellar = Cellar {
            _folder: folder,
            hands,
            clock,
            reader,
            writer,
            judge: Some(Judge::new(Arc::new(assess))),
            listening: Listening::default(),
            vessel,
            feed,
            sent: 0,
        };
        cellar.sends_for(Span::days(5)).await;
        cellar
    }

    async fn sends_for(&mut self, span: Span) {
        for _ in 0..span.0 / APART.0 {
            self.hands.pass(APART);
            self.sent += 1;
            let day = (self.sent * APART.0) as f64 / Span::days(1).0 as f64;
            let unrest = (self.sent as f64 * 0.9).sin() * 0.0002;
            let gravity = 1.09 - 0.008 * day + unrest;
            let arrival = Arrival {
                source: "intake".into(),
                topic: "float".into(),
                payload: format!("{gravity:.4}").into_bytes(),
                stamp: self.clock.stamp(),
                retained: false,
                delivery: None,
            };
            let waiter = self.writer.arrive(arrival).await.unwrap();
            waiter.await.unwrap().unwrap();
        }
        self.look().await;
    }

    /// Time passes, the float is silent, the daemon looks.
    async fn is_silent_for(&mut self, span: Span) {
        for _ in 0..span.0 / APART.0 {
            self.hands.pass(APART);
            self.look().await;
        }
    }

    /// What a tick of the loop does.
    async fn look(&mut self) {
        let Some(since) = self.listening.since(&self.clock) else {
            return;
        };
        let judge = self.judge.take().unwrap();
        let judge = judge
            .round(Due::from([(self.vessel, NO_NEWS)]))
            .await
            .unwrap();
        self.judge = Some(judge.watch(since).await.unwrap());
    }

    fn verdict(&self) -> Verdict {
        self.reader.verdict(self.vessel).unwrap().unwrap().verdict
    }

    fn times(&self) -> Vec<Moment> {
        let all = self
            .reader
            .readings(self.feed, Moment(0), START + Span::days(4000))
            .unwrap();
        all.iter().map(|reading| reading.at).collect()
    }

    fn told(&self, kind: NoticeKind) -> usize {
        let notices = self.reader.notices(100).unwrap();
        notices.iter().filter(|n| n.kind == kind).count()
    }

    fn is_shut(&self) {
        let gates = self.verdict().gates;
        assert!(!gates.rack.open, "{gates:?}");
        assert!(!gates.stabilise.open && !gates.seal.open, "{gates:?}");
    }
}

/// Whatever the wall clock shows for some minutes, time goes on as it passes: nothing falls silent, no
/// reading is dated elsewhere, the fall is as steep as before.
#[tokio::test]
async fn steps_that_are_taken_back_are_not_noticed() {
    for step in [
        YEARS,
        Span(-YEARS.0),
        Span(-Span::hours(1).0),
        Span::hours(5),
    ] {
        let mut cellar = Cellar::falling().await;
        let before = cellar.verdict();
        assert_eq!(before.phase, Phase::Active);
        cellar.hands.step(step);
        // Looked at twice before it is put right.
        cellar.look().await;
        cellar.hands.pass(Span::minutes(7));
        cellar.look().await;
        cellar.hands.step(Span(-step.0));
        cellar.hands.pass(Span::minutes(8));
        cellar.sends_for(Span::hours(12)).await;

        let times = cellar.times();
        assert_eq!(times.len() as i64, cellar.sent, "{step:?}");
        let gaps: Vec<i64> = times.windows(2).map(|w| w[1].since(w[0]).0).collect();
        assert!(gaps.iter().all(|gap| (1..=2 * APART.0).contains(gap)));
        assert_eq!(cellar.reader.notices(100).unwrap().len(), 0, "{step:?}");
        let after = cellar.verdict();
        assert_eq!(after.phase, Phase::Active);
        let fall = |v: &Verdict| v.fall_per_day.unwrap().mid;
        assert!(
            (fall(&after) / fall(&before) - 1.0).abs() < 0.15,
            "{step:?}: {} and {}",
            fall(&before),
            fall(&after)
        );
        assert_eq!(after.at, cellar.clock.now());
        cellar.is_shut();
    }
}

/// Two years ahead until somebody sees it, then put right: nothing is lost, no feed is called silent that
/// sends, all gates stay shut, and once it is right again silence is noticed as ever.
#[tokio::test]
async fn two_years_ahead_for_half_a_day() {
    let mut cellar = Cellar::falling().await;
    cellar.hands.step(YEARS);
    cellar.sends_for(Span::hours(12)).await;
    assert!(cellar.clock.now() > START + YEARS, "it was followed");
    assert_eq!(cellar.told(NoticeKind::FeedSilent), 0);
    cellar.is_shut();

    cellar.hands.step(Span(-YEARS.0));
    cellar.sends_for(Span::hours(12)).await;
    let now = cellar.clock.now();
    assert!(now < START + Span::days(7), "it was followed");
    assert_eq!(cellar.times().len() as i64, cellar.sent, "nothing is lost");
    let ahead = cellar.times().iter().filter(|at| **at > now).count();
    assert!(
        (40..=49).contains(&ahead),
        "{ahead} stay where they were dated"
    );
    assert_eq!(
        cellar.verdict().at,
        now,
        "judged by what is, not kept for years"
    );
    assert_eq!(cellar.verdict().phase, Phase::Active);
    cellar.is_shut();
    assert_eq!(cellar.told(NoticeKind::FeedSilent), 0);

    // Its last reading lies two years ahead, and still it is heard that nothing comes.
    cellar.is_silent_for(Span::hours(5)).await;
    assert_eq!(cellar.told(NoticeKind::FeedSilent), 1);
    cellar.sends_for(Span::hours(1)).await;
    let open = cellar.reader.open_notice_keys().unwrap();
    assert!(
        open.iter().all(|key| !key.starts_with("feed-silent")),
        "{open:?}"
    );
    assert_eq!(
        cellar.reader.notices(100).unwrap().len(),
        1,
        "one, no storm"
    );
}

/// Asleep for a night with floats that cannot be heard: they are not called silent for it, what comes
/// afterwards is dated by when it came, and no gate opens over the gap.
#[tokio::test]
async fn a_machine_that_sleeps_for_a_night() {
    let mut cellar = Cellar::falling().await;
    let before = cellar.clock.now();
    cellar.hands.sleep(Span::hours(9));
    cellar.look().await;
    assert_eq!(cellar.told(NoticeKind::FeedSilent), 0);
    cellar.sends_for(Span::hours(12)).await;
    let times = cellar.times();
    assert_eq!(times.len() as i64, cellar.sent);
    let woken = before + Span::hours(9);
    assert!(times.iter().all(|at| *at <= before || *at > woken));
    assert_eq!(cellar.reader.notices(100).unwrap().len(), 0);
    assert_eq!(cellar.verdict().at, cellar.clock.now());
    cellar.is_shut();
    // Silence after it is noticed as ever.
    cellar.is_silent_for(Span::hours(5)).await;
    assert_eq!(cellar.told(NoticeKind::FeedSilent), 1);
}

/// Put back by an hour for good: each reading is there once, and the fall is hardly another.
#[tokio::test]
async fn an_hour_back_is_not_counted_twice() {
    let mut cellar = Cellar::falling().await;
    let before = cellar.verdict();
    cellar.hands.step(Span(-Span::hours(1).0));
    cellar.sends_for(Span::hours(24)).await;
    assert_eq!(cellar.clock.steps_followed(), 1);
    assert_eq!(cellar.times().len() as i64, cellar.sent);
    let hours = cellar
        .reader
        .vessel_hours(cellar.vessel, START, START + Span::days(30))
        .unwrap();
    // Six days, less the hour that was there twice; one is begun at either end.
    assert!((143..=145).contains(&hours.len()), "{}", hours.len());
    let after = cellar.verdict();
    let fall = |v: &Verdict| v.fall_per_day.unwrap().mid;
    assert!((fall(&after) / fall(&before) - 1.0).abs() < 0.15);
    assert_eq!(cellar.reader.notices(100).unwrap().len(), 0);
    cellar.is_shut();
}

/// What judging costs does not grow with history.
#[tokio::test]
async fn the_longer_a_record_the_longer_a_verdict_stands() {
    let mut cellar = Cellar::falling().await;
    let now = cellar.clock.now();
    let stands = |cellar: &Cellar, news, now| {
        let judge = cellar.judge.as_ref().unwrap();
        judge.stands(cellar.vessel, news, now)
    };
    let shortly = now + Span::seconds(30);
    assert!(stands(&cellar, NO_NEWS, shortly));
    // A reading, sent a little late.
    assert!(stands(&cellar, now - Span::minutes(5), shortly));
    // Five days of hours, a ten thousandth of them.
    assert!(!stands(&cellar, NO_NEWS, now + Span::seconds(45)));
    assert!(!stands(&cellar, NO_NEWS, now - Span::seconds(45)));
    // What was sent days late, or written down by the maker.
    assert!(!stands(&cellar, now - Span::days(2), shortly));
    assert!(!stands(&cellar, Moment(i64::MIN), shortly));

    cellar.sends_for(Span::days(5)).await;
    let now = cellar.clock.now();
    assert!(stands(&cellar, NO_NEWS, now + Span::seconds(80)));
    assert!(!stands(&cellar, NO_NEWS, now + Span::seconds(90)));

    // A float that speaks again is not kept waiting.
    cellar.is_silent_for(Span::days(2)).await;
    assert_eq!(cellar.verdict().phase, Phase::NoData);
    let now = cellar.clock.now();
    assert!(stands(&cellar, NO_NEWS, now));
    assert!(!stands(&cellar, now, now));
}
