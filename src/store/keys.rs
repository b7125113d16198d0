//! The keys of those who may file plans, and of keepers. Only their hashes are stored.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use sqlx::Row;

use super::{Store, StoreError, from_millis, instant, millis};

/// A key that is in force.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Key {
    /// Its id; not a secret.
    pub id: String,
    /// Whose it is.
    pub name: String,
    /// Whether it is a keeper's.
    pub keeper: bool,
}

/// A key with its history.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KnownKey {
    /// The key.
    pub key: Key,
    /// When it was made.
    pub made_at: DateTime<Utc>,
    /// When it was revoked, if it was.
    pub revoked_at: Option<DateTime<Utc>>,
}

impl Store {
    /// Adds a key by the hash of its secret.
    ///
    /// # Errors
    /// The database.
    pub async fn add_key(
        &self,
        key: &Key,
        hash: &str,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let (key, hash) = (key.clone(), hash.to_owned());
        let text = "INSERT INTO keys (id, name, hash, keeper, made_at) VALUES ($1, $2, $3, $4, $5)";
        self.write(move |connection| {
            Box::pin(async move {
                sqlx::query(text)
                    .bind(key.id)
                    .bind(key.name)
                    .bind(hash)
                    .bind(i64::from(key.keeper))
                    .bind(millis(now))
                    .execute(connection)
                    .await?;
                Ok(())
            })
        })
        .await
    }

    /// The key in force whose secret has this hash.
    ///
    /// # Errors
    /// The database.
    pub async fn key(&self, hash: &str) -> Result<Option<Key>, StoreError> {
        let row =
            sqlx::query("SELECT id, name, keeper FROM keys WHERE hash = $1 AND revoked_at IS NULL")
                .bind(hash)
                .fetch_optional(&self.readers)
                .await?;
        row.map(|row| {
            let keeper: i64 = row.try_get("keeper")?;
            let (id, name) = (row.try_get("id")?, row.try_get("name")?);
            Ok(Key { id, name, keeper: keeper != 0 })
        })
        .transpose()
    }

    /// Every key, the newest first.
    ///
    /// # Errors
    /// The database.
    pub async fn keys(&self) -> Result<Vec<KnownKey>, StoreError> {
        let text =
            "SELECT id, name, keeper, made_at, revoked_at FROM keys ORDER BY made_at DESC, id";
        let rows = sqlx::query(text).fetch_all(&self.readers).await?;
        rows.iter()
            .map(|row| {
                let keeper: i64 = row.try_get("keeper")?;
                let revoked_at: Option<i64> = row.try_get("revoked_at")?;
                let (id, name) = (row.try_get("id")?, row.try_get("name")?);
                Ok(KnownKey {
                    key: Key { id, name, keeper: keeper != 0 },
                    made_at: instant(row, "made_at")?,
                    revoked_at: revoked_at.map(from_millis).transpose()?,
                })
            })
            .collect()
    }

    /// When each key that has filed did so last, as far as plans that are still kept tell it.
    ///
    /// # Errors
    /// The database.
    pub async fn last_filings(&self) -> Result<BTreeMap<String, DateTime<Utc>>, StoreError> {
        let text = "SELECT key_id, MAX(filed_at) AS at FROM plans GROUP BY key_id";
        let rows = sqlx::query(text).fetch_all(&self.readers).await?;
        rows.iter().map(|row| Ok((row.try_get("key_id")?, instant(row, "at")?))).collect()
    }

    /// Revokes the keys in force that bear this name or id; which. What they have filed stays
    /// watched.
    ///
    /// # Errors
    /// The database.
    pub async fn revoke_keys(
        &self,
        name: &str,
        now: DateTime<Utc>,
    ) -> Result<Vec<Key>, StoreError> {
        let these =
            self.keys().await?.into_iter().filter(|one| {
                one.revoked_at.is_none() && (one.key.name == name || one.key.id == name)
            });
        let these: Vec<Key> = these.map(|one| one.key).collect();
        let ids: Vec<String> = these.iter().map(|key| key.id.clone()).collect();
        self.write(move |connection| {
            Box::pin(async move {
                for id in ids {
                    sqlx::query("UPDATE keys SET revoked_at = $1 WHERE id = $2")
                        .bind(millis(now))
                        .bind(&id)
                        .execute(&mut *connection)
                        .await?;
                    sqlx::query("DELETE FROM usual_trips WHERE key_id = $1")
                        .bind(id)
                        .execute(&mut *connection)
                        .await?;
                }
                Ok(())
            })
        })
        .await?;
        Ok(these)
    }
}
