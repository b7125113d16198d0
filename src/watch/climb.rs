//! Up the ladder: which rung or repeat the clock has reached.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};

use super::ladder::{Track, moved};
use super::letters::{Cause, Kind, Recipient};
use super::state::{Phase, RanOut, State, Watched};
use super::step::Moving;

/// Between repeats once somebody has called the rescue service.
const REPEAT_AFTER_CALL: TimeDelta = TimeDelta::hours(1);

/// Where nobody is left ashore, crew and keeper are asked to call no sooner than this after they were: each
/// repeat takes the place of the one before, which may still be on its way.
const ASKED_AGAIN_AFTER: TimeDelta = TimeDelta::minutes(1);

/// When time alone will next change this plan; `None` once it is closed. A tick before it changes
/// nothing, a tick at it changes something.
#[must_use]
pub fn next_wakeup(plan: &Watched) -> Option<DateTime<Utc>> {
    if plan.is_closed() {
        return None;
    }
    let overdue = (plan.phase == Phase::Armed).then(|| plan.overdue_at());
    let crew_rung = plan.crew_times().get(plan.climbed.crew_rungs).map(|&(_, at)| at);
    let alert_rung = plan.alert_times().get(plan.climbed.alert_rungs).map(|&(_, at)| at);
    let answers = plan.contacts.iter().filter_map(|contact| contact.on_it.as_ref());
    let answers = answers.map(|on_it| on_it.until);
    let repeat = plan.next_repeat_at();
    answers.chain([overdue, crew_rung, alert_rung, repeat].into_iter().flatten()).min()
}

impl State {
    /// The rungs to the crew with their times.
    fn crew_times(&self) -> Vec<(usize, DateTime<Utc>)> {
        self.terms.ladder.track(Track::Crew, self.terms.due_at, self.terms.grace)
    }

    /// The alert rungs with their times. After an outage, or when a rung went early, those ahead
    /// keep the ladder's spacing from the moment of the last that went.
    fn alert_times(&self) -> Vec<(usize, DateTime<Utc>)> {
        let mut times = self.terms.ladder.track(Track::Alerts, self.terms.due_at, self.terms.grace);
        let last = self.climbed.alert_rungs.checked_sub(1).and_then(|last| times.get(last));
        if let (Some(&(_, nominal)), Some(went)) = (last, self.climbed.alerted_at) {
            let shift = went - nominal;
            for (_, at) in times.iter_mut().skip(self.climbed.alert_rungs) {
                *at = moved(*at, shift);
            }
        }
        times
    }

    /// When the last rung is repeated next; `None` before it has gone.
    fn next_repeat_at(&self) -> Option<DateTime<Utc>> {
        let rungs = self.alert_times().len();
        let went = self.climbed.alerted_at.filter(|_| self.climbed.alert_rungs == rungs)?;
        let repeat = self.terms.ladder.repeat().delta();
        Some(moved(
            went,
            match (self.somebody_called(), self.climbed.asks_again) {
                (true, _) => repeat.max(REPEAT_AFTER_CALL),
                (false, true) => repeat.min(ASKED_AGAIN_AFTER),
                (false, false) => repeat,
            },
        ))
    }

    /// The place in the ladder of what was last ordered for this reader in this round: the last, for
    /// one who was asked to call in the contacts' stead.
    fn latest_rung(&self, reader: Recipient) -> Option<usize> {
        let told = self.told(reader);
        match told.latest_rung? {
            Cause::Rung(at) if !told.in_their_stead => Some(at),
            _ => self.terms.ladder.rungs().len().checked_sub(1),
        }
    }

    /// Whether by the last rung or repeat of all crew and keeper were asked to call in the contacts' stead, and
    /// that was a moment ago.
    fn has_just_asked(&self, now: DateTime<Utc>) -> bool {
        let last = match self.climbed.repeats {
            0 => self.alert_times().last().map(|&(rung, _)| Cause::Rung(rung)),
            repeats => Some(Cause::Repeat(repeats)),
        };
        let asked = self.keeper.in_their_stead && self.keeper.latest_rung == last;
        asked && self.climbed.alerted_at.is_some_and(|at| now - at < ASKED_AGAIN_AFTER)
    }

    /// Whether these rungs address contacts of whom none can be reached and act.
    fn is_mute(&self, rungs: &[(usize, DateTime<Utc>)]) -> bool {
        let ladder = self.terms.ladder.rungs();
        let readers = rungs.iter().flat_map(|&(rung, _)| self.resolve(&ladder[rung].to));
        let contacts: Vec<usize> = readers
            .filter_map(|reader| match reader {
                Recipient::Contact(at) => Some(at),
                Recipient::Crew(_) | Recipient::Keeper => None,
            })
            .collect();
        !contacts.is_empty() && contacts.iter().all(|&contact| self.is_out_of_reach(contact))
    }
}

impl Moving {
    /// Does all that the clock asks for.
    pub(super) fn climb(&mut self) {
        self.climb_to(false);
    }

    /// Once the crew is overdue, sends the next rung at once.
    pub(super) fn hurry(&mut self) {
        self.climb_to(true);
    }

    fn climb_to(&mut self, hurry: bool) {
        if self.plan.is_closed() {
            return;
        }
        // Once overdue it stays so, whatever a clock that is set back may say.
        if self.plan.phase == Phase::Armed {
            self.plan.phase = self.phase_by_the_clock();
        }
        let hurry = hurry && self.plan.phase == Phase::Overdue;
        self.mind_a_clock_set_back();
        self.let_answers_run_out();
        let alerted = self.climb_alerts(hurry);
        self.climb_crew();
        if !alerted {
            self.repeat(hurry);
        }
    }

    /// The next repeat comes no earlier than now.
    pub(super) fn owe_repeat_from_now(&mut self) {
        if self.plan.next_repeat_at().is_some_and(|at| at < self.now) {
            let repeat = self.plan.terms.ladder.repeat().delta();
            self.plan.climbed.alerted_at = Some(moved(self.now, -repeat));
            self.plan.climbed.asks_again = false;
        }
    }

    /// After a clock was set back, nothing is waited for longer than it would be from now.
    fn mind_a_clock_set_back(&mut self) {
        let now = self.now;
        self.plan.climbed.alerted_at = self.plan.climbed.alerted_at.map(|at| at.min(now));
        let longest = moved(now, self.plan.terms.ladder.pause().delta());
        for on_it in self.plan.contacts.iter_mut().filter_map(|one| one.on_it.as_mut()) {
            on_it.until = on_it.until.min(longest);
        }
    }

    fn let_answers_run_out(&mut self) {
        let mut anyone = false;
        for contact in &mut self.plan.contacts {
            if let Some(on_it) = contact.on_it.take_if(|on_it| on_it.until <= self.now) {
                contact.ran_out = Some(RanOut { event: self.event, name: on_it.name });
                anyone = true;
            }
        }
        if anyone {
            self.tell_news();
        }
    }

    /// Passes the rungs to the crew whose time is behind us, without a word.
    pub(super) fn pass_crew_rungs(&mut self) {
        let times = self.plan.crew_times();
        let passed = times.iter().filter(|(_, at)| *at <= self.now).count();
        // What was said is not said again where a clock that was set back comes by once more.
        self.plan.climbed.crew_rungs = self.plan.climbed.crew_rungs.max(passed);
    }

    /// The highest rung to the crew that is due goes out, unless an alert has overtaken it.
    fn climb_crew(&mut self) {
        let times = self.plan.crew_times();
        let behind = self.plan.climbed.crew_rungs;
        self.pass_crew_rungs();
        let due = times.get(behind..self.plan.climbed.crew_rungs).unwrap_or_default();
        let Some(&(_, top)) = due.last() else { return };
        let alerts = self.plan.terms.ladder.track(
            Track::Alerts,
            self.plan.terms.due_at,
            self.plan.terms.grace,
        );
        let went = self.plan.climbed.alert_rungs.checked_sub(1).and_then(|at| alerts.get(at));
        if went.is_some_and(|&(_, alert)| alert > top) {
            return;
        }
        let together: Vec<_> = due.iter().copied().filter(|&(_, at)| at == top).collect();
        self.send(&together);
    }

    /// Every alert rung that is due goes out, to each reader the highest that addresses them.
    /// Returns whether one did.
    fn climb_alerts(&mut self, hurry: bool) -> bool {
        let times = self.plan.alert_times();
        let behind = self.plan.climbed.alert_rungs;
        let ahead = times.get(behind..).unwrap_or_default();
        let mut due = ahead.iter().take_while(|(_, at)| *at <= self.now).count();
        if due == 0 && hurry {
            due = together(ahead, 0);
        }
        // A rung that reaches nobody who can act brings the next one with it.
        while due > 0 && due < ahead.len() && self.plan.is_mute(&ahead[..due]) {
            due = together(ahead, due);
        }
        if due == 0 {
            return false;
        }
        self.plan.climbed.alert_rungs = behind + due;
        self.plan.climbed.alerted_at = Some(self.now);
        self.send(&ahead[..due]);
        let top = ahead[due - 1].0;
        self.tell_in_their_stead(Cause::Rung(top));
        true
    }

    /// The last rung again, but not to a contact who is on it.
    fn repeat(&mut self, hurry: bool) {
        let Some(scheduled_at) = self.plan.next_repeat_at() else { return };
        if scheduled_at > self.now {
            if !(hurry && self.plan.nobody_left()) {
                return;
            }
            // What they were told then may hold no longer.
            if self.plan.has_just_asked(self.now) {
                self.plan.climbed.asks_again = true;
                return;
            }
        }
        let Some(last) = self.plan.terms.ladder.rungs().last().cloned() else { return };
        self.plan.climbed.repeats = self.plan.climbed.repeats.saturating_add(1);
        self.plan.climbed.alerted_at = Some(self.now);
        self.plan.climbed.asks_again = false;
        let cause = Cause::Repeat(self.plan.climbed.repeats);
        for reader in self.plan.resolve(&last.to) {
            let spared = matches!(reader, Recipient::Contact(at)
                if self.plan.contacts[at].on_it.is_some());
            if !spared {
                self.order(reader, last.kind.into(), cause, scheduled_at.min(self.now));
            }
        }
        self.tell_in_their_stead(cause);
    }

    /// Orders what these rungs owe: to each reader the highest that addresses them, owed since the
    /// first of them, so that after an outage each letter says for how long nobody was told. Whoever
    /// was alerted gets none that says less: it would take the place of an alert that waits.
    fn send(&mut self, rungs: &[(usize, DateTime<Utc>)]) {
        let Some(&(_, since)) = rungs.first() else { return };
        let mut highest = BTreeMap::new();
        for &(rung, _) in rungs {
            for reader in self.plan.resolve(&self.plan.terms.ladder.rungs()[rung].to) {
                let before =
                    highest.get(&reader).copied().or_else(|| self.plan.latest_rung(reader));
                if before.is_some_and(|before| self.plan.terms.ladder.says_less(rung, before)) {
                    continue;
                }
                highest.insert(reader, rung);
            }
        }
        for (reader, rung) in highest {
            let kind = self.plan.terms.ladder.rungs()[rung].kind.into();
            self.order(reader, kind, Cause::Rung(rung), since.min(self.now));
        }
    }

    /// When no contact is left, crew and keeper are asked to call.
    fn tell_in_their_stead(&mut self, cause: Cause) {
        if !self.plan.nobody_left() {
            return;
        }
        let mut readers = self.plan.crew_readers();
        readers.push(Recipient::Keeper);
        for reader in readers {
            self.orders.retain(|order| order.to != reader || !order.kind.is_alert());
            self.order(reader, Kind::CallRescue, cause, self.now);
            if let Some(told) = self.plan.told_mut(reader) {
                told.in_their_stead = true;
            }
        }
    }
}

/// Where the rungs end that stand at the same time as the one at `from`.
fn together(rungs: &[(usize, DateTime<Utc>)], from: usize) -> usize {
    let Some(&(_, at)) = rungs.get(from) else { return from };
    from + rungs[from..].iter().take_while(|&&(_, other)| other == at).count()
}
