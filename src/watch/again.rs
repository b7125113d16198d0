//! A letter sent again: what a reader ought to hold now.

use super::letters::{Cause, Kind, Recipient};
use super::state::{Phase, State};
use super::step::{Moving, Refusal};

impl Moving {
    /// Orders anew what this reader ought to hold. It alarms nobody whom the ladder has not
    /// reached.
    pub(super) fn send_again(&mut self, to: Recipient) -> Result<(), Refusal> {
        if !self.plan.readers().contains(&to) {
            return Err(Refusal::Nobody);
        }
        if self.is_past_taking_back() {
            return Err(Refusal::TooLate);
        }
        let kind = self.plan.ought_to_hold(to).ok_or(Refusal::NothingToSend)?;
        if self.plan.is_spared(to, kind) {
            return Err(Refusal::NoLetters);
        }
        self.tell(to, kind);
        self.what_was_told(to)?.again = Some(self.event);
        Ok(())
    }

    /// Orders anew what this reader ought to know of an overdue crew, or of its end, after a letter to
    /// them came back; unless a step on the ladder tells them now.
    pub(super) fn send_plainly(&mut self, to: Recipient, came_back: Kind) {
        let ought = self.plan.ought_to_hold(to);
        let matters = ought.is_some_and(|kind| {
            kind.is_alert() || (kind == came_back && matches!(kind, Kind::StandDown | Kind::Home))
        });
        let is_told = self.orders.iter().any(|one| one.to == to && one.kind.is_alert());
        if matters && !is_told {
            // A refusal says that nothing is owed to them any more.
            let _ = self.send_again(to);
        }
    }
}

impl State {
    /// The letter that this reader ought to hold now; `None` where they were owed none so far.
    fn ought_to_hold(&self, reader: Recipient) -> Option<Kind> {
        let told = self.told(reader);
        if self.is_closed() {
            return match (told.alerted, told.of_plan) {
                (true, _) => Some(Kind::StandDown),
                (false, true) if reader != Recipient::Keeper => Some(Kind::Home),
                _ => None,
            };
        }
        if self.removed_by(reader).is_some() {
            return told.of_plan.then_some(Kind::Changed);
        }
        if let Some(alert) = self.standing_alert(reader) {
            return Some(alert);
        }
        let by_change = self.changed_by.filter(|_| told.of_plan).map(|_| Kind::Changed);
        match reader {
            Recipient::Keeper => by_change.filter(|_| told.alerted),
            _ => told.plan_letter.or(by_change).or(Some(Kind::Filed)),
        }
    }

    /// The alert that the ladder has last ordered for this reader in this round.
    fn standing_alert(&self, reader: Recipient) -> Option<Kind> {
        if self.phase != Phase::Overdue {
            return None;
        }
        let told = self.told(reader);
        let Cause::Rung(at) = told.latest_rung? else { return Some(Kind::CallRescue) };
        let rung = self.terms.ladder.rungs().get(at)?;
        let nobody_left = reader == Recipient::Keeper && self.nobody_left();
        let stands_in = nobody_left || !self.resolve(&rung.to).contains(&reader);
        let in_their_stead = told.in_their_stead || stands_in;
        match rung.kind.is_alert() {
            true if in_their_stead => Some(Kind::CallRescue),
            true => Some(rung.kind.into()),
            false => None,
        }
    }
}
