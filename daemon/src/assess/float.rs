//! Floats that cannot be relied on: one notice for each hand reading a float does not agree with,
//! one for as long as it sends a single value.

use ebbmark_core::hours::Hour;
use ebbmark_core::notice::{self, Call, NoticeKind};
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_core::verdict::outcome::Verdict;
use ebbmark_store::StoreError;
use ebbmark_store::model::{Batch, Command, NewNotice, Vessel};

use super::Assess;

type Res<T> = Result<T, StoreError>;

/// One vessel's float.
pub(super) struct Float<'a> {
    pub assess: &'a Assess,
    pub vessel: &'a Vessel,
    pub batch: &'a Batch,
    pub verdict: &'a Verdict,
    pub hours: &'a [Hour],
}

impl Float<'_> {
    /// Notices to go with the verdict, and an end to those whose time is over. `told`: the hand
    /// reading last told of, so that a doubt that wavers is told once.
    pub fn look(
        &self,
        told: Option<Moment>,
        style: &Style,
    ) -> Res<(Vec<NewNotice>, Option<Moment>)> {
        let name = &self.vessel.facts.name;
        let doubt = notice::on_doubt(self.verdict, name, style);
        let stuck = notice::on_stuck_float(self.verdict, name, style);
        let doubted = doubt.as_ref().map(|(at, _)| *at);
        self.clear(doubted, stuck.is_some())?;

        let doubt = doubt.filter(|(at, _)| told != Some(*at));
        let mut notices: Vec<NewNotice> = Vec::new();
        if let Some((at, call)) = doubt {
            notices.push(self.notice(call, self.doubt_key(at))?);
        }
        if let Some(call) = stuck {
            notices.push(self.notice(call, self.stuck_key())?);
        }
        Ok((notices, doubted.or(told)))
    }

    fn clear(&self, doubted: Option<Moment>, stuck: bool) -> Res<()> {
        let standing = doubted.map(|at| self.doubt_key(at));
        let doubts = self.doubts();
        // A verdict by hand readings says nothing of the float: what stood of it stands.
        let seen = self.verdict.float.is_some();
        let moves = seen || notice::float_moves(self.hours);
        for key in self.assess.reader.open_notice_keys()? {
            let over = if key.starts_with(&doubts) {
                Some(&key) != standing.as_ref() && moves
            } else {
                key == self.stuck_key() && !stuck && moves
            };
            if over {
                let at = self.verdict.at;
                let clear = Command::Clear { key, at };
                self.assess.writer.command_blocking(clear)?;
            }
        }
        Ok(())
    }

    fn notice(&self, call: Call, key: String) -> Res<NewNotice> {
        let vessel = Some(self.vessel.id);
        self.assess.notice(call, key, vessel, self.verdict.at)
    }

    /// What the keys of this mead's doubts begin with.
    fn doubts(&self) -> String {
        format!("{}:{}:", NoticeKind::FloatDisagrees.key(), self.batch.id)
    }

    fn doubt_key(&self, hand: Moment) -> String {
        format!("{}{}", self.doubts(), hand.0)
    }

    fn stuck_key(&self) -> String {
        format!("{}:{}", NoticeKind::FloatStuck.key(), self.batch.id)
    }
}
