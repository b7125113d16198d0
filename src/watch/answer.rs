//! What contacts answer.

use super::event::Answer;
use super::ladder::moved;
use super::letters::{Kind, Recipient};
use super::state::{CalledRescue, ContactState, OnIt, Phase, State};
use super::step::{Moving, Refusal};

impl Moving {
    /// A contact's answer. It belongs to the contact: no answer moves the plan's phase.
    pub(super) fn answer(
        &mut self,
        contact: usize,
        name: &str,
        answer: &Answer,
    ) -> Result<(), Refusal> {
        let (now, event) = (self.now, self.event);
        let until = moved(now, self.plan.terms.ladder.pause().delta());
        let closed = self.plan.is_closed();
        let one = self.plan.contacts.get_mut(contact).ok_or(Refusal::Nobody)?;
        // What somebody did or saw counts, whoever they are; what they offer to do no longer does.
        if one.removed_by.is_some() && matches!(answer, Answer::OnIt | Answer::CantAct) {
            return Err(Refusal::NotAsked);
        }
        // Whoever answers has had a letter, whatever came back. A relay's own refusal stands until it
        // takes a letter.
        if one.told.bounced && *answer != Answer::Never {
            (one.told.refused, one.told.bounced) = (false, false);
        }
        let name = name.to_owned();
        match answer {
            Answer::HaveIt => {
                one.confirmed_at.get_or_insert(now);
                return Ok(());
            }
            Answer::Never if one.opted_out.is_some() => return Ok(()),
            Answer::Never => {
                (one.on_it, one.opted_out) = (None, Some(event));
                if closed || one.removed_by.is_some() {
                    return Ok(());
                }
                self.tell(Recipient::Keeper, Kind::Trouble);
            }
            _ if closed => return Err(Refusal::Closed),
            Answer::OnIt => {
                one.cant_act = None;
                one.on_it = Some(OnIt { event, name, at: now, until });
            }
            Answer::Called { service, when, reference } => {
                one.cant_act = None;
                let (service, when) = (service.clone(), when.clone());
                let reference = reference.clone();
                one.called = Some(CalledRescue { event, name, at: now, service, when, reference });
            }
            Answer::CantAct if one.cant_act.is_some() => return Ok(()),
            Answer::CantAct => {
                one.on_it = None;
                one.cant_act = Some(event);
                if self.plan.phase == Phase::Armed && self.phase_by_the_clock() == Phase::Armed {
                    self.tell(Recipient::Keeper, Kind::Trouble);
                }
            }
        }
        self.tell_news();
        if matches!(answer, Answer::CantAct | Answer::Never) {
            self.hurry();
        } else {
            self.climb();
        }
        Ok(())
    }

    /// Forgets the answer that had this number; whether there was one. Without the call that is
    /// taken back, the next repeat is owed from now on, not from long ago.
    pub(super) fn forget_answer(&mut self, event: u32) -> bool {
        let had_called = self.plan.somebody_called();
        let forgotten = self.forget(event);
        if had_called && !self.plan.somebody_called() {
            self.owe_repeat_from_now();
        }
        forgotten
    }

    fn forget(&mut self, event: u32) -> bool {
        let forget = |contact: &mut ContactState| {
            contact.on_it.take_if(|answer| answer.event == event).is_some()
                || contact.called.take_if(|answer| answer.event == event).is_some()
                || contact.cant_act.take_if(|answer| *answer == event).is_some()
        };
        let mut anyone = false;
        for contact in &mut self.plan.contacts {
            anyone |= forget(contact);
        }
        anyone
    }

    /// Forgets who is on it and who has called: what they acted on is no longer so.
    pub(super) fn forget_who_acts(&mut self) {
        for contact in &mut self.plan.contacts {
            contact.on_it = None;
            contact.called = None;
        }
    }
}

impl State {
    /// Whether an "I have called" stands that was said when the crew was due back already. An earlier
    /// one can't be about its being overdue, and must keep nobody from calling for that.
    #[must_use]
    pub fn called_since_due(&self) -> bool {
        let mut called = self.contacts.iter().filter_map(|contact| contact.called.as_ref());
        called.any(|called| called.at >= self.terms.due_at)
    }

    /// Whether an "I have called" stands.
    #[must_use]
    pub fn somebody_called(&self) -> bool {
        self.contacts.iter().any(|contact| contact.called.is_some())
    }
}
