//! The running service: filing, watching, posting, and what the pages and commands ask of it.
//!
//! Joins the floors below: here alone the watch's clock is read, and here alone an event meets the
//! store, a letter the post, and a plan its review.

mod acting;
mod adjtimex;
mod ailing;
mod amending;
mod bare;
mod canary;
mod charts;
mod clock;
mod differing;
mod emergency;
mod enclosing;
mod export;
mod farewell;
mod filing;
mod handing;
mod health;
mod heartbeat;
mod judging;
mod keeper;
mod latest;
mod links;
mod memory;
mod posting;
mod referee;
mod remembering;
mod restarts;
mod retention;
mod retry;
mod rounds;
mod sealing;
pub mod secrets;
mod sending;
mod sparing;
mod status;
mod strangers;
mod telling;
mod turns;
mod upkeep;
mod viewing;
mod watching;
mod wording;
mod written;
mod zones;

use std::collections::BTreeMap;
use std::sync::Arc;

use thiserror::Error;
use tokio::sync::Notify;
use tokio::task::{Id, JoinError, JoinSet};
use tokio_util::sync::CancellationToken;

use crate::guarded::{Panicked, guarded_while};
use crate::letter::Rescue;
use crate::post::Post;
use crate::settings::{Limits, Mailbox, Retention};
use crate::store::{Store, StoreError};
use crate::watch::Ladder;

pub use acting::{Dossier, Visit};
pub use adjtimex::is_synchronised;
pub use amending::{Amended, Foreseen, Seen};
pub use canary::is_canary;
pub use clock::Clock;
pub use farewell::Left;
pub use filing::{Filed, FilingError, Links};
pub use handing::NotTaken;
pub use health::{Health, Illness};
pub use judging::Judge;
pub use referee::{Agreement, Dispute, Readings};
pub use restarts::tell_of_failed_start;
pub use retention::{Forgotten, Kept, NotErased};
pub use secrets::{Secrets, SecretsError};
pub use status::{NOBODY_REACHED, PersonStatus, PlanStatus};
pub use viewing::{Asked, TooMany, View};

/// What the service is told by its settings.
#[derive(Clone, Debug)]
pub struct House {
    /// Who runs it, as it signs its letters.
    pub name: String,
    /// Where its pages are reached, without a slash at the end.
    pub base_url: String,
    /// Where its keeper is written to.
    pub keeper_email: Option<String>,
    /// Whom its letters come from.
    pub from: Mailbox,
    /// Whom a contact is told to call.
    pub rescues: Vec<Rescue>,
    /// The ladder of plans filed from now on.
    pub ladder: Ladder,
    /// How much one key or address may ask for.
    pub limits: Limits,
    /// How long closed plans are kept.
    pub retention: Retention,
    /// Where a weakness of the service is told of, as a URI.
    pub security_contact: Option<String>,
}

/// Why the service ended although nobody told it to.
#[derive(Debug, Error)]
pub enum Ended {
    /// The database can't be written at the start.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A part of it ended, and the others with it.
    #[error("{0} has ended by itself")]
    Part(&'static str),
}

/// The parts that run, each by its name.
#[derive(Default)]
struct Running {
    tasks: JoinSet<()>,
    names: BTreeMap<Id, &'static str>,
}

impl Running {
    fn begin(&mut self, name: &'static str, part: impl Future<Output = ()> + Send + 'static) {
        self.names.insert(self.tasks.spawn(part).id(), name);
    }

    /// Waits until every part has ended as it was told to.
    async fn until(&mut self, stop: &CancellationToken) -> Result<(), Ended> {
        while let Some(ended) = self.tasks.join_next_with_id().await {
            let id = ended.as_ref().map_or_else(JoinError::id, |(id, ())| *id);
            if ended.is_err() || !stop.is_cancelled() {
                return Err(Ended::Part(self.names.get(&id).copied().unwrap_or("a part of it")));
            }
        }
        Ok(())
    }
}

/// The service. Cheap to clone: every clone is the same service. Beside its parts stands the database as
/// whoever has the clone reads it.
#[derive(Clone)]
pub struct Daemon(Arc<Parts>, Store);

struct Parts {
    house: House,
    post: Post,
    secrets: Secrets,
    judge: Judge,
    /// How much is judged at once.
    hands: judging::Hands,
    /// Who is shown what, and when.
    viewings: viewing::Viewings,
    clock: Clock,
    health: Health,
    /// What is due soon, for when the database can't be written.
    memory: memory::Memory,
    /// The charts drawn for letters.
    charts: charts::Charts,
    /// What the water and the wind are, for alerts.
    latest: latest::Latest,
    /// What the keeper is to hear.
    desk: keeper::Desk,
    /// Rung when a plan's next wake-up may have come nearer.
    watch_bell: Notify,
    /// Rung when a letter was ordered.
    post_bells: posting::Bells,
}

/// What is done before the watch begins is worth less than the watch: where a page or a row is
/// damaged that it needs, or the program fails over it, the service starts without.
async fn at_best<T: Default>(
    what: &'static str,
    doing: impl Future<Output = Result<T, StoreError>>,
) -> Result<T, StoreError> {
    match guarded_while(doing).await {
        Ok(Err(damage)) if damage.may_be_of_one_row() => {
            tracing::error!(what, %damage, "the service starts without looking at this");
            Ok(T::default())
        }
        Ok(done) => done,
        Err(Panicked) => {
            tracing::error!(what, "the service starts without looking at this");
            Ok(T::default())
        }
    }
}

impl Daemon {
    /// The service over an open store; nothing runs yet.
    #[must_use]
    pub fn new(
        house: House,
        store: Store,
        post: Post,
        secrets: Secrets,
        judge: Judge,
        clock: Clock,
    ) -> Self {
        let health = Health::new(clock.now());
        let (watch_bell, post_bells) = (Notify::new(), posting::Bells::default());
        let (memory, desk) = (memory::Memory::default(), keeper::Desk::default());
        let parts = Parts {
            house,
            post,
            secrets,
            judge,
            hands: judging::Hands::default(),
            viewings: viewing::Viewings::default(),
            clock,
            health,
            memory,
            charts: charts::Charts::default(),
            latest: latest::Latest::default(),
            desk,
            watch_bell,
            post_bells,
        };
        Daemon(Arc::new(parts), store)
    }

    /// The same service for its pages, which have readers of the database of their own.
    #[must_use]
    pub fn for_pages(&self) -> Self {
        Daemon(Arc::clone(&self.0), self.1.for_pages())
    }

    /// Watches and posts until `stop` is cancelled. As the only sender of its database it first
    /// takes back the leases that an earlier life left behind.
    ///
    /// # Errors
    /// The database, when it can't be written at the start; a part that ended although nobody told it
    /// to. What is left then would only look alive: whoever runs this must end.
    pub async fn run(&self, stop: CancellationToken) -> Result<(), Ended> {
        self.note_start().await;
        // Else they run out by themselves.
        let voiding = self.store().void_leases(self.0.clock.now());
        let voided = at_best("the leases of an earlier life", voiding).await?;
        if voided > 0 {
            tracing::warn!(
                letters = voided,
                "letters were under way when the service ended; they go again"
            );
        }
        at_best("an earlier canary", self.close_canaries()).await?;
        at_best("what is to be reviewed", upkeep::begin_review(self)).await?;
        at_best("the links", self.renew_links()).await?;
        at_best("the plans of before an upgrade", self.tell_of_upgrade()).await?;
        self.tell_of_unsigned();
        at_best("what was noted at the last stop", self.say_welcome()).await?;
        let mut parts = Running::default();
        parts.begin("the watch", watching::watch(self.clone(), stop.clone()));
        parts.begin("the post", posting::post(self.clone(), stop.clone()));
        parts.begin("the look at the database", health::probe(self.clone(), stop.clone()));
        parts.begin("the keeper's letters", keeper::write_to_keeper(self.clone(), stop.clone()));
        parts.begin("the look at itself", ailing::watch_health(self.clone(), stop.clone()));
        parts.begin("the memory", remembering::keep_in_mind(self.clone(), stop.clone()));
        parts.begin("the alerts from memory", emergency::stand_in(self.clone(), stop.clone()));
        parts.begin("the drawing of charts", charts::draw_ahead(self.clone(), stop.clone()));
        parts.begin("the look at the weather", latest::look_ahead(self.clone(), stop.clone()));
        parts.begin("the forgetting", retention::forget_in_time(self.clone(), stop.clone()));
        parts.begin("the upkeep", upkeep::keep_up(self.clone(), stop.clone()));
        parts.until(&stop).await?;
        self.store().close().await;
        self.note_stop();
        Ok(())
    }

    /// What it was told by its settings.
    #[must_use]
    pub fn house(&self) -> &House {
        &self.0.house
    }

    /// The store, for keys and links.
    #[must_use]
    pub fn store(&self) -> &Store {
        &self.1
    }

    /// The time, by the service's clock.
    #[must_use]
    pub fn now(&self) -> chrono::DateTime<chrono::Utc> {
        self.0.clock.now()
    }

    fn ring(&self) {
        self.0.watch_bell.notify_one();
        self.0.post_bells.ring();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::guarded_over;

    #[tokio::test]
    async fn damage_keeps_no_watch_from_beginning() {
        let none: Vec<u32> = Vec::new();
        let damaged = guarded_over("REF-1", || Ok(none[0]));
        assert!(matches!(at_best("a test", async { damaged }).await, Ok(0)));
        assert!(matches!(at_best("a test", async { Ok(none[0]) }).await, Ok(0)));
        assert!(matches!(at_best("a test", async { Ok(7) }).await, Ok(7)));
        let full: Result<u32, _> = Err(StoreError::DiskFull);
        assert!(matches!(at_best("a test", async { full }).await, Err(StoreError::DiskFull)));
    }
}
