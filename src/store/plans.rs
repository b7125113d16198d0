//! Plans, their states and their events.

use std::fmt;

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};
use serde::de::DeserializeOwned;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

use super::batch::Batch;
use super::error::{of_row, unread};
use super::guarded::{guarded_over, guarded_over_while};
use super::ledger::{Ledger, closed_at};
use super::new_plan::NewPlan;
use super::spare::{Card, follow, refold, sum};
use super::way::{Spares, Way, by_any_way};
use super::{Store, StoreError, damaged, instant, millis};
use crate::watch::{Event, Order, Step, Watched, next_wakeup};

/// A plan to be filed, with all that is written in the same transaction.
#[derive(Clone)]
pub struct Filing<'a> {
    /// The plan's ref.
    pub plan_ref: &'a str,
    /// The plan, in the plan file's keys.
    pub plan_json: &'a str,
    /// Its review at filing.
    pub review_json: &'a str,
    /// Its first state and letters.
    pub first: &'a Step,
    /// The key that files it.
    pub key_id: &'a str,
    /// The client's idempotency key.
    pub idempotency: Option<&'a str>,
    /// The hash of the body it came as.
    pub body_hash: &'a str,
    /// The hashes of its links.
    pub links: &'a [(String, super::Link)],
    /// The keyed hashes of its contacts' addresses, in the plan's order.
    pub addresses: &'a [String],
    /// Whom its letters go to, should its row become unreadable.
    pub card: &'a Card,
    /// What it may ask of people who have never answered; `None` for a plan that asks nothing.
    pub strangers: Option<super::Strangers>,
}

/// A plan as it stands.
#[derive(Clone)]
pub struct PlanRecord {
    /// Its ref.
    pub plan_ref: String,
    /// The plan, in the plan file's keys.
    pub plan_json: String,
    /// Its review at filing.
    pub review_json: String,
    /// Its state.
    pub state: Watched,
    /// When it was filed.
    pub filed_at: DateTime<Utc>,
    /// The key that filed it.
    pub key_id: String,
}

/// It holds private text, so it can't print itself.
impl fmt::Debug for PlanRecord {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "PlanRecord {}", self.plan_ref)
    }
}

/// What an event led to.
#[derive(Clone, Debug)]
pub struct Applied {
    /// The plan's state after it.
    pub state: Watched,
    /// Whether it changed anything.
    pub changed: bool,
    /// How many letters it ordered.
    pub letters: usize,
    /// Which.
    pub orders: Vec<Order>,
}

impl Store {
    /// Files a plan. When the same key files the same body under the same idempotency key again,
    /// the ref of the first filing comes back and nothing is written.
    ///
    /// # Errors
    /// [`StoreError::OtherBody`], [`StoreError::NamedTooOften`], or the database.
    pub async fn file(
        &self,
        filing: &Filing<'_>,
        now: DateTime<Utc>,
    ) -> Result<String, StoreError> {
        let filing = NewPlan::new(filing, now)?;
        self.write(move |connection| {
            Box::pin(async move {
                if let Some(first) = filing.earlier(connection).await? {
                    return Ok(first);
                }
                filing.insert(connection).await?;
                Ok(filing.plan_ref)
            })
        })
        .await
    }

    /// The ref of the plan that this key filed under this idempotency key.
    ///
    /// # Errors
    /// [`StoreError::OtherBody`], or the database.
    pub async fn filed_before(
        &self,
        key_id: &str,
        idempotency: &str,
        body_hash: &str,
    ) -> Result<Option<String>, StoreError> {
        let row =
            sqlx::query("SELECT ref, body_hash FROM plans WHERE key_id = $1 AND idempotency = $2")
                .bind(key_id)
                .bind(idempotency)
                .fetch_optional(&self.readers)
                .await?;
        row.map(|row| same_body(&row, body_hash)).transpose()
    }

    /// Moves a plan by one event, in one transaction. An idempotency key that the plan has seen
    /// changes nothing.
    ///
    /// # Errors
    /// [`StoreError::Refused`] when the event does not apply, [`StoreError::NoSuchPlan`], damage,
    /// or the database.
    pub async fn apply(
        &self,
        plan_ref: &str,
        event: &Event,
        idempotency: Option<&str>,
        now: DateTime<Utc>,
    ) -> Result<Applied, StoreError> {
        let with = |way| self.apply_with(plan_ref, event, idempotency, now, way);
        by_any_way(plan_ref, with).await
    }

    async fn apply_with(
        &self,
        plan_ref: &str,
        event: &Event,
        idempotency: Option<&str>,
        now: DateTime<Utc>,
        way: Way,
    ) -> Result<Applied, StoreError> {
        let (plan_ref, event) = (plan_ref.to_owned(), event.clone());
        let idempotency = idempotency.map(str::to_owned);
        self.write(move |connection| {
            Box::pin(async move {
                let applying =
                    apply(connection, &plan_ref, &event, idempotency.as_deref(), now, way);
                // Here it is known over which plan the program fails; the writer would not know.
                guarded_over_while(&plan_ref, applying).await
            })
        })
        .await
    }

    /// Moves plans whose time has come, together. Each stands there with what came of it: one that
    /// is damaged keeps no other back.
    ///
    /// # Errors
    /// The database.
    pub async fn tick(
        &self,
        plan_refs: Vec<String>,
        now: DateTime<Utc>,
    ) -> Result<Vec<(String, Result<Applied, StoreError>)>, StoreError> {
        let refs = plan_refs.clone();
        let together = self
            .write(move |connection| Box::pin(async move { tick(connection, &refs, now).await }))
            .await;
        match together {
            Ok(moved) => return Ok(plan_refs.into_iter().zip(moved).collect()),
            Err(error) if error.may_be_of_one_row() => {
                tracing::error!(%error, "plans can't be moved together: each goes by itself");
            }
            Err(error) => return Err(error),
        }
        let mut moved = Vec::with_capacity(plan_refs.len());
        for plan_ref in plan_refs {
            let applied = self.apply(&plan_ref, &Event::Tick, None, now).await;
            moved.push((plan_ref, applied));
        }
        Ok(moved)
    }

    /// The plans whose time has come, the longest waiting first.
    ///
    /// # Errors
    /// The database.
    pub async fn due(&self, now: DateTime<Utc>, most: u32) -> Result<Vec<String>, StoreError> {
        // Either time wakes a plan: one of the two may be damaged.
        let rows = sqlx::query(
            "SELECT ref FROM (SELECT ref, next_at AS at FROM plans WHERE next_at <= $1 \
             UNION ALL SELECT plan, wake_at FROM spares WHERE wake_at <= $1) AS due \
             WHERE ref NOT IN (SELECT plan FROM quarantine) \
             GROUP BY ref ORDER BY MIN(at) LIMIT $2",
        )
        .bind(millis(now))
        .bind(i64::from(most))
        .fetch_all(&self.own_reader)
        .await
        .map_err(StoreError::from);
        match self.heed(rows) {
            // One page of the file must not hide the plans in all the others.
            Err(error) if error.is_unsound() => {
                self.due_around_damage(millis(now), i64::from(most)).await
            }
            rows => rows?.iter().map(|row| Ok(row.try_get("ref")?)).collect(),
        }
    }

    /// The open plans whose time comes first.
    ///
    /// # Errors
    /// The database.
    pub async fn soonest(&self, most: u32) -> Result<Vec<String>, StoreError> {
        let rows = sqlx::query(
            "SELECT ref FROM plans WHERE next_at IS NOT NULL ORDER BY next_at LIMIT $1",
        )
        .bind(i64::from(most))
        .fetch_all(&self.readers)
        .await
        .map_err(StoreError::from);
        match self.heed(rows) {
            Err(error) if error.is_unsound() => {
                self.due_around_damage(i64::MAX, i64::from(most)).await
            }
            rows => rows?.iter().map(|row| Ok(row.try_get("ref")?)).collect(),
        }
    }

    /// When the next plan's time comes; `None` too when that is no time or can't be read: then the
    /// next look finds the plan by its spare copy.
    ///
    /// # Errors
    /// The database.
    pub async fn next_due_at(&self) -> Result<Option<DateTime<Utc>>, StoreError> {
        let row = sqlx::query(
            "SELECT next_at FROM plans WHERE next_at IS NOT NULL \
             AND ref NOT IN (SELECT plan FROM quarantine) ORDER BY next_at LIMIT 1",
        )
        .fetch_optional(&self.own_reader)
        .await
        .map_err(StoreError::from);
        match self.heed(row) {
            Err(error) if error.is_unsound() => Ok(None),
            row => Ok(row?.and_then(|row| instant(&row, "next_at").ok())),
        }
    }

    /// A plan as it stands.
    ///
    /// # Errors
    /// [`StoreError::NoSuchPlan`], damage, or the database.
    pub async fn plan(&self, plan_ref: &str) -> Result<PlanRecord, StoreError> {
        let mut connection = self.readers.acquire().await?;
        match self.heed(read_plan(&mut connection, plan_ref, WITH_REVIEW).await) {
            // A review that is no text must not keep an alert back.
            Err(error) if error.is_damage() => {
                read_plan(&mut connection, plan_ref, WITHOUT_REVIEW).await
            }
            other => other,
        }
    }

    /// The open plans by their return time; one that can't be read stands in its place as an
    /// error, so that it hides no other.
    ///
    /// # Errors
    /// The database.
    pub async fn open_plans(&self) -> Result<Vec<Result<PlanRecord, StoreError>>, StoreError> {
        let rows =
            sqlx::query("SELECT ref FROM plans WHERE closed_at IS NULL ORDER BY due_at, ref")
                .fetch_all(&self.readers)
                .await?;
        let mut plans = Vec::with_capacity(rows.len());
        for row in rows {
            let plan_ref: String = row.try_get("ref")?;
            plans.push(match self.plan(&plan_ref).await {
                Err(error) if !error.is_damage() => return Err(error),
                plan => plan,
            });
        }
        Ok(plans)
    }
}

pub(super) fn same_body(row: &AnyRow, body_hash: &str) -> Result<String, StoreError> {
    let hash: String = row.try_get("body_hash")?;
    if hash == body_hash { Ok(row.try_get("ref")?) } else { Err(StoreError::OtherBody) }
}

async fn tick(
    connection: &mut AnyConnection,
    refs: &[String],
    now: DateTime<Utc>,
) -> Result<Vec<Result<Applied, StoreError>>, StoreError> {
    let all = refs.iter().map(String::as_str).collect();
    let mut ledger = Ledger::open(connection, all).await?;
    let moved: Vec<_> =
        refs.iter().map(|plan_ref| ledger.step(plan_ref, &Event::Tick, None, now)).collect();
    ledger.write(connection, Way::default(), Batch::default()).await?;
    for (plan_ref, applied) in refs.iter().zip(&moved) {
        if let Ok(applied) = applied
            && !applied.changed
        {
            // A state that is woken for nothing was woken by a damaged time.
            write_times(connection, plan_ref, &applied.state, Spares::Follow).await?;
        }
    }
    Ok(moved)
}

/// Moves a plan by one event.
pub(super) async fn apply(
    connection: &mut AnyConnection,
    plan_ref: &str,
    event: &Event,
    idempotency: Option<&str>,
    now: DateTime<Utc>,
    way: Way,
) -> Result<Applied, StoreError> {
    let mut ledger = Ledger::open(connection, BTreeSet::from([plan_ref])).await?;
    if let Some(key) = idempotency {
        let state = ledger.state(plan_ref)?.clone();
        let text = "SELECT event_json FROM events WHERE plan = $1 AND idempotency = $2";
        let seen =
            sqlx::query(text).bind(plan_ref).bind(key).fetch_optional(&mut *connection).await?;
        if let Some(row) = seen {
            let before: String = row.try_get("event_json")?;
            if before != to_json(plan_ref, event)? {
                return Err(StoreError::OtherBody);
            }
            return Ok(Applied { state, changed: false, letters: 0, orders: Vec::new() });
        }
    }
    let applied = ledger.step(plan_ref, event, idempotency, now)?;
    ledger.write(connection, way, Batch::default()).await?;
    if !applied.changed && *event == Event::Tick {
        // A state that is woken for nothing was woken by a damaged time.
        write_times(connection, plan_ref, &applied.state, way.spares).await?;
    }
    Ok(applied)
}

/// A plan's state inside a change. One that can't be read is folded again from its events.
pub(super) async fn locked_state(
    connection: &mut AnyConnection,
    plan_ref: &str,
) -> Result<Watched, StoreError> {
    let damage = match read_state(connection, plan_ref).await {
        Err(error) if error.is_damage() => error,
        other => return other,
    };
    let state = refold(connection, plan_ref).await?;
    tracing::error!(plan = plan_ref, %damage, "a state can't be read; it is folded from its events");
    match write_state(connection, plan_ref, &state).await {
        // What can't be written down can't be watched.
        Err(error) if error.is_unsound() => Err(damage),
        written => written.map(|()| state),
    }
}

/// A plan's state as it is stored.
pub(super) async fn read_state(
    connection: &mut AnyConnection,
    plan_ref: &str,
) -> Result<Watched, StoreError> {
    let row = sqlx::query("SELECT state_json, state_sum FROM plans WHERE ref = $1")
        .bind(plan_ref)
        .fetch_optional(connection)
        .await
        .map_err(|error| of_row(plan_ref, error))?;
    state_of(&row.ok_or(StoreError::NoSuchPlan)?, plan_ref)
}

/// The state in a row, if it is what was written there.
pub(super) fn state_of(row: &AnyRow, plan_ref: &str) -> Result<Watched, StoreError> {
    let text: String = row.try_get("state_json").map_err(|error| of_row(plan_ref, error))?;
    let written: Option<String> =
        row.try_get("state_sum").map_err(|error| of_row(plan_ref, error))?;
    if written.is_some_and(|written| written != sum(plan_ref, &text)) {
        return Err(damaged(plan_ref, "state_json is not what was written"));
    }
    json(row, "state_json", plan_ref)
}

/// Writes a state with all that is made of it. Its events are numbered without a gap, and a
/// number is written once: no step can be taken twice from the same state.
pub(super) async fn write_state(
    connection: &mut AnyConnection,
    plan_ref: &str,
    state: &Watched,
) -> Result<(), StoreError> {
    let text = to_json(plan_ref, state)?;
    sqlx::query("UPDATE plans SET state_json = $1, state_sum = $2, version = $3 WHERE ref = $4")
        .bind(&text)
        .bind(sum(plan_ref, &text))
        .bind(i64::from(state.events))
        .bind(plan_ref)
        .execute(&mut *connection)
        .await?;
    write_times(connection, plan_ref, state, Spares::Leave).await
}

/// Writes the times that a state asks for, in the plan's row and in its spare copy.
pub(super) async fn write_times(
    connection: &mut AnyConnection,
    plan_ref: &str,
    state: &Watched,
    spares: Spares,
) -> Result<(), StoreError> {
    // Most often nothing differs, and then nothing is written.
    sqlx::query(
        "UPDATE plans SET due_at = $1, next_at = $2, closed_at = $3 WHERE ref = $4 \
         AND (due_at <> $1 OR next_at IS DISTINCT FROM $2 OR closed_at IS DISTINCT FROM $3)",
    )
    .bind(millis(state.terms.due_at))
    .bind(next_wakeup(state).map(millis))
    .bind(closed_at(state))
    .bind(plan_ref)
    .execute(&mut *connection)
    .await?;
    match spares {
        Spares::Follow => follow(connection, plan_ref, state).await,
        Spares::Leave => Ok(()),
    }
}

const WITH_REVIEW: &str = "SELECT plan_json, review_json, state_json, state_sum, filed_at, key_id \
     FROM plans LEFT JOIN papers ON papers.plan = plans.ref WHERE ref = $1";
const WITHOUT_REVIEW: &str = "SELECT plan_json, '' AS review_json, state_json, state_sum, filed_at, \
     key_id FROM plans LEFT JOIN papers ON papers.plan = plans.ref WHERE ref = $1";

async fn read_plan(
    connection: &mut AnyConnection,
    plan_ref: &str,
    columns: &'static str,
) -> Result<PlanRecord, StoreError> {
    let row = sqlx::query(columns)
        .bind(plan_ref)
        .fetch_optional(connection)
        .await
        .map_err(|error| of_row(plan_ref, error))?;
    record(&row.ok_or(StoreError::NoSuchPlan)?, plan_ref)
}

pub(super) fn record(row: &AnyRow, plan_ref: &str) -> Result<PlanRecord, StoreError> {
    let text = |column| row.try_get(column).map_err(|error| of_row(plan_ref, error));
    Ok(PlanRecord {
        plan_json: text("plan_json")?,
        review_json: text("review_json")?,
        state: state_of(row, plan_ref)?,
        filed_at: instant(row, "filed_at").map_err(|error| damaged(plan_ref, error))?,
        key_id: text("key_id")?,
        plan_ref: plan_ref.to_owned(),
    })
}

pub(super) fn json<T: DeserializeOwned>(
    row: &AnyRow,
    column: &str,
    plan_ref: &str,
) -> Result<T, StoreError> {
    let text: String = row.try_get(column).map_err(|error| of_row(plan_ref, error))?;
    let read = || serde_json::from_str(&text);
    guarded_over(plan_ref, || read().map_err(|error| damaged(plan_ref, unread(column, &error))))
}

pub(super) fn to_json<T: serde::Serialize>(
    plan_ref: &str,
    value: &T,
) -> Result<String, StoreError> {
    serde_json::to_string(value).map_err(|error| damaged(plan_ref, error))
}
