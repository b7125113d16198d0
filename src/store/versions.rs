//! Plans amended: the new version takes the old one's row, and the old one is kept beside it.

use std::fmt;

use chrono::{DateTime, Utc};
use sqlx::{AnyConnection, Row};

use super::error::of_row;
use super::links::{self, Link};
use super::plans::{Applied, apply};
use super::spare::{self, Card};
use super::way::{Spares, Way, by_any_way};
use super::{Store, StoreError, Strangers, instant, millis, strangers};
use crate::watch::{Event, Kind};

/// A new version of a plan, with all that is written in the same transaction.
#[derive(Clone)]
pub struct NewVersion {
    /// The plan's ref.
    pub plan_ref: String,
    /// The version, in the plan file's keys, with everybody in their place for life.
    pub plan_json: String,
    /// Its review.
    pub review_json: String,
    /// The event that the watch takes it by.
    pub event: Event,
    /// The client's idempotency key.
    pub idempotency: Option<String>,
    /// The hash of the body it came as.
    pub body_hash: String,
    /// The hashes of its links; those known stay.
    pub links: Vec<(String, Link)>,
    /// The keyed hashes of its contacts' addresses, in their places; those known stay.
    pub addresses: Vec<String>,
    /// Whom its letters go to, should its row become unreadable.
    pub card: Card,
    /// What it may ask of people whom the plan has not named before; `None` asks and limits nothing.
    pub strangers: Option<Strangers>,
}

/// It holds private text, so it can't print itself.
impl fmt::Debug for NewVersion {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "NewVersion {}", self.plan_ref)
    }
}

/// A version of a plan that another has replaced.
#[derive(Clone, PartialEq, Eq)]
pub struct OldVersion {
    /// The number of the event that replaced it.
    pub replaced_by: u32,
    /// When.
    pub replaced_at: DateTime<Utc>,
    /// The plan, in the plan file's keys.
    pub plan_json: String,
}

/// It holds private text, so it can't print itself.
impl fmt::Debug for OldVersion {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("OldVersion")
    }
}

impl Store {
    /// Replaces a plan by its new version. An idempotency key that the plan has seen changes
    /// nothing.
    ///
    /// # Errors
    /// [`StoreError::Refused`] when the plan does not take it, [`StoreError::OtherBody`],
    /// [`StoreError::NoSuchPlan`], damage, or the database.
    pub async fn amend(
        &self,
        version: NewVersion,
        now: DateTime<Utc>,
    ) -> Result<Applied, StoreError> {
        // A card that names those of the version before is better than no amendment.
        by_any_way(&version.plan_ref, |way| {
            let version = version.clone();
            self.write(move |connection| {
                Box::pin(async move { amend(connection, &version, now, way).await })
            })
        })
        .await
    }

    /// Whether this amendment was made before.
    ///
    /// # Errors
    /// [`StoreError::OtherBody`], or the database.
    pub async fn amended_before(
        &self,
        plan_ref: &str,
        idempotency: &str,
        body_hash: &str,
    ) -> Result<bool, StoreError> {
        let mut connection = self.readers.acquire().await?;
        seen(&mut connection, plan_ref, idempotency, body_hash).await
    }

    /// The versions of a plan that others have replaced, oldest first.
    ///
    /// # Errors
    /// Damage, or the database.
    pub async fn old_versions(&self, plan_ref: &str) -> Result<Vec<OldVersion>, StoreError> {
        let rows = sqlx::query(
            "SELECT replaced_by, replaced_at, plan_json FROM versions WHERE plan = $1 \
             ORDER BY replaced_by",
        )
        .bind(plan_ref)
        .fetch_all(&self.readers)
        .await?;
        rows.iter()
            .map(|row| {
                let replaced_by: i64 = row.try_get("replaced_by")?;
                Ok(OldVersion {
                    replaced_by: u32::try_from(replaced_by).unwrap_or(u32::MAX),
                    replaced_at: instant(row, "replaced_at")?,
                    plan_json: row.try_get("plan_json")?,
                })
            })
            .collect()
    }

    /// Writes down what had got worse when a plan was judged anew because of an event.
    ///
    /// # Errors
    /// The database.
    pub async fn note_worse(
        &self,
        plan_ref: &str,
        event: u32,
        worse_json: &str,
    ) -> Result<(), StoreError> {
        let (plan_ref, worse_json) = (plan_ref.to_owned(), worse_json.to_owned());
        self.write(move |connection| {
            Box::pin(async move {
                sqlx::query("UPDATE events SET worse_json = $1 WHERE plan = $2 AND number = $3")
                    .bind(worse_json)
                    .bind(plan_ref)
                    .bind(i64::from(event))
                    .execute(connection)
                    .await?;
                Ok(())
            })
        })
        .await
    }

    /// What was written down so; `None` where nothing was.
    ///
    /// # Errors
    /// The database.
    pub async fn worse(&self, plan_ref: &str, event: u32) -> Result<Option<String>, StoreError> {
        let row = sqlx::query("SELECT worse_json FROM events WHERE plan = $1 AND number = $2")
            .bind(plan_ref)
            .bind(i64::from(event))
            .fetch_optional(&self.readers)
            .await?;
        Ok(row.map(|row| row.try_get("worse_json")).transpose()?.flatten())
    }
}

async fn amend(
    connection: &mut AnyConnection,
    version: &NewVersion,
    now: DateTime<Utc>,
    way: Way,
) -> Result<Applied, StoreError> {
    let plan_ref = version.plan_ref.as_str();
    let idempotency = version.idempotency.as_deref();
    if let Some(key) = idempotency
        && seen(connection, plan_ref, key, &version.body_hash).await?
    {
        let state = super::plans::locked_state(connection, plan_ref).await?;
        return Ok(Applied { state, changed: false, letters: 0, orders: Vec::new() });
    }
    let applied = apply(connection, plan_ref, &version.event, idempotency, now, way).await?;
    if applied.changed {
        if let Some(strangers) = &version.strangers {
            let named = strangers::named(strangers, &version.addresses);
            let is_fresh = |one: &&strangers::Fresh<'_>| {
                applied.orders.iter().any(|it| it.kind == Kind::Filed && it.to == one.0)
            };
            let fresh: Vec<_> = named.iter().filter(is_fresh).copied().collect();
            strangers::check(connection, strangers, &fresh).await?;
            strangers::note(connection, plan_ref, &named, &fresh, now).await?;
        }
        keep_old(connection, plan_ref, applied.state.events, now).await?;
        write_new(connection, version, applied.state.events, now, way.spares).await?;
    }
    Ok(applied)
}

async fn seen(
    connection: &mut AnyConnection,
    plan_ref: &str,
    idempotency: &str,
    body_hash: &str,
) -> Result<bool, StoreError> {
    let row = sqlx::query("SELECT body_hash FROM events WHERE plan = $1 AND idempotency = $2")
        .bind(plan_ref)
        .bind(idempotency)
        .fetch_optional(connection)
        .await?;
    let Some(row) = row else { return Ok(false) };
    let seen: Option<String> = row.try_get("body_hash")?;
    if seen.as_deref() == Some(body_hash) { Ok(true) } else { Err(StoreError::OtherBody) }
}

async fn keep_old(
    connection: &mut AnyConnection,
    plan_ref: &str,
    event: u32,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    sqlx::query(
        "INSERT INTO versions (plan, replaced_by, replaced_at, plan_json, review_json) \
         SELECT plan, CAST($1 AS BIGINT), CAST($2 AS BIGINT), plan_json, review_json FROM papers \
         WHERE plan = $3",
    )
    .bind(i64::from(event))
    .bind(millis(now))
    .bind(plan_ref)
    .execute(connection)
    .await
    .map_err(|error| of_row(plan_ref, error))?;
    Ok(())
}

async fn write_new(
    connection: &mut AnyConnection,
    version: &NewVersion,
    event: u32,
    now: DateTime<Utc>,
    spares: Spares,
) -> Result<(), StoreError> {
    let plan_ref = version.plan_ref.as_str();
    sqlx::query("UPDATE papers SET plan_json = $1, review_json = $2 WHERE plan = $3")
        .bind(&version.plan_json)
        .bind(&version.review_json)
        .bind(plan_ref)
        .execute(&mut *connection)
        .await?;
    sqlx::query("UPDATE events SET body_hash = $1 WHERE plan = $2 AND number = $3")
        .bind(&version.body_hash)
        .bind(plan_ref)
        .bind(i64::from(event))
        .execute(&mut *connection)
        .await?;
    if spares == Spares::Follow {
        spare::write_card(connection, plan_ref, &version.card).await?;
    }
    links::insert(connection, plan_ref, &version.links).await?;
    let addresses = version.addresses.iter().enumerate();
    for (contact, hash) in addresses {
        sqlx::query(
            "INSERT INTO named_addresses (hash, plan, contact, filed_at) VALUES ($1, $2, $3, $4) \
             ON CONFLICT DO NOTHING",
        )
        .bind(hash)
        .bind(plan_ref)
        .bind(i64::try_from(contact).unwrap_or(i64::MAX))
        .bind(millis(now))
        .execute(&mut *connection)
        .await?;
    }
    if let Some(strangers) = &version.strangers {
        strangers::ask(connection, plan_ref, now, strangers).await?;
    }
    Ok(())
}
