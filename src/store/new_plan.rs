//! All that one transaction writes of a new plan. What can be worked out before is worked out by
//! whoever files, so that the one writer is kept for as short as possible.

use chrono::{DateTime, Utc};
use sqlx::AnyConnection;

use super::limits::{filed_by, open_of};
use super::links::Link;
use super::plans::{same_body, to_json};
use super::spare::{NewSpare, sum};
use super::strangers::IN_REACH;
use super::thrown::is_thrown_away;
use super::way::End;
use super::{Filing, StoreError, Strangers, letters, links, millis, places, strangers};
use crate::watch::{Order, Watched, next_wakeup};

/// A plan on its way to the writer.
pub(super) struct NewPlan {
    pub(super) plan_ref: String,
    plan_json: String,
    review_json: String,
    state_json: String,
    state: Watched,
    spare: NewSpare,
    orders: Vec<Order>,
    key_id: String,
    idempotency: Option<String>,
    body_hash: String,
    links: Vec<(String, Link)>,
    addresses: Vec<String>,
    filed_at: i64,
    strangers: Option<Strangers>,
}

impl NewPlan {
    pub(super) fn new(filing: &Filing<'_>, now: DateTime<Utc>) -> Result<Self, StoreError> {
        let state = filing.first.plan.clone();
        let state_json = to_json(filing.plan_ref, &state)?;
        Ok(NewPlan {
            plan_ref: filing.plan_ref.to_owned(),
            plan_json: filing.plan_json.to_owned(),
            review_json: filing.review_json.to_owned(),
            spare: NewSpare::new(filing.plan_ref, &state, &state_json, filing.card)?,
            state_json,
            state,
            orders: filing.first.orders.clone(),
            key_id: filing.key_id.to_owned(),
            idempotency: filing.idempotency.map(str::to_owned),
            body_hash: filing.body_hash.to_owned(),
            links: filing.links.to_vec(),
            addresses: filing.addresses.to_vec(),
            filed_at: millis(now),
            strangers: filing.strangers.clone(),
        })
    }

    /// The ref of the same filing, if it came before.
    pub(super) async fn earlier(
        &self,
        connection: &mut AnyConnection,
    ) -> Result<Option<String>, StoreError> {
        let Some(idempotency) = &self.idempotency else { return Ok(None) };
        let row =
            sqlx::query("SELECT ref, body_hash FROM plans WHERE key_id = $1 AND idempotency = $2")
                .bind(&self.key_id)
                .bind(idempotency)
                .fetch_optional(&mut *connection)
                .await?;
        if row.is_none() && is_thrown_away(connection, &self.key_id, idempotency).await? {
            return Err(StoreError::ThrownAway);
        }
        row.map(|row| same_body(&row, &self.body_hash)).transpose()
    }

    /// Writes it all.
    pub(super) async fn insert(&self, connection: &mut AnyConnection) -> Result<(), StoreError> {
        if let Some(strangers) = &self.strangers {
            let filed = filed_by(connection, &self.key_id, strangers.by_key_since).await?;
            if filed >= i64::from(strangers.most_by_key) {
                return Err(StoreError::FiledTooOften);
            }
            let open = open_of(connection, &self.key_id, strangers.since).await?;
            let most = strangers.most_open;
            if open.now >= most || open.in_reach >= most.saturating_mul(IN_REACH) {
                return Err(StoreError::TooManyOpen);
            }
            let named = strangers::named(strangers, &self.addresses);
            strangers::check(connection, strangers, &named).await?;
        }
        self.insert_row(connection).await?;
        self.insert_papers(connection).await?;
        self.spare.insert(connection, &self.plan_ref).await?;
        let now = super::from_millis(self.filed_at)?;
        let owed: Vec<_> =
            self.orders.iter().map(|order| (self.plan_ref.as_str(), order)).collect();
        letters::insert(connection, &owed, now, End::Last).await?;
        links::insert(connection, &self.plan_ref, &self.links).await?;
        self.insert_addresses(connection).await?;
        if let Some(strangers) = &self.strangers {
            let named = strangers::named(strangers, &self.addresses);
            strangers::note(connection, &self.plan_ref, &named, &[], now).await?;
        }
        match &self.strangers {
            Some(strangers) => strangers::ask(connection, &self.plan_ref, now, strangers).await,
            None => Ok(()),
        }
    }

    async fn insert_row(&self, connection: &mut AnyConnection) -> Result<(), StoreError> {
        sqlx::query(
            "INSERT INTO plans (ref, state_json, state_sum, version, filed_at, due_at, next_at, \
             closed_at, key_id, idempotency, body_hash) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, NULL, $8, $9, $10)",
        )
        .bind(&self.plan_ref)
        .bind(&self.state_json)
        .bind(sum(&self.plan_ref, &self.state_json))
        .bind(i64::from(self.state.events))
        .bind(self.filed_at)
        .bind(millis(self.state.terms.due_at))
        .bind(next_wakeup(&self.state).map(millis))
        .bind(&self.key_id)
        .bind(&self.idempotency)
        .bind(&self.body_hash)
        .execute(connection)
        .await?;
        Ok(())
    }

    async fn insert_papers(&self, connection: &mut AnyConnection) -> Result<(), StoreError> {
        sqlx::query("INSERT INTO papers (plan, plan_json, review_json) VALUES ($1, $2, $3)")
            .bind(&self.plan_ref)
            .bind(&self.plan_json)
            .bind(&self.review_json)
            .execute(connection)
            .await?;
        Ok(())
    }

    async fn insert_addresses(&self, connection: &mut AnyConnection) -> Result<(), StoreError> {
        if self.addresses.is_empty() {
            return Ok(());
        }
        let places = places(self.addresses.len(), 4);
        let text =
            format!("INSERT INTO named_addresses (hash, plan, contact, filed_at) VALUES {places}");
        let mut insert = sqlx::query(sqlx::AssertSqlSafe(text));
        for (contact, hash) in self.addresses.iter().enumerate() {
            insert = insert
                .bind(hash)
                .bind(&self.plan_ref)
                .bind(i64::try_from(contact).unwrap_or(i64::MAX))
                .bind(self.filed_at);
        }
        insert.execute(connection).await?;
        Ok(())
    }
}
