//! Plans that can't be read: the watch leaves them alone, and their contacts get plain letters.
//!
//! Such a plan has no state to step through, so it has a ladder of its own: `overdue` when the
//! crew is overdue by the spare copy, `call-rescue` half an hour later and then every hour for a
//! day. Nothing but the keeper can end it.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::{AnyConnection, Row};

use super::guarded::guarded_over;
use super::spare::{Card, number, read};
use super::way::{End, Spares, by_any_way};
use super::{Store, StoreError, from_millis, letters, millis, plans};
use crate::watch::{Cause, Event, Kind, Order, Recipient, next_wakeup, step};

/// From the plain `overdue` to the first plain `call-rescue`.
const UNTIL_CALL: TimeDelta = TimeDelta::minutes(30);
const BETWEEN_CALLS: TimeDelta = TimeDelta::hours(1);
/// No plain alert but the first waits longer for its time; a clock that is put right goes back a little.
const LONGEST_WAIT: TimeDelta = TimeDelta::minutes(61);
/// How many plain alerts go out: a day's worth. Their numbers go on for ever, a day's worth a turn.
const MOST_ALERTS: u32 = 25;
/// The keeper is told of one plan at most once in this time.
const BETWEEN_TROUBLES: TimeDelta = TimeDelta::hours(1);
/// A return this far ahead is no time that anybody filed.
const FARTHEST_RETURN: TimeDelta = TimeDelta::days(366);

/// A plan that can't be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Quarantined {
    /// Its ref.
    pub plan_ref: String,
    /// What is wrong with it.
    pub why: String,
    /// When that was found.
    pub found_at: DateTime<Utc>,
}

impl Store {
    /// Sets a plan aside that can't be read, and owes its keeper a letter. Whether it was not set
    /// aside before.
    ///
    /// # Errors
    /// The database.
    pub async fn quarantine(
        &self,
        plan_ref: &str,
        why: &str,
        now: DateTime<Utc>,
    ) -> Result<bool, StoreError> {
        // Read beside the writer: a connection that met a damaged page may not write after it.
        let turn = {
            let mut reader = self.readers.acquire().await?;
            turn(&mut reader, plan_ref, now).await?
        };
        by_any_way(plan_ref, |way| {
            let (plan_ref, why) = (plan_ref.to_owned(), why.to_owned());
            self.write(move |connection| {
                Box::pin(
                    async move { set_aside(connection, &plan_ref, &why, turn, now, way.end).await },
                )
            })
        })
        .await
    }

    /// Orders the plain alerts of the plans set aside whose time has come; how many letters.
    ///
    /// # Errors
    /// The first that was met; it keeps no other plan's back.
    pub async fn alert_quarantined(&self, now: DateTime<Utc>) -> Result<usize, StoreError> {
        let due = sqlx::query("SELECT plan FROM quarantine WHERE next_at <= $1 LIMIT 1000")
            .bind(millis(now))
            .fetch_all(&self.own_reader)
            .await?;
        let due = due.iter().map(|row| row.try_get("plan"));
        let mut due = due.collect::<Result<Vec<String>, sqlx::Error>>()?;
        let (mut ordered, mut trouble) = (0, None);
        match self.waiting_too_long(now).await {
            Ok(more) => due.extend(more),
            Err(error) => trouble = Some(error),
        }
        for plan_ref in due {
            match self.alert_plainly(plan_ref, now).await {
                Ok(letters) => ordered += letters,
                Err(error) => {
                    tracing::error!(%error, "a plain alert of a plan set aside can't be ordered");
                    trouble = trouble.or(Some(error));
                }
            }
        }
        trouble.map_or(Ok(ordered), Err)
    }

    /// The plans set aside that are overdue, and whose next plain alert is farther ahead than any pause: a
    /// clock told its time that was set back since.
    async fn waiting_too_long(&self, now: DateTime<Utc>) -> Result<Vec<String>, StoreError> {
        let ahead = format!(
            "SELECT plan FROM quarantine WHERE next_at > $1 AND alerts % {MOST_ALERTS} <> 0 \
             LIMIT 1000"
        );
        let ahead = sqlx::query_scalar::<_, String>(sqlx::AssertSqlSafe(ahead));
        let mut reader = self.own_reader.acquire().await?;
        let ahead = ahead.bind(millis(now + LONGEST_WAIT)).fetch_all(&mut *reader).await?;
        let mut waiting = Vec::new();
        for plan_ref in ahead {
            // In doubt it is: it was alerted before.
            let overdue_at = first_alert_at(&mut reader, &plan_ref, now).await;
            if overdue_at.map_or(true, |at| at.is_some_and(|at| at <= now)) {
                waiting.push(plan_ref);
            }
        }
        Ok(waiting)
    }

    async fn alert_plainly(
        &self,
        plan_ref: String,
        now: DateTime<Utc>,
    ) -> Result<usize, StoreError> {
        let card = self.spare(&plan_ref).await?.card.unwrap_or_default();
        by_any_way(&plan_ref, |way| {
            let (plan_ref, card) = (plan_ref.clone(), card.clone());
            self.write(move |connection| {
                Box::pin(async move { alert(connection, &plan_ref, &card, now, way.end).await })
            })
        })
        .await
    }

    /// The plans set aside.
    ///
    /// # Errors
    /// The database.
    pub async fn quarantined(&self) -> Result<Vec<Quarantined>, StoreError> {
        let rows =
            sqlx::query("SELECT plan, why, found_at FROM quarantine ORDER BY found_at, plan")
                .fetch_all(&self.readers)
                .await?;
        rows.iter()
            .map(|row| {
                Ok(Quarantined {
                    plan_ref: row.try_get("plan")?,
                    why: row.try_get("why")?,
                    found_at: super::instant(row, "found_at")?,
                })
            })
            .collect()
    }

    /// Takes a plan back under the watch, when its row has been mended; whether it could be read,
    /// and moved. One over which the program fails would only be set aside again.
    ///
    /// # Errors
    /// The database.
    pub async fn release(&self, plan_ref: &str, now: DateTime<Utc>) -> Result<bool, StoreError> {
        let plan_ref = plan_ref.to_owned();
        let release = self.write(move |connection| {
            Box::pin(async move {
                let state = plans::locked_state(connection, &plan_ref).await?;
                guarded_over(&plan_ref, || {
                    // Whatever follows from it, what counts is that it comes back.
                    let _ = (step(&state, &Event::Tick, now), next_wakeup(&state));
                    Ok(())
                })?;
                plans::write_times(connection, &plan_ref, &state, Spares::Follow).await?;
                sqlx::query("DELETE FROM quarantine WHERE plan = $1")
                    .bind(&plan_ref)
                    .execute(connection)
                    .await?;
                Ok(())
            })
        });
        match release.await {
            Ok(()) => Ok(true),
            Err(error) if error.is_damage() => Ok(false),
            Err(error) => Err(error),
        }
    }
}

/// With what a plan's plain letters go on from those of the times that it was set aside before: a
/// letter's id is that of its number, and one that is in the post already is not ordered again.
#[derive(Clone, Copy)]
struct Turn {
    /// The number of the next plain alert.
    alert: u32,
    next_at: Option<DateTime<Utc>>,
    /// The number of the letter to the keeper, unless one has just gone.
    trouble: Option<u32>,
}

async fn set_aside(
    connection: &mut AnyConnection,
    plan_ref: &str,
    why: &str,
    turn: Turn,
    now: DateTime<Utc>,
    end: End,
) -> Result<bool, StoreError> {
    let done = sqlx::query(
        "INSERT INTO quarantine (plan, found_at, why, alerts, next_at) \
         VALUES ($1, $2, $3, $4, $5) ON CONFLICT (plan) DO NOTHING",
    )
    .bind(plan_ref)
    .bind(millis(now))
    .bind(why)
    .bind(i64::from(turn.alert))
    .bind(turn.next_at.map(millis))
    .execute(&mut *connection)
    .await?;
    if done.rows_affected() == 0 {
        return Ok(false);
    }
    if let Some(number) = turn.trouble {
        let trouble = order(Recipient::Keeper, Kind::Trouble, number, now);
        letters::insert(connection, &[(plan_ref, &trouble)], now, end).await?;
    }
    Ok(true)
}

/// The numbers alone are read from an index, so that they are there where letters' rows are not.
const NEXT_ALERT: &str = "SELECT MAX(CAST(SUBSTR(cause, 6) AS BIGINT)) + 1 FROM letters \
     WHERE plan = $1 AND round = 0 AND kind IN ('overdue', 'call-rescue')";
const LAST_ALERT_AT: &str = "SELECT MAX(queued_at) FROM letters \
     WHERE plan = $1 AND round = 0 AND kind IN ('overdue', 'call-rescue')";
const NEXT_TROUBLE: &str = "SELECT MAX(CAST(SUBSTR(cause, 6) AS BIGINT)) + 1 FROM letters \
     WHERE plan = $1 AND round = 0 AND kind = 'trouble'";
const LAST_TROUBLE_AT: &str =
    "SELECT MAX(queued_at) FROM letters WHERE plan = $1 AND round = 0 AND kind = 'trouble'";

async fn turn(
    connection: &mut AnyConnection,
    plan_ref: &str,
    now: DateTime<Utc>,
) -> Result<Turn, StoreError> {
    let at = |millis: Option<i64>| millis.and_then(|millis| from_millis(millis).ok());
    let following = |number: Option<i64>| number.and_then(|one| u32::try_from(one).ok());
    let told_at = at(number(connection, plan_ref, LAST_TROUBLE_AT).await?);
    let told_lately = told_at.is_some_and(|at| at <= now && now < at + BETWEEN_TROUBLES);
    let trouble = following(number(connection, plan_ref, NEXT_TROUBLE).await?).unwrap_or(0);
    let trouble = (!told_lately).then_some(trouble);
    let first_at = first_alert_at(connection, plan_ref, now).await?;
    let Some(alert) = following(number(connection, plan_ref, NEXT_ALERT).await?) else {
        return Ok(Turn { alert: 0, next_at: first_at, trouble });
    };
    let last_at = at(number(connection, plan_ref, LAST_ALERT_AT).await?);
    let turn = match (first_at, last_at) {
        // They were of another return time.
        (Some(first), Some(last)) if last < first => {
            Turn { alert: alert.next_multiple_of(MOST_ALERTS), next_at: first_at, trouble }
        }
        (Some(first), Some(last)) => {
            let next_at = last.min(now) + pause_after(alert.saturating_sub(1));
            Turn { alert, next_at: Some(next_at.max(first)), trouble }
        }
        (next_at, _) => Turn { alert, next_at, trouble },
    };
    Ok(turn)
}

/// How long after the plain alert of this number the next one goes.
fn pause_after(number: u32) -> TimeDelta {
    if number.is_multiple_of(MOST_ALERTS) { UNTIL_CALL } else { BETWEEN_CALLS }
}

/// When the plain `overdue` goes: never before the crew is overdue, so not at all while that is
/// unknown. A plan counts as closed only where both copies say so.
async fn first_alert_at(
    connection: &mut AnyConnection,
    plan_ref: &str,
    now: DateTime<Utc>,
) -> Result<Option<DateTime<Utc>>, StoreError> {
    let wake = "SELECT wake_at FROM spares WHERE plan = $1";
    let open = "SELECT 1 FROM plans WHERE ref = $1 AND closed_at IS NULL";
    let closed = number(connection, plan_ref, wake).await?.is_none()
        && number(connection, plan_ref, open).await?.is_none();
    if closed {
        return Ok(None);
    }
    let filed = "SELECT filed_at FROM plans WHERE ref = $1";
    let filed_at = number(connection, plan_ref, filed).await?;
    let filed_at = filed_at.and_then(|millis| from_millis(millis).ok()).unwrap_or_default();
    let overdue_at = read(connection, plan_ref).await?.overdue_at;
    Ok(overdue_at.filter(|at| *at >= filed_at && *at <= now + FARTHEST_RETURN))
}

async fn alert(
    connection: &mut AnyConnection,
    plan_ref: &str,
    card: &Card,
    now: DateTime<Utc>,
    end: End,
) -> Result<usize, StoreError> {
    let sent = number(connection, plan_ref, "SELECT alerts FROM quarantine WHERE plan = $1");
    let sent = sent.await?.and_then(|sent| u32::try_from(sent).ok()).unwrap_or(0);
    let kind = if sent.is_multiple_of(MOST_ALERTS) { Kind::Overdue } else { Kind::CallRescue };
    let asked = (0..card.contacts.len()).filter(|at| !card.not_asked.contains(at));
    let orders: Vec<Order> =
        asked.map(|at| order(Recipient::Contact(at), kind, sent, now)).collect();
    let owed: Vec<_> = orders.iter().map(|order| (plan_ref, order)).collect();
    letters::insert(connection, &owed, now, end).await?;
    let following = sent.saturating_add(1);
    let goes_on = !following.is_multiple_of(MOST_ALERTS);
    let next_at = goes_on.then(|| millis(now + pause_after(sent)));
    sqlx::query("UPDATE quarantine SET alerts = $1, next_at = $2 WHERE plan = $3")
        .bind(i64::from(following))
        .bind(next_at)
        .bind(plan_ref)
        .execute(connection)
        .await?;
    Ok(orders.len())
}

/// A letter outside every round: rounds begin with 1.
fn order(to: Recipient, kind: Kind, number: u32, now: DateTime<Utc>) -> Order {
    Order { round: 0, cause: Cause::Repeat(number), to, kind, scheduled_at: now }
}
