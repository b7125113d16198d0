//! The database: plans and their events, the letters they owe, keys and links.
//!
//! An edge: SQL and nothing else. Every change of a plan is one transaction that reads its state,
//! moves it by [`watch::step`](crate::watch::step), and writes the state, the event and the
//! letters together. There is one [writer]; changes that wait together share its commit.

mod backup;
mod batch;
mod blotted;
mod bounced;
mod carried;
mod claiming;
mod copies;
mod counter;
mod damage;
mod error;
mod folder;
mod forget;
mod guarded;
mod history;
mod keys;
mod ledger;
mod letters;
mod limits;
mod links;
mod log;
mod new_plan;
mod notes;
mod one_by_one;
mod open;
mod opening;
mod plans;
mod quarantine;
mod reading;
mod sending;
mod spare;
mod strangers;
mod thrown;
mod unsealed;
mod urgent;
mod usual;
mod verify;
mod versions;
mod way;
mod writer;

use chrono::{DateTime, TimeZone, Utc};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AnyPool, Row};

use counter::Counter;
use error::damaged;
use folder::Folder;
use writer::{Making, Writer};

pub use backup::Review;
pub use bounced::CameBack;
pub use claiming::Claimed;
pub use copies::Copies;
pub use counter::Outcome;
pub use error::StoreError;
pub use forget::Thinned;
pub use guarded::guarded_over;
pub use keys::{Key, KnownKey};
pub use letters::{Lane, LetterFate, LetterState, letter_id};
pub use limits::Gone;
pub use links::{Link, Purpose};
pub use notes::Note;
pub use plans::{Applied, Filing, PlanRecord};
pub use quarantine::Quarantined;
pub use reading::{Read, ReadPlans};
pub use sending::{LastLook, Pending};
pub use spare::{Card, Mailed, Spare};
pub use strangers::{Reader, Strangers, Unwanted};
pub use thrown::{FiledAs, Known};
pub use unsealed::Unsealed;
pub use urgent::OpenPlans;
pub use usual::UsualTrip;
pub use verify::Difference;
pub use versions::{NewVersion, OldVersion};

/// The database. Cheap to clone: every clone is the same database.
#[derive(Clone, Debug)]
pub struct Store {
    writer: Writer,
    counter: Counter,
    readers: AnyPool,
    /// Those of the pages, which may be waited for by the hundred.
    pages_readers: AnyPool,
    /// One reader more, of the watch and the post alone: nothing that takes long, as a backup, keeps an
    /// alert waiting.
    own_reader: AnyPool,
    folder: Folder,
    upgraded_from: Option<i64>,
    /// Whether it is the daemon's, which has the folder to itself.
    alone: bool,
}

impl Store {
    /// The same database, read by the readers of the pages: however many of them wait, nobody else waits
    /// with them.
    #[must_use]
    pub fn for_pages(&self) -> Self {
        Store { readers: self.pages_readers.clone(), ..self.clone() }
    }

    /// Commits what waits, and closes every connection.
    pub async fn close(&self) {
        self.readers.close().await;
        self.pages_readers.close().await;
        self.own_reader.close().await;
        // Folded before it goes, the log is not missed by a start after a kill in between.
        if self.alone && matches!(self.empty_log().await, Ok(true)) {
            self.forget_open();
        }
        self.writer.close().await;
        // The last to close folds the log into the database; then nothing is left to lose.
        if !self.folder.has_log() {
            self.forget_open();
        }
    }

    fn forget_open(&self) {
        if let Err(error) = self.folder.remember_open(false) {
            tracing::warn!(%error, "the next start will look for a log that is not there");
        }
    }

    /// Writes that the service is alive: a real write, so that a database that can only be read
    /// is noticed, and the mark by which a later start knows that the clock went back.
    ///
    /// # Errors
    /// The database.
    pub async fn mark_alive(&self, now: DateTime<Utc>) -> Result<(), StoreError> {
        self.mark_alive_with(now, None).await
    }

    /// The same, with what the service knows of the machine's clocks.
    ///
    /// # Errors
    /// The database.
    pub async fn mark_alive_with(
        &self,
        now: DateTime<Utc>,
        clock: Option<String>,
    ) -> Result<(), StoreError> {
        self.write(move |connection| {
            Box::pin(async move {
                mark_alive(connection, now).await?;
                match clock {
                    Some(clock) => backup::write_meta(connection, CLOCK, &clock).await,
                    None => Ok(()),
                }
            })
        })
        .await
    }

    /// What an earlier life of the service knew of the machine's clocks.
    ///
    /// # Errors
    /// The database.
    pub async fn known_of_clock(&self) -> Result<Option<String>, StoreError> {
        let mut connection = self.readers.acquire().await?;
        backup::read_meta(&mut connection, CLOCK).await
    }

    /// When the service last wrote that it is alive.
    ///
    /// # Errors
    /// The database.
    pub async fn last_alive(&self) -> Result<Option<DateTime<Utc>>, StoreError> {
        let row = sqlx::query("SELECT at FROM alive WHERE id = 1").fetch_optional(&self.readers);
        let at = row.await.and_then(|row| row.map(|row| row.try_get::<i64, _>("at")).transpose());
        match self.heed(at.map_err(|error| error::of_row("of none", error))) {
            Ok(at) => Ok(at.and_then(|at| from_millis(at).ok())),
            // What can't be read was not noted: no damage of this may keep the service from starting.
            Err(damage) if damage.is_damage() => {
                tracing::error!(%damage, "when the service was last alive can't be read");
                Ok(None)
            }
            Err(error) => Err(error),
        }
    }

    /// The schema that was brought up to this program's when the database was opened, if any was.
    #[must_use]
    pub fn upgraded_from(&self) -> Option<i64> {
        self.upgraded_from
    }

    /// The data folder.
    #[must_use]
    pub fn data_dir(&self) -> &std::path::Path {
        self.folder.path()
    }

    /// Whether there is a plan of this ref.
    ///
    /// # Errors
    /// The database.
    pub async fn has_plan(&self, plan_ref: &str) -> Result<bool, StoreError> {
        let row = sqlx::query("SELECT 1 FROM plans WHERE ref = $1").bind(plan_ref);
        Ok(row.fetch_optional(&self.readers).await?.is_some())
    }

    /// Whether the disk is too full to take another plan: what is left is kept for those that
    /// are armed.
    #[must_use]
    pub fn is_low(&self) -> bool {
        self.folder.is_low()
    }

    /// Sets room aside for when the disk is full, where none is set aside.
    pub fn lay_ballast(&self) {
        self.folder.lay_ballast();
    }

    /// Makes one change, together with those of others that wait at the same time. When this
    /// comes back, it is on the disk. What the change reads stays true until it is written.
    async fn write<T, F>(&self, change: F) -> Result<T, StoreError>
    where
        T: Send + 'static,
        F: for<'c> FnOnce(&'c mut AnyConnection) -> Making<'c, T> + Send + 'static,
    {
        self.writer.make(change).await
    }
}

/// Under this name stands what is known of the clocks.
const CLOCK: &str = "clock";

async fn mark_alive(connection: &mut AnyConnection, now: DateTime<Utc>) -> Result<(), StoreError> {
    sqlx::query("INSERT INTO alive (id, at) VALUES (1, $1) ON CONFLICT (id) DO UPDATE SET at = $1")
        .bind(millis(now))
        .execute(connection)
        .await?;
    Ok(())
}

fn millis(at: DateTime<Utc>) -> i64 {
    at.timestamp_millis()
}

fn instant(row: &AnyRow, column: &str) -> Result<DateTime<Utc>, StoreError> {
    from_millis(row.try_get(column)?)
}

fn from_millis(millis: i64) -> Result<DateTime<Utc>, StoreError> {
    Utc.timestamp_millis_opt(millis).single().ok_or_else(|| {
        let why = format!("{millis} is no time");
        StoreError::from(sqlx::Error::Decode(why.into()))
    })
}

/// So many places in a row, from this number on: `$3, $4`.
fn list(from: usize, places: usize) -> String {
    (from..from + places).map(|at| format!("${at}")).collect::<Vec<_>>().join(", ")
}

/// The places of a statement that inserts several rows: `($1, $2), ($3, $4)`.
fn places(rows: usize, columns: usize) -> String {
    (0..rows)
        .map(|row| format!("({})", list(row * columns + 1, columns)))
        .collect::<Vec<_>>()
        .join(", ")
}
