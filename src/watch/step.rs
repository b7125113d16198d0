//! The one function that moves a watched plan.

use chrono::{DateTime, TimeDelta, Utc};
use thiserror::Error;

use super::event::{By, Event};
use super::ladder::moved;
use super::letters::{Cause, Kind, Order, Recipient};
use super::state::{Ashore, Climbed, How, LastWord, Phase, State, Told, Watched};
use crate::measure::Span;

/// What an event leads to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// The plan's next state.
    pub plan: Watched,
    /// The letters it now owes.
    pub orders: Vec<Order>,
    /// Whether anything changed; when not, the event is not recorded.
    pub changed: bool,
}

/// Why an event does not apply.
#[derive(Clone, Copy, Debug, Error, PartialEq, Eq)]
pub enum Refusal {
    /// The plan is closed.
    #[error("this trip is closed already; if somebody is still out, take the closing back")]
    Closed,
    /// An extension that would end in the past.
    #[error("that return time would have passed already; extend by more than {}", .more_than.spoken())]
    StillPast {
        /// How far the return time lies in the past.
        more_than: Span,
    },
    /// An amendment whose return time has passed.
    #[error("that return time has passed already; give the time by which the crew will be back")]
    PastReturn,
    /// An amendment that would leave nobody out.
    #[error(
        "everybody whom this would leave on the trip is ashore, so it would end the watch, and an \
         amendment never does: if those whom it takes off are ashore too, check them in; if the \
         trip is off, call it off"
    )]
    NobodyOut,
    /// An amendment made from a plan that has moved meanwhile.
    #[error("this plan has changed meanwhile; look at it again before you change it")]
    MovedOn,
    /// A contact who is not asked any more says what only somebody who is asked can.
    #[error("you are no longer asked to act for this trip; telephone those who are")]
    NotAsked,
    /// A reader who was owed no letter so far.
    #[error("there is no letter that they ought to hold now")]
    NothingToSend,
    /// A reader who has asked never to be written to.
    #[error("they have asked this service never to write to them; reach them yourself")]
    NoLetters,
    /// Nothing stands that this event could be taken back from.
    #[error("there is nothing left to take back")]
    NothingToUndo,
    /// More than 24 h after the closing.
    #[error(
        "this trip closed more than 24 hours ago; if somebody is missing, call the rescue service"
    )]
    TooLate,
    /// A person whom the plan does not name.
    #[error("this plan names no such person")]
    Nobody,
}

/// Moves a plan by one event. Total and deterministic: it never panics and never reads a clock.
///
/// # Errors
/// A [`Refusal`] when the event does not apply; the plan then stays as it is. An event that has
/// nothing left to do (a second check-in) is no error: it changes nothing.
pub fn step(plan: &Watched, event: &Event, now: DateTime<Utc>) -> Result<Step, Refusal> {
    let mut moving = Moving::from(plan, now);
    match event {
        Event::Tick => moving.climb(),
        Event::CheckedIn { who, by, how } => moving.check_in(who, by, how.as_deref())?,
        Event::Extended { later, .. } => moving.extend(*later)?,
        Event::Amended { to, .. } => moving.amend(to)?,
        Event::CalledOff { .. } => moving.call_off(),
        Event::ClosedByHand { .. } => moving.close_by_hand()?,
        Event::SentAgain { to, .. } => moving.send_again(*to)?,
        Event::Answered { contact, name, answer } => moving.answer(*contact, name, answer)?,
        Event::StillOut { place, note, by } => {
            moving.still_out(place.as_deref(), note.as_deref(), by)?;
        }
        Event::Undone { event, .. } => moving.undo(*event)?,
        Event::Handing { to, kind } => moving.handing(*to, *kind)?,
        Event::HandingWithout { to, kind } => moving.handing_without(*to, *kind)?,
        Event::Refused { to, kind } => moving.refused(*to, *kind)?,
        Event::Bounced { to, kind, for_content } => moving.bounced(*to, *kind, *for_content)?,
        Event::TakenAgain { to } => moving.taken_again(*to)?,
    }
    Ok(moving.done(plan))
}

/// The first step of a plan: everyone is told that it is armed.
pub(super) fn filed(plan: State, now: DateTime<Utc>) -> Step {
    let event = plan.events;
    let mut moving = Moving { plan, orders: Vec::new(), now, event };
    moving.pass_crew_rungs();
    for reader in [moving.plan.crew_readers(), moving.plan.contact_readers()].concat() {
        moving.tell(reader, Kind::Filed);
    }
    moving.climb();
    Step { plan: Watched::from_step(moving.plan), orders: moving.orders, changed: true }
}

/// A plan on its way from one state to the next.
pub(super) struct Moving {
    pub(super) plan: State,
    pub(super) orders: Vec<Order>,
    pub(super) now: DateTime<Utc>,
    /// The number this event will have.
    pub(super) event: u32,
}

impl Moving {
    fn from(plan: &Watched, now: DateTime<Utc>) -> Self {
        let event = plan.events.saturating_add(1);
        Moving { plan: State::clone(plan), orders: Vec::new(), now, event }
    }

    fn done(mut self, before: &Watched) -> Step {
        let changed = self.plan != **before || !self.orders.is_empty();
        if changed {
            self.plan.events = self.event;
        }
        Step { plan: Watched::from_step(self.plan), orders: self.orders, changed }
    }

    /// Orders a letter that this event owes.
    pub(super) fn tell(&mut self, to: Recipient, kind: Kind) {
        self.order(to, kind, Cause::Event(self.event), self.now);
    }

    pub(super) fn order(
        &mut self,
        to: Recipient,
        kind: Kind,
        cause: Cause,
        scheduled_at: DateTime<Utc>,
    ) {
        if self.plan.is_spared(to, kind) {
            return;
        }
        // An event can have two reasons for the same news: an answer, and another that ran out.
        if self.orders.iter().any(|one| (one.to, one.kind, one.cause) == (to, kind, cause)) {
            return;
        }
        if let Some(told) = self.plan.told_mut(to) {
            // A letter sent again is no step on the ladder, and a step outdates it.
            if kind.is_rung() && !matches!(cause, Cause::Event(_)) {
                (told.latest_rung, told.in_their_stead) = (Some(cause), false);
                told.again = None;
            } else if matches!(kind, Kind::Filed | Kind::Changed) {
                told.plan_letter = Some(kind);
            } else if let (Kind::Withdrawn, Cause::Event(event)) = (kind, cause) {
                told.withdrawn = Some(event);
            }
        }
        self.orders.push(Order { round: self.plan.round, cause, to, kind, scheduled_at });
    }

    /// `news` to the crew, and to the contacts who may have been alerted.
    pub(super) fn tell_news(&mut self) {
        for reader in self.plan.crew_readers() {
            self.tell(reader, Kind::News);
        }
        for reader in self.plan.contact_readers() {
            if self.plan.told(reader).alerted {
                self.tell(reader, Kind::News);
            }
        }
    }

    /// Begins a new round: the ladder starts afresh.
    pub(super) fn begin_round(&mut self) {
        self.plan.round = self.plan.round.saturating_add(1);
        self.plan.climbed = Climbed::default();
        for reader in self.plan.readers() {
            if let Some(told) = self.plan.told_mut(reader) {
                (told.latest_rung, told.in_their_stead) = (None, false);
            }
        }
    }

    /// The phase of an open plan at this time.
    pub(super) fn phase_by_the_clock(&self) -> Phase {
        if self.now < self.plan.overdue_at() { Phase::Armed } else { Phase::Overdue }
    }

    pub(super) fn what_was_told(&mut self, reader: Recipient) -> Result<&mut Told, Refusal> {
        self.plan.told_mut(reader).ok_or(Refusal::Nobody)
    }

    fn check_in(&mut self, who: &[usize], by: &By, how: Option<&str>) -> Result<(), Refusal> {
        if who.iter().any(|&at| at >= self.plan.crew.len()) {
            return Err(Refusal::Nobody);
        }
        let said =
            Ashore { at: self.now, event: self.event, by: by.clone(), how: how.map(str::to_owned) };
        let out_before = self.plan.out().len();
        for &at in who {
            let one = &mut self.plan.crew[at];
            // Each speaker's word is kept, after a closing too: it outlives what another takes back.
            let has_said = one.words.iter().any(|word| word.by.is_same_speaker(by));
            if one.removed_by.is_none() && !has_said {
                one.words.push(said.clone());
            }
        }
        if self.plan.is_closed() {
            return Ok(());
        }
        if self.plan.out().is_empty() {
            self.close(How::Ashore);
        } else if self.plan.out().len() < out_before {
            self.tell_news();
            self.climb();
        }
        Ok(())
    }

    fn extend(&mut self, later: Span) -> Result<(), Refusal> {
        if self.plan.is_closed() {
            return Err(Refusal::Closed);
        }
        if later == Span::ZERO {
            return Ok(());
        }
        let due_at = moved(self.plan.terms.due_at, later.delta());
        if due_at <= self.now {
            let past = (self.now - self.plan.terms.due_at).max(TimeDelta::zero());
            let past_s = u32::try_from(past.num_seconds()).unwrap_or(u32::MAX);
            return Err(Refusal::StillPast { more_than: Span::from_seconds(past_s) });
        }
        self.plan.terms.due_at = due_at;
        self.begin_after_change();
        self.tell_of_change(&[]);
        self.climb();
        Ok(())
    }

    /// The crew's last word is kept for every later letter. It moves no time and holds back no
    /// alert: only who changes or ends the trip does.
    fn still_out(
        &mut self,
        place: Option<&str>,
        note: Option<&str>,
        by: &By,
    ) -> Result<(), Refusal> {
        if self.plan.is_closed() {
            return Err(Refusal::Closed);
        }
        let (place, note) = (place.map(str::to_owned), note.map(str::to_owned));
        let word = LastWord { at: self.now, place, note, by: by.clone() };
        if self.plan.last_word.as_ref() != Some(&word) {
            self.plan.last_word = Some(word);
            self.tell_news();
            self.climb();
        }
        Ok(())
    }

    fn handing(&mut self, to: Recipient, kind: Kind) -> Result<(), Refusal> {
        let closing = self.plan.closing().map(|closing| closing.event);
        let told = self.what_was_told(to)?;
        match kind {
            Kind::Filed | Kind::Changed => told.of_plan = true,
            Kind::Overdue | Kind::CallRescue => {
                let known = std::mem::replace(&mut told.alerted, true);
                // One that left while nothing could be written is known only now: its reader was not
                // stood down.
                if let Some(closing) = closing.filter(|_| !known) {
                    self.order(to, Kind::StandDown, Cause::Event(closing), self.now);
                }
            }
            Kind::Home | Kind::StandDown => told.over = true,
            Kind::Withdrawn => told.over = false,
            Kind::Reminder
            | Kind::Due
            | Kind::News
            | Kind::Trouble
            | Kind::Confirm
            | Kind::Drill => {}
        }
        Ok(())
    }

    /// Of what was said the crew heard at once, and so did whoever was alerted before.
    fn handing_without(&mut self, to: Recipient, kind: Kind) -> Result<(), Refusal> {
        let is_new = kind.is_alert() && !self.what_was_told(to)?.alerted;
        self.handing(to, kind)?;
        if matches!(to, Recipient::Contact(_)) && is_new && !self.plan.is_closed() {
            self.tell(to, Kind::News);
        }
        Ok(())
    }

    /// As a refusal, but that the next letter is taken by a relay takes nothing back: this one was
    /// taken too. One that may have come back for what stands in it goes again at once: from now on
    /// this reader's letters are in words of ours alone.
    fn bounced(&mut self, to: Recipient, kind: Kind, for_content: bool) -> Result<(), Refusal> {
        let told = self.what_was_told(to)?;
        told.bounced = true;
        let anew = for_content && !std::mem::replace(&mut told.words_refused, for_content);
        self.refused(to, kind)?;
        if anew {
            self.send_plainly(to, kind);
        }
        Ok(())
    }

    fn taken_again(&mut self, to: Recipient) -> Result<(), Refusal> {
        let told = self.what_was_told(to)?;
        told.refused = told.bounced;
        Ok(())
    }

    /// An address is refused for good: the keeper hears of it, the crew too when it is a
    /// contact's, and once overdue the next rung goes at once. A second refusal says nothing new,
    /// but for a letter that takes back what its reader believes: somebody must tell them.
    fn refused(&mut self, to: Recipient, kind: Kind) -> Result<(), Refusal> {
        let told = self.what_was_told(to)?;
        let known = std::mem::replace(&mut told.refused, true);
        let corrects = matches!(kind, Kind::StandDown | Kind::Withdrawn | Kind::Changed);
        if to == Recipient::Keeper || (known && !corrects) {
            return Ok(());
        }
        self.tell(Recipient::Keeper, Kind::Trouble);
        if matches!(to, Recipient::Contact(_)) {
            for reader in self.plan.crew_readers() {
                self.tell(reader, Kind::News);
            }
            if !known && self.plan.removed_by(to).is_none() {
                self.hurry();
            }
        }
        Ok(())
    }
}
