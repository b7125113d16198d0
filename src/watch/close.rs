//! The end of a watch, and its taking back.

use chrono::{DateTime, TimeDelta, Utc};

use super::ladder::moved;
use super::letters::{Kind, Recipient};
use super::state::{Closing, How, Phase};
use super::step::{Moving, Refusal};

/// For how long after a closing something can still be taken back.
const UNDO_WITHIN: TimeDelta = TimeDelta::hours(24);

impl Moving {
    /// The trip is called off; one that is closed stays as it is.
    pub(super) fn call_off(&mut self) {
        if !self.plan.is_closed() {
            self.close(How::CalledOff);
        }
    }

    /// The keeper closes it; nobody else ends a watch without saying who is ashore.
    pub(super) fn close_by_hand(&mut self) -> Result<(), Refusal> {
        if self.plan.is_closed() {
            return Err(Refusal::Closed);
        }
        self.close(How::ByKeeper);
        Ok(())
    }

    /// Whether it closed so long ago that nothing can be taken back any more.
    pub(super) fn is_past_taking_back(&self) -> bool {
        let until = self.plan.closing().map(|closing| moved(closing.at, UNDO_WITHIN));
        until.is_some_and(|until| self.now > until)
    }

    /// Everybody who may have been alerted is stood down; the others who know of the plan hear
    /// that it is over.
    pub(super) fn close(&mut self, how: How) {
        self.close_since(how, self.now);
    }

    fn close_since(&mut self, how: How, at: DateTime<Utc>) {
        self.plan.phase = Phase::Closed(Closing { at, event: self.event, how });
        for reader in self.plan.readers() {
            let told = self.plan.told(reader);
            if told.alerted {
                self.tell(reader, Kind::StandDown);
            } else if told.of_plan && reader != Recipient::Keeper {
                self.tell(reader, Kind::Home);
            }
        }
    }

    /// Takes back the check-in, the closing or the answer that had this number.
    pub(super) fn undo(&mut self, event: u32) -> Result<(), Refusal> {
        let closing = self.plan.closing();
        if self.is_past_taking_back() {
            return Err(Refusal::TooLate);
        }
        let by_word =
            closing.is_some_and(|closing| closing.event == event && closing.how != How::Ashore);
        let said =
            self.plan.crew.iter().any(|one| one.words.iter().any(|word| word.event == event));
        let (in_reach, called) = (self.plan.in_reach(), self.plan.somebody_called());
        let afloat_again = self.put_afloat(event);
        let answer = self.forget_answer(event);
        if !(by_word || said || answer) {
            return Err(Refusal::NothingToUndo);
        }
        if closing.is_some() && (by_word || afloat_again) {
            match self.plan.all_ashore_at() {
                // They were checked in after it was called off: that word stands by itself. Who was
                // told that it is over holds a reason that was taken back, and hears the true one.
                Some(at) => self.close_since(How::Ashore, at),
                None => self.reopen(),
            }
            return Ok(());
        }
        self.tell_news();
        // Somebody whom no letter reaches was left only for having called. And the keeper, who hears no
        // news, may have been told that somebody has.
        let uncalled = called && !self.plan.somebody_called() && self.plan.nobody_left();
        if uncalled || self.plan.in_reach() < in_reach {
            self.hurry();
        } else {
            self.climb();
        }
        Ok(())
    }

    /// Takes back what this event said of the crew. Those of whom nobody else says that they are
    /// ashore are out again; whether there are any.
    fn put_afloat(&mut self, event: u32) -> bool {
        let mut anyone = false;
        for member in &mut self.plan.crew {
            let was_ashore = member.ashore().is_some() && member.removed_by.is_none();
            member.words.retain(|word| word.event != event);
            anyone |= was_ashore && member.ashore().is_none();
        }
        anyone
    }

    /// Opens a closed plan again: all who heard that it is over hear that it is not, and the
    /// highest rung that is due goes at once. A call made before no longer counts, for the
    /// service has been told to stand down.
    fn reopen(&mut self) {
        self.plan.phase = self.phase_by_the_clock();
        self.plan.reopened_by = Some(self.event);
        self.begin_round();
        self.forget_who_acts();
        for reader in self.plan.readers() {
            if self.plan.told(reader).over {
                self.tell(reader, Kind::Withdrawn);
            }
        }
        self.climb();
    }
}
