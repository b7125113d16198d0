//! The one writer. Changes queue here; those that wait together are committed together.
//!
//! Each change is made inside a savepoint of its own, so that one that fails takes nothing of the
//! others with it, and nobody is told that a change is made before the commit that holds it has
//! come back from the disk.

use std::future::Future;
use std::pin::Pin;
use std::str::FromStr;

use sqlx::any::AnyConnectOptions;
use sqlx::{AnyConnection, ConnectOptions, Connection, Executor};
use tokio::sync::{mpsc, oneshot};

use super::StoreError;
use super::damage::Damage;
use super::error::of_a_panic;
use super::folder::Folder;
use crate::guarded::guarded_while;

/// How many changes are committed together at most.
const MOST_TOGETHER: usize = 128;
/// How many changes may wait before those who bring more are held up.
const LONGEST_QUEUE: usize = 4096;

/// 8 MB: what a group of changes touches is written once, when it is committed.
const WRITERS_CACHE: &str = "PRAGMA cache_size = -8000";

/// A change under way.
pub(super) type Making<'c, T> = Pin<Box<dyn Future<Output = Result<T, StoreError>> + Send + 'c>>;

/// The way to the writer.
#[derive(Clone, Debug)]
pub(super) struct Writer {
    queue: mpsc::Sender<Message>,
    damage: Damage,
}

enum Message {
    Change(Box<dyn Queued>),
    Close(oneshot::Sender<()>),
}

impl Writer {
    /// Starts the writer over a first connection that is known to work.
    pub(super) fn start(url: String, first: AnyConnection, folder: Folder) -> Self {
        let (queue, waiting) = mpsc::channel(LONGEST_QUEUE);
        let queue_end = Queue { waiting, closing: None };
        let most_together = MOST_TOGETHER;
        let place = Place { url, connection: Some(first), folder, most_together };
        tokio::spawn(run(queue_end, place));
        Writer { queue, damage: Damage::default() }
    }

    /// Makes a change and waits until it is on the disk.
    pub(super) async fn make<T, F>(&self, change: F) -> Result<T, StoreError>
    where
        T: Send + 'static,
        F: for<'c> FnOnce(&'c mut AnyConnection) -> Making<'c, T> + Send + 'static,
    {
        let closed = |()| StoreError::from(sqlx::Error::PoolClosed);
        let (answer, answered) = oneshot::channel();
        let change = Change { change: Some(change), outcome: None, answer };
        self.queue.send(Message::Change(Box::new(change))).await.map_err(|_| closed(()))?;
        self.damage.heed(answered.await.map_err(|_| closed(()))?)
    }

    /// What was met of damage.
    pub(super) fn damage(&self) -> &Damage {
        &self.damage
    }

    /// Commits what waits, and closes the connection.
    pub(super) async fn close(&self) {
        let (answer, answered) = oneshot::channel();
        if self.queue.send(Message::Close(answer)).await.is_ok() {
            let _gone = answered.await;
        }
    }
}

/// A change of any type, in the queue.
trait Queued: Send {
    /// Makes it, and keeps its outcome; the error if it failed.
    fn make<'c>(&'c mut self, connection: &'c mut AnyConnection) -> Made<'c>;
    /// Tells whoever waits: its own outcome, or why nothing of the group was written.
    fn answer(self: Box<Self>, lost: Option<&StoreError>);
}

type Made<'c> = Pin<Box<dyn Future<Output = Option<StoreError>> + Send + 'c>>;

struct Change<T, F> {
    change: Option<F>,
    outcome: Option<Result<T, StoreError>>,
    answer: oneshot::Sender<Result<T, StoreError>>,
}

impl<T, F> Queued for Change<T, F>
where
    T: Send,
    F: for<'c> FnOnce(&'c mut AnyConnection) -> Making<'c, T> + Send,
{
    fn make<'c>(&'c mut self, connection: &'c mut AnyConnection) -> Made<'c> {
        Box::pin(async move {
            let change = self.change.take()?;
            let outcome = guarded_while(change(connection)).await;
            let outcome = outcome.unwrap_or_else(|_| Err(of_a_panic("of those that are changed")));
            let error = outcome.as_ref().err().cloned();
            self.outcome = Some(outcome);
            error
        })
    }

    fn answer(self: Box<Self>, lost: Option<&StoreError>) {
        let outcome = match (lost, self.outcome) {
            // What failed by itself says why, whatever became of the others.
            (_, Some(Err(error))) => Err(error),
            (Some(lost), _) => Err(lost.clone()),
            (None, Some(done)) => done,
            (None, None) => Err(sqlx::Error::WorkerCrashed.into()),
        };
        // Whoever asked may have gone; the change holds all the same.
        let _gone = self.answer.send(outcome);
    }
}

/// The writer's place at the database.
struct Place {
    url: String,
    connection: Option<AnyConnection>,
    folder: Folder,
    /// How many changes are committed together. Once a page was met that can't be read or written,
    /// each goes alone: such an error takes the whole transaction with it, innocent changes too.
    most_together: usize,
}

/// What waits for the writer.
struct Queue {
    waiting: mpsc::Receiver<Message>,
    /// Who asked the writer to end, once somebody has.
    closing: Option<oneshot::Sender<()>>,
}

impl Queue {
    /// The next change; `None` once there will be no more.
    async fn wait(&mut self) -> Option<Box<dyn Queued>> {
        if self.closing.is_some() {
            return None;
        }
        let message = self.waiting.recv().await?;
        self.take(message)
    }

    /// The next change, if one waits.
    fn next(&mut self) -> Option<Box<dyn Queued>> {
        if self.closing.is_some() {
            return None;
        }
        let message = self.waiting.try_recv().ok()?;
        self.take(message)
    }

    fn take(&mut self, message: Message) -> Option<Box<dyn Queued>> {
        match message {
            Message::Change(change) => Some(change),
            Message::Close(answer) => {
                self.closing = Some(answer);
                None
            }
        }
    }
}

async fn run(mut queue: Queue, mut place: Place) {
    while let Some(first) = queue.wait().await {
        let mut group = vec![first];
        let lost = place.commit(&mut group, &mut queue).await.err();
        if let Some(error) = &lost {
            place.lose(error, &mut group, &mut queue).await;
        }
        for change in group {
            change.answer(lost.as_ref());
        }
    }
    place.leave().await;
    if let Some(answer) = queue.closing {
        let _gone = answer.send(());
    }
}

impl Place {
    /// Makes the first change and those that wait behind it, in one transaction.
    async fn commit(
        &mut self,
        group: &mut Vec<Box<dyn Queued>>,
        queue: &mut Queue,
    ) -> Result<(), StoreError> {
        let most_together = self.most_together;
        let connection = self.connection().await?;
        // A word to the database is a walk to its thread and back, so two are said at once.
        connection.execute("BEGIN IMMEDIATE; SAVEPOINT change").await?;
        let mut made = 0;
        while let Some(change) = group.get_mut(made) {
            make(connection, change.as_mut()).await?;
            made += 1;
            if made < most_together
                && let Some(next) = queue.next()
            {
                group.push(next);
                connection.execute("RELEASE change; SAVEPOINT change").await?;
            }
        }
        connection.execute("RELEASE change; COMMIT").await?;
        Ok(())
    }

    /// Nothing of this group was written. Those that wait would meet the same trouble one after
    /// the other, so they are told now; a connection that can't be trusted is opened anew.
    async fn lose(
        &mut self,
        error: &StoreError,
        group: &mut Vec<Box<dyn Queued>>,
        queue: &mut Queue,
    ) {
        if matches!(error, StoreError::DiskFull) {
            self.folder.free_ballast();
        }
        let rolled_back = match &mut self.connection {
            // After some errors SQLite has rolled back by itself, and this one fails.
            Some(connection) => connection.execute("ROLLBACK").await.is_ok(),
            None => false,
        };
        if error.spoils_connection() || !rolled_back {
            self.leave().await;
        }
        if error.is_of_a_page() {
            self.most_together = 1;
            return;
        }
        while group.len() < MOST_TOGETHER
            && let Some(next) = queue.next()
        {
            group.push(next);
        }
    }

    async fn connection(&mut self) -> Result<&mut AnyConnection, StoreError> {
        let connection = match self.connection.take() {
            Some(connection) => connection,
            None => connect(&self.url).await?,
        };
        Ok(self.connection.insert(connection))
    }

    async fn leave(&mut self) {
        if let Some(connection) = self.connection.take()
            && let Err(error) = connection.close().await
        {
            tracing::warn!(%error, "the writer's connection did not close well");
        }
    }
}

/// Makes one change inside the savepoint; when it fails by itself, what it did is taken back.
async fn make(connection: &mut AnyConnection, change: &mut dyn Queued) -> Result<(), StoreError> {
    if let Some(error) = change.make(connection).await {
        // SQLite ends the whole transaction after some errors, and after a damaged page only a whole
        // rollback lets it write again; then all of the group is lost.
        if error.spoils_connection()
            || error.is_of_a_page()
            || connection.execute("ROLLBACK TO change").await.is_err()
        {
            return Err(error);
        }
    }
    Ok(())
}

/// A connection that writes safely.
pub(super) async fn connect(url: &str) -> Result<AnyConnection, StoreError> {
    let mut connection = AnyConnectOptions::from_str(url)?.connect().await?;
    prepare(&mut connection).await?;
    connection.execute(WRITERS_CACHE).await?;
    Ok(connection)
}

/// What every connection is told first.
pub(super) async fn prepare(connection: &mut AnyConnection) -> Result<(), sqlx::Error> {
    // FULL: with less, rows that were acknowledged are lost when the power goes.
    for pragma in [
        "PRAGMA busy_timeout = 5000",
        "PRAGMA journal_mode = WAL",
        "PRAGMA synchronous = FULL",
        // 16 MB. A page that changes again and again is folded into the database once in so many
        // pages; a log this long is read back in some 10 ms at the next start.
        "PRAGMA wal_autocheckpoint = 4000",
        "PRAGMA foreign_keys = ON",
        "PRAGMA secure_delete = ON",
        // Else SQLite puts aside pages of one change, or rows to be sorted, in a file below /var/tmp or
        // /tmp, which anybody may fill: no plan could then be moved, and no letter claimed.
        "PRAGMA temp_store = MEMORY",
    ] {
        connection.execute(pragma).await?;
    }
    Ok(())
}

/// Where the database of this folder is, for a connection.
pub(super) fn url(path: &std::path::Path) -> String {
    format!("sqlite://{}?mode=rwc", escaped(path))
}

/// A path as it stands in an address.
pub(super) fn escaped(path: &std::path::Path) -> String {
    let text = path.to_string_lossy();
    text.replace('%', "%25").replace('?', "%3F").replace('#', "%23")
}
