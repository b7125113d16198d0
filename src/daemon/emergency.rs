//! Alerts from memory, while the database can't be written.

use std::time::Duration;

use chrono::TimeDelta;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::bare::{barest_letter, plain_letter, tell_of_plain_words, untyped_letter};
use super::charts::LeftOut;
use super::sending::{compose, mailbox};
use super::written::{Unwritten, first_to_be_written};
use super::{Daemon, Dossier, NotTaken, memory};
use crate::guarded::guarded_while;
use crate::letter::Facts;
use crate::post::Outgoing;
use crate::store::{Claimed, PlanRecord, StoreError, letter_id};
use crate::watch::Order;

/// When nothing has been written for so long, or something keeps the watch or the post from its work,
/// alerts go out all the same.
pub(super) const PATIENCE: Duration = Duration::from_secs(10);
/// A write is tried at least so often, as long as writes come back.
const LONGEST_PROBE: Duration = Duration::from_secs(4);
const BETWEEN_LOOKS: Duration = Duration::from_secs(1);
/// After a pass in which a letter did not leave.
const AFTER_FAILURE: Duration = Duration::from_secs(5);
/// Between readings of the whole memory, for what other processes wrote.
const BETWEEN_READINGS: TimeDelta = TimeDelta::minutes(10);
/// How many letters leave at once.
const AT_ONCE: usize = 16;

/// Keeps the memory, and sends from it when it must.
pub(super) async fn stand_by(daemon: Daemon, stop: CancellationToken) {
    let mut read_at = None;
    while !stop.is_cancelled() {
        let now = daemon.now();
        let unwritten_for = daemon.0.health.unwritten_for();
        let read_lately = read_at.is_some_and(|at| now - at < BETWEEN_READINGS);
        // While nothing can be written, what was heard here is newer than what could be read.
        let newer = read_at.is_some() && unwritten_for > LONGEST_PROBE;
        if !read_lately && !newer && fill(&daemon).await.is_ok() {
            read_at = Some(now);
        }
        let sent_all = match is_needed(&daemon) {
            true => send_owed(&daemon).await,
            false => true,
        };
        let pause = if sent_all { BETWEEN_LOOKS } else { AFTER_FAILURE };
        tokio::select! {
            () = stop.cancelled() => break,
            () = tokio::time::sleep(pause) => {}
        }
    }
}

/// Whether alerts have to go from memory. Once they need not, what is owed is the post's to send: it knows
/// what has been written since.
fn is_needed(daemon: &Daemon) -> bool {
    daemon.0.health.unwritten_for().max(daemon.0.health.stuck_for()) > PATIENCE
}

impl Daemon {
    /// Writes down what left while the database could not be written. The watch and the post do
    /// this before anything else, so that nothing goes a second time.
    pub(super) async fn record_sent(&self) -> Result<(), StoreError> {
        let memory = &self.0.memory;
        if !memory.has_sent() {
            return Ok(());
        }
        let _alone = memory.recording.lock().await;
        while let Some(sent) = memory.first_sent() {
            let note = "sent from memory while the database could not be written";
            match self.0.store.record_sent(&sent.plan_ref, &sent.order, note, sent.at).await {
                // A damaged page does not mend itself: it must not keep all the others waiting.
                Err(error) if error.is_transient() && !error.is_of_a_page() => return Err(error),
                Err(error) => {
                    tracing::error!(plan = sent.plan_ref, %error, "an alert that went out can't be written down");
                }
                // Memory hears at once that it is not needed any more.
                Ok(()) => self.0.health.wrote(self.now()),
            }
            memory.recorded();
        }
        Ok(())
    }
}

/// Remembers the plans whose time comes first, and looks after those that it remembers already.
async fn fill(daemon: &Daemon) -> Result<(), StoreError> {
    let memory = &daemon.0.memory;
    let mut refs = daemon.0.store.soonest(memory::MOST_PLANS).await?;
    // What is remembered and not open any more, however that came, must alert nobody.
    refs.extend(memory.beside(&refs));
    for plan_ref in refs {
        memory.begin_reading(&plan_ref);
        // One that can't be found is kept: the file may be damaged, and in doubt the plan is open.
        if let Ok(record) = daemon.0.store.plan(&plan_ref).await {
            // Its key is at hand from now on, and one that is lost is told of in time.
            let _ = daemon.plan_of(&record);
            memory.remember_read(record);
        }
    }
    Ok(())
}

/// Sends every alert that is owed; whether all of them left.
async fn send_owed(daemon: &Daemon) -> bool {
    let owed = daemon.0.memory.owed(daemon.now());
    if owed.is_empty() {
        return true;
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
    let mut all = true;
    let mut under_way = JoinSet::new();
    for (record, order) in owed {
        if under_way.len() >= AT_ONCE {
            all &= matches!(under_way.join_next().await, Some(Ok(true)));
        }
        let daemon = daemon.clone();
        under_way.spawn(async move { send(&daemon, record, &order).await });
    }
    while let Some(sent) = under_way.join_next().await {
        all &= matches!(sent, Ok(true));
    }
    all
}

async fn send(daemon: &Daemon, record: PlanRecord, order: &Order) -> bool {
    let plan_ref = record.plan_ref.clone();
    let letter = match letter(daemon, record, order).await {
        Ok(Some(letter)) => letter,
        // Nobody to write to: nothing is owed.
        Ok(None) => {
            daemon.0.memory.handed(&plan_ref, order);
            return true;
        }
        Err(why) => {
            tracing::error!(plan = plan_ref, %why, "an alert can't be written from memory");
            return false;
        }
    };
    // The crew may have been heard while others' alerts left, or while a relay was slow.
    // Or the post can go on.
    let is_wanted = || is_needed(daemon) && daemon.0.memory.owes(&plan_ref, order, daemon.now());
    let handing = daemon.hand_over_if(&letter, is_wanted);
    // Whether it was taken is not known, so it goes again.
    let Ok(handed) = guarded_while(handing).await else { return false };
    match handed {
        Ok(()) => {
            tracing::warn!(plan = plan_ref, kind = %order.kind, "an alert left from memory");
            daemon.0.memory.sent(&plan_ref, order, daemon.now());
            true
        }
        Err(NotTaken::Unwanted) => true,
        Err(error) => {
            if error.is_for_content() {
                // It may be something that somebody typed.
                daemon.0.charts.leave_out(&letter_id(&plan_ref, order), LeftOut::Typed);
            }
            tracing::error!(
                plan = plan_ref,
                why = error.in_log(),
                "an alert did not leave from memory"
            );
            false
        }
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
    let name = format!("{}.{plan_ref}", letter_id(&plan_ref, order));
    Ok(Some(daemon.outgoing(&name, order.kind.name(), Some(&plan_ref), to, letter)))
}
