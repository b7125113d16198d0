//! The usual trips of a key: a filled form each, so that a repeat trip needs no typing.

use std::fmt;

use chrono::{DateTime, Utc};
use sqlx::Row;

use super::{Store, StoreError, millis};

/// So many are kept; the one that was used longest ago gives way.
const MOST: i64 = 40;

/// A usual trip.
#[derive(Clone, PartialEq, Eq)]
pub struct UsualTrip {
    /// What its people call it.
    pub name: String,
    /// The filled form as a browser sends it, without its times.
    pub form: String,
    /// From launch to return, in minutes.
    pub lasts_min: u32,
}

/// It holds private text, so it can't print itself.
impl fmt::Debug for UsualTrip {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("UsualTrip")
    }
}

impl Store {
    /// A key's usual trips, the one used last first.
    ///
    /// # Errors
    /// The database.
    pub async fn usual_trips(&self, key_id: &str) -> Result<Vec<UsualTrip>, StoreError> {
        let rows = sqlx::query(
            "SELECT name, form, lasts_min FROM usual_trips WHERE key_id = $1 \
             ORDER BY used_at DESC, name",
        )
        .bind(key_id)
        .fetch_all(&self.readers)
        .await?;
        let trip = |row: &sqlx::any::AnyRow| {
            let lasts_min: i64 = row.try_get("lasts_min")?;
            let (name, form) = (row.try_get("name")?, row.try_get("form")?);
            Ok(UsualTrip { name, form, lasts_min: u32::try_from(lasts_min).unwrap_or(0) })
        };
        rows.iter().map(trip).collect()
    }

    /// Keeps a usual trip; one of the same name gives way.
    ///
    /// # Errors
    /// The database.
    pub async fn keep_trip(
        &self,
        key_id: &str,
        trip: &UsualTrip,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let (key_id, trip) = (key_id.to_owned(), trip.clone());
        self.write(move |connection| {
            Box::pin(async move {
                sqlx::query(
                    "INSERT INTO usual_trips (key_id, name, form, lasts_min, used_at) \
                     VALUES ($1, $2, $3, $4, $5) ON CONFLICT (key_id, name) \
                     DO UPDATE SET form = $3, lasts_min = $4, used_at = $5",
                )
                .bind(&key_id)
                .bind(trip.name)
                .bind(trip.form)
                .bind(i64::from(trip.lasts_min))
                .bind(millis(now))
                .execute(&mut *connection)
                .await?;
                sqlx::query(
                    "DELETE FROM usual_trips WHERE key_id = $1 AND name NOT IN (SELECT name \
                     FROM usual_trips WHERE key_id = $1 ORDER BY used_at DESC, name LIMIT $2)",
                )
                .bind(key_id)
                .bind(MOST)
                .execute(connection)
                .await?;
                Ok(())
            })
        })
        .await
    }

    /// Forgets a usual trip; tells whether there was one.
    ///
    /// # Errors
    /// The database.
    pub async fn forget_trip(&self, key_id: &str, name: &str) -> Result<bool, StoreError> {
        let (key_id, name) = (key_id.to_owned(), name.to_owned());
        self.write(move |connection| {
            Box::pin(async move {
                let gone = sqlx::query("DELETE FROM usual_trips WHERE key_id = $1 AND name = $2")
                    .bind(key_id)
                    .bind(name)
                    .execute(connection)
                    .await?;
                Ok(gone.rows_affected() > 0)
            })
        })
        .await
    }
}
