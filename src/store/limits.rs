//! How much one key or one address has been asked for.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};
use sqlx::{AnyConnection, Row};

use super::strangers::{BY_COUNT, MOVED, Reader};
use super::{Claimed, Store, StoreError, from_millis, millis};

impl Store {
    /// How many plans this key has filed since an instant.
    ///
    /// # Errors
    /// The database.
    pub async fn filings_by_key(
        &self,
        key_id: &str,
        since: DateTime<Utc>,
    ) -> Result<i64, StoreError> {
        filed_by(&mut *self.readers.acquire().await?, key_id, since).await
    }

    /// In how many places since an instant plans, or versions of them, have named an address that has
    /// never been confirmed; never one that has.
    ///
    /// # Errors
    /// The database.
    pub async fn filings_naming_unconfirmed(
        &self,
        address_hash: &str,
        since: DateTime<Utc>,
    ) -> Result<i64, StoreError> {
        let text = "SELECT COUNT(*) AS number FROM named_addresses WHERE hash = $1 \
                    AND filed_at > $2 AND hash NOT IN (SELECT hash FROM confirmed_addresses)";
        let row = sqlx::query(text)
            .bind(address_hash)
            .bind(millis(since))
            .fetch_one(&self.readers)
            .await?;
        Ok(row.try_get("number")?)
    }

    /// How many letters since each of these instants, besides this one, have told the keeper what could
    /// stop this plan's alert.
    ///
    /// # Errors
    /// The database.
    pub async fn troubles_of_late(
        &self,
        beside: &Claimed,
        [long, short]: [DateTime<Utc>; 2],
    ) -> Result<(i64, i64), StoreError> {
        let count = sqlx::query(
            "SELECT COUNT(CASE WHEN state = 'sending' OR settled_at > $3 THEN 1 END), \
             COUNT(CASE WHEN state = 'sending' OR settled_at > $4 THEN 1 END) \
             FROM letters WHERE plan = $1 AND recipient = 'keeper' AND kind = 'trouble' \
             AND id <> $2 AND state IN ('sending', 'handed')",
        );
        let count = count.bind(&beside.plan_ref).bind(&beside.id).bind(millis(long));
        let row = count.bind(millis(short)).fetch_one(&self.readers).await?;
        Ok((row.try_get(0)?, row.try_get(1)?))
    }

    /// Whether a newer letter of this kind waits for the same reader.
    ///
    /// # Errors
    /// The database.
    pub async fn newer_waits(&self, than: &Claimed) -> Result<bool, StoreError> {
        let row = sqlx::query(
            "SELECT 1 FROM letters WHERE plan = $1 AND recipient = $2 AND kind = $3 \
             AND state = 'queued' AND (queued_at > $4 OR (queued_at = $4 AND id > $5)) LIMIT 1",
        );
        let row = row.bind(&than.plan_ref).bind(than.order.to.to_string());
        let row = row.bind(than.order.kind.name()).bind(millis(than.queued_at)).bind(&than.id);
        Ok(row.fetch_optional(&self.readers).await?.is_some())
    }

    /// How many letters of this kind from this plan were handed over to this reader since then, and when
    /// the last was.
    ///
    /// # Errors
    /// The database.
    pub async fn handed_of_late(
        &self,
        like: &Claimed,
        since: DateTime<Utc>,
    ) -> Result<(i64, Option<DateTime<Utc>>), StoreError> {
        let handed = sqlx::query(
            "SELECT COUNT(*) AS number, MAX(settled_at) AS last FROM letters \
             WHERE plan = $1 AND recipient = $2 AND kind = $3 AND state = 'handed' \
             AND settled_at > $4",
        );
        let handed = handed.bind(&like.plan_ref).bind(like.order.to.to_string());
        let handed = handed.bind(like.order.kind.name()).bind(millis(since));
        let row = handed.fetch_one(&self.readers).await?;
        let last = row.try_get::<Option<i64>, _>("last")?.map(from_millis).transpose()?;
        Ok((row.try_get("number")?, last))
    }

    /// Remembers that this reader has answered: for all that their address speaks for, or for that
    /// address alone.
    ///
    /// # Errors
    /// The database.
    pub async fn confirm(&self, reader: &Reader, now: DateTime<Utc>) -> Result<(), StoreError> {
        let hashes = match reader.for_all {
            true if reader.counted != reader.hash => {
                vec![reader.hash.clone(), format!("{}{BY_COUNT}", reader.counted)]
            }
            true => vec![reader.hash.clone()],
            false => vec![reader.mailbox.clone()],
        };
        self.write(move |connection| {
            Box::pin(async move {
                for hash in hashes {
                    sqlx::query(
                        "INSERT INTO confirmed_addresses (hash, confirmed_at) VALUES ($1, $2) \
                         ON CONFLICT (hash) DO NOTHING",
                    )
                    .bind(hash)
                    .bind(millis(now))
                    .execute(&mut *connection)
                    .await?;
                }
                Ok(())
            })
        })
        .await
    }
}

/// How many plans a key has filed since an instant; inside the transaction that files one more, of
/// many that come at once no more than are allowed pass.
pub(super) async fn filed_by(
    connection: &mut AnyConnection,
    key_id: &str,
    since: DateTime<Utc>,
) -> Result<i64, StoreError> {
    let text = "SELECT COUNT(*) FROM plans WHERE key_id = $1 AND filed_at > $2";
    let count = sqlx::query_scalar(text).bind(key_id).bind(millis(since));
    Ok(count.fetch_one(connection).await?)
}

/// Whom this key's plans have named since an instant, or name in trips that are not over, and who, by
/// what counts as their mailbox, have never answered.
pub(super) async fn strangers_of(
    connection: &mut AnyConnection,
    key_id: &str,
    since: DateTime<Utc>,
) -> Result<BTreeSet<String>, StoreError> {
    let text = format!(
        "SELECT DISTINCT named.hash AS hash FROM plans \
         JOIN named_addresses AS named ON named.plan = plans.ref \
         WHERE plans.key_id = $1 AND (named.filed_at > $2 \
         OR (plans.closed_at IS NULL AND named.contact > {MOVED})) \
         AND named.hash NOT IN (SELECT hash FROM confirmed_addresses) \
         AND named.hash || '{BY_COUNT}' NOT IN (SELECT hash FROM confirmed_addresses)"
    );
    let select = sqlx::query(sqlx::AssertSqlSafe(text)).bind(key_id).bind(millis(since));
    let rows = select.fetch_all(connection).await?;
    rows.iter().map(|row| Ok(row.try_get("hash")?)).collect()
}

/// How many plans of a key are open.
pub(super) async fn open_of(
    connection: &mut AnyConnection,
    key_id: &str,
) -> Result<i64, StoreError> {
    let text = "SELECT COUNT(*) FROM plans WHERE key_id = $1 AND closed_at IS NULL";
    Ok(sqlx::query_scalar(text).bind(key_id).fetch_one(connection).await?)
}
