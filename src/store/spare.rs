//! What is kept twice of a plan, so that its alert goes out when its row can't be read.
//!
//! The first state lets the present one be folded again from the events; the card tells whom to
//! write to when even that fails.

use std::fmt;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use sqlx::{AnyConnection, Row};

use super::error::of_row;
use super::guarded::guarded_over;
use super::history::history;
use super::plans::{json, to_json};
use super::{Store, StoreError, damaged, from_millis, millis};
use crate::measure::Position;
use crate::watch::{Watched, next_wakeup, step};

/// Whom a plan's letters go to, and where its trip begins.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Card {
    /// The contacts, in the plan's order.
    pub contacts: Vec<Mailed>,
    /// The crew, in the plan's order; `None` for those without an address.
    pub crew: Vec<Option<Mailed>>,
    /// The launch: it chooses whom to call.
    pub launch: Option<Position>,
    /// The places of the contacts who are asked no longer.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_asked: Vec<usize>,
}

/// Somebody whom letters reach.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Mailed {
    /// Their name.
    pub name: String,
    /// Their address.
    pub email: String,
}

/// It holds private text, so it can't print itself.
impl fmt::Debug for Mailed {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("Mailed")
    }
}

/// What is known of a plan whose own row can't be read.
#[derive(Clone, Debug)]
pub struct Spare {
    /// Whom to write to; `None` when this is damaged too.
    pub card: Option<Card>,
    /// When the crew is overdue, as last written; `None` when that is no time.
    pub overdue_at: Option<DateTime<Utc>>,
    /// The plan as it is stored, if it is text.
    pub stored_plan: Option<String>,
}

impl Card {
    /// Whether it names as many people as this state, and the same contacts as asked no longer.
    pub(super) fn is_of(&self, state: &Watched) -> bool {
        let out = |at: &usize| !state.is_asked(*at);
        let not_asked: Vec<usize> = (0..state.contacts.len()).filter(out).collect();
        self.crew.len() == state.crew.len()
            && self.contacts.len() == state.contacts.len()
            && self.not_asked == not_asked
    }
}

impl Store {
    /// What is known of a plan without reading its state.
    ///
    /// # Errors
    /// [`StoreError::NoSuchPlan`], or the database.
    pub async fn spare(&self, plan_ref: &str) -> Result<Spare, StoreError> {
        let mut connection = self.readers.acquire().await?;
        self.heed(read(&mut connection, plan_ref).await)
    }
}

/// A short checksum of a text that belongs to a plan.
pub(super) fn sum(plan_ref: &str, text: &str) -> String {
    let hash = Sha256::new().chain_update(plan_ref).chain_update(text).finalize();
    hash.iter().take(8).map(|byte| format!("{byte:02x}")).collect()
}

/// What the writer keeps of a new plan.
pub(super) struct NewSpare {
    first_json: String,
    card_json: String,
    card_sum: String,
    overdue_at: i64,
    wake_at: Option<i64>,
}

impl NewSpare {
    pub(super) fn new(
        plan_ref: &str,
        first: &Watched,
        first_json: &str,
        card: &Card,
    ) -> Result<Self, StoreError> {
        let card_json = to_json(plan_ref, card)?;
        Ok(NewSpare {
            first_json: first_json.to_owned(),
            card_sum: sum(plan_ref, &card_json),
            card_json,
            overdue_at: millis(first.overdue_at()),
            wake_at: next_wakeup(first).map(millis),
        })
    }

    pub(super) async fn insert(
        &self,
        connection: &mut AnyConnection,
        plan_ref: &str,
    ) -> Result<(), StoreError> {
        sqlx::query(
            "INSERT INTO spares (plan, first_json, card_json, card_sum, overdue_at, wake_at) \
             VALUES ($1, $2, $3, $4, $5, $6)",
        )
        .bind(plan_ref)
        .bind(&self.first_json)
        .bind(&self.card_json)
        .bind(&self.card_sum)
        .bind(self.overdue_at)
        .bind(self.wake_at)
        .execute(connection)
        .await?;
        Ok(())
    }
}

/// Keeps the spare's times those of the state.
pub(super) async fn follow(
    connection: &mut AnyConnection,
    plan_ref: &str,
    state: &Watched,
) -> Result<(), StoreError> {
    sqlx::query(
        "UPDATE spares SET overdue_at = $1, wake_at = $2 WHERE plan = $3 \
         AND (overdue_at <> $1 OR wake_at IS DISTINCT FROM $2)",
    )
    .bind(millis(state.overdue_at()))
    .bind(next_wakeup(state).map(millis))
    .bind(plan_ref)
    .execute(connection)
    .await?;
    Ok(())
}

/// The state of a plan, folded again from its first state and its events.
///
/// # Errors
/// Damage of one of these too, or the database.
pub(super) async fn refold(
    connection: &mut AnyConnection,
    plan_ref: &str,
) -> Result<Watched, StoreError> {
    let row = sqlx::query("SELECT first_json FROM spares WHERE plan = $1")
        .bind(plan_ref)
        .fetch_optional(&mut *connection)
        .await
        .map_err(|error| of_row(plan_ref, error))?;
    let row = row.ok_or_else(|| damaged(plan_ref, "it has no spare copy"))?;
    let mut state: Watched = json(&row, "first_json", plan_ref)?;
    for past in history(connection, plan_ref).await? {
        let refused = |refusal| damaged(plan_ref, format!("event {}: {refusal}", past.number));
        let moved = || step(&state, &past.event, past.at).map_err(refused);
        state = guarded_over(plan_ref, moved)?.plan;
        if state.events != past.number {
            return Err(damaged(plan_ref, format!("event {} is missing", state.events)));
        }
    }
    Ok(state)
}

/// Every part by itself: one that can't be read hides no other.
pub(super) async fn read(
    connection: &mut AnyConnection,
    plan_ref: &str,
) -> Result<Spare, StoreError> {
    let card = sqlx::query("SELECT card_json, card_sum FROM spares WHERE plan = $1")
        .bind(plan_ref)
        .fetch_optional(&mut *connection)
        .await
        .map_err(|error| of_row(plan_ref, error));
    let card = match card {
        Ok(Some(row)) => sound_card(plan_ref, row.try_get("card_json")?, row.try_get("card_sum")?),
        Ok(None) => None,
        Err(error) if error.is_damage() => None,
        Err(error) => return Err(error),
    };
    let overdue_at = number(connection, plan_ref, "SELECT overdue_at FROM spares WHERE plan = $1");
    let overdue_at = overdue_at.await?.and_then(|millis| from_millis(millis).ok());
    let text = "SELECT plan_json FROM plans LEFT JOIN papers ON papers.plan = plans.ref \
                WHERE ref = $1";
    let stored = sqlx::query(text)
        .bind(plan_ref)
        .fetch_optional(connection)
        .await
        .map_err(|error| of_row(plan_ref, error));
    let stored_plan = match stored {
        Ok(row) => row.ok_or(StoreError::NoSuchPlan)?.try_get("plan_json")?,
        Err(error) if error.is_damage() => None,
        Err(error) => return Err(error),
    };
    Ok(Spare { card, overdue_at, stored_plan })
}

/// A whole number from a plan's row; `None` when it is missing or something else.
pub(super) async fn number(
    connection: &mut AnyConnection,
    plan_ref: &str,
    text: &'static str,
) -> Result<Option<i64>, StoreError> {
    let row = sqlx::query(text).bind(plan_ref).fetch_optional(connection).await;
    match row.map_err(|error| of_row(plan_ref, error)) {
        Ok(row) => Ok(row.and_then(|row| row.try_get::<Option<i64>, _>(0).ok().flatten())),
        Err(error) if error.is_damage() => Ok(None),
        Err(error) => Err(error),
    }
}

/// A card that is as it was written: a wrong address would get a plan that is none of its
/// business.
fn sound_card(plan_ref: &str, text: String, written_sum: String) -> Option<Card> {
    if sum(plan_ref, &text) != written_sum {
        return None;
    }
    serde_json::from_str(&text).ok()
}

/// Writes to whom a plan's letters go now.
pub(super) async fn write_card(
    connection: &mut AnyConnection,
    plan_ref: &str,
    card: &Card,
) -> Result<(), StoreError> {
    let card_json = to_json(plan_ref, card)?;
    sqlx::query("UPDATE spares SET card_json = $1, card_sum = $2 WHERE plan = $3")
        .bind(&card_json)
        .bind(sum(plan_ref, &card_json))
        .bind(plan_ref)
        .execute(&mut *connection)
        .await?;
    Ok(())
}
