//! The letters owed, and how far each has come.

use chrono::{DateTime, Utc};
use sha2::{Digest, Sha256};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

use super::batch::Batch;
use super::way::{End, insertion};
use super::{Store, StoreError, damaged, instant, millis};
use crate::watch::{Kind, Order, Recipient, Watched};

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
            Kind::Filed
            | Kind::Reminder
            | Kind::Due
            | Kind::News
            | Kind::Trouble
            | Kind::Confirm
            | Kind::Drill => Lane::Word,
        }
    }
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

    /// Its name in the database.
    pub(super) fn stored(self) -> &'static str {
        match self {
            LetterState::Queued => "queued",
            LetterState::Sending => "sending",
            LetterState::Handed => "handed",
            LetterState::Refused => "refused",
            LetterState::Dropped => "dropped",
        }
    }

    fn read(text: &str) -> Option<Self> {
        let all = [
            LetterState::Queued,
            LetterState::Sending,
            LetterState::Handed,
            LetterState::Refused,
            LetterState::Dropped,
        ];
        all.into_iter().find(|state| state.stored() == text)
    }
}

/// A letter's id: the hash of its key, the same for every attempt.
#[must_use]
pub fn letter_id(plan_ref: &str, order: &Order) -> String {
    let Order { round, cause, to, kind, .. } = order;
    let hash = Sha256::digest(format!("{plan_ref} {round} {cause} {to} {kind}"));
    hash.iter().take(16).map(|byte| format!("{byte:02x}")).collect()
}

/// Drops the letters that a plan in this state no longer owes and that wait for an attempt: they
/// must neither count as waiting nor ask for a place. What is under way is left to its last look.
pub(super) async fn drop_void(
    connection: &mut AnyConnection,
    plan_ref: &str,
    state: &Watched,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let void = if state.is_closed() {
        "kind IN ('filed', 'reminder', 'due', 'overdue', 'call-rescue', 'confirm', 'drill')"
    } else {
        "kind IN ('reminder', 'due', 'overdue', 'call-rescue') AND round < $3"
    };
    let text = format!(
        "UPDATE letters SET state = 'dropped', settled_at = $1 \
         WHERE plan = $2 AND state = 'queued' AND {void}"
    );
    let update = sqlx::query(sqlx::AssertSqlSafe(text)).bind(millis(now)).bind(plan_ref);
    let update = if state.is_closed() { update } else { update.bind(i64::from(state.round)) };
    update.execute(connection).await?;
    Ok(())
}

/// Queues letters, each with its plan; one that is there already stays as it is.
pub(super) async fn insert(
    connection: &mut AnyConnection,
    owed: &[(&str, &Order)],
    now: DateTime<Utc>,
    end: End,
) -> Result<(), StoreError> {
    let mut batch = Batch::default();
    add(&mut batch, owed, now, end);
    batch.execute(connection).await
}

/// The same, as one of several statements.
pub(super) fn add(batch: &mut Batch, owed: &[(&str, &Order)], now: DateTime<Utc>, end: End) {
    let rows = owed.iter().map(|(plan_ref, order)| {
        [
            letter_id(plan_ref, order).into(),
            (*plan_ref).into(),
            i64::from(order.round).into(),
            order.cause.to_string().into(),
            order.to.to_string().into(),
            order.kind.name().into(),
            (Lane::from(order.kind) as i64).into(),
            millis(order.scheduled_at).into(),
            millis(now).into(),
            "queued".into(),
            0.into(),
            0.into(),
            millis(now).into(),
        ]
    });
    let columns = "id, plan, round, cause, recipient, kind, lane, scheduled_at, queued_at, state, \
                   attempt, failures, next_try_at";
    let (before, after) = insertion("letters", columns, end);
    batch.add(&before, rows, &format!("{after} ON CONFLICT DO NOTHING"));
}

impl Store {
    /// When the next letter can be claimed.
    ///
    /// # Errors
    /// The database.
    pub async fn next_letter_at(&self) -> Result<Option<DateTime<Utc>>, StoreError> {
        let row = sqlx::query(
            "SELECT MIN(CASE WHEN state = 'queued' THEN next_try_at ELSE lease_until END) AS next \
             FROM letters WHERE state = 'queued' OR state = 'sending'",
        )
        .fetch_one(&self.own_reader)
        .await?;
        row.try_get::<Option<i64>, _>("next")?.map(super::from_millis).transpose()
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
             WHERE (state = 'queued' OR state = 'sending') AND lane = 0",
        )
        .fetch_one(&self.readers)
        .await?;
        row.try_get::<Option<i64>, _>("oldest")?.map(super::from_millis).transpose()
    }
}

fn fate(row: &AnyRow, plan_ref: &str) -> Result<LetterFate, StoreError> {
    let state: String = row.try_get("state")?;
    let settled_at: Option<i64> = row.try_get("settled_at")?;
    let state = LetterState::read(&state)
        .ok_or_else(|| damaged(plan_ref, "a letter is in no state of ours"))?;
    // One that waits though it was settled was refused, and is tried again all the same.
    let state = match state {
        LetterState::Queued | LetterState::Sending if settled_at.is_some() => LetterState::Refused,
        state => state,
    };
    Ok(LetterFate {
        to: word(row, "recipient", plan_ref)?,
        kind: word(row, "kind", plan_ref)?,
        state,
        queued_at: instant(row, "queued_at")?,
        settled_at: settled_at.map(super::from_millis).transpose()?,
        note: row.try_get("note")?,
    })
}

/// A column that holds one of our own words.
pub(super) fn word<T: std::str::FromStr>(
    row: &AnyRow,
    column: &str,
    plan_ref: &str,
) -> Result<T, StoreError> {
    let text: String = row.try_get(column)?;
    // Not what it is: this goes into the log.
    text.parse().map_err(|_| damaged(plan_ref, format!("{column} is no word of ours")))
}
