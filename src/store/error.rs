//! What can go wrong with the database, and what to do about it.

use std::path::PathBuf;
use std::sync::Arc;

use sqlx::error::ErrorKind;
use sqlx::migrate::MigrateError;
use thiserror::Error;

use crate::watch::Refusal;

/// SQLite's code for a full disk.
const FULL: i32 = 13;
/// SQLite's code for a failed read, write or sync.
const IO: i32 = 10;
/// SQLite's code for what one statement meets, and no other has one for, as a trigger that fails.
const STATEMENT: i32 = 1;
/// SQLite's code for a row that breaks a rule.
const CONSTRAINT: i32 = 19;
/// SQLite's codes for a file that holds no sound database.
const UNSOUND: [i32; 2] = [11, 26];

/// Why the database did not do what was asked.
#[derive(Clone, Debug, Error)]
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
    /// The idempotency key was thrown away before anything was filed under it.
    #[error("this plan was thrown away before it was filed")]
    ThrownAway,
    /// This key has thrown away so many within a day that no more are remembered.
    #[error("too many plans were thrown away within a day")]
    ThrownTooOften,
    /// This key has filed so many plans within an hour that no more are taken.
    #[error("too many plans were filed within an hour")]
    FiledTooOften,
    /// This key has so many plans open that no more are taken.
    #[error("too many plans are open")]
    TooManyOpen,
    /// So many plans name this contact, who has never answered, that no more are taken.
    #[error("too many plans name contact {}, who has never answered", .contact + 1)]
    NamedTooOften {
        /// The contact's place in the plan.
        contact: usize,
    },
    /// So many plans name this member of the crew that no more are taken.
    #[error("too many plans name crew member {}", .member + 1)]
    CrewNamedTooOften {
        /// The member's place in the plan.
        member: usize,
    },
    /// This key's plans name so many people who have never answered that no more are taken.
    #[error("plans of this key name too many people who have never answered")]
    TooManyStrangers,
    /// A row does not hold what it must.
    #[error("plan {plan} can't be read: {why}")]
    Damaged {
        /// The plan's ref.
        plan: String,
        /// What is wrong.
        why: String,
        /// Whether a page of the file is at fault, and other rows with it.
        page: bool,
    },
    /// The file or its folder.
    #[error("{path}: {source}")]
    File {
        /// Which.
        path: PathBuf,
        /// What the system says.
        source: Arc<std::io::Error>,
    },
    /// SQLite is too old to be trusted.
    #[error("this SQLite is {0}; at least 3.51.3 is needed")]
    OldSqlite(String),
    /// A folder that had a database has none any more.
    #[error(
        "{folder} had a database, and now it is missing or empty: every open plan would be \
         forgotten. Restore shorelamp.db from a backup; or, to start afresh without any plan, \
         remove {} by hand", .marker.display()
    )]
    Missing {
        /// The data folder.
        folder: String,
        /// The file that tells that there was one.
        marker: PathBuf,
    },
    /// The folder holds another service's database.
    #[error(
        "the database in {folder} is not the one that was there: if it was put there on purpose, \
         remove {} by hand", .marker.display()
    )]
    Foreign {
        /// The data folder.
        folder: String,
        /// The file that tells which was there.
        marker: PathBuf,
    },
    /// Another daemon has the folder.
    #[error("another daemon is running on {}; stop it first", .0.display())]
    InUse(PathBuf),
    /// A newer program has written the database.
    #[error(
        "the database has schema {0}, which this program does not know: start the newer program, \
         or restore the backup that it made before the upgrade"
    )]
    NewerSchema(i64),
    /// No room is left on the disk.
    #[error("the disk of the data folder is full")]
    DiskFull,
    /// The database itself.
    #[error("the database: {0}")]
    Database(Arc<sqlx::Error>),
}

impl StoreError {
    /// Whether trying again later can help.
    #[must_use]
    pub fn is_transient(&self) -> bool {
        matches!(self, StoreError::Database(_) | StoreError::File { .. } | StoreError::DiskFull)
    }

    /// Whether one plan's row is at fault, and the database is well.
    #[must_use]
    pub fn is_damage(&self) -> bool {
        matches!(self, StoreError::Damaged { .. })
    }

    /// Whether a page of the file could not be read or written.
    #[must_use]
    pub fn is_of_a_page(&self) -> bool {
        self.is_unsound() || matches!(self, StoreError::Damaged { page: true, .. })
    }

    /// Whether it may go on and on: then alerts go from memory, whatever else can be written meanwhile.
    #[must_use]
    pub fn may_last(&self) -> bool {
        self.is_of_a_page() || self.is_transient()
    }

    /// Whether the file holds no sound database.
    #[must_use]
    pub fn is_unsound(&self) -> bool {
        matches!(self, StoreError::Database(error) if UNSOUND.contains(&code(error)))
    }

    /// Whether one row may be at fault, and not the database: then each of many changes that were
    /// made together is worth a try by itself, and none need wait for another.
    #[must_use]
    pub fn may_be_of_one_row(&self) -> bool {
        match self {
            StoreError::Database(error) => {
                [STATEMENT, CONSTRAINT].contains(&code(error))
                    || UNSOUND.contains(&code(error))
                    || breaks_a_rule(error)
                    || matches!(**error, sqlx::Error::Decode(_) | sqlx::Error::ColumnDecode { .. })
            }
            other => !other.is_transient(),
        }
    }

    /// Whether what a connection still holds in memory can't be trusted any more. A sync that
    /// failed must not be tried again: the kernel may have dropped what it could not write.
    pub(super) fn spoils_connection(&self) -> bool {
        match self {
            StoreError::DiskFull => true,
            StoreError::Database(error) => {
                code(error) == IO
                    || matches!(**error, sqlx::Error::Io(_) | sqlx::Error::WorkerCrashed)
            }
            _ => false,
        }
    }
}

impl From<sqlx::Error> for StoreError {
    fn from(error: sqlx::Error) -> Self {
        if code(&error) == FULL {
            return StoreError::DiskFull;
        }
        StoreError::Database(Arc::new(error))
    }
}

impl From<MigrateError> for StoreError {
    fn from(error: MigrateError) -> Self {
        match error {
            MigrateError::VersionMissing(version) => StoreError::NewerSchema(version),
            MigrateError::Execute(error) | MigrateError::ExecuteMigration(error, _) => error.into(),
            other => StoreError::from(sqlx::Error::Migrate(Box::new(other))),
        }
    }
}

/// SQLite's primary result code; 0 where it is not SQLite that failed.
fn code(error: &sqlx::Error) -> i32 {
    let code = error.as_database_error().and_then(|error| error.code()?.parse::<i32>().ok());
    code.unwrap_or(0) & 0xff
}

/// Whether a row breaks a rule of its table, in the words of any database.
fn breaks_a_rule(error: &sqlx::Error) -> bool {
    error.as_database_error().is_some_and(|error| !matches!(error.kind(), ErrorKind::Other))
}

/// Damage found in a plan's row.
pub(super) fn damaged(plan: &str, why: impl ToString) -> StoreError {
    StoreError::Damaged { plan: plan.to_owned(), why: why.to_string(), page: false }
}

/// What the program itself fails over: held to be damage of the plan, for every other is well.
pub(super) fn of_a_panic(plan: &str) -> StoreError {
    damaged(plan, "the program fails over it")
}

/// Where a text can't be read. What stands there is left out: this goes into the log, and the
/// parser's own words quote it.
pub(super) fn unread(column: &str, error: &serde_json::Error) -> String {
    let (line, at) = (error.line(), error.column());
    format!("{column} can't be read: {:?} at line {line}, column {at}", error.classify())
}

/// An error met while one plan's row was read: text that is no text is damage of that row alone,
/// and a page that can't be read is damage of the rows in it.
pub(super) fn of_row(plan: &str, error: sqlx::Error) -> StoreError {
    match error {
        sqlx::Error::Decode(why) | sqlx::Error::ColumnDecode { source: why, .. } => {
            damaged(plan, why)
        }
        page if UNSOUND.contains(&code(&page)) => {
            StoreError::Damaged { plan: plan.to_owned(), why: page.to_string(), page: true }
        }
        other => other.into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The parser's own words are: invalid type: string "Zqasthma", expected u32.
    #[test]
    fn what_cant_be_read_is_not_quoted() {
        let error = serde_json::from_str::<u32>("\"Zqasthma\"").unwrap_err();
        assert!(error.to_string().contains("Zqasthma"));
        assert_eq!(
            unread("state_json", &error),
            "state_json can't be read: Data at line 1, column 10"
        );
    }
}
