//! Backups of a running database, and the review that a restored one begins with.
//!
//! A backup carries a word in itself that it is one. A database that begins with that word, or
//! whose newest changes were lost, may not know of crews that have come ashore since: its alerts
//! are held for ten minutes while the keeper looks at them, and then go out all the same.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::{AnyConnection, Connection, Executor, Row};

use super::carried::carry;
use super::copies::note;
use super::folder::{of_file, open_private};
use super::{Store, StoreError, from_millis, millis, writer};

/// How long alerts are held at most.
const HOLD: TimeDelta = TimeDelta::minutes(10);

/// A database that may be older than what it once acknowledged.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Review {
    /// Why it may be.
    pub why: String,
    /// Until when its alerts are held.
    pub until: DateTime<Utc>,
}

impl Store {
    /// Writes a backup that only its owner can read, while the service goes on. It is whole when
    /// this comes back; a file of that name is replaced.
    ///
    /// # Errors
    /// The file, or the database.
    pub async fn backup(&self, path: &Path, now: DateTime<Utc>) -> Result<(), StoreError> {
        let mut part = path.as_os_str().to_owned();
        part.push(".part");
        let part = PathBuf::from(part);
        // Whatever ends this in the middle, what it leaves is found. One that can't be noted, on a disk
        // that is full, is made all the same.
        let writing = self.folder.backing_up();
        let noted = match &writing {
            Ok(_) => self.note_unfinished(&known_as(&part)).await,
            Err(error) => Err(error.clone()),
        };
        if let Err(error) = noted {
            tracing::warn!(%error, "what this backup leaves if it is killed will not be found");
        }
        let made = self.write_backup(&part, path, now).await;
        if made.is_err() {
            remove_unfinished(&part);
        }
        made
    }

    async fn write_backup(
        &self,
        part: &Path,
        path: &Path,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        let mut connection = self.readers.acquire().await?;
        copy_into(&mut connection, part).await?;
        drop(connection);
        let mut copy = writer::connect(&writer::url(part)).await?;
        let made = now.format("%-d %b %Y, %H:%M UTC");
        ask_for_review(&mut copy, &format!("it is the backup of {made}")).await?;
        copy.close().await?;
        if let Err(error) = self.note_copy(&known_as(path), now).await {
            tracing::warn!(%error, "what is forgotten later stays in this backup");
        }
        let moved = fs::File::open(part)
            .and_then(|file| file.sync_all())
            .and_then(|()| fs::rename(part, path))
            .and_then(|()| sync_folder(path));
        moved.map_err(of_file(path))
    }

    /// Puts a backup in the place of a database that no daemon has open. What was there is kept
    /// beside it, and keys that it had revoked, whoever wanted no letters, and what it had forgotten
    /// stay so, and its other copies are known; whether that could be read.
    ///
    /// # Errors
    /// The files, a daemon that runs, or a backup that is not sound.
    pub async fn restore(backup: &Path, data_dir: &Path) -> Result<bool, StoreError> {
        let folder = super::Folder::open(data_dir)?;
        let _alone = folder.lock()?;
        sqlx::any::install_default_drivers();
        let (part, database) = (folder.restored_part(), folder.database());
        let prepared = prepare(backup, &part, &database).await;
        if prepared.is_err() {
            remove_unfinished(&part);
        }
        let carried = prepared?;
        for name in ["shorelamp.db", "shorelamp.db-wal", "shorelamp.db-shm"] {
            let old = data_dir.join(name);
            if old.exists() {
                let aside = data_dir.join(format!("{name}.before-restore"));
                fs::rename(&old, &aside).map_err(of_file(&old))?;
            }
        }
        folder.remember_open(false)?;
        let moved = fs::File::open(&part)
            .and_then(|file| file.sync_all())
            .and_then(|()| fs::rename(&part, &database))
            .and_then(|()| sync_folder(&database));
        moved.map_err(of_file(&database))?;
        Ok(carried)
    }

    /// Whether this database may be older than what it once acknowledged. The first call starts
    /// the ten minutes; a restart does not start them again.
    ///
    /// # Errors
    /// The database.
    pub async fn review(&self, now: DateTime<Utc>) -> Result<Option<Review>, StoreError> {
        self.write(move |connection| {
            Box::pin(async move {
                let Some(why) = read_meta(connection, "review").await? else { return Ok(None) };
                let until = match read_meta(connection, "held-until").await? {
                    // What can't be read holds nothing back.
                    Some(text) => from_millis(text.parse().unwrap_or(0))?,
                    None => now + HOLD,
                };
                // A clock that was set must not hold them longer.
                let until = until.min(now + HOLD);
                write_meta(connection, "held-until", &millis(until).to_string()).await?;
                Ok(Some(Review { why, until }))
            })
        })
        .await
    }

    /// Whether that is still to be found out. Unlike [`Self::review`] it starts nothing.
    ///
    /// # Errors
    /// The database.
    pub async fn is_under_review(&self) -> Result<bool, StoreError> {
        Ok(read_meta(&mut *self.readers.acquire().await?, "review").await?.is_some())
    }

    /// Until when that holds alerts back, if it does.
    ///
    /// # Errors
    /// The database.
    pub async fn held_until(&self) -> Result<Option<DateTime<Utc>>, StoreError> {
        let until = read_meta(&mut *self.readers.acquire().await?, "held-until").await?;
        // What can't be read holds nothing back.
        until.map(|text| from_millis(text.parse().unwrap_or(0))).transpose()
    }

    /// Ends the review: nothing is held any more.
    ///
    /// # Errors
    /// The database.
    pub async fn end_review(&self) -> Result<(), StoreError> {
        self.write(move |connection| {
            Box::pin(async move {
                sqlx::query("DELETE FROM meta WHERE name IN ('review', 'held-until')")
                    .execute(connection)
                    .await?;
                Ok(())
            })
        })
        .await
    }
}

/// Writes at `part` what is to take the database's place; whether what that knows could be read.
async fn prepare(backup: &Path, part: &Path, database: &Path) -> Result<bool, StoreError> {
    remove_unfinished(part);
    fs::copy(backup, part)
        .and_then(|_| fs::set_permissions(part, fs::Permissions::from_mode(0o600)))
        .map_err(of_file(backup))?;
    let mut copy = writer::connect(&writer::url(part)).await?;
    super::verify::quick_check(&mut copy).await?;
    ask_for_review_if_none(&mut copy).await?;
    let carried = match database.exists() {
        true => carry(&mut copy, database).await.map_err(|error| {
            tracing::warn!(%error, "what was revoked and forgotten can't be read");
        }),
        false => Err(()),
    };
    note_copy(&mut copy, backup).await?;
    copy.close().await?;
    Ok(carried.is_ok())
}

/// Where a file will lie, whatever folder a command was started in.
fn known_as(path: &Path) -> PathBuf {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    let folder = folder.unwrap_or(Path::new(".")).canonicalize();
    match (folder, path.file_name()) {
        (Ok(folder), Some(name)) => folder.join(name),
        _ => path.to_owned(),
    }
}

/// What was only half done holds whole plans, and nothing would forget it. What lies beside it would be
/// taken for the log of the next of that name.
pub(super) fn remove_unfinished(part: &Path) {
    for ending in ["", "-wal", "-shm", "-journal"] {
        let mut path = part.as_os_str().to_owned();
        path.push(ending);
        // It was never made, or can't be removed: the error that led here says more.
        let _ = fs::remove_file(path);
    }
}

/// A backup does not know of itself, and what is forgotten later is to be taken out of it too. What
/// stood in a database's place has a log beside it, is left as it was, and is removed in its time.
async fn note_copy(connection: &mut AnyConnection, backup: &Path) -> Result<(), StoreError> {
    match backup.canonicalize() {
        Ok(path)
            if path.extension().is_none_or(|ending| ending != "before-restore")
                && has_table(connection, "copies").await? =>
        {
            note(connection, &path.to_string_lossy(), Utc::now()).await
        }
        _ => Ok(()),
    }
}

/// A whole copy of the database as it stands, in a file that only its owner can read.
pub(super) async fn copy_into(
    connection: &mut AnyConnection,
    path: &Path,
) -> Result<(), StoreError> {
    remove_unfinished(path);
    match fs::remove_file(path) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
            return Err(of_file(path)(error));
        }
        _ => {}
    }
    // SQLite writes into an empty file that is there, and leaves its mode alone.
    open_private(path, fs::OpenOptions::new().write(true).create_new(true))?;
    sqlx::query("VACUUM INTO $1")
        .bind(path.to_string_lossy().into_owned())
        .execute(connection)
        .await?;
    fs::File::open(path).and_then(|file| file.sync_all()).map_err(of_file(path))
}

/// Has the next start hold alerts until the keeper has looked.
pub(super) async fn ask_for_review(
    connection: &mut AnyConnection,
    why: &str,
) -> Result<(), StoreError> {
    connection.execute("DELETE FROM meta WHERE name = 'held-until'").await?;
    write_meta(connection, "review", why).await
}

async fn ask_for_review_if_none(connection: &mut AnyConnection) -> Result<(), StoreError> {
    match read_meta(connection, "review").await? {
        Some(_) => Ok(()),
        None => ask_for_review(connection, "it was restored from a copy").await,
    }
}

pub(super) async fn read_meta(
    connection: &mut AnyConnection,
    name: &str,
) -> Result<Option<String>, StoreError> {
    if !has_table(connection, "meta").await? {
        return Ok(None);
    }
    let row = sqlx::query("SELECT value FROM meta WHERE name = $1")
        .bind(name)
        .fetch_optional(connection)
        .await?;
    Ok(row.map(|row| row.try_get("value")).transpose()?)
}

pub(super) async fn write_meta(
    connection: &mut AnyConnection,
    name: &str,
    value: &str,
) -> Result<(), StoreError> {
    sqlx::query(
        "INSERT INTO meta (name, value) VALUES ($1, $2) \
         ON CONFLICT (name) DO UPDATE SET value = $2",
    )
    .bind(name)
    .bind(value)
    .execute(connection)
    .await?;
    Ok(())
}

pub(super) async fn has_table(
    connection: &mut AnyConnection,
    name: &str,
) -> Result<bool, StoreError> {
    let row = sqlx::query("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = $1")
        .bind(name)
        .fetch_optional(connection)
        .await?;
    Ok(row.is_some())
}

fn sync_folder(path: &Path) -> std::io::Result<()> {
    match path.parent() {
        Some(folder) => fs::File::open(folder)?.sync_all(),
        None => Ok(()),
    }
}
