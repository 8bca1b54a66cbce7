//! What the pages say of a verdict: why, what would change it, and the numbers for who asks.

use ebbmark_core::time::Span;
use ebbmark_core::units::{Celsius, Gravity};
use ebbmark_core::verdict::outcome::{
    Doubt, FloatSeen, Memory, Odds, Phase, Range, Spread, Trued, Verdict,
};

use crate::ask::{Cellar, cellar, noon};

fn known(v: &mut Verdict) {
    v.fall_per_day = Some(Range {
        mid: 0.0021,
        low: 0.0016,
        high: 0.0026,
    });
    v.looked_at = Some(Span::days(2));
    v.expected_end = Gravity::new(1.0).ok();
    v.temperature = Celsius::new(9.0).ok();
    v.temperature_change = Some(-7.0);
    v.odds = Some(Odds {
        flat: 0.62,
        at_floor: Some(0.31),
        nothing_else: 1.0,
        more_left: 0.004,
    });
    v.final_gravity = Some(Spread {
        low: 0.996,
        half_low: 0.998,
        mid: 1.0,
        half_high: 1.002,
        high: 1.004,
    });
    v.memory = Some(Memory {
        phase: v.phase,
        since: noon() - Span::days(2),
        stretch: noon() - Span::days(20),
        stopped_at: Some(1.014),
        flat_from: v.phase.is_still().then(|| noon() - Span::days(5)),
        creeping: false,
        restarted_at: None,
        suspected_since: None,
        sure_since: None,
    });
}

/// The vessel's page and the cellar's.
async fn pages(cellar: &Cellar, phase: Phase, more: impl FnOnce(&mut Verdict)) -> (String, String) {
    let vessel = cellar.vessel("Cask").await;
    let batch = cellar.mead(vessel, "Linden", 20).await;
    cellar
        .judge_as(vessel, batch, phase, "The sentence.", |v| {
            known(v);
            more(v);
        })
        .await;
    let page = cellar.get(&format!("/vessel/{vessel}")).await.text;
    (page, cellar.get("/").await.text)
}

fn has(page: &str, parts: &[&str]) {
    for part in parts {
        assert!(page.contains(part), "no {part:?} in {page}");
    }
}

#[tokio::test]
async fn the_sentence_comes_first_then_why_then_what_would_change_it() {
    let cellar = cellar().await;
    let (page, _) = pages(&cellar, Phase::Slowing, |_| {}).await;
    let order = [
        "The sentence.",
        ">Why<",
        ">What would change it<",
        ">The numbers<",
        ">What may be done<",
    ];
    let places: Vec<usize> = order.iter().map(|p| page.find(p).unwrap()).collect();
    assert!(places.is_sorted(), "{places:?}");
}

#[tokio::test]
async fn numbers_stand_behind_a_disclosure_that_is_shut() {
    let cellar = cellar().await;
    let (page, _) = pages(&cellar, Phase::Slowing, |_| {}).await;
    let from = page.find("<details id=\"numbers\">").expect("shut");
    let to = from + page[from..].find("</details>").unwrap();
    let numbers = &page[from..to];
    has(
        numbers,
        &[
            "<dt>Still</dt><dd>62 %</dd>",
            "<dt>Where it should end</dt><dd>31 %</dd>",
            "<dt>Nothing else explains it</dt><dd>over 99.9 %</dd>",
            "<dt>More than 0.0020 left to fall</dt><dd>0.4 %</dd>",
            "<dt>Falls a day</dt><dd>0.0021 (0.0016 to 0.0026)</dd>",
            "<dd>0.9980 to 1.0020</dd>",
        ],
    );
    let rest = page.replace(numbers, "");
    assert!(!rest.contains("62 %") && !rest.contains("0.4 %"));
}

#[tokio::test]
async fn a_restarted_mead_is_kept_out_of_glass() {
    let cellar = cellar().await;
    let (page, _) = pages(&cellar, Phase::Restarted, |_| {}).await;
    has(
        &page,
        &[
            "it fell 0.0021 a day",
            "It had stopped at 1.0140.",
            "Keep it out of glass",
            "relieve the pressure with care",
            "A hand reading today",
            "What to do, and what would change it",
            "<dt>Still</dt>",
        ],
    );
    // It has left the curve that said where and when.
    assert!(!page.contains("left to fall</dt>") && !page.contains("Ends, by its curve"));
}

#[tokio::test]
async fn a_resting_mead_says_how_warm_to_look_again() {
    let cellar = cellar().await;
    let (page, _) = pages(&cellar, Phase::Resting, |v| {
        v.look_again_at = Celsius::new(16.5).ok();
    })
    .await;
    has(
        &page,
        &[
            "7.0 °C colder than in its warm days",
            "Warm it to 16.5 °C",
            "do not keg or bottle it",
        ],
    );
}

#[tokio::test]
async fn a_doubtful_float_is_called_out_on_both_pages() {
    let cellar = cellar().await;
    let doubtful = |v: &mut Verdict| {
        v.float = Some(FloatSeen {
            trued: Some(Trued {
                reads_high: 0.0012,
                reads_high_sd: 0.0002,
                drift_per_day: 0.00002,
                drift_sd: 0.00004,
                hand_readings: 3,
            }),
            disagrees: Some(Doubt {
                at: noon() - Span::days(1),
                hand: 1.003,
                float: 1.009,
            }),
            still_since: None,
            jumps: Vec::new(),
        });
    };
    let (page, row) = pages(&cellar, Phase::Slowing, doubtful).await;
    has(
        &page,
        &[
            "By 3 hand readings the float reads 0.0012 too high; that is put right here.",
            "1.0030 by hand, 1.0090 by the float",
            "A second hand reading",
            "<dt>Float reads high by</dt><dd>0.0012, ± 0.0003</dd>",
        ],
    );
    has(
        &row,
        &["Float and hand reading of Sat 28 Feb do not agree."],
    );
}

#[tokio::test]
async fn a_float_that_sends_one_value_shows_in_the_cellar() {
    let cellar = cellar().await;
    let stuck = |v: &mut Verdict| {
        v.float = Some(FloatSeen {
            still_since: Some(noon() - Span::hours(20)),
            ..FloatSeen::default()
        });
    };
    let (page, row) = pages(&cellar, Phase::NoData, stuck).await;
    has(
        &page,
        &["the same value since Sat 28 Feb 17:00", "swims free"],
    );
    has(
        &row,
        &["Its float has sent one value since Sat 28 Feb 17:00."],
    );
}
