//! The letters owed, and how far each has come.
//!
//! A letter is claimed by a lease, and every later word about it must name the attempt that the
//! claim gave out: a sender that lost its lease can no longer change anything.

use chrono::{DateTime, TimeDelta, Utc};
use sha2::{Digest, Sha256};
use sqlx::any::AnyRow;
use sqlx::{Any, Row, Transaction};

use super::plans::{locked_state, write_step};
use super::{Store, StoreError, damaged, instant, millis};
use crate::watch::{Event, Kind, Order, Recipient, step, wanted};

/// Which letters go before which; a smaller one goes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Lane {
    /// Alerts.
    Alert = 0,
    /// What ends an alarm or renews it.
    Turn = 1,
    /// Everything else.
    Word = 2,
}

impl From<Kind> for Lane {
    fn from(kind: Kind) -> Lane {
        match kind {
            Kind::Overdue | Kind::CallRescue => Lane::Alert,
            Kind::Home | Kind::StandDown | Kind::Withdrawn | Kind::Changed => Lane::Turn,
            Kind::Filed | Kind::Reminder | Kind::Due | Kind::News | Kind::Trouble => Lane::Word,
        }
    }
}

/// A letter claimed for one attempt.
#[derive(Clone, Debug)]
pub struct Claimed {
    /// Its id: the hash of its key, the same for every attempt.
    pub id: String,
    /// The plan that owes it.
    pub plan_ref: String,
    /// What is owed.
    pub order: Order,
    /// When it was ordered.
    pub queued_at: DateTime<Utc>,
    /// The number of this attempt, to be named in every later word.
    pub attempt: i64,
    /// How many attempts have failed before.
    pub failures: u32,
}

/// What the last look found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LastLook {
    /// It is still wanted; from now on its reader may have it.
    Send,
    /// It is no longer wanted, and is dropped.
    Dropped,
    /// Another attempt has taken it over.
    LostLease,
}

/// Where a letter stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LetterState {
    /// Waiting for its next attempt.
    Queued,
    /// On its way.
    Sending,
    /// A relay took it, or it lies in the folder.
    Handed,
    /// Refused for good.
    Refused,
    /// No longer wanted.
    Dropped,
}

/// What became of a letter.
#[derive(Clone, Debug)]
pub struct LetterFate {
    /// Who is written to.
    pub to: Recipient,
    /// What it is.
    pub kind: Kind,
    /// Where it stands.
    pub state: LetterState,
    /// When it was ordered.
    pub queued_at: DateTime<Utc>,
    /// When it was settled: handed over, refused or dropped.
    pub settled_at: Option<DateTime<Utc>>,
    /// What the relay said last.
    pub note: Option<String>,
}

impl LetterState {
    /// Its name on the outside.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            LetterState::Queued | LetterState::Sending => "queued",
            LetterState::Handed => "handed over",
            LetterState::Refused => "refused",
            LetterState::Dropped => "not needed",
        }
    }

    fn read(text: &str) -> Option<Self> {
        Some(match text {
            "queued" => LetterState::Queued,
            "sending" => LetterState::Sending,
            "handed" => LetterState::Handed,
            "refused" => LetterState::Refused,
            "dropped" => LetterState::Dropped,
            _ => return None,
        })
    }
}

/// The hash of a letter's key.
fn letter_id(plan_ref: &str, order: &Order) -> String {
    let Order { round, cause, to, kind, .. } = order;
    let hash = Sha256::digest(format!("{plan_ref} {round} {cause} {to} {kind}"));
    hash.iter().take(16).map(|byte| format!("{byte:02x}")).collect()
}

/// Queues the letters of a step; one that is there already stays as it is.
pub(super) async fn insert(
    tx: &mut Transaction<'_, Any>,
    plan_ref: &str,
    orders: &[Order],
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    for order in orders {
        sqlx::query(
            "INSERT INTO letters (id, plan, round, cause, recipient, kind, lane, scheduled_at, \
             queued_at, state, attempt, failures, next_try_at) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, 'queued', 0, 0, $9) \
             ON CONFLICT DO NOTHING",
        )
        .bind(letter_id(plan_ref, order))
        .bind(plan_ref)
        .bind(i64::from(order.round))
        .bind(order.cause.to_string())
        .bind(order.to.to_string())
        .bind(order.kind.name())
        .bind(Lane::from(order.kind) as i64)
        .bind(millis(order.scheduled_at))
        .bind(millis(now))
        .execute(&mut **tx)
        .await?;
    }
    Ok(())
}

impl Store {
    /// Takes back every lease: whoever opens the database as its only sender knows that no other
    /// attempt is under way, so a restart sends at once.
    ///
    /// # Errors
    /// The database.
    pub async fn void_leases(&self, now: DateTime<Utc>) -> Result<u64, StoreError> {
        let done = sqlx::query(
            "UPDATE letters SET state = 'queued', lease_until = NULL, next_try_at = $1, \
             attempt = attempt + 1 WHERE state = 'sending'",
        )
        .bind(millis(now))
        .execute(&self.writer)
        .await?;
        Ok(done.rows_affected())
    }

    /// Claims letters whose time has come, alerts first, each for one attempt until `lease` has
    /// passed. A letter whose lease ran out is claimed again.
    ///
    /// # Errors
    /// The database.
    pub async fn claim(
        &self,
        now: DateTime<Utc>,
        lease: TimeDelta,
        most: u32,
    ) -> Result<Vec<Claimed>, StoreError> {
        let mut tx = self.write().await?;
        let rows = sqlx::query(
            "SELECT id, plan, round, cause, recipient, kind, scheduled_at, queued_at, attempt, \
             failures FROM letters \
             WHERE (state = 'queued' AND next_try_at <= $1) \
             OR (state = 'sending' AND lease_until <= $1) \
             ORDER BY lane, scheduled_at, id LIMIT $2",
        )
        .bind(millis(now))
        .bind(i64::from(most))
        .fetch_all(&mut *tx)
        .await?;
        let mut claims = Vec::with_capacity(rows.len());
        for row in &rows {
            let mut claim = match claimed(row) {
                Ok(claim) => claim,
                Err(damage) => {
                    tracing::error!(%damage, "a letter's row can't be read; it is set aside for an hour");
                    set_aside(&mut tx, row, now + TimeDelta::hours(1), &damage).await?;
                    continue;
                }
            };
            claim.attempt += 1;
            sqlx::query(
                "UPDATE letters SET state = 'sending', attempt = $1, lease_until = $2 \
                 WHERE id = $3",
            )
            .bind(claim.attempt)
            .bind(millis(now + lease))
            .bind(&claim.id)
            .execute(&mut *tx)
            .await?;
            claims.push(claim);
        }
        if !rows.is_empty() {
            tx.commit().await?;
        }
        Ok(claims)
    }

    /// When the next letter can be claimed.
    ///
    /// # Errors
    /// The database.
    pub async fn next_letter_at(&self) -> Result<Option<DateTime<Utc>>, StoreError> {
        let row = sqlx::query(
            "SELECT MIN(CASE WHEN state = 'queued' THEN next_try_at ELSE lease_until END) AS next \
             FROM letters WHERE state IN ('queued', 'sending')",
        )
        .fetch_one(&self.readers)
        .await?;
        row.try_get::<Option<i64>, _>("next")?.map(super::from_millis).transpose()
    }

    /// Looks once more, just before a letter leaves, whether the plan still owes it; if so, the
    /// plan records in the same transaction that its reader may have it from now on.
    ///
    /// # Errors
    /// Damage, or the database.
    pub async fn last_look(
        &self,
        letter: &Claimed,
        now: DateTime<Utc>,
    ) -> Result<LastLook, StoreError> {
        let mut tx = self.write().await?;
        if !holds_lease(&mut tx, letter).await? {
            return Ok(LastLook::LostLease);
        }
        let state = locked_state(&mut tx, &letter.plan_ref).await?;
        if !wanted(&state, &letter.order, now) {
            settle(&mut tx, letter, "dropped", None, now).await?;
            tx.commit().await?;
            return Ok(LastLook::Dropped);
        }
        let event = Event::Handing { to: letter.order.to, kind: letter.order.kind };
        let next = step(&state, &event, now)?;
        if next.changed {
            write_step(&mut tx, &letter.plan_ref, &event, &next, None, now).await?;
        }
        tx.commit().await?;
        Ok(LastLook::Send)
    }

    /// A relay took the letter.
    ///
    /// # Errors
    /// Damage, or the database.
    pub async fn handed(
        &self,
        letter: &Claimed,
        note: &str,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let event = Event::TakenAgain { to: letter.order.to };
        self.settle_with(letter, "handed", note, &event, now).await
    }

    /// The letter's address is refused for good.
    ///
    /// # Errors
    /// Damage, or the database.
    pub async fn refused(
        &self,
        letter: &Claimed,
        note: &str,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let event = Event::Refused { to: letter.order.to, kind: letter.order.kind };
        self.settle_with(letter, "refused", note, &event, now).await
    }

    async fn settle_with(
        &self,
        letter: &Claimed,
        as_state: &str,
        note: &str,
        event: &Event,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let mut tx = self.write().await?;
        if !settle(&mut tx, letter, as_state, Some(note), now).await? {
            return Ok(());
        }
        let state = locked_state(&mut tx, &letter.plan_ref).await?;
        let next = step(&state, event, now)?;
        if next.changed {
            write_step(&mut tx, &letter.plan_ref, event, &next, None, now).await?;
        }
        tx.commit().await?;
        Ok(())
    }

    /// The attempt failed; the letter waits until `next_try_at`.
    ///
    /// # Errors
    /// The database.
    pub async fn try_later(
        &self,
        letter: &Claimed,
        next_try_at: DateTime<Utc>,
        note: &str,
    ) -> Result<(), StoreError> {
        sqlx::query(
            "UPDATE letters SET state = 'queued', lease_until = NULL, failures = failures + 1, \
             next_try_at = $1, note = $2 WHERE id = $3 AND attempt = $4 AND state = 'sending'",
        )
        .bind(millis(next_try_at))
        .bind(note)
        .bind(&letter.id)
        .bind(letter.attempt)
        .execute(&self.writer)
        .await?;
        Ok(())
    }

    /// What became of a plan's letters, in the order in which they were ordered.
    ///
    /// # Errors
    /// Damage, or the database.
    pub async fn letters(&self, plan_ref: &str) -> Result<Vec<LetterFate>, StoreError> {
        let rows = sqlx::query(
            "SELECT recipient, kind, state, queued_at, settled_at, note FROM letters \
             WHERE plan = $1 ORDER BY queued_at, lane, recipient, id",
        )
        .bind(plan_ref)
        .fetch_all(&self.readers)
        .await?;
        rows.iter().map(|row| fate(row, plan_ref)).collect()
    }

    /// The time at which the oldest alert still waiting should have gone; `None` without one.
    ///
    /// # Errors
    /// The database.
    pub async fn oldest_waiting_alert(&self) -> Result<Option<DateTime<Utc>>, StoreError> {
        let row = sqlx::query(
            "SELECT MIN(scheduled_at) AS oldest FROM letters \
             WHERE state IN ('queued', 'sending') AND lane = 0",
        )
        .fetch_one(&self.readers)
        .await?;
        row.try_get::<Option<i64>, _>("oldest")?.map(super::from_millis).transpose()
    }
}

async fn holds_lease(tx: &mut Transaction<'_, Any>, letter: &Claimed) -> Result<bool, StoreError> {
    let row =
        sqlx::query("SELECT 1 FROM letters WHERE id = $1 AND attempt = $2 AND state = 'sending'")
            .bind(&letter.id)
            .bind(letter.attempt)
            .fetch_optional(&mut **tx)
            .await?;
    Ok(row.is_some())
}

/// Ends a letter's road, if this attempt still holds it; whether it does.
async fn settle(
    tx: &mut Transaction<'_, Any>,
    letter: &Claimed,
    as_state: &str,
    note: Option<&str>,
    now: DateTime<Utc>,
) -> Result<bool, StoreError> {
    let done = sqlx::query(
        "UPDATE letters SET state = $1, lease_until = NULL, settled_at = $2, note = $3 \
         WHERE id = $4 AND attempt = $5 AND state = 'sending'",
    )
    .bind(as_state)
    .bind(millis(now))
    .bind(note)
    .bind(&letter.id)
    .bind(letter.attempt)
    .execute(&mut **tx)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Puts a row that can't be read out of the way of the others.
async fn set_aside(
    tx: &mut Transaction<'_, Any>,
    row: &AnyRow,
    until: DateTime<Utc>,
    damage: &StoreError,
) -> Result<(), StoreError> {
    let id: String = row.try_get("id")?;
    sqlx::query(
        "UPDATE letters SET state = 'queued', lease_until = NULL, next_try_at = $1, note = $2 \
         WHERE id = $3",
    )
    .bind(millis(until))
    .bind(damage.to_string())
    .bind(id)
    .execute(&mut **tx)
    .await?;
    Ok(())
}

fn claimed(row: &AnyRow) -> Result<Claimed, StoreError> {
    let plan_ref: String = row.try_get("plan")?;
    let failures: i64 = row.try_get("failures")?;
    let round: i64 = row.try_get("round")?;
    let order = Order {
        round: u32::try_from(round).map_err(|error| damaged(&plan_ref, error))?,
        cause: word(row, "cause", &plan_ref)?,
        to: word(row, "recipient", &plan_ref)?,
        kind: word(row, "kind", &plan_ref)?,
        scheduled_at: instant(row, "scheduled_at")?,
    };
    Ok(Claimed {
        id: row.try_get("id")?,
        order,
        queued_at: instant(row, "queued_at")?,
        attempt: row.try_get("attempt")?,
        failures: u32::try_from(failures).unwrap_or(u32::MAX),
        plan_ref,
    })
}

fn fate(row: &AnyRow, plan_ref: &str) -> Result<LetterFate, StoreError> {
    let state: String = row.try_get("state")?;
    let settled_at: Option<i64> = row.try_get("settled_at")?;
    Ok(LetterFate {
        to: word(row, "recipient", plan_ref)?,
        kind: word(row, "kind", plan_ref)?,
        state: LetterState::read(&state).ok_or_else(|| damaged(plan_ref, &state))?,
        queued_at: instant(row, "queued_at")?,
        settled_at: settled_at.map(super::from_millis).transpose()?,
        note: row.try_get("note")?,
    })
}

/// A column that holds one of our own words.
fn word<T: std::str::FromStr>(row: &AnyRow, column: &str, plan_ref: &str) -> Result<T, StoreError> {
    let text: String = row.try_get(column)?;
    text.parse().map_err(|_| damaged(plan_ref, format!("{column} is `{text}`")))
}
