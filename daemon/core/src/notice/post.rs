//! What waits for one way out: which of it goes now, which of it in one message, and when to look
//! again. Nothing is dropped here: each item is in one of the messages, or waits.

use jiff::tz::TimeZone;

use super::NoticeKind;
use super::quiet::Quiet;
use crate::time::{Moment, Span};

/// One notice that is due by this way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Item {
    pub kind: NoticeKind,
    pub pressing: bool,
    /// When it came.
    pub at: Moment,
    /// It was tried before and not taken.
    pub tried: bool,
}

/// When what came is told.
#[derive(Clone, Debug)]
pub struct Rules<'a> {
    pub quiet: Option<&'a Quiet>,
    /// How long a notice waits for others that come of the same cause: an outage brings several.
    pub gather: Span,
    /// Since when the daemon runs: what its start brings is gathered as well.
    pub since: Moment,
    pub zone: &'a TimeZone,
}

/// Numbers of items.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sorted {
    /// Each goes out now as one message.
    pub messages: Vec<Vec<usize>>,
    /// When what waits has to be looked at again.
    pub waits: Option<Moment>,
}

/// What waited longer than this before it could go (a night, a way that failed) goes all in one.
const LATE: Span = Span::minutes(15);
/// A trickle is not gathered for longer than so many times the wait.
const LONGEST: i64 = 3;
/// Kinds that may come each in a message of its own at the same time.
const KINDS: usize = 2;

pub fn sort(items: &[Item], rules: &Rules, now: Moment) -> Sorted {
    let mut sorted = Sorted::default();
    let mut together: Vec<usize> = Vec::new();
    for (number, item) in items.iter().enumerate() {
        let held = rules
            .quiet
            .and_then(|q| q.holds(item.kind, item.pressing, now, rules.zone));
        if let Some(until) = held {
            sorted.wait(until);
        } else if item.goes_alone() {
            sorted.messages.push(vec![number]);
        } else {
            together.push(number);
        }
    }
    if together.is_empty() {
        return sorted;
    }
    let longest = Span(rules.gather.0.saturating_mul(LONGEST));
    let (late, fresh): (Vec<usize>, Vec<usize>) = together
        .iter()
        .partition(|n| items[**n].tried || now.since(items[**n].at) > LATE + longest);
    let mut gathered = rules.since + rules.gather;
    let times = || fresh.iter().map(|n| items[*n].at);
    if let (Some(first), Some(last)) = (times().min(), times().max()) {
        gathered = gathered.max((last + rules.gather).min(first + longest));
    }
    if now < gathered {
        sorted.wait(gathered);
        return sorted;
    }
    if !late.is_empty() {
        sorted.messages.push(together);
        return sorted;
    }
    let mut of_a_kind: Vec<Vec<usize>> = Vec::new();
    for number in &together {
        let kind = items[*number].kind;
        match of_a_kind.iter_mut().find(|of| items[of[0]].kind == kind) {
            Some(of) => of.push(*number),
            None => of_a_kind.push(vec![*number]),
        }
    }
    // What comes after the daemon was down comes of that.
    let after_a_return = together
        .iter()
        .any(|n| items[*n].kind == NoticeKind::WasDown);
    if after_a_return || of_a_kind.len() > KINDS {
        sorted.messages.push(together);
    } else {
        sorted.messages.extend(of_a_kind);
    }
    sorted
}

impl Item {
    /// It waits for no other, and goes under no other's title.
    fn goes_alone(&self) -> bool {
        self.pressing || matches!(self.kind, NoticeKind::Test | NoticeKind::Summary)
    }
}

impl Sorted {
    fn wait(&mut self, until: Moment) {
        self.waits = Some(self.waits.map_or(until, |at| at.min(until)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notice::quiet::TimeOfDay;

    const NOON: Moment = Moment(1_795_694_400_000);

    static UTC: TimeZone = TimeZone::UTC;

    fn rules() -> Rules<'static> {
        Rules {
            quiet: None,
            gather: Span::minutes(2),
            since: NOON - Span::days(1),
            zone: &UTC,
        }
    }

    fn item(kind: NoticeKind, minutes_ago: i64) -> Item {
        Item {
            kind,
            pressing: false,
            at: NOON - Span::minutes(minutes_ago),
            tried: false,
        }
    }

    #[test]
    fn feeds_that_fall_silent_together_are_one_message() {
        let silent = [3, 2, 2].map(|ago| item(NoticeKind::FeedSilent, ago));
        assert_eq!(sort(&silent, &rules(), NOON).messages, [vec![0, 1, 2]]);
        // One has only just come: more may.
        let more = [3, 2, 1].map(|ago| item(NoticeKind::FeedSilent, ago));
        let sorted = sort(&more, &rules(), NOON);
        assert_eq!(sorted.messages, Vec::<Vec<usize>>::new());
        assert_eq!(sorted.waits, Some(NOON + Span::minutes(1)));
        // But not for ever.
        let trickle = [6, 4, 3, 1].map(|ago| item(NoticeKind::FeedSilent, ago));
        assert_eq!(sort(&trickle, &rules(), NOON).messages.len(), 1);
    }

    #[test]
    fn different_things_are_told_apart_unless_they_are_many_or_come_of_a_return() {
        use NoticeKind::{BatteryLow, Settled, StepDue, Temperature, WasDown};
        let two = [item(Settled, 3), item(StepDue, 3), item(Settled, 2)];
        assert_eq!(sort(&two, &rules(), NOON).messages, [vec![0, 2], vec![1]]);
        let three = [item(Settled, 3), item(StepDue, 3), item(BatteryLow, 2)];
        assert_eq!(sort(&three, &rules(), NOON).messages, [vec![0, 1, 2]]);
        let back = [item(WasDown, 3), item(Temperature, 2)];
        assert_eq!(sort(&back, &rules(), NOON).messages, [vec![0, 1]]);
    }

    #[test]
    fn what_presses_waits_for_nothing() {
        let pressing = Item {
            pressing: true,
            ..item(NoticeKind::Restarted, 0)
        };
        let sorted = sort(&[item(NoticeKind::Settled, 0), pressing], &rules(), NOON);
        assert_eq!(sorted.messages, [vec![1]]);
        assert_eq!(sorted.waits, Some(NOON + Span::minutes(2)));
    }

    #[test]
    fn a_night_ends_in_one_message() {
        let quiet = Quiet {
            from: TimeOfDay::new(22, 0).unwrap(),
            until: TimeOfDay::new(7, 0).unwrap(),
            broken_by: Default::default(),
            broken_by_pressing: true,
        };
        let rules = Rules {
            quiet: Some(&quiet),
            ..rules()
        };
        let at = |text| Moment::parse_rfc3339(text).unwrap();
        let of = |kind, text| Item {
            at: at(text),
            ..item(kind, 0)
        };
        let night = [
            of(NoticeKind::Settled, "2026-11-26T22:10:00Z"),
            of(NoticeKind::FeedSilent, "2026-11-27T03:00:00Z"),
            of(NoticeKind::StepDue, "2026-11-27T06:59:00Z"),
        ];
        let morning = at("2026-11-27T07:00:00Z");
        let sorted = sort(&night, &rules, at("2026-11-27T06:59:59Z"));
        assert_eq!((sorted.messages.len(), sorted.waits), (0, Some(morning)));
        // The last has only just come: what belongs to it may come yet.
        let gathered = morning + Span::minutes(1);
        let sorted = sort(&night, &rules, morning);
        assert_eq!((sorted.messages.len(), sorted.waits), (0, Some(gathered)));
        assert_eq!(sort(&night, &rules, gathered).messages, [vec![0, 1, 2]]);
        assert_eq!(sort(&night[..2], &rules, morning).messages, [vec![0, 1]]);
    }

    #[test]
    fn what_a_failing_way_kept_goes_as_one() {
        let tried = |kind| Item {
            tried: true,
            ..item(kind, 1)
        };
        let kept = [
            tried(NoticeKind::Settled),
            tried(NoticeKind::Stuck),
            item(NoticeKind::StepDue, 0),
        ];
        let sorted = sort(&kept, &rules(), NOON);
        assert_eq!(
            sorted.waits,
            Some(NOON + Span::minutes(2)),
            "another has just come"
        );
        let later = NOON + Span::minutes(2);
        assert_eq!(sort(&kept, &rules(), later).messages, [vec![0, 1, 2]]);
        assert_eq!(sort(&kept[..2], &rules(), NOON).messages, [vec![0, 1]]);
    }

    #[test]
    fn what_waited_while_the_daemon_was_down_goes_with_what_its_start_brings() {
        let started = Rules {
            since: NOON,
            ..rules()
        };
        let kept = [item(NoticeKind::Settled, 300)];
        let sorted = sort(&kept, &started, NOON);
        assert_eq!(
            (sorted.messages.len(), sorted.waits),
            (0, Some(NOON + Span::minutes(2)))
        );
        let both = [kept[0], item(NoticeKind::WasDown, 0)];
        let later = NOON + Span::minutes(2);
        assert_eq!(sort(&both, &started, later).messages, [vec![0, 1]]);
    }
}
