//! Sending the letters owed.
//!
//! A letter is claimed by a lease, and every later word about it must name the attempt that the
//! claim gave out: a sender that lost its lease can no longer change anything.

use std::collections::BTreeSet;

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

use super::error::of_row;
use super::letters::{Lane, insert, letter_id, word};
use super::plans::{locked_state, write_step};
use super::{Store, StoreError, damaged, instant, millis};
use crate::watch::{Event, Order, Watched, step, wanted};

/// No letter waits longer than this for its next attempt.
const LONGEST_WAIT: TimeDelta = TimeDelta::minutes(10);

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
    /// The state of the plan from which the letter was written, once it is: the last look holds
    /// it against the plan as it then stands.
    pub written_from: Option<Box<Watched>>,
}

/// What the last look found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LastLook {
    /// It is still wanted; from now on its reader may have it.
    Send,
    /// It is no longer wanted, and is dropped.
    Dropped,
    /// What it says is no longer so: it must be written again.
    Outdated,
    /// Another attempt has taken it over.
    LostLease,
}

impl Store {
    /// Takes back every lease: whoever opens the database as its only sender knows that no other
    /// attempt is under way, so a restart sends at once.
    ///
    /// # Errors
    /// The database.
    pub async fn void_leases(&self, now: DateTime<Utc>) -> Result<u64, StoreError> {
        let text = "UPDATE letters SET state = 'queued', lease_until = NULL, next_try_at = $1, \
                    attempt = attempt + 1 WHERE state = 'sending'";
        self.write(move |connection| {
            Box::pin(async move {
                let done = sqlx::query(text).bind(millis(now)).execute(connection).await?;
                Ok(done.rows_affected())
            })
        })
        .await
    }

    /// Claims letters whose time has come, alerts first, each for one attempt until `lease` has
    /// passed. A letter whose lease ran out is claimed again. Alerts that a
    /// [review](Self::review) holds back are left.
    ///
    /// # Errors
    /// The database.
    pub async fn claim(
        &self,
        now: DateTime<Utc>,
        lease: TimeDelta,
        most: u32,
    ) -> Result<Vec<Claimed>, StoreError> {
        let mut claims = Vec::new();
        for lane in [Lane::Alert, Lane::Turn, Lane::Word] {
            let left = most.saturating_sub(u32::try_from(claims.len()).unwrap_or(u32::MAX));
            claims.extend(self.claim_lane(now, lease, lane, left).await?);
        }
        Ok(claims)
    }

    /// Claims letters of one lane: those tried least often first, and among them the longest due.
    /// So letters that fail again and again never stand in the way of a new one.
    ///
    /// # Errors
    /// The database.
    pub async fn claim_lane(
        &self,
        now: DateTime<Utc>,
        lease: TimeDelta,
        lane: Lane,
        most: u32,
    ) -> Result<Vec<Claimed>, StoreError> {
        self.write(move |connection| Box::pin(claim(connection, now, lease, lane, most))).await
    }

    /// Looks once more, just before a letter leaves, whether the plan still owes it; if so, the
    /// plan records in the same transaction that its reader may have it from now on. A plan that
    /// can't be read can't say that it does not owe it.
    ///
    /// # Errors
    /// The database.
    pub async fn last_look(
        &self,
        letter: &Claimed,
        now: DateTime<Utc>,
    ) -> Result<LastLook, StoreError> {
        let letter = letter.clone();
        self.write(move |connection| {
            Box::pin(async move { last_look(connection, &letter, now).await })
        })
        .await
    }

    /// A relay took the letter.
    ///
    /// # Errors
    /// The database.
    pub async fn handed(
        &self,
        letter: &Claimed,
        note: &str,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let event = Event::TakenAgain { to: letter.order.to };
        self.settle_with(letter, "handed", note, event, now).await
    }

    /// The letter's address is refused for good.
    ///
    /// # Errors
    /// The database.
    pub async fn refused(
        &self,
        letter: &Claimed,
        note: &str,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let event = Event::Refused { to: letter.order.to, kind: letter.order.kind };
        self.settle_with(letter, "refused", note, event, now).await
    }

    async fn settle_with(
        &self,
        letter: &Claimed,
        as_state: &'static str,
        note: &str,
        event: Event,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let (letter, note) = (letter.clone(), note.to_owned());
        self.write(move |connection| {
            Box::pin(async move {
                if !settle(connection, &letter, as_state, Some(&note), now).await? {
                    return Ok(());
                }
                tell_plan(connection, &letter.plan_ref, &event, now).await
            })
        })
        .await
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
        let (id, attempt, note) = (letter.id.clone(), letter.attempt, note.to_owned());
        let text = "UPDATE letters SET state = 'queued', lease_until = NULL, \
                    failures = failures + 1, next_try_at = $1, note = $2 \
                    WHERE id = $3 AND attempt = $4 AND state = 'sending'";
        self.write(move |connection| {
            Box::pin(async move {
                let next_try_at = millis(next_try_at);
                let update = sqlx::query(text).bind(next_try_at).bind(note).bind(id).bind(attempt);
                update.execute(connection).await?;
                Ok(())
            })
        })
        .await
    }

    /// There was no place for an attempt; the letter waits, and nothing has failed.
    ///
    /// # Errors
    /// The database.
    pub async fn put_back(&self, letter: &Claimed, until: DateTime<Utc>) -> Result<(), StoreError> {
        let (id, attempt) = (letter.id.clone(), letter.attempt);
        let text = "UPDATE letters SET state = 'queued', lease_until = NULL, next_try_at = $1 \
                    WHERE id = $2 AND attempt = $3 AND state = 'sending'";
        self.write(move |connection| {
            Box::pin(async move {
                let update = sqlx::query(text).bind(millis(until)).bind(id).bind(attempt);
                update.execute(connection).await?;
                Ok(())
            })
        })
        .await
    }

    /// Writes down a letter that left while the database could not be written: as its row would
    /// be had it been claimed and handed over, so that it does not go a second time.
    ///
    /// # Errors
    /// The database.
    pub async fn record_sent(
        &self,
        plan_ref: &str,
        order: &Order,
        note: &str,
        at: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let (plan_ref, order, note) = (plan_ref.to_owned(), order.clone(), note.to_owned());
        self.write(move |connection| {
            Box::pin(async move { record_sent(connection, &plan_ref, &order, &note, at).await })
        })
        .await
    }
}

/// Letters whose time has come. Where one row's text is no text, the others are read one by one.
async fn claim(
    connection: &mut AnyConnection,
    now: DateTime<Utc>,
    lease: TimeDelta,
    lane: Lane,
    most: u32,
) -> Result<Vec<Claimed>, StoreError> {
    // A time farther ahead than any wait is one that a clock gave out before it was set back.
    let mut ids: Vec<AnyRow> = Vec::new();
    for (state, from, longest) in
        [("queued", "next_try_at", LONGEST_WAIT), ("sending", "lease_until", lease)]
    {
        let left = i64::from(most) - i64::try_from(ids.len()).unwrap_or(i64::MAX);
        let text = format!(
            "SELECT id, plan, recipient FROM letters WHERE state = '{state}' AND lane = $1 \
             AND ({from} <= $2 OR {from} > $4) \
             AND (lane = 0 OR NOT EXISTS (SELECT 1 FROM letters AS ahead \
             WHERE ahead.plan = letters.plan AND ahead.recipient = letters.recipient \
             AND ahead.id <> letters.id AND ahead.state = 'sending' AND ahead.lease_until > $2)) \
             AND NOT (lane = 0 AND EXISTS (SELECT 1 FROM meta \
             WHERE name = 'held-until' AND CAST(value AS BIGINT) > $2)) \
             ORDER BY attempt, scheduled_at, id LIMIT $3"
        );
        let found = sqlx::query(sqlx::AssertSqlSafe(text))
            .bind(lane as i64)
            .bind(millis(now))
            .bind(left)
            .bind(millis(now + longest))
            .fetch_all(&mut *connection)
            .await?;
        ids.extend(found);
    }
    let mut claims = Vec::with_capacity(ids.len());
    let mut written_to = BTreeSet::new();
    for row in &ids {
        let (id, plan_ref): (String, String) = (row.try_get("id")?, row.try_get("plan")?);
        // One letter at a time to a reader, so that none overtakes the one before it. Alerts alone
        // wait for nobody.
        let reader: String = row.try_get("recipient")?;
        if !written_to.insert((plan_ref.clone(), reader)) && lane != Lane::Alert {
            continue;
        }
        match claim_one(connection, &id, &plan_ref, now + lease).await {
            Ok(claim) => claims.push(claim),
            Err(damage) if damage.is_damage() => {
                tracing::error!(letter = id, %damage, "a letter's row can't be read; it is set aside for five minutes");
                set_aside(connection, &id, now + TimeDelta::minutes(5), &damage).await?;
            }
            Err(error) => return Err(error),
        }
    }
    Ok(claims)
}

async fn claim_one(
    connection: &mut AnyConnection,
    id: &str,
    plan_ref: &str,
    lease_until: DateTime<Utc>,
) -> Result<Claimed, StoreError> {
    let row = sqlx::query(
        "UPDATE letters SET state = 'sending', attempt = attempt + 1, lease_until = $1 \
         WHERE id = $2 RETURNING id, plan, round, cause, recipient, kind, scheduled_at, \
         queued_at, attempt, failures",
    )
    .bind(millis(lease_until))
    .bind(id)
    .fetch_one(connection)
    .await
    .map_err(|error| of_row(plan_ref, error))?;
    claimed(&row)
}

async fn last_look(
    connection: &mut AnyConnection,
    letter: &Claimed,
    now: DateTime<Utc>,
) -> Result<LastLook, StoreError> {
    if !holds_lease(connection, letter).await? {
        return Ok(LastLook::LostLease);
    }
    let state = match locked_state(connection, &letter.plan_ref).await {
        Ok(state) => state,
        Err(error) if error.is_damage() => return Ok(LastLook::Send),
        Err(error) => return Err(error),
    };
    if !wanted(&state, &letter.order, now) {
        settle(connection, letter, "dropped", None, now).await?;
        return Ok(LastLook::Dropped);
    }
    if letter.written_from.as_ref().is_some_and(|from| !from.tells_the_same(&state)) {
        return Ok(LastLook::Outdated);
    }
    let event = Event::Handing { to: letter.order.to, kind: letter.order.kind };
    let next = step(&state, &event, now)?;
    if next.changed {
        write_step(connection, &letter.plan_ref, &event, &next, None, now).await?;
    }
    Ok(LastLook::Send)
}

async fn record_sent(
    connection: &mut AnyConnection,
    plan_ref: &str,
    order: &Order,
    note: &str,
    at: DateTime<Utc>,
) -> Result<(), StoreError> {
    insert(connection, plan_ref, std::slice::from_ref(order), at).await?;
    sqlx::query(
        "UPDATE letters SET state = 'handed', lease_until = NULL, settled_at = $1, note = $2 \
         WHERE id = $3 AND state IN ('queued', 'sending')",
    )
    .bind(millis(at))
    .bind(note)
    .bind(letter_id(plan_ref, order))
    .execute(&mut *connection)
    .await?;
    tell_plan(connection, plan_ref, &Event::Tick, at).await?;
    let handing = Event::Handing { to: order.to, kind: order.kind };
    tell_plan(connection, plan_ref, &handing, at).await
}

/// Moves a plan by what became of a letter. One that can't be read keeps nothing back.
async fn tell_plan(
    connection: &mut AnyConnection,
    plan_ref: &str,
    event: &Event,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let state = match locked_state(connection, plan_ref).await {
        Ok(state) => state,
        Err(error) if error.is_damage() => return Ok(()),
        Err(error) => return Err(error),
    };
    let next = step(&state, event, now)?;
    if next.changed {
        write_step(connection, plan_ref, event, &next, None, now).await?;
    }
    Ok(())
}

async fn holds_lease(connection: &mut AnyConnection, letter: &Claimed) -> Result<bool, StoreError> {
    let row =
        sqlx::query("SELECT 1 FROM letters WHERE id = $1 AND attempt = $2 AND state = 'sending'")
            .bind(&letter.id)
            .bind(letter.attempt)
            .fetch_optional(&mut *connection)
            .await?;
    Ok(row.is_some())
}

/// Ends a letter's road, if this attempt still holds it; whether it does.
async fn settle(
    connection: &mut AnyConnection,
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
    .execute(connection)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Puts a row that can't be read out of the way of the others.
async fn set_aside(
    connection: &mut AnyConnection,
    id: &str,
    until: DateTime<Utc>,
    damage: &StoreError,
) -> Result<(), StoreError> {
    sqlx::query(
        "UPDATE letters SET state = 'queued', lease_until = NULL, next_try_at = $1, note = $2 \
         WHERE id = $3",
    )
    .bind(millis(until))
    .bind(damage.to_string())
    .bind(id)
    .execute(connection)
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
        written_from: None,
        plan_ref,
    })
}
