//! From must to glass, in an invented cellar: a base mead is pitched and fed, settles, is split in
//! two onto different fruit, pushed down and settles again; one part is kept dry and kegged, the
//! other stabilised, sweetened and kegged. Time is jumped over, readings come as they would have.

use std::path::PathBuf;

use ebbmark_tests::cellar::{Cellar, Daemon, PASSWORD};
use ebbmark_tests::page::{Answer, Visitor};
use ebbmark_tests::wait::until_true;
use serde_json::{Value, json};

use crate::clock::faketime;
use crate::common::rfc3339;
use crate::pages::browse_with;

/// 2026-03-02T09:00:00Z: the pitch.
const PITCH: i64 = 1_772_442_000;
/// A reading every half hour.
const EVERY: i64 = 1_800;

/// Days after the pitch as Unix seconds.
fn day(days: f64) -> i64 {
    PITCH + (days * 86_400.0) as i64
}

/// The gravity in the cask, then in the tub, on raspberries from day 17 and sweetened on day 61; and in
/// the jar, on cherries from day 17. Invented; the fruit's steps are what its mass and sugar make of
/// the mead, by mass over volume.
#[derive(Clone, Copy, PartialEq)]
enum Float {
    Base,
    Jar,
}

impl Float {
    fn topic(self) -> &'static str {
        match self {
            Float::Base => "loft/float-1",
            Float::Jar => "loft/float-2",
        }
    }

    fn gravity(self, days: f64) -> f64 {
        let after = |start: f64, top: f64, end: f64| {
            let t = (days - start - 0.3).max(0.0);
            end + (top - end) * (-t / 1.2).exp()
        };
        let base = 1.098 - 0.1075 / (1.0 + (-(days - 3.6) / 0.62).exp());
        match self {
            _ if days < 17.0 => base,
            Float::Jar => after(17.0, 1.0021, 0.9868),
            Float::Base if days < 61.0 => after(17.0, 0.9944, 0.9895),
            Float::Base => 1.0152,
        }
    }

    fn reading(self, at: i64) -> Value {
        let days = (at - PITCH) as f64 / 86_400.0;
        // Small, even, and never twice the same in a row: a float's own unrest.
        let unrest = ((at / EVERY) as f64 * 0.9).sin() * 0.000_15
            + ((at / EVERY) as f64 * 0.37).cos() * 0.000_1;
        let gravity = ((self.gravity(days) + unrest) * 10_000.0).round() / 10_000.0;
        let warmth = 19.0 + (days * std::f64::consts::TAU).sin() * 0.4;
        let gravity = json!({ "bn": "", "bt": at, "n": "gravity", "v": gravity });
        let warmth = json!({ "n": "temperature", "u": "Cel", "v": (warmth * 10.0).round() / 10.0 });
        json!([gravity, warmth])
    }
}

/// The daemon with a clock that is set by hand.
struct Story {
    cellar: Cellar,
    daemon: Daemon,
    visitor: Visitor,
    clock: PathBuf,
    intake: String,
    token: String,
    /// Readings were sent up to then.
    sent: i64,
}

impl Story {
    fn open() -> Story {
        let cellar = Cellar::new();
        cellar.set_password();
        let clock = cellar.file("clock", stamp(PITCH - 3_600));
        let mut command = cellar.command();
        command
            .arg("run")
            .env("LD_PRELOAD", faketime())
            .env("FAKETIME_TIMESTAMP_FILE", &clock)
            .env("FAKETIME_NO_CACHE", "1")
            .env("FAKETIME_DONT_FAKE_MONOTONIC", "1")
            .env("TZ", "UTC");
        let daemon = Daemon::start(&mut command);
        let visitor = Visitor::signed_in(&daemon.page);
        let (intake, token) = (visitor.intake_token(), visitor.api_token());
        Story {
            cellar,
            daemon,
            visitor,
            clock,
            intake,
            token,
            sent: PITCH - 3_600,
        }
    }

    /// Three empty vessels, with a float in the first and one in the second.
    fn vessels(&self) -> [i64; 3] {
        let all = [("Cask", 26.0), ("Jar", 14.0), ("Tub", 14.0)].map(|(name, capacity)| {
            let body = json!({ "name": name, "capacity": capacity, "place": "loft" });
            id(&self.post("vessels", &body), "vessel")
        });
        for (float, vessel) in [(Float::Base, all[0]), (Float::Jar, all[1])] {
            // Each lies in water yet.
            let water = json!([{ "n": "gravity", "v": 1.0 }, { "n": "temperature", "v": 12 }]);
            let first = water.to_string();
            self.visitor
                .post_reading(float.topic(), &self.intake, first.as_bytes());
            self.visitor
                .claim("http", float.topic(), Some(&format!("/vessel/{vessel}")));
        }
        all
    }

    /// Time passes, and the floats send.
    fn pass(&mut self, to: f64, floats: &[Float]) {
        std::fs::write(&self.clock, stamp(day(to))).expect("the folder is there");
        let mut at = self.sent - self.sent % EVERY + EVERY;
        let mut pack = Vec::new();
        while at <= day(to) {
            pack.push(at);
            at += EVERY;
        }
        for float in floats {
            for some in pack.chunks(200) {
                let readings: Vec<Value> = some
                    .iter()
                    .flat_map(|at| float.reading(*at).as_array().cloned().unwrap_or_default())
                    .collect();
                let payload = Value::Array(readings).to_string();
                let answer =
                    self.visitor
                        .post_reading(float.topic(), &self.intake, payload.as_bytes());
                assert_eq!(answer.status, 202, "{}", answer.body);
            }
        }
        self.sent = day(to);
    }

    fn post(&self, path: &str, body: &Value) -> Value {
        let answer = self.try_post(path, "", body);
        assert_eq!(answer.status, 201, "{path} {body}: {}", answer.body);
        serde_json::from_str(&answer.body).expect("the answer is JSON")
    }

    fn try_post(&self, path: &str, key: &str, body: &Value) -> Answer {
        self.visitor.api(path, &self.token, key, body)
    }

    fn get(&self, path: &str) -> Value {
        self.visitor.api_get(path, &self.token)
    }

    fn vessel(&self, id: i64) -> Value {
        self.get(&format!("vessels/{id}"))
    }

    /// Waits until what is in the vessel is judged by all that came, and says how.
    fn verdict(&self, id: i64) -> Value {
        let now = self.sent;
        until_true("a verdict by the latest readings", || {
            let verdict = &self.vessel(id)["verdict"];
            let at = verdict["at"].as_i64();
            // The clock goes on before the readings come: one given in between knows of none.
            at.is_some_and(|at| at >= (now - 3_600) * 1_000) && verdict["phase"] != "no-data"
        });
        self.vessel(id)["verdict"].clone()
    }

    /// Waits until what is in the vessel is judged by what was written since that verdict.
    fn judged_again(&self, id: i64, before: &Value) {
        until_true("another verdict", || {
            self.vessel(id)["verdict"]["at"].as_i64() > before["at"].as_i64()
        });
    }

    /// The one task of a kind for a mead.
    fn task(&self, mead: i64, kind: &str) -> Option<Value> {
        let all = self.get("tasks");
        let mut found = all.as_array().expect("a list").iter();
        found
            .find(|t| t["mead_number"] == mead && t["kind"] == kind)
            .cloned()
    }

    fn done(&self, mead: i64, kind: &str) {
        let task = self
            .task(mead, kind)
            .unwrap_or_else(|| panic!("no {kind} for {mead} in {}", self.get("tasks")));
        assert_eq!(task["is_due"], true, "{task}");
        let answer = json!({ "task": task["task"], "answer": "done" });
        self.post(&format!("meads/{mead}/tasks"), &answer);
    }
}

/// All a float sends to the end of the story, as one pack.
fn all(float: Float) -> Value {
    let begin = PITCH - PITCH % EVERY + EVERY;
    let instants = (begin..=day(78.0)).step_by(EVERY as usize);
    let records = instants.flat_map(|at| float.reading(at).as_array().cloned().unwrap_or_default());
    Value::Array(records.collect())
}

fn stamp(at: i64) -> String {
    format!("@{}", rfc3339(at).replace('T', " ").replace('Z', ""))
}

fn id(answer: &Value, of: &str) -> i64 {
    answer[of]
        .as_i64()
        .unwrap_or_else(|| panic!("no {of} in {answer}"))
}

#[test]
fn from_must_to_glass_by_a_program() {
    use Float::{Base, Jar};
    let mut story = Story::open();
    let [cask, jar, tub] = story.vessels();

    // Planned and pitched.
    story.pass(0.0, &[]);
    let plan =
        json!({ "nutrient": { "steps": 2, "by": "hours" }, "style": "a base for two fruits" });
    let mead = json!({ "name": "Hedge base", "original-gravity": 1.098, "expected-final": 0.991,
        "tolerance": 18, "volume": 22, "yeast": "dry white strain", "honey": "linden", "plan": plan });
    let base = id(&story.post(&format!("vessels/{cask}/meads"), &mead), "mead");
    // The must as the reckoning weighs it, from the facts of the mead.
    story.post(&format!("vessels/{cask}/reckon/must"), &json!({}));

    // Fed twice, as the tasks ask and the reckoning weighs.
    for days in [1.1, 2.1] {
        story.pass(days, &[Base]);
        story.verdict(cask);
        let task = story.task(base, "nutrient").expect("nutrient is asked for");
        assert_eq!(task["is_due"], true, "{task}");
        story.post(&format!("vessels/{cask}/reckon/nutrient"), &json!({}));
    }
    assert_eq!(story.task(base, "nutrient"), None, "both steps are done");

    // Settled, and a hand reading agrees.
    story.pass(16.0, &[Base]);
    assert_eq!(story.verdict(cask)["phase"], "settled");
    let hand = json!({ "what": "hand-reading", "gravity": 0.9907, "temperature": 19.0 });
    story.post(&format!("vessels/{cask}/log"), &hand);

    // Ten litres onto cherries; the rest, less its lees, onto raspberries.
    story.pass(17.0, &[Base]);
    let cherries = json!({ "name": "cherries", "days": 10, "push-every": 2 });
    let dry = json!({ "style": "dry, on cherries", "steeps": [cherries], "finish": "dry", "pack": "keg" });
    let split = json!({ "into": jar, "name": "Hedge cherry", "plan": dry,
        "parts": [{ "mead": base, "volume": 10 }] });
    let cherry = id(&story.post("pours", &split), "mead");
    let rest = json!({ "into": tub, "volume": 10.4, "float": true, "note": "off the lees" });
    story.post(&format!("meads/{base}/move"), &rest);
    let raspberries = json!({ "name": "raspberries", "days": 10, "push-every": 2 });
    let sweet = json!({ "style": "sweet, on raspberries", "gravity": 1.015,
        "steeps": [raspberries], "finish": "sweetened", "pack": "keg" });
    story.post(&format!("meads/{base}/plan"), &json!({ "plan": sweet }));
    story.post(&format!("vessels/{cask}/log"), &json!({ "what": "clean" }));
    for (vessel, name, mass, extract) in
        [(jar, "cherries", 2.4, 13.0), (tub, "raspberries", 1.6, 5.0)]
    {
        let fruit = json!({ "what": "addition", "note": name, "doses": [
            { "of": "fruit", "name": name, "mass": mass, "extract": extract }] });
        story.post(&format!("vessels/{vessel}/log"), &fruit);
    }

    // Pushed down every other day, out on the tenth.
    for days in [19.1, 21.2, 23.3, 25.4] {
        story.pass(days, &[Base, Jar]);
        for mead in [cherry, base] {
            story.done(mead, "push-down");
        }
    }
    story.pass(27.5, &[Base, Jar]);
    for mead in [cherry, base] {
        story.done(mead, "take-out");
    }

    // Both settle again and are racked; some days later the hydrometer agrees.
    story.pass(44.0, &[Base, Jar]);
    for (vessel, mead) in [(jar, cherry), (tub, base)] {
        assert_eq!(story.verdict(vessel)["phase"], "settled");
        story.done(mead, "rack");
    }
    for days in [50.0, 57.0] {
        story.pass(days, &[Base, Jar]);
        for (vessel, gravity) in [(jar, 0.9868), (tub, 0.9895)] {
            let before = story.verdict(vessel);
            let hand = json!({ "what": "hand-reading", "gravity": gravity, "temperature": 20.0 });
            story.post(&format!("vessels/{vessel}/log"), &hand);
            story.judged_again(vessel, &before);
        }
    }

    // The one stays dry, is kegged and finished.
    story.done(cherry, "seal");
    story.post(&format!("meads/{cherry}/end"), &json!({}));

    // The other is stabilised, waits a day, is sweetened to plan, watched, and kegged.
    for days in [57.3, 57.6, 57.9, 58.2] {
        story.pass(days, &[Base]);
        story.verdict(tub);
    }
    let stabilise = format!("vessels/{tub}/reckon/stabilise");
    story.post(&stabilise, &json!({ "ph": 3.4 }));
    let task = story.task(base, "sweeten").expect("sweetening comes next");
    assert_eq!(task["is_due"], false, "{task}");
    story.pass(61.0, &[Base]);
    let task = story.task(base, "sweeten").expect("sweetening comes next");
    assert_eq!(task["is_due"], true, "{task}");
    story.post(&format!("vessels/{tub}/reckon/sweeten"), &json!({}));
    for days in [70.0, 77.0] {
        story.pass(days, &[Base]);
        let before = story.verdict(tub);
        let hand = json!({ "what": "hand-reading", "gravity": 1.015, "temperature": 20.0 });
        story.post(&format!("vessels/{tub}/log"), &hand);
        story.judged_again(tub, &before);
    }
    story.done(base, "seal");
    story.post(&format!("meads/{base}/end"), &json!({}));
    assert_eq!(story.get("tasks"), json!([]), "nothing is left to do");
    cards(&story, base, cherry);
}

/// What 22 L of must at 1.098 have come to at 0.9905, L: Balling's mass balance, each gram of ethanol
/// leaving 0.9565 g of carbon dioxide and 0.11 g of yeast, with the ethanol by his relation between
/// original, real and apparent extract, and °P by a cubic fit of the extract table (all constants from
/// memory, so this is no measure to the gram: it is held to a hundredth).
fn held() -> f64 {
    let plato = |sg: f64| -616.868 + 1111.14 * sg - 630.272 * sg * sg + 135.997 * sg * sg * sg;
    let (original, apparent) = (plato(1.098), plato(0.9905));
    let real = 0.1808 * original + 0.8192 * apparent;
    let ethanol = (original - real) / (2.0665 - 0.010_665 * original);
    let left = 22.0 * 1.098 / (1.0 + (0.9565 + 0.11) * ethanol / 100.0);
    left / 0.9905
}

/// Both cards, to the gram and the day.
fn cards(story: &Story, base: i64, cherry: i64) {
    let card = |mead: i64| story.get(&format!("meads/{mead}/card"));
    let (sweet, dry) = (card(base), card(cherry));
    let kg = |card: &Value, of: &str, name: &str, which: &str| -> f64 {
        let all = card["ingredients"].as_array().expect("a list").iter();
        let found = all.filter(|i| i["of"] == of && i["name"] == name);
        found.map(|i| i[which].as_f64().expect("a mass")).sum()
    };
    let near = |a: f64, b: f64| assert!((a - b).abs() < 0.000_5, "{a} kg, {b} kg");
    // As it was weighed.
    let weighed: f64 = sweet["log"]
        .as_array()
        .expect("a list")
        .iter()
        .flat_map(|line| line["doses"].as_array().cloned().unwrap_or_default())
        .filter(|dose| dose["of"] == "honey")
        .map(|dose| dose["mass-kg"].as_f64().expect("a mass"))
        .sum();
    // How much sweetens it to 1.015 hangs on what the float reads in that hour.
    assert!((weighed - 6.800 - 0.990).abs() < 0.010, "{weighed}");
    near(kg(&sweet, "honey", "", "own-kg"), weighed);
    near(kg(&sweet, "water", "", "own-kg"), 17.310);
    near(kg(&sweet, "diammonium-phosphate", "", "own-kg"), 0.022);
    near(kg(&sweet, "fruit", "raspberries", "own-kg"), 1.6);
    near(kg(&dry, "fruit", "cherries", "own-kg"), 2.4);
    // What the part has of the must, the rest no longer has.
    let must = [
        ("honey", 6.800),
        ("water", 17.310),
        ("diammonium-phosphate", 0.022),
    ];
    let share = kg(&dry, "honey", "", "inherited-kg") / 6.800;
    assert!((share * held() / 10.0 - 1.0).abs() < 0.01, "{share}");
    for (of, all) in must {
        near(kg(&dry, of, "", "inherited-kg"), all * share);
        near(kg(&sweet, of, "", "poured-kg"), all * share);
    }
    let days = |card: &Value, step: &str| -> f64 {
        let mut all = card["steps"].as_array().expect("a list").iter();
        let step = all.find(|s| s["step"] == step);
        let step = step.unwrap_or_else(|| panic!("no {step:?} in {card}"));
        step["days"].as_f64().expect("a number").round()
    };
    assert_eq!(days(&sweet, "stabilised"), 3.0);
    assert_eq!(days(&sweet, "sweetened"), 16.0);
    let dates = |card: &Value| {
        ["pitched", "began", "ended"].map(|name| {
            let text = card["mead"][name].as_str().expect("a time");
            text.chars().take(10).collect::<String>()
        })
    };
    assert_eq!(dates(&sweet), ["2026-03-02", "2026-03-02", "2026-05-18"]);
    assert_eq!(dates(&dry), ["2026-03-02", "2026-03-19", "2026-04-28"]);
    assert_eq!(sweet["volume"]["poured-l"], 10.0);
    assert_eq!(dry["volume"]["began-l"], 10.0);
}

/// The same with a thumb, at a phone's width.
#[test]
fn from_must_to_glass_on_a_phone() {
    let story = Story::open();
    story.vessels();
    let readings = json!({ "loft/float-1": all(Float::Base), "loft/float-2": all(Float::Jar) });
    let readings = story.cellar.file("readings.json", readings.to_string());
    let clock = story.clock.to_string_lossy().into_owned();
    browse_with(
        "story.mjs",
        &story.daemon.page,
        PASSWORD,
        "on",
        &[
            ("EBBMARK_CLOCK", &clock),
            ("EBBMARK_READINGS", &readings.to_string_lossy()),
            ("EBBMARK_INTAKE", &story.intake),
            ("EBBMARK_TOKEN", &story.token),
            ("EBBMARK_PITCH", &PITCH.to_string()),
        ],
    );
    // The meads are numbered in the order they were made.
    cards(&story, 1, 2);
}
