//! The database: plans and their events, the letters they owe, keys and links.
//!
//! An edge: SQL and nothing else. Every change of a plan is one transaction that reads its state,
//! moves it by [`watch::step`](crate::watch::step), and writes the state, the event and the
//! letters together. There is one writer; a transaction takes its place before it reads.

mod keys;
mod letters;
mod links;
mod plans;

use std::path::{Path, PathBuf};
use std::str::FromStr;

use chrono::{DateTime, TimeZone, Utc};
use sqlx::any::{AnyConnectOptions, AnyPoolOptions, AnyRow};
use sqlx::{Any, AnyPool, Executor, Row, Transaction};
use thiserror::Error;

use crate::watch::Refusal;

pub use keys::Key;
pub use letters::{Claimed, Lane, LastLook, LetterFate, LetterState};
pub use links::{Link, Purpose};
pub use plans::{Applied, Filing, PlanRecord};

/// The oldest SQLite that may run: earlier ones can damage a database in WAL mode (their release
/// notes for 3.51.3).
const OLDEST_SQLITE: (u32, u32, u32) = (3, 51, 3);

/// The database.
#[derive(Clone, Debug)]
pub struct Store {
    writer: AnyPool,
    readers: AnyPool,
}

/// Why the database did not do what was asked.
#[derive(Debug, Error)]
pub enum StoreError {
    /// The event does not apply to the plan.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// There is no such plan.
    #[error("there is no such plan")]
    NoSuchPlan,
    /// The same idempotency key came with another body.
    #[error("this idempotency key was used for another plan")]
    OtherBody,
    /// A row does not hold what it must.
    #[error("plan {plan} can't be read: {why}")]
    Damaged {
        /// The plan's ref.
        plan: String,
        /// What is wrong.
        why: String,
    },
    /// The file or its folder.
    #[error("{path}: {source}")]
    File {
        /// Which.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// SQLite is too old to be trusted.
    #[error("this SQLite is {0}; at least 3.51.3 is needed")]
    OldSqlite(String),
    /// The database itself.
    #[error("the database: {0}")]
    Database(#[from] sqlx::Error),
}

impl StoreError {
    /// Whether trying again later can help.
    #[must_use]
    pub fn is_transient(&self) -> bool {
        matches!(self, StoreError::Database(_) | StoreError::File { .. })
    }
}

impl From<sqlx::migrate::MigrateError> for StoreError {
    fn from(error: sqlx::migrate::MigrateError) -> Self {
        StoreError::Database(sqlx::Error::Migrate(Box::new(error)))
    }
}

impl Store {
    /// Opens the database in this folder; both are made when they are not there. Brings an older
    /// schema up to this one.
    ///
    /// # Errors
    /// The folder, the file, its SQLite's age or its contents.
    pub async fn open(data_dir: &Path) -> Result<Self, StoreError> {
        make_private_folder(data_dir)?;
        sqlx::any::install_default_drivers();
        let path = data_dir.join("shorelamp.db");
        let url = format!("sqlite://{}?mode=rwc", percent_encoded(&path));
        let options = AnyConnectOptions::from_str(&url)?;
        let store = Store {
            writer: pool_options(1).connect_with(options.clone()).await?,
            readers: pool_options(4).connect_with(options).await?,
        };
        store.check_sqlite().await?;
        sqlx::migrate!("src/store/migrations").run(&store.writer).await?;
        Ok(store)
    }

    /// Closes every connection.
    pub async fn close(&self) {
        self.readers.close().await;
        self.writer.close().await;
    }

    /// Writes that the service is alive: a real write, so that a database that can only be read
    /// is noticed, and the mark by which a later start knows that the clock went back.
    ///
    /// # Errors
    /// The database.
    pub async fn mark_alive(&self, now: DateTime<Utc>) -> Result<(), StoreError> {
        sqlx::query(
            "INSERT INTO alive (id, at) VALUES (1, $1) ON CONFLICT (id) DO UPDATE SET at = $1",
        )
        .bind(millis(now))
        .execute(&self.writer)
        .await?;
        Ok(())
    }

    /// When the service last wrote that it is alive.
    ///
    /// # Errors
    /// The database.
    pub async fn last_alive(&self) -> Result<Option<DateTime<Utc>>, StoreError> {
        let row =
            sqlx::query("SELECT at FROM alive WHERE id = 1").fetch_optional(&self.readers).await?;
        row.map(|row| instant(&row, "at")).transpose()
    }

    async fn check_sqlite(&self) -> Result<(), StoreError> {
        let row = self.readers.fetch_one("SELECT sqlite_version()").await?;
        let version: String = row.try_get(0)?;
        let mut parts = version.split('.').map(|part| part.parse().unwrap_or(0));
        let mut part = || parts.next().unwrap_or(0);
        if (part(), part(), part()) < OLDEST_SQLITE {
            return Err(StoreError::OldSqlite(version));
        }
        Ok(())
    }

    /// A transaction that holds the writer's place from its start, so that what it reads stays
    /// true until it commits.
    async fn write(&self) -> Result<Transaction<'static, Any>, StoreError> {
        Ok(self.writer.begin_with("BEGIN IMMEDIATE").await?)
    }
}

fn pool_options(connections: u32) -> AnyPoolOptions {
    AnyPoolOptions::new()
        .max_connections(connections)
        .min_connections(1)
        .acquire_timeout(std::time::Duration::from_secs(20))
        .idle_timeout(None)
        .max_lifetime(None)
        .after_connect(|connection, _| {
            Box::pin(async move {
                // FULL: with less, rows that were acknowledged are lost when the power goes.
                for pragma in [
                    "PRAGMA busy_timeout = 10000",
                    "PRAGMA journal_mode = WAL",
                    "PRAGMA synchronous = FULL",
                    "PRAGMA foreign_keys = ON",
                    "PRAGMA secure_delete = ON",
                ] {
                    connection.execute(pragma).await?;
                }
                Ok(())
            })
        })
}

/// Makes a folder that only its owner can enter.
fn make_private_folder(path: &Path) -> Result<(), StoreError> {
    use std::os::unix::fs::DirBuilderExt;
    std::fs::DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(path)
        .map_err(|source| StoreError::File { path: path.to_owned(), source })
}

/// A path as it may stand in a database URL.
fn percent_encoded(path: &Path) -> String {
    let text = path.to_string_lossy();
    text.replace('%', "%25").replace('?', "%3F").replace('#', "%23")
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
        StoreError::Database(sqlx::Error::Decode(why.into()))
    })
}

/// Damage found in a plan's row.
fn damaged(plan: &str, why: impl ToString) -> StoreError {
    StoreError::Damaged { plan: plan.to_owned(), why: why.to_string() }
}
