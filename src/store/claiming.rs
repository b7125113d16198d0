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
        self.claim_in_turn(now, lease, lanes, most, Vec::new()).await
    }

    /// The same, but that in each lane letters of plans which these keys filed wait for all others'.
    ///
    /// # Errors
    /// The database.
    pub async fn claim_in_turn(
        &self,
        now: DateTime<Utc>,
        lease: TimeDelta,
        lanes: &'static [Lane],
        most: u32,
        behind: Vec<String>,
    ) -> Result<Vec<Claimed>, StoreError> {
        let turns = if behind.is_empty() { vec![behind] } else { vec![behind, Vec::new()] };
        let claimed = self
            .write(move |connection| {
                let turns = turns.clone();
                Box::pin(async move {
                    let mut claims = Vec::new();
                    for lane in lanes {
                        for behind in &turns {
                            let most = left_of(i64::from(most), claims.len());
                            if most > 0 {
                                let look = Look { now, lease, lane: *lane, most, behind };
                                claims.extend(claim(connection, look).await?);
                            }
                        }
                    }
                    Ok(claims)
                })
            })
            .await;
        match claimed {
            Err(error) if error.is_of_a_page() => {
                self.claim_around_damage(now, lease, lanes, most).await
            }
            claimed => claimed,
        }
    }

    /// The same where a page can't be read or written: each letter is claimed by a change of its
    /// own, and those that can't be are ordered anew.
    async fn claim_around_damage(
        &self,
        now: DateTime<Utc>,
        lease: TimeDelta,
        lanes: &[Lane],
        most: u32,
    ) -> Result<Vec<Claimed>, StoreError> {
        let mut reader = self.readers.acquire().await?;
        let (mut waiting, mut lost) = (Vec::new(), Vec::new());
        for lane in lanes {
            let most = left_of(i64::from(most), waiting.len());
            if most > 0 {
                let look = Look { now, lease, lane: *lane, most, behind: &[] };
                waiting.extend(due(&mut reader, look, Some(&mut lost)).await?);
            }
        }
        let mut claims = Vec::with_capacity(waiting.len());
        for Due { id, plan_ref, .. } in waiting {
            let (letter, until) = (id.clone(), now + lease);
            let claim = self.write(move |connection| {
                Box::pin(async move { claim_one(connection, &letter, &plan_ref, until).await })
            });
            match claim.await {
                Ok(claim) => claims.push(claim),
                Err(page) if page.is_of_a_page() => lost.extend(number_of(&mut reader, &id).await?),
                Err(damage) if damage.may_be_of_one_row() => {
                    let row = LetterRow::Id(&id);
                    set_aside(&mut reader, row, now + ASIDE, &damage).await?;
                }
                Err(error) => return Err(error),
            }
        }
        drop(reader);
        self.order_lost_anew(lost, now).await;
        Ok(claims)
    }
}

fn left_of(most: i64, taken: usize) -> i64 {
    most - i64::try_from(taken).unwrap_or(i64::MAX)
}

/// One look for letters whose time has come.
#[derive(Clone, Copy)]
struct Look<'a> {
    now: DateTime<Utc>,
    /// For how long each is claimed.
    lease: TimeDelta,
    lane: Lane,
    most: i64,
    /// The keys whose plans' letters are passed over.
    behind: &'a [String],
}

async fn claim(connection: &mut AnyConnection, look: Look<'_>) -> Result<Vec<Claimed>, StoreError> {
    let Look { now, lease, .. } = look;
    let due = due(connection, look, None).await?;
    if due.is_empty() {
        return Ok(Vec::new());
    }
    connection.execute("SAVEPOINT claims").await?;
    let together = claim_together(connection, &due, now + lease).await;
    let of_one_row = |error: &StoreError| error.may_be_of_one_row() && !error.is_of_a_page();
    if together.as_ref().is_err_and(of_one_row) {
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
/// one before it; alerts alone wait for nobody. A page that can't be read is an error, unless its rows
/// may be put among the lost.
async fn due(
    connection: &mut AnyConnection,
    look: Look<'_>,
    mut lost: Option<&mut Vec<i64>>,
) -> Result<Vec<Due>, StoreError> {
    let Look { now, lease, lane, most, behind } = look;
    let mut due = Vec::new();
    let mut written_to = BTreeSet::new();
    // A time farther ahead than any wait is one that a clock gave out before it was set back.
    for (state, from, longest) in
        [("queued", "next_try_at", LONGEST_WAIT), ("sending", "lease_until", lease)]
    {
        let left = left_of(most, due.len());
        // No order among those of one time: it would have to read all that are due at once.
        let whose = format!(
            "state = '{state}' AND lane = $1 \
             AND ({from} <= $2 OR {from} > $4) \
             AND (lane = 0 OR NOT EXISTS (SELECT 1 FROM letters AS ahead \
             WHERE ahead.plan = letters.plan AND ahead.recipient = letters.recipient \
             AND ahead.id <> letters.id AND ahead.state = 'sending' AND ahead.lease_until > $2)) \
             AND NOT (lane = 0 AND EXISTS (SELECT 1 FROM meta \
             WHERE name = 'held-until' AND CAST(value AS BIGINT) > $2))"
        );
        let times = [millis(now), left, millis(now + longest)];
        let found = match read(connection, &whose, lane, times, behind).await {
            Err(page) if page.is_of_a_page() && lost.is_none() => return Err(page),
            Err(error) if error.may_be_of_one_row() => {
                let (waiting, lost) = (waiting(state), lost.as_deref_mut());
                read_each(connection, (&waiting, &whose), lane, times, now, lost).await?
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
    whose: &str,
    lane: Lane,
    times: [i64; 3],
    behind: &[String],
) -> Result<Vec<Due>, StoreError> {
    let of_others = match behind.len() {
        0 => String::new(),
        keys => format!(
            "AND plan NOT IN (SELECT ref FROM plans WHERE closed_at IS NULL AND key_id IN ({}))",
            list(5, keys)
        ),
    };
    let what = format!(
        "SELECT id, plan, recipient FROM letters WHERE {whose} {of_others} \
         ORDER BY attempt, scheduled_at LIMIT $3"
    );
    let select = bind(sqlx::query(sqlx::AssertSqlSafe(what)), lane, times);
    let select = behind.iter().fold(select, |select, key| select.bind(key));
    let rows = select.fetch_all(connection).await?;
    rows.iter().map(due_letter).collect()
}

/// The rows of the letters in a state, by the index alone.
fn waiting(state: &str) -> String {
    format!(
        "SELECT rowid FROM letters WHERE state = '{state}' AND lane = $1 \
         ORDER BY attempt, scheduled_at"
    )
}

/// Where one row's text is no text, or its page can't be read, each is read by itself: the index
/// alone tells which wait.
async fn read_each(
    connection: &mut AnyConnection,
    (waiting, whose): (&str, &str),
    lane: Lane,
    times: [i64; 3],
    now: DateTime<Utc>,
    mut lost: Option<&mut Vec<i64>>,
) -> Result<Vec<Due>, StoreError> {
    let one = format!("SELECT id, plan, recipient FROM letters WHERE rowid = $3 AND {whose}");
    let rows = sqlx::query(sqlx::AssertSqlSafe(waiting.to_owned())).bind(lane as i64);
    let rows = rows.fetch_all(&mut *connection).await?;
    let mut due = Vec::new();
    for row in rows {
        if i64::try_from(due.len()).unwrap_or(i64::MAX) >= times[1] {
            break;
        }
        let (number, times): (i64, _) = (row.try_get(0)?, [times[0], row.try_get(0)?, times[2]]);
        let select = bind(sqlx::query(sqlx::AssertSqlSafe(one.clone())), lane, times);
        let row = select.fetch_optional(&mut *connection).await.map_err(StoreError::from);
        match row.and_then(|row| row.as_ref().map(due_letter).transpose()) {
            Ok(letter) => due.extend(letter),
            Err(page) if page.is_unsound() => match &mut lost {
                Some(lost) => lost.push(number),
                None => return Err(page),
            },
            Err(damage) if damage.may_be_of_one_row() => {
                set_aside(connection, LetterRow::Number(number), now + ASIDE, &damage).await?;
            }
            Err(error) => return Err(error),
        }
    }
    Ok(due)
}

fn bind<'q>(
    select: sqlx::query::Query<'q, sqlx::Any, sqlx::any::AnyArguments>,
    lane: Lane,
    [now, third, longest]: [i64; 3],
) -> sqlx::query::Query<'q, sqlx::Any, sqlx::any::AnyArguments> {
    select.bind(lane as i64).bind(now).bind(third).bind(longest)
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
                set_aside(connection, LetterRow::Id(id), now + ASIDE, &damage).await?;
            }
            Err(error) => return Err(error),
        }
    }
    Ok(claims)
}

/// The number of a letter's row, by the index of ids alone.
async fn number_of(connection: &mut AnyConnection, id: &str) -> Result<Option<i64>, StoreError> {
    let select = sqlx::query("SELECT rowid FROM letters WHERE id = $1").bind(id);
    Ok(select.fetch_optional(connection).await?.map(|row| row.try_get(0)).transpose()?)
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

/// What names a letter's row.
enum LetterRow<'a> {
    Id(&'a str),
    /// SQLite's number, where the id may be no text.
    Number(i64),
}

/// Puts a row that can't be read out of the way of the others.
async fn set_aside(
    connection: &mut AnyConnection,
    row: LetterRow<'_>,
    until: DateTime<Utc>,
    damage: &StoreError,
) -> Result<(), StoreError> {
    tracing::error!(%damage, "a letter's row can't be read; it is set aside for five minutes");
    let name = match &row {
        LetterRow::Id(_) => "id",
        LetterRow::Number(_) => "rowid",
    };
    let update = sqlx::query(sqlx::AssertSqlSafe(format!(
        "UPDATE letters SET state = 'queued', lease_until = NULL, next_try_at = $1, note = $2 \
         WHERE {name} = $3"
    )));
    let update = update.bind(millis(until)).bind(damage.to_string());
    let update = match row {
        LetterRow::Id(id) => update.bind(id),
        LetterRow::Number(number) => update.bind(number),
    };
    update.execute(connection).await?;
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
