//! Claiming the letters whose time has come, each for one attempt until its lease runs out.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Executor, Row};

use super::error::of_row;
use super::letters::{Lane, word};
use super::{Store, StoreError, damaged, instant, list, millis};
use crate::watch::{Order, Watched};

/// No letter waits longer than this for its next attempt.
const LONGEST_WAIT: TimeDelta = TimeDelta::minutes(10);
/// How long a letter is left alone whose row can't be read.
const ASIDE: TimeDelta = TimeDelta::minutes(5);

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
    /// Whether its address was refused before, and it is tried again all the same.
    pub refused_before: bool,
    /// The state of the plan from which the letter was written, once it is: the last look holds
    /// it against the plan as it then stands.
    pub written_from: Option<Box<Watched>>,
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
        self.claim_lanes(now, lease, &[Lane::Alert, Lane::Turn, Lane::Word], most).await
    }

    /// The same from these lanes alone, one after the other. In each of them those tried least
    /// often go first, and among them the longest due: so letters that fail again and again never
    /// stand in the way of a new one.
    ///
    /// # Errors
    /// The database.
    pub async fn claim_lanes(
        &self,
        now: DateTime<Utc>,
        lease: TimeDelta,
        lanes: &'static [Lane],
        most: u32,
    ) -> Result<Vec<Claimed>, StoreError> {
        self.write(move |connection| {
            Box::pin(async move {
                let mut claims = Vec::new();
                for lane in lanes {
                    let left = i64::from(most) - i64::try_from(claims.len()).unwrap_or(i64::MAX);
                    if left > 0 {
                        claims.extend(claim(connection, now, lease, *lane, left).await?);
                    }
                }
                Ok(claims)
            })
        })
        .await
    }
}

async fn claim(
    connection: &mut AnyConnection,
    now: DateTime<Utc>,
    lease: TimeDelta,
    lane: Lane,
    most: i64,
) -> Result<Vec<Claimed>, StoreError> {
    let due = due(connection, now, lease, lane, most).await?;
    if due.is_empty() {
        return Ok(Vec::new());
    }
    connection.execute("SAVEPOINT claims").await?;
    let together = claim_together(connection, &due, now + lease).await;
    if together.as_ref().is_err_and(StoreError::may_be_of_one_row) {
        connection.execute("ROLLBACK TO claims").await?;
        return claim_each(connection, &due, now, lease).await;
    }
    connection.execute("RELEASE claims").await?;
    together
}

/// A letter whose time has come.
struct Due {
    id: String,
    plan_ref: String,
    reader: String,
}

/// Letters of one lane whose time has come. One at a time to a reader, so that none overtakes the
/// one before it; alerts alone wait for nobody.
async fn due(
    connection: &mut AnyConnection,
    now: DateTime<Utc>,
    lease: TimeDelta,
    lane: Lane,
    most: i64,
) -> Result<Vec<Due>, StoreError> {
    let mut due = Vec::new();
    let mut written_to = BTreeSet::new();
    // A time farther ahead than any wait is one that a clock gave out before it was set back.
    for (state, from, longest) in
        [("queued", "next_try_at", LONGEST_WAIT), ("sending", "lease_until", lease)]
    {
        let left = most - i64::try_from(due.len()).unwrap_or(i64::MAX);
        // No order among those of one time: it would have to read all that are due at once.
        let whose = format!(
            "FROM letters WHERE state = '{state}' AND lane = $1 \
             AND ({from} <= $2 OR {from} > $4) \
             AND (lane = 0 OR NOT EXISTS (SELECT 1 FROM letters AS ahead \
             WHERE ahead.plan = letters.plan AND ahead.recipient = letters.recipient \
             AND ahead.id <> letters.id AND ahead.state = 'sending' AND ahead.lease_until > $2)) \
             AND NOT (lane = 0 AND EXISTS (SELECT 1 FROM meta \
             WHERE name = 'held-until' AND CAST(value AS BIGINT) > $2)) \
             ORDER BY attempt, scheduled_at LIMIT $3"
        );
        let times = [millis(now), left, millis(now + longest)];
        let found =
            match read(connection, &format!("id, plan, recipient {whose}"), lane, times).await {
                Err(error) if error.may_be_of_one_row() => {
                    read_each(connection, &format!("id {whose}"), lane, times, now).await?
                }
                found => found?,
            };
        for letter in found {
            let reader = (letter.plan_ref.clone(), letter.reader.clone());
            if written_to.insert(reader) || lane == Lane::Alert {
                due.push(letter);
            }
        }
    }
    Ok(due)
}

async fn read(
    connection: &mut AnyConnection,
    what: &str,
    lane: Lane,
    times: [i64; 3],
) -> Result<Vec<Due>, StoreError> {
    let rows = select(connection, what, lane, times).await?;
    rows.iter().map(due_letter).collect()
}

/// Where one row's text is no text, each is read by itself.
async fn read_each(
    connection: &mut AnyConnection,
    what: &str,
    lane: Lane,
    times: [i64; 3],
    now: DateTime<Utc>,
) -> Result<Vec<Due>, StoreError> {
    let mut due = Vec::new();
    for row in select(connection, what, lane, times).await? {
        let id: String = row.try_get("id")?;
        let row = sqlx::query("SELECT id, plan, recipient FROM letters WHERE id = $1")
            .bind(&id)
            .fetch_one(&mut *connection)
            .await;
        match row.map_err(StoreError::from).and_then(|row| due_letter(&row)) {
            Ok(letter) => due.push(letter),
            Err(damage) if damage.may_be_of_one_row() => {
                set_aside(connection, &id, now + ASIDE, &damage).await?;
            }
            Err(error) => return Err(error),
        }
    }
    Ok(due)
}

async fn select(
    connection: &mut AnyConnection,
    what: &str,
    lane: Lane,
    [now, most, longest]: [i64; 3],
) -> Result<Vec<AnyRow>, StoreError> {
    let select = sqlx::query(sqlx::AssertSqlSafe(format!("SELECT {what}")));
    let select = select.bind(lane as i64).bind(now).bind(most).bind(longest);
    Ok(select.fetch_all(connection).await?)
}

fn due_letter(row: &AnyRow) -> Result<Due, StoreError> {
    Ok(Due {
        id: row.try_get("id")?,
        plan_ref: row.try_get("plan")?,
        reader: row.try_get("recipient")?,
    })
}

const CLAIM: &str = "UPDATE letters SET state = 'sending', attempt = attempt + 1, lease_until = $1";
const CLAIMED: &str = "RETURNING id, plan, round, cause, recipient, kind, scheduled_at, queued_at, \
     settled_at, attempt, failures";

async fn claim_together(
    connection: &mut AnyConnection,
    due: &[Due],
    lease_until: DateTime<Utc>,
) -> Result<Vec<Claimed>, StoreError> {
    let text = format!("{CLAIM} WHERE id IN ({}) {CLAIMED}", list(2, due.len()));
    let mut update = sqlx::query(sqlx::AssertSqlSafe(text)).bind(millis(lease_until));
    for letter in due {
        update = update.bind(&letter.id);
    }
    let rows = update.fetch_all(connection).await?;
    let mut claims = BTreeMap::new();
    for row in &rows {
        let claim = claimed(row)?;
        claims.insert(claim.id.clone(), claim);
    }
    Ok(due.iter().filter_map(|letter| claims.remove(&letter.id)).collect())
}

/// Where one row's text is no text, the others are claimed one by one.
async fn claim_each(
    connection: &mut AnyConnection,
    due: &[Due],
    now: DateTime<Utc>,
    lease: TimeDelta,
) -> Result<Vec<Claimed>, StoreError> {
    let mut claims = Vec::with_capacity(due.len());
    for Due { id, plan_ref, .. } in due {
        match claim_one(connection, id, plan_ref, now + lease).await {
            Ok(claim) => claims.push(claim),
            Err(damage) if damage.may_be_of_one_row() => {
                set_aside(connection, id, now + ASIDE, &damage).await?;
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
    let row = sqlx::query(sqlx::AssertSqlSafe(format!("{CLAIM} WHERE id = $2 {CLAIMED}")))
        .bind(millis(lease_until))
        .bind(id)
        .fetch_one(connection)
        .await
        .map_err(|error| of_row(plan_ref, error))?;
    claimed(&row)
}

/// Puts a row that can't be read out of the way of the others.
async fn set_aside(
    connection: &mut AnyConnection,
    id: &str,
    until: DateTime<Utc>,
    damage: &StoreError,
) -> Result<(), StoreError> {
    tracing::error!(letter = id, %damage, "a letter's row can't be read; it is set aside for five minutes");
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
        refused_before: row.try_get::<Option<i64>, _>("settled_at")?.is_some(),
        written_from: None,
        plan_ref,
    })
}
