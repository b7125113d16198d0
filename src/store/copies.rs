//! Copies of the database that we made: what is forgotten here is forgotten there.

use std::path::{Path, PathBuf};

use chrono::{DateTime, Utc};
use sqlx::{AnyConnection, Connection, Executor, Row};

use super::backup::remove_unfinished;
use super::folder::of_file;
use super::forget::forget_open;
use super::{Store, StoreError, millis, writer};

/// Stands for the time at which one was made that is not finished.
const UNFINISHED: DateTime<Utc> = DateTime::UNIX_EPOCH;

/// How the copies fared when they were thinned.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Copies {
    /// Copies from which something was taken.
    pub thinned: usize,
    /// Those that can't be reached or changed, and why.
    pub out_of_reach: Vec<(PathBuf, String)>,
}

impl Store {
    /// Remembers where a copy lies.
    ///
    /// # Errors
    /// The database.
    pub async fn note_copy(&self, path: &Path, now: DateTime<Utc>) -> Result<(), StoreError> {
        let path = path.to_string_lossy().into_owned();
        self.write(move |connection| Box::pin(async move { note(connection, &path, now).await }))
            .await
    }

    /// Remembers where one will lie until it is finished: a process that is killed leaves it there.
    pub(super) async fn note_unfinished(&self, path: &Path) -> Result<(), StoreError> {
        self.note_copy(path, UNFINISHED).await
    }

    /// Takes every forgotten plan out of every copy that can be reached, and removes those that nobody
    /// will finish. A copy that is gone is gone.
    ///
    /// # Errors
    /// The database itself.
    pub async fn thin_copies(&self) -> Result<Copies, StoreError> {
        let rows = sqlx::query("SELECT plan FROM forgotten").fetch_all(&self.readers).await?;
        let forgotten: Result<Vec<String>, _> =
            rows.iter().map(|row| row.try_get("plan")).collect();
        let forgotten = forgotten?;
        let rows = sqlx::query("SELECT path, made_at FROM copies").fetch_all(&self.readers).await?;
        let mut copies = Copies::default();
        for row in rows {
            let path = PathBuf::from(row.try_get::<String, _>("path")?);
            let thinned = match row.try_get::<i64, _>("made_at")? == millis(UNFINISHED) {
                true => self.remove_copy(&path),
                false => thin(&path, &forgotten).await,
            };
            match thinned {
                Ok(Some(true)) => copies.thinned += 1,
                Ok(Some(false)) => {}
                Ok(None) => self.forget_copy(&path).await?,
                Err(error) => copies.out_of_reach.push((path, error.to_string())),
            }
        }
        Ok(copies)
    }

    /// Forgets refs that no copy can hold any more: each copy is younger, or was thinned.
    ///
    /// # Errors
    /// The database.
    pub async fn forget_refs(&self, before: DateTime<Utc>) -> Result<(), StoreError> {
        self.write(move |connection| {
            Box::pin(async move {
                sqlx::query("DELETE FROM forgotten WHERE forgotten_at < $1")
                    .bind(millis(before))
                    .execute(connection)
                    .await?;
                Ok(())
            })
        })
        .await
    }

    /// Removes one that is not finished, unless somebody is about it; as [`thin`].
    fn remove_copy(&self, path: &Path) -> Result<Option<bool>, StoreError> {
        let Some(_alone) = self.folder.not_backing_up() else { return Ok(Some(false)) };
        if !is_there(path)? {
            return Ok(None);
        }
        remove_unfinished(path);
        if is_there(path)? {
            std::fs::remove_file(path).map_err(of_file(path))?;
        }
        Ok(Some(true))
    }

    async fn forget_copy(&self, path: &Path) -> Result<(), StoreError> {
        let path = path.to_string_lossy().into_owned();
        self.write(move |connection| {
            Box::pin(async move {
                sqlx::query("DELETE FROM copies WHERE path = $1")
                    .bind(path)
                    .execute(connection)
                    .await?;
                Ok(())
            })
        })
        .await
    }
}

pub(super) async fn note(
    connection: &mut AnyConnection,
    path: &str,
    now: DateTime<Utc>,
) -> Result<(), StoreError> {
    let text = "INSERT INTO copies (path, made_at) VALUES ($1, $2) \
                ON CONFLICT (path) DO UPDATE SET made_at = $2";
    sqlx::query(text).bind(path).bind(millis(now)).execute(connection).await?;
    Ok(())
}

/// A disk that is not there now is not a copy that is gone.
fn is_there(path: &Path) -> Result<bool, StoreError> {
    match std::fs::metadata(path) {
        Ok(_) => Ok(true),
        Err(error)
            if error.kind() == std::io::ErrorKind::NotFound
                && path.parent().is_some_and(Path::exists) =>
        {
            Ok(false)
        }
        Err(error) => Err(of_file(path)(error)),
    }
}

/// Whether anything was taken out; `None` where there is no file. An older schema lacks some of
/// the tables, and an older plan may be open in the copy: it was closed since.
async fn thin(path: &Path, forgotten: &[String]) -> Result<Option<bool>, StoreError> {
    if !is_there(path)? {
        return Ok(None);
    }
    let mut copy = writer::connect(&writer::url(path)).await?;
    let thinned = thin_open(&mut copy, forgotten).await;
    // One file again, without a log beside it.
    let closed = match copy.execute("PRAGMA journal_mode = DELETE").await {
        Ok(_) => copy.close().await,
        Err(error) => Err(error),
    };
    let thinned = thinned?;
    closed?;
    Ok(Some(thinned))
}

async fn thin_open(copy: &mut AnyConnection, forgotten: &[String]) -> Result<bool, StoreError> {
    let mut found = Vec::new();
    for plan_ref in forgotten {
        let row = sqlx::query("SELECT 1 FROM plans WHERE ref = $1").bind(plan_ref);
        if row.fetch_optional(&mut *copy).await?.is_some() {
            found.push(plan_ref);
        }
    }
    if found.is_empty() {
        return Ok(false);
    }
    let mut whole = copy.begin().await?;
    for plan_ref in found {
        forget_open(&mut whole, plan_ref).await?;
    }
    whole.commit().await?;
    // All of it is written once more, which is too much for memory.
    copy.execute("PRAGMA temp_store = FILE").await?;
    copy.execute("VACUUM").await?;
    Ok(true)
}
