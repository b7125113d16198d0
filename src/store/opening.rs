//! Opening the database: never an empty start where there was one, never a schema half known.

use std::path::Path;
use std::time::Duration;

use sqlx::any::{AnyConnectOptions, AnyPoolOptions};
use sqlx::migrate::Migrator;
use sqlx::{AnyConnection, AnyPool, Connection, Executor, Row};

use super::counter::Counter;
use super::folder::{Folder, open_private};
use super::writer::{self, Writer};
use super::{Store, StoreError, backup, copies};

/// The oldest SQLite that may run: earlier ones can damage a database in WAL mode (their release
/// notes for 3.51.3).
const OLDEST_SQLITE: (u32, u32, u32) = (3, 51, 3);

static SCHEMA: Migrator = sqlx::migrate!("src/store/migrations");

impl Store {
    /// Opens the database in this folder, beside a daemon too; both are made when they have never
    /// been there. Brings an older schema up to this one, after a backup beside it.
    ///
    /// # Errors
    /// The folder, a database that is missing or not the folder's own, its schema, its SQLite's
    /// age or its contents.
    pub async fn open(data_dir: &Path) -> Result<Self, StoreError> {
        Self::open_as(data_dir, false).await
    }

    /// The same for the daemon, which has the folder locked.
    ///
    /// # Errors
    /// As [`open`](Self::open).
    pub async fn open_alone(data_dir: &Path) -> Result<Self, StoreError> {
        Self::open_as(data_dir, true).await
    }

    async fn open_as(data_dir: &Path, alone: bool) -> Result<Self, StoreError> {
        let folder = Folder::open(data_dir)?;
        sqlx::any::install_default_drivers();
        let marked = folder.marked_id()?;
        if marked.is_some() && !folder.database().exists() {
            return Err(missing(&folder));
        }
        let lost_log = folder.was_left_open() && folder.database().exists() && !folder.has_log();
        // A log that somebody writes can't be judged: it changes while it is read. So no daemon may
        // begin until this one was.
        let wants_lock = folder.has_log() || folder.restored_part().exists();
        let locked = if alone || !wants_lock { None } else { folder.lock().ok() };
        let damaged_log = (alone || locked.is_some()) && folder.has_damaged_log();
        if alone || locked.is_some() {
            // Nobody is restoring: one that did was killed. It holds whole plans.
            backup::remove_unfinished(&folder.restored_part());
        }
        let lost = match (lost_log, damaged_log) {
            (true, _) => Some("the newest changes are lost: their log is gone"),
            (false, true) => Some("the newest changes are lost: their log is damaged"),
            (false, false) => None,
        };
        let mut first = first_connection(&folder).await?;
        let ready = make_ready(&mut first, &folder, marked.as_deref(), lost, damaged_log).await;
        drop(locked);
        let Ready { upgraded_from, readers, pages_readers, own_reader } = match ready {
            Ok(ready) => ready,
            Err(error) => {
                leave_unopened(first, &folder, lost.is_some()).await;
                return Err(error);
            }
        };
        folder.lay_ballast();
        let writer = Writer::start(writer::url(&folder.database()), first, folder.clone());
        let counter = Counter::open(writer.clone());
        Ok(Store {
            writer,
            counter,
            readers,
            pages_readers,
            own_reader,
            folder,
            upgraded_from,
            alone,
        })
    }
}

/// A database that can be worked with.
struct Ready {
    /// The older schema from which it was brought up, if from any.
    upgraded_from: Option<i64>,
    readers: AnyPool,
    pages_readers: AnyPool,
    own_reader: AnyPool,
}

/// Sees to it that this is the folder's own database, of this program's schema, and has its alerts held
/// where some of it is lost.
async fn make_ready(
    first: &mut AnyConnection,
    folder: &Folder,
    marked: Option<&str>,
    lost: Option<&str>,
    damaged_log: bool,
) -> Result<Ready, StoreError> {
    check_sqlite(first).await?;
    let known = known_schema(first).await?;
    let id = backup::read_meta(first, "id").await?;
    check_identity(folder, marked, id.as_deref())?;
    let upgraded_from = upgrade(first, folder, known).await?;
    identify(first, folder, id).await?;
    if let Some(why) = lost {
        tracing::error!(why, "the database is older than what was acknowledged");
        backup::ask_for_review(first, why).await?;
    }
    if damaged_log {
        leave_behind(first).await;
    }
    note_copies(first, folder).await?;
    let url = writer::url(&folder.database());
    let options = url.parse::<AnyConnectOptions>()?;
    let own_reader = readers(1).connect_with(options.clone()).await?;
    // Most commands show no pages.
    let pages_readers = readers(3).min_connections(0).connect_lazy_with(options.clone());
    let readers = readers(3).connect_with(options).await?;
    folder.remember_open(true)?;
    Ok(Ready { upgraded_from, readers, pages_readers, own_reader })
}

/// A start that is refused may fold the log into the database as it leaves: then nothing is lost, and
/// the next start is to look for no log. Where something is, the mark stays for that one to tell of it.
async fn leave_unopened(first: AnyConnection, folder: &Folder, lost: bool) {
    if first.close().await.is_ok() && !lost && !folder.has_log() {
        // One that stays costs ten minutes of review.
        let _ = folder.remember_open(false);
    }
}

/// Empties a damaged log, once what is left of it was read. Until then what stands behind the damage
/// would be found at each start, and alerts held from then on once more.
async fn leave_behind(connection: &mut AnyConnection) {
    if let Err(error) = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").await {
        tracing::warn!(%error, "the damaged log is not emptied");
    }
}

/// A disk that is quite full may keep the database from being opened at all.
async fn first_connection(folder: &Folder) -> Result<AnyConnection, StoreError> {
    let path = folder.database();
    // SQLite gives its log the mode of the file that it belongs to.
    open_private(&path, std::fs::OpenOptions::new().write(true).create(true))?;
    let url = writer::url(&path);
    match writer::connect(&url).await {
        Err(_) if folder.free_ballast() => writer::connect(&url).await,
        other => other,
    }
}

fn readers(most: u32) -> AnyPoolOptions {
    AnyPoolOptions::new()
        .max_connections(most)
        .min_connections(1)
        .acquire_timeout(Duration::from_secs(20))
        .idle_timeout(None)
        // A file that was open stays open: there is nobody to ask whether he is still there.
        .test_before_acquire(false)
        .max_lifetime(None)
        .after_connect(|connection, _| Box::pin(writer::prepare(connection)))
}

async fn check_sqlite(connection: &mut AnyConnection) -> Result<(), StoreError> {
    let row = connection.fetch_one("SELECT sqlite_version()").await?;
    let version: String = row.try_get(0)?;
    if is_too_old(&version) { Err(StoreError::OldSqlite(version)) } else { Ok(()) }
}

fn is_too_old(version: &str) -> bool {
    let mut parts = version.split('.').map(|part| part.parse().unwrap_or(0));
    let mut part = || parts.next().unwrap_or(0);
    (part(), part(), part()) < OLDEST_SQLITE
}

/// The schema that the file has; `None` for a new one.
async fn known_schema(connection: &mut AnyConnection) -> Result<Option<i64>, StoreError> {
    if !backup::has_table(connection, "_sqlx_migrations").await? {
        return Ok(None);
    }
    let row = connection.fetch_one("SELECT MAX(version) AS newest FROM _sqlx_migrations").await?;
    Ok(row.try_get("newest")?)
}

fn missing(folder: &Folder) -> StoreError {
    StoreError::Missing { folder: folder.path().display().to_string(), marker: folder.marker() }
}

/// Whether this is the database that the folder has had.
fn check_identity(
    folder: &Folder,
    marked: Option<&str>,
    id: Option<&str>,
) -> Result<(), StoreError> {
    match (marked, id) {
        (Some(_), None) => Err(missing(folder)),
        (Some(marked), Some(id)) if marked != id => Err(StoreError::Foreign {
            folder: folder.path().display().to_string(),
            marker: folder.marker(),
        }),
        _ => Ok(()),
    }
}

/// Brings the schema up to this program's, in one transaction, after a backup. Tells from which
/// older one, if it was older.
async fn upgrade(
    connection: &mut AnyConnection,
    folder: &Folder,
    known: Option<i64>,
) -> Result<Option<i64>, StoreError> {
    let newest = SCHEMA.iter().map(|step| step.version).max();
    if let Some(known) = known {
        if Some(known) > newest {
            return Err(StoreError::NewerSchema(known));
        }
        if Some(known) == newest {
            return Ok(None);
        }
        let path = folder.path().join(format!("before-upgrade-from-{known}.db"));
        tracing::warn!(path = %path.display(), "the schema is upgraded, after this backup");
        backup::copy_into(connection, &path).await?;
    }
    let mut whole = connection.begin_with("BEGIN IMMEDIATE").await?;
    SCHEMA.run(&mut *whole).await?;
    whole.commit().await?;
    Ok(known)
}

/// Remembers the copies that lie in the folder: of an upgrade, or of a restored backup.
async fn note_copies(connection: &mut AnyConnection, folder: &Folder) -> Result<(), StoreError> {
    let Ok(entries) = std::fs::read_dir(folder.path()) else { return Ok(()) };
    for entry in entries.flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        if name.starts_with("before-upgrade-from-") && name.ends_with(".db") {
            copies::note(connection, &entry.path().to_string_lossy(), chrono::Utc::now()).await?;
        }
    }
    Ok(())
}

/// Gives a new database its id, and marks the folder with it.
async fn identify(
    connection: &mut AnyConnection,
    folder: &Folder,
    id: Option<String>,
) -> Result<(), StoreError> {
    let id = match id {
        Some(id) => id,
        None => {
            let mut bytes = [0; 16];
            getrandom::fill(&mut bytes)
                .map_err(|error| sqlx::Error::Io(std::io::Error::other(error)))?;
            let id: String = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
            // Another program may be opening it for the first time as well: the first id stands.
            sqlx::query("INSERT INTO meta (name, value) VALUES ('id', $1) ON CONFLICT DO NOTHING")
                .bind(&id)
                .execute(&mut *connection)
                .await?;
            backup::read_meta(connection, "id").await?.unwrap_or(id)
        }
    };
    if folder.marked_id()?.is_none() {
        folder.mark(&id)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The releases of https://sqlite.org/changes.html: 3.51.3 mended what two connections that write
    /// and fold the log at once could damage. Debian 12 has 3.40.1.
    #[test]
    fn only_a_sqlite_whose_log_is_sound_may_run() {
        for version in ["3.40.1", "3.51.2", "3.51", "3.7.0", "2.8.17", "", "new"] {
            assert!(is_too_old(version), "{version}");
        }
        for version in ["3.51.3", "3.54.1", "3.100.0", "4.0.0"] {
            assert!(!is_too_old(version), "{version}");
        }
    }

    #[tokio::test]
    async fn whoever_holds_every_reader_keeps_no_alert_waiting() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path()).await.unwrap();
        let mut held = Vec::new();
        for _ in 0..3 {
            held.push(store.readers.acquire().await.unwrap());
        }
        let looks = async {
            let due = store.due(chrono::Utc::now(), 1).await.unwrap();
            store.alert_quarantined(chrono::Utc::now()).await.unwrap();
            store.next_due_at().await.unwrap();
            store.next_letter_at().await.unwrap();
            store.read_together(["one"].into_iter()).await;
            store.keys_of(["none"].into_iter()).await;
            due
        };
        let looked = tokio::time::timeout(Duration::from_secs(10), looks).await;
        assert_eq!(looked.expect("it waits for them"), [""; 0]);
    }

    #[tokio::test]
    async fn pages_keep_nobody_else_waiting() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path()).await.unwrap();
        let (pages, mut held) = (store.for_pages(), Vec::new());
        while let Ok(Ok(reader)) =
            tokio::time::timeout(Duration::from_millis(300), pages.readers.acquire()).await
        {
            held.push(reader);
        }
        assert!(!held.is_empty());
        let read = tokio::time::timeout(Duration::from_secs(10), store.plan("none")).await;
        assert!(matches!(read.expect("it waits for them"), Err(StoreError::NoSuchPlan)));
    }
}
