//! What is due soon, kept in memory, so that alerts go out while the database can't be written.
//!
//! It follows every step that the service makes. When nothing has been written for ten seconds,
//! the plans in it are moved here by the same pure step, and their alerts go out at least once,
//! under the same Message-ID as ever. What went out is written down before anything else when the
//! database comes back.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use chrono::{DateTime, Utc};

use super::rounds::in_turn;
use crate::guarded::guarded;
use crate::store::{Applied, PlanRecord, letter_id};
use crate::watch::{By, Event, Order, Watched, next_wakeup, step, wanted};

/// How many plans are remembered: those whose time comes first.
pub(super) const MOST_PLANS: u32 = 4000;
/// What left and can't be written down is tried again after this, and where it alone can't, each time
/// after twice as long.
const SHORTEST_REST: Duration = Duration::from_secs(5);
const LONGEST_REST: Duration = Duration::from_secs(600);

/// The memory.
#[derive(Default)]
pub(super) struct Memory {
    inside: Mutex<Inside>,
    /// Held by whoever writes down what left, so that each is written once.
    pub(super) recording: tokio::sync::Mutex<()>,
}

#[derive(Default)]
struct Inside {
    plans: BTreeMap<String, Remembered>,
    /// The plans that are being read from the database and have not moved since that began, each by the
    /// number of its reading.
    reading: BTreeMap<u64, String>,
    readings: u64,
    sent: Vec<Sent>,
}

/// A plan that is being read from the database.
pub(super) struct Reading<'a> {
    memory: &'a Memory,
    number: u64,
}

/// A plan, and the alerts that it owes as far as is known here.
struct Remembered {
    record: PlanRecord,
    owed: Vec<Order>,
    /// How it stood before the first word that was heard and could not be written.
    before_words: Option<Watched>,
    /// The idempotency keys of those words: whoever got no answer sends the same again.
    keys: BTreeSet<String>,
}

/// An alert that left while the database could not be written.
#[derive(Clone, Debug)]
pub(super) struct Sent {
    pub(super) plan_ref: String,
    pub(super) order: Order,
    pub(super) at: DateTime<Utc>,
    /// It could not be written down.
    rests: Option<Rest>,
}

/// Until when an alert waits to be written down.
#[derive(Clone, Copy, Debug)]
struct Rest {
    until: Instant,
    /// How long that is, where it alone could not be: each time it is longer.
    alone: Option<Duration>,
}

impl Sent {
    fn is(&self, plan_ref: &str, order: &Order) -> bool {
        self.plan_ref == plan_ref && letter_id(plan_ref, &self.order) == letter_id(plan_ref, order)
    }
}

impl Memory {
    /// A plan is going to be read from the database.
    pub(super) fn begin_reading(&self, plan_ref: &str) -> Reading<'_> {
        let mut inside = self.lock();
        inside.readings += 1;
        let number = inside.readings;
        inside.reading.insert(number, plan_ref.to_owned());
        Reading { memory: self, number }
    }

    /// Remembers a plan as it now stands; the alerts that it is known to owe are kept.
    pub(super) fn remember(&self, record: PlanRecord) {
        self.touch(&record.plan_ref).remember(record);
    }

    /// Follows a step that was written.
    pub(super) fn follow(&self, plan_ref: &str, applied: &Applied) {
        let mut inside = self.touch(plan_ref);
        if applied.state.is_closed() {
            inside.plans.remove(plan_ref);
        } else if let Some(plan) = inside.plans.get_mut(plan_ref) {
            plan.record.state = applied.state.clone();
            plan.forget_words();
            plan.owe(&applied.orders);
        }
    }

    /// A plan that was read since owes these alerts too.
    pub(super) fn owe(&self, plan_ref: &str, orders: &[Order]) {
        if let Some(plan) = self.touch(plan_ref).plans.get_mut(plan_ref) {
            plan.owe(orders);
        }
    }

    /// Follows an event that could not be written: a crew that says it is ashore sets off no
    /// alarm from here, though it is told that nothing is written yet. A contact ends no watch so: what
    /// one of them says is believed because all the others hear of it, and now nobody does. What comes
    /// under an idempotency key is heard once.
    pub(super) fn hear(
        &self,
        plan_ref: &str,
        event: &Event,
        once: Option<&str>,
        now: DateTime<Utc>,
    ) {
        let by_contact = matches!(event, Event::CheckedIn { by: By::Contact(..), .. });
        if let Some(plan) = self.touch(plan_ref).plans.get_mut(plan_ref)
            && !once.is_some_and(|once| plan.keys.contains(once))
            && let Ok(Ok(next)) = guarded(|| step(&plan.record.state, event, now))
            && !(by_contact && next.plan.is_closed())
        {
            let before = std::mem::replace(&mut plan.record.state, next.plan);
            plan.before_words.get_or_insert(before);
            plan.keys.extend(once.map(str::to_owned));
            plan.owe(&next.orders);
        }
    }

    /// Whether a closing of this plan was ever taken back, as far as is known here.
    pub(super) fn was_reopened(&self, plan_ref: &str) -> bool {
        let inside = self.lock();
        inside.plans.get(plan_ref).is_some_and(|plan| plan.record.state.reopened_by.is_some())
    }

    /// Nobody takes this alert: it goes no more, and the next rung goes at once. Once the database can
    /// be written, the post finds that out by itself.
    pub(super) fn refused(&self, plan_ref: &str, order: &Order, now: DateTime<Utc>) {
        self.handed(plan_ref, order);
        let refused = Event::Refused { to: order.to, kind: order.kind };
        self.hear(plan_ref, &refused, None, now);
    }

    /// The plans that are remembered beside these.
    pub(super) fn beside(&self, refs: &[String]) -> Vec<String> {
        let listed: BTreeSet<&String> = refs.iter().collect();
        self.lock().plans.keys().filter(|one| !listed.contains(one)).cloned().collect()
    }

    /// An alert has left by the ordinary road.
    pub(super) fn handed(&self, plan_ref: &str, order: &Order) {
        if let Some(plan) = self.touch(plan_ref).plans.get_mut(plan_ref) {
            plan.owed.retain(|owed| !is_same(owed, order));
        }
    }

    /// Moves every plan whose time has come, and gives the alerts that are owed, each with the ref of
    /// its plan: those of each key in turn, of one key the longest due first.
    pub(super) fn owed(&self, now: DateTime<Utc>) -> Vec<(String, Order)> {
        let mut owed = Vec::new();
        let Inside { plans, sent, .. } = &mut *self.lock();
        for plan in plans.values_mut() {
            // A plan over which the program fails keeps no other back.
            let _moved = guarded(|| plan.tick(now));
            let state = &plan.record.state;
            plan.owed.retain(|order| guarded(|| wanted(state, order, now)) != Ok(false));
            // The database may order anew what it does not know to have left.
            let PlanRecord { plan_ref, key_id, .. } = &plan.record;
            plan.owed.retain(|order| !sent.iter().any(|sent| sent.is(plan_ref, order)));
            let of = |order: &Order| (key_id.clone(), (plan_ref.clone(), order.clone()));
            owed.extend(plan.owed.iter().map(of));
        }
        owed.sort_by_key(|(_, (_, order))| order.scheduled_at);
        in_turn(owed)
    }

    /// A plan as it stands here.
    pub(super) fn record(&self, plan_ref: &str) -> Option<PlanRecord> {
        self.lock().plans.get(plan_ref).map(|plan| plan.record.clone())
    }

    /// Whether an alert is still owed, as far as is known here: the last look before it leaves.
    pub(super) fn owes(&self, plan_ref: &str, order: &Order, now: DateTime<Utc>) -> bool {
        let inside = self.lock();
        let Some(plan) = inside.plans.get(plan_ref) else { return false };
        plan.owed.iter().any(|owed| is_same(owed, order))
            && guarded(|| wanted(&plan.record.state, order, now)) != Ok(false)
    }

    /// The plans that will be overdue before this, the first of them first, but for those that need
    /// no look.
    pub(super) fn overdue_before(
        &self,
        before: DateTime<Utc>,
        needless: impl Fn(&PlanRecord) -> bool,
    ) -> Vec<PlanRecord> {
        let inside = self.lock();
        let records = inside.plans.values().map(|plan| &plan.record);
        let mut soon: Vec<PlanRecord> = records
            .filter(|one| one.state.overdue_at() < before && !needless(one))
            .cloned()
            .collect();
        soon.sort_by_key(|record| record.state.overdue_at());
        soon
    }

    /// An alert has left from here.
    pub(super) fn sent(&self, plan_ref: &str, order: &Order, at: DateTime<Utc>) {
        self.handed(plan_ref, order);
        let sent = Sent { plan_ref: plan_ref.to_owned(), order: order.clone(), at, rests: None };
        self.lock().sent.push(sent);
    }

    /// This alert is owed, and something of it can't be written.
    pub(super) fn owes_too(&self, plan_ref: &str, order: &Order) {
        let mut inside = self.lock();
        if let Some(plan) = inside.plans.get_mut(plan_ref)
            && !plan.owed.contains(order)
        {
            plan.owed.push(order.clone());
        }
    }

    /// Whether anything left from here that is not written down yet.
    pub(super) fn has_sent(&self) -> bool {
        !self.lock().sent.is_empty()
    }

    /// Whether this alert left from here, and the database does not know it yet.
    pub(super) fn has_left(&self, plan_ref: &str, order: &Order) -> bool {
        self.lock().sent.iter().any(|sent| sent.is(plan_ref, order))
    }

    /// The first alert that left from here and is to be written down now.
    pub(super) fn first_sent(&self, now: Instant) -> Option<Sent> {
        let rests = |sent: &&Sent| sent.rests.is_some_and(|rest| now < rest.until);
        self.lock().sent.iter().find(|sent| !rests(sent)).cloned()
    }

    /// What left of this plan and is not written down, whether it rests or not.
    pub(super) fn sent_of(&self, plan_ref: &str) -> Vec<Sent> {
        self.lock().sent.iter().filter(|sent| sent.plan_ref == plan_ref).cloned().collect()
    }

    /// An alert that left from here is written down.
    pub(super) fn recorded(&self, sent: &Sent) {
        self.lock().sent.retain(|one| !one.is(&sent.plan_ref, &sent.order));
    }

    /// An alert that left from here can't be written down now: all others go first. `alone`: nothing
    /// else is at fault.
    pub(super) fn put_behind(&self, sent: &Sent, alone: bool, now: Instant) {
        let mut inside = self.lock();
        if let Some(at) = inside.sent.iter().position(|one| one.is(&sent.plan_ref, &sent.order)) {
            let mut sent = inside.sent.remove(at);
            let before = sent.rests.and_then(|rest| rest.alone);
            let longer = before.map_or(SHORTEST_REST, |before| (before * 2).min(LONGEST_REST));
            let alone = alone.then_some(longer);
            sent.rests = Some(Rest { until: now + alone.unwrap_or(SHORTEST_REST), alone });
            inside.sent.push(sent);
        }
    }

    /// Whatever is being read of this plan is out of date.
    fn touch(&self, plan_ref: &str) -> MutexGuard<'_, Inside> {
        let mut inside = self.lock();
        inside.reading.retain(|_, reading| reading != plan_ref);
        inside
    }

    fn lock(&self) -> MutexGuard<'_, Inside> {
        self.inside.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Reading<'_> {
    /// Remembers the plan that was read, unless it has moved meanwhile: what was read may be older
    /// than what is known here, and a plan that has closed would alert again. Whether it has not.
    pub(super) fn remember(self, record: PlanRecord) -> bool {
        let mut inside = self.memory.lock();
        let still = inside.reading.contains_key(&self.number);
        if still && !inside.knows_more_than(&record) {
            inside.remember(record);
        }
        still
    }

    /// The same, and forgets what was heard of it and could not be written: that does not hold.
    pub(super) fn replace(self, record: PlanRecord) {
        let mut inside = self.memory.lock();
        if inside.reading.contains_key(&self.number) {
            inside.remember(record);
        }
    }
}

impl Drop for Reading<'_> {
    fn drop(&mut self) {
        self.memory.lock().reading.remove(&self.number);
    }
}

impl Inside {
    /// Whether something was heard of this plan that can't be written, or has left for it and is not
    /// written yet, of which what was read knows nothing.
    fn knows_more_than(&self, record: &PlanRecord) -> bool {
        // What can't be written down for long keeps no change of its plan from being known.
        let soon = |sent: &Sent| sent.rests.is_none_or(|rest| rest.alone.is_none());
        if self.sent.iter().any(|sent| sent.plan_ref == record.plan_ref && soon(sent)) {
            return true;
        }
        let before = self.plans.get(&record.plan_ref).and_then(|one| one.before_words.as_ref());
        before.is_some_and(|before| before.tells_the_same(&record.state))
    }

    fn remember(&mut self, mut record: PlanRecord) {
        let owed = self.plans.remove(&record.plan_ref).map_or_else(Vec::new, |old| old.owed);
        if record.state.is_closed() {
            return;
        }
        // An alert can do without it, and it is the longest part.
        record.review_json = String::new();
        let plan = Remembered { record, owed, before_words: None, keys: BTreeSet::new() };
        self.plans.insert(plan.record.plan_ref.clone(), plan);
        self.shrink();
    }

    /// Forgets the plans whose time comes last, when there are too many: an eighth at once, so that
    /// not each filing has to look for them.
    fn shrink(&mut self) {
        const MOST: usize = MOST_PLANS as usize;
        if self.plans.len() <= MOST {
            return;
        }
        let mut by_time: Vec<_> = self
            .plans
            .iter()
            .map(|(plan_ref, plan)| {
                let wakes = guarded(|| next_wakeup(&plan.record.state)).unwrap_or_default();
                (wakes, plan_ref.clone())
            })
            .collect();
        by_time.sort_unstable();
        for (_, plan_ref) in by_time.drain(MOST - MOST / 8..) {
            self.plans.remove(&plan_ref);
        }
    }
}

impl Remembered {
    fn owe(&mut self, orders: &[Order]) {
        for order in orders.iter().filter(|order| order.kind.is_alert()) {
            if !self.owed.iter().any(|owed| is_same(owed, order)) {
                self.owed.push(order.clone());
            }
        }
    }

    /// What is written says what they said, or that they do not hold.
    fn forget_words(&mut self) {
        self.before_words = None;
        self.keys.clear();
    }

    fn tick(&mut self, now: DateTime<Utc>) {
        if next_wakeup(&self.record.state).is_none_or(|at| at > now) {
            return;
        }
        if let Ok(next) = step(&self.record.state, &Event::Tick, now) {
            self.record.state = next.plan;
            self.owe(&next.orders);
        }
    }
}

/// Whether both order one letter: that it was due at another time by what is known here makes no other.
fn is_same(one: &Order, other: &Order) -> bool {
    let Order { round, cause, to, kind, .. } = other;
    (&one.round, &one.cause, &one.to, &one.kind) == (round, cause, to, kind)
}

#[cfg(test)]
mod tests;
