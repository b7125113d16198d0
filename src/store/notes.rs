//! Moments that the service, and commands beside it, leave for each other.

use chrono::{DateTime, Utc};
use sqlx::Row;

use super::backup::write_meta;
use super::{Store, StoreError, from_millis, millis};

/// What happened at a noted moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Note {
    /// The keeper said that the wall clock, which showed this, is right.
    ClockAccepted,
    /// A backup was written.
    BackedUp,
    /// The service was stopped while plans were open.
    StoppedOverPlans,
}

impl Note {
    fn name(self) -> &'static str {
        match self {
            Note::ClockAccepted => "clock-accepted",
            Note::BackedUp => "backed-up",
            Note::StoppedOverPlans => "stopped-over-plans",
        }
    }
}

impl Store {
    /// Notes that this happened then; the latest moment of each kind is kept.
    ///
    /// # Errors
    /// The database.
    pub async fn note(&self, note: Note, at: DateTime<Utc>) -> Result<(), StoreError> {
        self.write(move |connection| {
            Box::pin(
                async move { write_meta(connection, note.name(), &millis(at).to_string()).await },
            )
        })
        .await
    }

    /// When this happened last, as far as it was noted.
    ///
    /// # Errors
    /// The database.
    pub async fn noted(&self, note: Note) -> Result<Option<DateTime<Utc>>, StoreError> {
        let row = sqlx::query("SELECT value FROM meta WHERE name = $1")
            .bind(note.name())
            .fetch_optional(&self.readers)
            .await?;
        let Some(row) = row else { return Ok(None) };
        let text: String = row.try_get("value")?;
        // What can't be read was not noted.
        Ok(text.parse().ok().and_then(|millis| from_millis(millis).ok()))
    }

    /// Strikes a note out.
    ///
    /// # Errors
    /// The database.
    pub async fn strike_out(&self, note: Note) -> Result<(), StoreError> {
        self.write(move |connection| {
            Box::pin(async move {
                sqlx::query("DELETE FROM meta WHERE name = $1")
                    .bind(note.name())
                    .execute(connection)
                    .await?;
                Ok(())
            })
        })
        .await
    }
}
