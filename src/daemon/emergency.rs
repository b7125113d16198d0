//! Alerts from memory, while the database can't be written.

use std::collections::{BTreeMap, BTreeSet};
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::task::JoinSet;
use tokio::time::{Instant, sleep_until, timeout, timeout_at};
use tokio_util::sync::CancellationToken;

use super::bare::{barest_letter, plain_letter, tell_of_plain_words, untyped_letter};
use super::charts::LeftOut;
use super::memory::Sent;
use super::posting::LONGEST_GOODBYE;
use super::sending::{HANGS_AFTER, NO_PLACE};
use super::wording::{compose, mailbox};
use super::written::{Unwritten, first_to_be_written};
use super::{Daemon, Dossier, NotTaken, retry};
use crate::guarded::guarded_while;
use crate::letter::Facts;
use crate::post::Outgoing;
use crate::store::{Claimed, PlanRecord, StoreError, letter_id};
use crate::watch::Order;

/// When nothing has been written for so long, or something keeps the watch or the post from its work,
/// alerts go out all the same.
pub(super) const PATIENCE: Duration = Duration::from_secs(10);
/// A read that takes longer may never end, as on a disk that hangs: alerts don't wait for it.
pub(super) const LONGEST_READ: Duration = Duration::from_secs(1);
const BETWEEN_LOOKS: Duration = Duration::from_secs(1);
/// How many letters leave at once, those not counted that hang.
const AT_ONCE: usize = 16;

/// Sends from the memory when it must.
pub(super) async fn stand_in(daemon: Daemon, stop: CancellationToken) {
    let mut leaving = Leaving::default();
    while !stop.is_cancelled() {
        let look_again = Instant::now() + BETWEEN_LOOKS;
        leaving.heed_those_that_ended();
        if !is_needed(&daemon) {
            leaving.waiting.clear();
        } else if !is_held(&daemon).await {
            leaving.send_owed(&daemon, look_again).await;
        }
        tokio::select! {
            () = stop.cancelled() => break,
            () = sleep_until(look_again) => {}
        }
    }
    // As by the post: an answer that comes now must not be forgotten.
    let _unanswered = timeout(LONGEST_GOODBYE, leaving.tasks.join_all()).await;
}

/// Whether alerts have to go from memory. Once they need not, what is owed is the post's to send: it knows
/// what has been written since.
fn is_needed(daemon: &Daemon) -> bool {
    daemon.0.health.unwritten_for().max(daemon.0.health.stuck_for()) > PATIENCE
}

/// Whether a review holds alerts back. A hold that can't be read holds nothing: the keeper may have ended
/// it, and a missed alert is worse than a false one.
async fn is_held(daemon: &Daemon) -> bool {
    let now = daemon.now();
    if daemon.0.health.held_until().is_none_or(|until| until <= now) {
        return false;
    }
    let read = timeout(LONGEST_READ, daemon.store().held_until()).await;
    matches!(read, Ok(Ok(Some(until))) if until > now)
}

impl Daemon {
    /// Writes down what left while the database could not be written. The watch and the post do
    /// this before anything else, so that nothing goes a second time. What can't be written down goes
    /// behind all else, and is tried again later: the post knows without that what has left.
    ///
    /// # Errors
    /// The first that is not of one alert alone.
    pub(super) async fn record_sent(&self) -> Result<(), StoreError> {
        let memory = &self.0.memory;
        while memory.has_sent() {
            let first = || memory.first_sent(Instant::now().into_std());
            if !self.record_one(first).await? {
                break;
            }
        }
        Ok(())
    }

    /// The same for what left of one plan, before anything else of it is written: else whoever was alerted
    /// is not stood down by a check-in, but told that all is well. In vain, it is done later.
    pub(super) async fn record_sent_of(&self, plan_ref: &str) {
        let memory = &self.0.memory;
        for sent in memory.sent_of(plan_ref) {
            let still = || Some(sent.clone()).filter(|sent| memory.has_left(plan_ref, &sent.order));
            if self.record_one(still).await.is_err() {
                break;
            }
        }
    }

    /// Whether there was something to be written down.
    async fn record_one(&self, which: impl Fn() -> Option<Sent>) -> Result<bool, StoreError> {
        let memory = &self.0.memory;
        let _alone = memory.recording.lock().await;
        let Some(sent) = which() else { return Ok(false) };
        self.0.health.holds_up_no_more(&letter_id(&sent.plan_ref, &sent.order));
        let note = "sent from memory while the database could not be written";
        match self.store().record_sent(&sent.plan_ref, &sent.order, note, sent.at).await {
            Ok(()) => {
                // Memory hears at once that it is not needed any more.
                self.0.health.wrote(self.now());
                memory.recorded(&sent);
            }
            // The plan is gone, or has nobody in this place: it never can be.
            Err(error @ (StoreError::NoSuchPlan | StoreError::Refused(_))) => {
                tracing::error!(plan = sent.plan_ref, %error, "an alert that went out is not written down");
                memory.recorded(&sent);
            }
            Err(error) => {
                // A damaged row or page does not mend itself: it must not keep all the others waiting.
                let alone = error.may_be_of_one_row();
                tracing::error!(plan = sent.plan_ref, %error, "an alert that went out can't be written down");
                memory.put_behind(&sent, alone, Instant::now().into_std());
                if !alone {
                    return Err(error);
                }
            }
        }
        Ok(true)
    }
}

/// The letters that leave from memory, each by its id.
struct Leaving {
    tasks: JoinSet<(String, Fate)>,
    under_way: BTreeSet<String>,
    /// How often those have failed that did not leave, and until when they wait.
    waiting: BTreeMap<String, (u32, Instant)>,
    /// A letter that hangs gives up its desk, so that it holds up no other.
    desks: Arc<Semaphore>,
}

/// What came of an attempt.
enum Fate {
    /// It has left, or is not owed any more.
    Over,
    /// It goes again after this, and nothing has failed.
    Later(Duration),
    Failed,
}

impl Default for Leaving {
    fn default() -> Self {
        Leaving {
            tasks: JoinSet::new(),
            under_way: BTreeSet::new(),
            waiting: BTreeMap::new(),
            desks: Arc::new(Semaphore::new(AT_ONCE)),
        }
    }
}

impl Leaving {
    /// Sets on its way what is owed and neither under way nor waiting, as far as there are desks for it
    /// before it is time to look again.
    async fn send_owed(&mut self, daemon: &Daemon, look_again: Instant) {
        let owed = daemon.0.memory.owed(daemon.now());
        if owed.is_empty() {
            return;
        }
        daemon.tell_keeper(
            "memory",
            "the database can't be used as it should be, and alerts are due: they go out from memory",
            &[
                "Look at the disk of the data folder: is it full, damaged, or mounted read-only?",
                "Don't stop the service before it can write again: what went out is known only to its \
                 memory.",
            ],
        );
        for (plan_ref, order) in owed {
            let id = letter_id(&plan_ref, &order);
            let waits = self.waiting.get(&id).is_some_and(|(_, until)| *until > Instant::now());
            if waits || self.under_way.contains(&id) {
                continue;
            }
            let desk = timeout_at(look_again, Arc::clone(&self.desks).acquire_owned()).await;
            let Ok(Ok(desk)) = desk else { return };
            self.under_way.insert(id.clone());
            let daemon = daemon.clone();
            self.tasks.spawn(async move { (id, send(&daemon, &plan_ref, &order, desk).await) });
        }
    }

    fn heed_those_that_ended(&mut self) {
        // Each is guarded, so that none ends without its id.
        while let Some(Ok((id, fate))) = self.tasks.try_join_next() {
            self.under_way.remove(&id);
            let failures = self.waiting.get(&id).map_or(0, |(failures, _)| *failures);
            let (failures, wait) = match fate {
                Fate::Over => {
                    self.waiting.remove(&id);
                    continue;
                }
                Fate::Later(wait) => (failures, wait),
                Fate::Failed => {
                    let delay = retry::jittered_delay(failures, &id);
                    (failures.saturating_add(1), delay.to_std().unwrap_or_default())
                }
            };
            self.waiting.insert(id, (failures, Instant::now() + wait));
        }
    }
}

/// One attempt at one letter; its desk is free again when it hangs.
async fn send(daemon: &Daemon, plan_ref: &str, order: &Order, desk: OwnedSemaphorePermit) -> Fate {
    let mut sending = pin!(guarded_while(try_to_send(daemon, plan_ref, order)));
    let sent = match timeout(HANGS_AFTER, &mut sending).await {
        Ok(sent) => sent,
        Err(_) => {
            drop(desk);
            sending.await
        }
    };
    // Whether it was taken is not known, so it goes again.
    sent.unwrap_or(Fate::Failed)
}

async fn try_to_send(daemon: &Daemon, plan_ref: &str, order: &Order) -> Fate {
    let memory = &daemon.0.memory;
    let Some(record) = memory.record(plan_ref) else { return Fate::Over };
    let letter = match letter(daemon, record, order).await {
        Ok(Some(letter)) => letter,
        // Nobody to write to, which is an address that is refused.
        Ok(None) => {
            memory.refused(plan_ref, order, daemon.now());
            return Fate::Over;
        }
        Err(why) => {
            tracing::error!(plan = plan_ref, %why, "an alert can't be written from memory");
            return Fate::Failed;
        }
    };
    // The crew may have been heard while others' alerts left, or while a relay was slow; or the post
    // can go on.
    let is_wanted = || is_needed(daemon) && memory.owes(plan_ref, order, daemon.now());
    match daemon.hand_over_if(&letter, is_wanted).await {
        Ok(()) => {
            tracing::warn!(plan = plan_ref, kind = %order.kind, "an alert left from memory");
            memory.sent(plan_ref, order, daemon.now());
            Fate::Over
        }
        Err(NotTaken::Unwanted) => Fate::Over,
        Err(error) => not_taken(daemon, plan_ref, order, &error),
    }
}

fn not_taken(daemon: &Daemon, plan_ref: &str, order: &Order, error: &NotTaken) -> Fate {
    tracing::error!(plan = plan_ref, why = error.in_log(), "an alert did not leave from memory");
    let (charts, id) = (&daemon.0.charts, letter_id(plan_ref, order));
    if error.is_for_content() && charts.left_out_of(&id) != LeftOut::Typed {
        // It may be something that somebody typed.
        charts.leave_out(&id, LeftOut::Typed);
        return Fate::Later(Duration::ZERO);
    }
    if error.is_final() {
        daemon.0.memory.refused(plan_ref, order, daemon.now());
        return Fate::Over;
    }
    match error {
        NotTaken::NoPlace => Fate::Later(NO_PLACE.to_std().unwrap_or_default()),
        _ => Fate::Failed,
    }
}

/// The letter, in plain words where the plan or the program fails: whom they go to is read from the
/// database, which may not be written but can be read.
async fn letter(
    daemon: &Daemon,
    record: PlanRecord,
    order: &Order,
) -> Result<Option<Outgoing>, Unwritten> {
    let claimed = Claimed {
        id: letter_id(&record.plan_ref, order),
        plan_ref: record.plan_ref.clone(),
        order: order.clone(),
        queued_at: daemon.now(),
        attempt: 0,
        failures: 0,
        refused_before: false,
        written_from: None,
    };
    // That no address can be read is not to say that nobody is to be written to.
    let plainly = |letter: Option<Outgoing>| Ok(Some(letter.ok_or(StoreError::NoSuchPlan)?));
    let rich = async { Ok(write(daemon, record, &claimed)?) };
    let plain = async { plainly(plain_letter(daemon, &claimed).await?) };
    let barest = async { plainly(barest_letter(daemon, &claimed).await?) };
    first_to_be_written(rich, plain, barest, |why| tell_of_plain_words(daemon, why)).await
}

/// The letter as the ordinary road would write it, without the history, which is not at hand.
fn write(
    daemon: &Daemon,
    record: PlanRecord,
    claimed: &Claimed,
) -> Result<Option<Outgoing>, StoreError> {
    let order = &claimed.order;
    let plan = daemon.plan_of(&record)?;
    let Some(to) = mailbox(daemon, &plan, order.to) else { return Ok(None) };
    let plan_ref = record.plan_ref.clone();
    let page = daemon.page_of(&plan_ref, order.to);
    let dossier = Dossier { record, plan, review: None, history: Vec::new() };
    let facts = daemon.facts(&dossier, page.as_deref(), daemon.now());
    let facts = Facts { from_memory: true, ..facts };
    let left_out = daemon.0.charts.left_out_of(&claimed.id);
    if facts.watched.told(order.to).words_refused || left_out == LeftOut::Typed {
        return Ok(Some(untyped_letter(daemon, claimed, &facts, to)));
    }
    let mut letter = compose(daemon, &dossier, &facts, order);
    letter.html = String::new();
    let name = format!("{}.{plan_ref}", claimed.id);
    let outgoing = daemon.outgoing(&name, order.kind.name(), Some(&plan_ref), to, letter);
    Ok(Some(Outgoing { return_path: daemon.return_path(&claimed.id), ..outgoing }))
}
