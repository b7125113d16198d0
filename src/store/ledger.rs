//! Plans that are moved together: read together, stepped one by one, written together.
//!
//! A statement costs the one writer more than a row does. So a change that moves many plans takes
//! as many statements as one that moves a single plan.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use sqlx::{AnyConnection, Row};

use super::batch::{Batch, Value};
use super::error::of_row;
use super::guarded::guarded_over;
use super::plans::{Applied, locked_state, state_of, to_json};
use super::spare::sum;
use super::way::{End, Spares, Way, insertion};
use super::{StoreError, letters, list, millis};
use crate::watch::{Event, Order, Phase, Watched, next_wakeup, step};

/// How many letters one statement inserts at most; SQLite takes 32 766 values.
const MOST_LETTERS: usize = 1000;

/// The states that a change has read, and what is to be written of them.
pub(super) struct Ledger {
    plans: BTreeMap<String, Entry>,
    events: Vec<NewEvent>,
    orders: Vec<(String, Order)>,
    /// When the last of the steps was taken.
    latest: DateTime<Utc>,
}

struct Entry {
    /// As it was read; what differs from it is written.
    before: Option<Watched>,
    state: Result<Watched, StoreError>,
}

struct NewEvent {
    plan_ref: String,
    number: u32,
    at: DateTime<Utc>,
    json: String,
    idempotency: Option<String>,
}

impl Ledger {
    /// Reads the states of these plans. One that can't be read, and can't be folded again from
    /// its events, stands there as an error and hides no other.
    pub(super) async fn open(
        connection: &mut AnyConnection,
        refs: BTreeSet<&str>,
    ) -> Result<Self, StoreError> {
        let read = match read_together(connection, &refs).await {
            Ok(plans) => plans,
            Err(error) if error.is_damage() => BTreeMap::new(),
            Err(error) => return Err(error),
        };
        Self::over(connection, refs, read).await
    }

    /// The same with the states that are read already.
    pub(super) async fn over(
        connection: &mut AnyConnection,
        refs: BTreeSet<&str>,
        read: BTreeMap<String, Watched>,
    ) -> Result<Self, StoreError> {
        let mut plans: BTreeMap<String, Entry> = BTreeMap::new();
        for (plan_ref, state) in read {
            plans.insert(plan_ref, Entry { before: Some(state.clone()), state: Ok(state) });
        }
        for plan_ref in refs {
            if !plans.contains_key(plan_ref) {
                let state = match locked_state(connection, plan_ref).await {
                    Err(error) if error.is_transient() => return Err(error),
                    state => state,
                };
                plans.insert(plan_ref.to_owned(), Entry { before: state.clone().ok(), state });
            }
        }
        let latest = DateTime::<Utc>::MIN_UTC;
        Ok(Ledger { plans, events: Vec::new(), orders: Vec::new(), latest })
    }

    /// A plan as it stands after the steps so far.
    pub(super) fn state(&self, plan_ref: &str) -> Result<&Watched, StoreError> {
        let entry = self.plans.get(plan_ref).ok_or(StoreError::NoSuchPlan)?;
        entry.state.as_ref().map_err(Clone::clone)
    }

    /// Moves a plan by one event.
    pub(super) fn step(
        &mut self,
        plan_ref: &str,
        event: &Event,
        idempotency: Option<&str>,
        now: DateTime<Utc>,
    ) -> Result<Applied, StoreError> {
        let state = self.state(plan_ref)?;
        let next = guarded_over(plan_ref, || Ok(step(state, event, now)?))?;
        if next.changed {
            self.latest = self.latest.max(now);
            self.events.push(NewEvent {
                plan_ref: plan_ref.to_owned(),
                number: next.plan.events,
                at: now,
                json: to_json(plan_ref, event)?,
                idempotency: idempotency.map(str::to_owned),
            });
            let orders = next.orders.iter().map(|order| (plan_ref.to_owned(), order.clone()));
            self.orders.extend(orders);
            if let Some(entry) = self.plans.get_mut(plan_ref) {
                entry.state = Ok(next.plan.clone());
            }
        }
        let letters = next.orders.len();
        Ok(Applied { state: next.plan, changed: next.changed, letters, orders: next.orders })
    }

    /// Writes what the steps led to, together with what else is to be written. An event's number is
    /// written once, so that no step can be taken twice from the same state.
    pub(super) async fn write(
        self,
        connection: &mut AnyConnection,
        way: Way,
        mut batch: Batch,
    ) -> Result<(), StoreError> {
        let moved: Vec<Moved<'_>> = self.plans.iter().filter_map(Moved::of).collect();
        write_states(&mut batch, &moved)?;
        if way.spares == Spares::Follow {
            write_spares(&mut batch, &moved);
        }
        write_events(&mut batch, &self.events, way.end);
        let owed: Vec<(&str, &Order)> =
            self.orders.iter().map(|(plan_ref, order)| (plan_ref.as_str(), order)).collect();
        for owed in owed.chunks(MOST_LETTERS) {
            letters::add(&mut batch, owed, self.latest, way.end);
        }
        batch.execute(connection).await?;
        for Moved { plan_ref, before, state } in &moved {
            let turned = (before.round, before.is_closed()) != (state.round, state.is_closed());
            if turned && way.spares == Spares::Follow {
                letters::drop_void(connection, plan_ref, state, self.latest).await?;
            }
        }
        Ok(())
    }
}

/// A plan whose state is another than was read.
struct Moved<'a> {
    plan_ref: &'a str,
    before: &'a Watched,
    state: &'a Watched,
}

impl<'a> Moved<'a> {
    fn of((plan_ref, entry): (&'a String, &'a Entry)) -> Option<Self> {
        let (before, state) = (entry.before.as_ref()?, entry.state.as_ref().ok()?);
        (before.events != state.events).then_some(Moved { plan_ref, before, state })
    }
}

async fn read_together(
    connection: &mut AnyConnection,
    refs: &BTreeSet<&str>,
) -> Result<BTreeMap<String, Watched>, StoreError> {
    let text = format!(
        "SELECT ref, state_json, state_sum FROM plans WHERE ref IN ({})",
        list(1, refs.len())
    );
    let mut select = sqlx::query(sqlx::AssertSqlSafe(text));
    for plan_ref in refs {
        select = select.bind(*plan_ref);
    }
    let rows = select.fetch_all(connection).await.map_err(|error| of_row("", error))?;
    let mut plans = BTreeMap::new();
    for row in rows {
        let plan_ref: String = row.try_get("ref")?;
        // One that is damaged is left out here, and read by itself.
        if let Ok(state) = state_of(&row, &plan_ref) {
            plans.insert(plan_ref, state);
        }
    }
    Ok(plans)
}

fn write_states(batch: &mut Batch, moved: &[Moved<'_>]) -> Result<(), StoreError> {
    let mut rows: Vec<[Value; 7]> = Vec::with_capacity(moved.len());
    for Moved { plan_ref, state, .. } in moved {
        let json = to_json(plan_ref, state)?;
        rows.push([
            (*plan_ref).into(),
            sum(plan_ref, &json).into(),
            json.into(),
            i64::from(state.events).into(),
            millis(state.terms.due_at).into(),
            next_wakeup(state).map(millis).into(),
            closed_at(state).into(),
        ]);
    }
    batch.add(
        "UPDATE plans SET state_sum = new.column2, state_json = new.column3, \
         version = new.column4, due_at = new.column5, next_at = new.column6, \
         closed_at = new.column7 FROM (VALUES",
        rows,
        ") AS new WHERE plans.ref = new.column1",
    );
    Ok(())
}

/// Keeps the times of the spare copies those of the states.
fn write_spares(batch: &mut Batch, moved: &[Moved<'_>]) {
    let times = |state: &Watched| (state.overdue_at(), next_wakeup(state));
    let moved = moved.iter().filter(|one| times(one.before) != times(one.state));
    let rows = moved.map(|one| {
        let (overdue_at, wake_at) = times(one.state);
        [one.plan_ref.into(), millis(overdue_at).into(), wake_at.map(millis).into()]
    });
    batch.add(
        "UPDATE spares SET overdue_at = new.column2, wake_at = new.column3 FROM (VALUES",
        rows,
        ") AS new WHERE spares.plan = new.column1",
    );
}

fn write_events(batch: &mut Batch, events: &[NewEvent], end: End) {
    let rows = events.iter().map(|event| {
        [
            event.plan_ref.as_str().into(),
            i64::from(event.number).into(),
            millis(event.at).into(),
            event.json.as_str().into(),
            event.idempotency.as_deref().into(),
        ]
    });
    let (before, after) = insertion("events", "plan, number, at, event_json, idempotency", end);
    batch.add(&before, rows, after);
}

/// When a plan closed, as its row says it.
pub(super) fn closed_at(state: &Watched) -> Option<i64> {
    match state.phase {
        Phase::Closed(closing) => Some(millis(closing.at)),
        Phase::Armed | Phase::Overdue => None,
    }
}
