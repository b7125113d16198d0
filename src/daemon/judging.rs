//! Asks for the facts of a plan, each with a short deadline, and judges it by them.

use std::panic::resume_unwind;
use std::sync::Arc;

use chrono::{DateTime, Utc};
use tokio::sync::Semaphore;

use super::Daemon;
use super::turns::{Turn, Turns};
use crate::caution::Limits;
use crate::conditions::{Table, Trust, choose, expected};
use crate::fetch::{Asker, Heard, Questions};
use crate::guarded::guarded;
use crate::measure::Span;
use crate::plan::Plan;
use crate::review::{Review, review};
use crate::shoreline::Shorelines;

/// What plans are judged by.
pub struct Judge {
    /// The shore.
    pub shores: Shorelines,
    /// Whom the day's conditions are asked of.
    pub questions: Questions,
    /// The keeper's tables of what the water is like.
    pub tables: Vec<Table>,
    /// How they are asked.
    pub asker: Asker,
    /// How old and how far a reading may be.
    pub trust: Trust,
    /// The limits of the cautions.
    pub limits: Limits,
    /// The ladder's grace, where a plan has none of its own.
    pub grace: Span,
}

/// How many plans are judged at once. The longest route keeps a core busy for seconds, and cores
/// must be left for the alerts.
pub(super) struct Hands {
    /// Of plans that are filed, changed or soon overdue,
    filed: Arc<Semaphore>,
    /// and of those that somebody only wants judged: they hold up no filing.
    asked: Arc<Semaphore>,
    /// Whose turn it is among those who file or change.
    pub(super) filers: Turns,
    /// And among those who only ask.
    pub(super) askers: Turns,
    /// Of one plan no two changes are judged at once, be they sent ever so often.
    pub(super) plans: Turns,
}

/// So few plans of one key are asked about and judged at once when they are filed, so that no more of
/// them stand in the line for all; and more than one, for a service may hang. A club's whole crews file
/// with one key, so the line behind is long. What stands in it is bounded by memory: 8 MB.
const FILED_BY_KEY: (usize, usize) = (3, 32);
/// So many that are only to be judged. A page asks at each change of its form.
const ASKED_BY_KEY: (usize, usize) = (2, 10);

impl Default for Hands {
    fn default() -> Self {
        Hands {
            filed: Arc::new(Semaphore::new(2)),
            asked: Arc::new(Semaphore::new(1)),
            filers: Turns::new(FILED_BY_KEY.0, FILED_BY_KEY.1),
            plans: Turns::new(1, 0),
            askers: Turns::new(ASKED_BY_KEY.0, ASKED_BY_KEY.1),
        }
    }
}

/// For what a plan is judged; its key's turn has come.
///
/// Observation services are asked within that turn. So a key has no more of their answers under way
/// than plans judged, and what it files next finds in the cache what they said. How slow they are
/// holds up its own line alone: each key has one, and the hands that all share are taken only once
/// everything was heard. A service that hangs costs the line its deadline once in each of the pauses that
/// follow a failure, so not every plan in it.
pub(super) enum For {
    /// It is filed or changed; without a turn where the service looks by itself.
    Filing(Option<Turn>),
    /// Somebody wants to know, and files nothing.
    Asking(Turn),
}

impl Judge {
    /// Judges a plan. A service that does not answer is a fact, not an error.
    pub async fn review(&self, plan: &Plan, now: impl Fn() -> DateTime<Utc>) -> Review {
        let heard = self.hear(plan).await;
        self.judged(plan, &heard, now())
    }

    /// What the services say.
    async fn hear(&self, plan: &Plan) -> Heard {
        self.asker.hear(&self.questions, &plan.route()).await
    }

    fn judged(&self, plan: &Plan, heard: &Heard, now: DateTime<Utc>) -> Review {
        let (route, launch) = (plan.route(), plan.launch.position);
        let day = plan.times.launch.at.with_timezone(&plan.times.zone).date_naive();
        let water = choose(&heard.answers, plan.stated.as_ref(), &route, self.trust, now)
            .expecting(expected(&self.tables, launch, day))
            .hearing(heard.silent.clone(), heard.warnings.clone())
            .foreseeing(heard.forecast.clone());
        review(plan, &self.shores, &water, &self.limits, self.grace, now)
    }
}

impl Daemon {
    /// Judges a plan away from the threads that answer and that send alerts.
    pub(super) async fn judged(&self, plan: &Plan, what_for: For) -> Review {
        let heard = self.0.judge.hear(plan).await;
        let (daemon, own, now) = (self.clone(), plan.clone(), self.now());
        self.0.hands.judge(what_for, move || daemon.0.judge.judged(&own, &heard, now)).await
    }
}

impl Hands {
    /// Judges once there is a hand for it. Whoever hangs up has their turn, and so their place in line,
    /// until it is judged all the same.
    pub(super) async fn judge<T: Send + 'static>(
        &self,
        what_for: For,
        work: impl Fn() -> T + Clone + Send + 'static,
    ) -> T {
        let (hand, turn) = match what_for {
            For::Filing(turn) => (&self.filed, turn),
            For::Asking(turn) => (&self.asked, Some(turn)),
        };
        // They never close; without one it is judged all the same.
        let hand = Arc::clone(hand).acquire_owned().await.ok();
        elsewhere(work, (hand, turn)).await
    }
}

/// Does something on a thread that nobody else waits for, and keeps what it is done by until it is,
/// though nobody wait for it any more. That it panicked there is no reason to do it again here: whoever
/// asked for it, under a guard of their own, gets the panic.
async fn elsewhere<T: Send + 'static>(
    work: impl Fn() -> T + Clone + Send + 'static,
    by: impl Send + 'static,
) -> T {
    let there = work.clone();
    let task = tokio::task::spawn_blocking(move || {
        let done = guarded(there);
        drop(by);
        done
    });
    match task.await {
        Ok(Ok(done)) => done,
        Ok(Err(panicked)) => resume_unwind(Box::new(panicked)),
        // It was not begun, since the service ends.
        Err(_) => work(),
    }
}

#[cfg(test)]
mod tests {
    use std::future::poll_fn;
    use std::iter::repeat_n;
    use std::sync::Mutex;
    use std::sync::atomic::{AtomicU32, Ordering};
    use std::task::Poll;

    use futures_util::future::join_all;

    use super::*;
    use crate::guarded::{Panicked, guarded_while};

    #[tokio::test]
    async fn what_panics_is_done_once_and_whoever_asked_gets_the_panic() {
        let done = Arc::new(AtomicU32::new(0));
        let count = Arc::clone(&done);
        let fails = move |at: u32| {
            let so_far = count.fetch_add(1, Ordering::SeqCst);
            assert!(so_far != at, "as it was told to");
            so_far
        };
        let first = fails.clone();
        assert_eq!(guarded_while(elsewhere(move || first(0), ())).await, Err(Panicked));
        assert_eq!(done.load(Ordering::SeqCst), 1, "once");
        assert_eq!(guarded_while(elsewhere(move || fails(9), ())).await, Ok(1));
    }

    /// One key sends as many as it can, then another asks once.
    #[tokio::test]
    async fn no_key_makes_another_wait_for_more_than_its_share() {
        let (hands, judged) = (Hands::default(), Arc::new(Mutex::new(Vec::new())));
        let ask = |key: &'static str| {
            let (place, judged) = (hands.askers.enter(key)?, Arc::clone(&judged));
            let work = move || judged.lock().unwrap().push(key);
            let hands = &hands;
            Some(async move { hands.judge(For::Asking(place.turn().await), work).await })
        };
        let all: Vec<_> = repeat_n("greedy", 40).chain(["other"]).filter_map(ask).collect();
        assert_eq!(all.len(), 11, "ten of its own are in its line");
        // All have asked before the first of them is judged.
        let hand = Arc::clone(&hands.asked).acquire_owned().await;
        let mut all = Box::pin(join_all(all));
        assert!(poll_fn(|context| Poll::Ready(all.as_mut().poll(context))).await.is_pending());
        drop(hand);
        all.await;
        // Two of them stand before it. In one line for all it would be the last of eleven.
        assert_eq!(judged.lock().unwrap().iter().position(|key| *key == "other"), Some(2));
    }

    #[tokio::test]
    async fn whoever_hangs_up_keeps_their_turn_until_it_is_judged() {
        let turns = Turns::new(1, 2);
        let turn = turns.enter("a").unwrap().turn().await;
        let (begun, has_begun) = std::sync::mpsc::channel();
        let (end, ends) = std::sync::mpsc::channel::<()>();
        let ends = Arc::new(Mutex::new(ends));
        let work = move || {
            let _ = begun.send(());
            let _ = ends.lock().unwrap().recv();
        };
        let asked = tokio::spawn(elsewhere(work, turn));
        tokio::task::spawn_blocking(move || has_begun.recv()).await.unwrap().unwrap();
        asked.abort();
        assert!(asked.await.is_err(), "nobody waits for it any more");
        let next = turns.enter("a").unwrap();
        assert!(turns.enter("a").is_none(), "its place is taken");
        let mut next = tokio::spawn(next.turn());
        let a_while = std::time::Duration::from_millis(50);
        assert!(tokio::time::timeout(a_while, &mut next).await.is_err(), "and so is its turn");
        end.send(()).unwrap();
        next.await.unwrap();
    }
}
