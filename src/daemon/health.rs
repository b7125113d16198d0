//! Whether an alert could go out now.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU8, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use tokio_util::sync::CancellationToken;

use super::{Daemon, Dispute};
use crate::post::RelayHealth;
use crate::store::Note;

/// A pass of the watch or the post that is older than this means that it hangs.
const OLDEST_PASS: TimeDelta = TimeDelta::seconds(10);
/// An alert that has waited longer than this past its time means that it does not get out.
const LONGEST_WAIT: TimeDelta = TimeDelta::seconds(30);
/// A clock that was set and that nobody vouches for by then. Short: with the heartbeat of a minute
/// that is shipped, whoever listens for it calls it missed a minute and a half after the last, and
/// is to know within two.
const UNVOUCHED: Duration = Duration::from_secs(15);
/// One that the kernel vouches for would have been believed a quarter of a minute before.
const NOT_BELIEVED: Duration = Duration::from_secs(75);
/// A write that takes longer comes from a disk that is failing or overloaded.
const SLOW_WRITE: Duration = Duration::from_secs(1);
const WATCH_HANGS: &str = "the watch hangs";
const POST_HANGS: &str = "the post hangs";
/// What is said when every relay fails.
pub(super) const NO_RELAY: &str = "no mail relay took the last letter";
const BETWEEN_PROBES: Duration = Duration::from_secs(2);
/// Parts of the road that have worked since the start, one bit each.
const WATCH: u8 = 1;
const POST: u8 = 2;
const WRITE: u8 = 4;

/// When each part of the road last worked, in milliseconds since 1970; 0 for never.
pub struct Health {
    watch: AtomicI64,
    post: AtomicI64,
    write: AtomicI64,
    wrote: Mutex<Instant>,
    oldest_alert: AtomicI64,
    held_until: AtomicI64,
    damaged: AtomicBool,
    /// Since when the watch, and the post, meet damage that they can't read around, or what else keeps
    /// them from their work while the database can be written.
    stuck_since: Mutex<[Option<Instant>; 2]>,
    /// The alerts of which something could not be written before they left, each until it must have
    /// been claimed anew, or is gone.
    held_up: Mutex<BTreeMap<String, Instant>>,
    /// Since when the machine's clocks have disagreed.
    disputed_since: Mutex<Option<Instant>>,
    /// Which parts have worked since the start.
    worked: AtomicU8,
    /// What the heartbeat came to, and the test alert.
    outside: Mutex<Outside>,
}

/// A part of the road that damage may keep from its work.
#[derive(Clone, Copy, Debug)]
pub(super) enum Part {
    Watch,
    Post,
}

/// What tells others that the service lives, and what tries its whole road.
#[derive(Clone, Debug, Default)]
pub(super) struct Outside {
    /// Why the last heartbeat did not arrive, or when one last did. `None` before the first.
    pub(super) heartbeat: Option<Result<DateTime<Utc>, String>>,
    /// Why the last test alert did not arrive, or when one last did. `None` before the first.
    pub(super) canary: Option<Result<DateTime<Utc>, &'static str>>,
}

/// Something that would keep an alert from going out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Illness {
    /// What.
    pub what: &'static str,
    /// What the keeper can do.
    pub mend: &'static str,
    /// Whether starting the service again mends it. Where it does not, a start could lose what
    /// only the running service knows.
    pub restart_mends: bool,
}

impl Health {
    pub(super) fn new(now: DateTime<Utc>) -> Self {
        let now = || AtomicI64::new(now.timestamp_millis());
        Health {
            watch: now(),
            post: now(),
            write: now(),
            wrote: Mutex::new(Instant::now()),
            oldest_alert: AtomicI64::new(0),
            held_until: AtomicI64::new(0),
            damaged: AtomicBool::new(false),
            stuck_since: Mutex::default(),
            held_up: Mutex::default(),
            disputed_since: Mutex::default(),
            worked: AtomicU8::new(0),
            outside: Mutex::default(),
        }
    }

    /// Whether the watch, the post and the database have each worked since the start.
    pub(super) fn is_ready(&self) -> bool {
        self.worked.load(Ordering::Relaxed) == WATCH | POST | WRITE
    }

    /// What the heartbeat and the test alert last came to.
    pub(super) fn outside(&self) -> MutexGuard<'_, Outside> {
        self.outside.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn watch_passed(&self, now: DateTime<Utc>) {
        self.worked.fetch_or(WATCH, Ordering::Relaxed);
        self.watch.store(now.timestamp_millis(), Ordering::Relaxed);
    }

    pub(super) fn post_passed(&self, now: DateTime<Utc>) {
        self.worked.fetch_or(POST, Ordering::Relaxed);
        self.post.store(now.timestamp_millis(), Ordering::Relaxed);
    }

    /// Until when a review holds alerts back, if one does.
    pub(super) fn hold_until(&self, until: Option<DateTime<Utc>>) {
        let millis = until.map_or(0, |at| at.timestamp_millis());
        self.held_until.store(millis, Ordering::Relaxed);
    }

    pub(super) fn held_until(&self) -> Option<DateTime<Utc>> {
        let millis = self.held_until.load(Ordering::Relaxed);
        DateTime::from_timestamp_millis(millis).filter(|_| millis != 0)
    }

    pub(super) fn found_damage(&self, damaged: bool) {
        self.damaged.store(damaged, Ordering::Relaxed);
    }

    /// The watch or the post went through, or met what keeps it from its work.
    pub(super) fn stuck(&self, part: Part, stuck: bool) {
        let mut since = self.stuck_since.lock().unwrap_or_else(PoisonError::into_inner);
        let since = &mut since[part as usize];
        *since = since.filter(|_| stuck).or_else(|| stuck.then(Instant::now));
    }

    /// An alert could not leave because something of it can't be written; it counts until then.
    pub(super) fn holds_up(&self, letter: &str, until: Instant) {
        let mut held_up = self.held_up.lock().unwrap_or_else(PoisonError::into_inner);
        held_up.insert(letter.to_owned(), until);
    }

    /// It has left, or could have.
    pub(super) fn holds_up_no_more(&self, letter: &str) {
        self.held_up.lock().unwrap_or_else(PoisonError::into_inner).remove(letter);
    }

    /// Whether there is any such alert.
    pub(super) fn any_held_up(&self) -> bool {
        let mut held_up = self.held_up.lock().unwrap_or_else(PoisonError::into_inner);
        let now = Instant::now();
        held_up.retain(|_, until| now < *until);
        !held_up.is_empty()
    }

    /// For how long something has kept the watch or the post from its work.
    pub(super) fn stuck_for(&self) -> Duration {
        let since = self.stuck_since.lock().unwrap_or_else(PoisonError::into_inner);
        since.iter().flatten().map(Instant::elapsed).max().unwrap_or_default()
    }

    /// Whether the machine's clocks disagree now.
    fn sees_dispute(&self, disputed: bool) {
        let mut since = self.disputed_since.lock().unwrap_or_else(PoisonError::into_inner);
        *since = since.filter(|_| disputed).or_else(|| disputed.then(Instant::now));
    }

    /// Whether they have for longer than this.
    fn disputed_for(&self, long: Duration) -> bool {
        let since = *self.disputed_since.lock().unwrap_or_else(PoisonError::into_inner);
        since.is_some_and(|since| since.elapsed() > long)
    }

    pub(super) fn wrote(&self, now: DateTime<Utc>) {
        self.worked.fetch_or(WRITE, Ordering::Relaxed);
        self.write.store(now.timestamp_millis(), Ordering::Relaxed);
        *self.wrote.lock().unwrap_or_else(PoisonError::into_inner) = Instant::now();
    }

    /// For how long nothing could be written, by a clock that nobody sets and that stands still
    /// in sleep.
    pub(super) fn unwritten_for(&self) -> Duration {
        self.wrote.lock().unwrap_or_else(PoisonError::into_inner).elapsed()
    }

    /// For how long the oldest alert that is due has waited.
    pub(super) fn oldest_unsent_alert(&self, now: DateTime<Utc>) -> TimeDelta {
        let since = DateTime::from_timestamp_millis(self.oldest_alert.load(Ordering::Relaxed));
        let since = since.filter(|since| since.timestamp_millis() != 0);
        since.map_or(TimeDelta::zero(), |since| (now - since).max(TimeDelta::zero()))
    }

    /// Everything that would keep an alert from going out; nothing when one could.
    #[must_use]
    pub(super) fn illnesses(
        &self,
        now: DateTime<Utc>,
        dispute: Option<Dispute>,
        relays: &[RelayHealth],
    ) -> Vec<Illness> {
        let age = |at: &AtomicI64| {
            TimeDelta::milliseconds(now.timestamp_millis() - at.load(Ordering::Relaxed))
        };
        let disputed = dispute.is_some_and(|dispute| {
            let long = if dispute.vouched { NOT_BELIEVED } else { UNVOUCHED };
            dispute.unresolved || self.disputed_for(long)
        });
        let relays_down = relays.iter().all(|relay| relay.trouble.is_some());
        let unwritten = age(&self.write) > OLDEST_PASS;
        let canary_lost = matches!(self.outside().canary, Some(Err(_)));
        let checks = [
            (age(&self.watch) > OLDEST_PASS, WATCH_HANGS, "restart the service"),
            (age(&self.post) > OLDEST_PASS, POST_HANGS, "restart the service"),
            (
                unwritten,
                "the database can't be written",
                "look at the disk of the data folder, then restart the service",
            ),
            (
                self.oldest_unsent_alert(now) > LONGEST_WAIT,
                "an alert waits to be handed over",
                "look at the mail relay, and call the crew's contacts yourself",
            ),
            (
                relays_down,
                NO_RELAY,
                "look at the mail relay; `shorelamp doctor` tells what it answers",
            ),
            (
                self.damaged.load(Ordering::Relaxed),
                "the database's file is damaged",
                "restore the newest backup, and reach the crews of the open plans yourself",
            ),
            (
                self.held_until().is_some_and(|until| until > now),
                "alerts are held: the database may be older than what the service acknowledged",
                "check in the crews that you know to be ashore; what is due goes in ten minutes",
            ),
            (
                disputed,
                "the clock was set, and nothing vouches for it",
                "look at the machine's clock and its time service; if it is right, say \
                 `shorelamp clock accept`",
            ),
            (
                canary_lost,
                "the test alert did not come through",
                "look at the mail relay, and at the mailbox that `[service.canary]` names; \
                 `shorelamp doctor` tells how far it came",
            ),
        ];
        let ill = checks.into_iter().filter(|(ill, _, _)| *ill);
        // What hangs because the database can't be written goes on by itself once it can be, and
        // meanwhile alerts go out from memory, which a start would lose. So too with a damaged file, and
        // with whatever else they go out from memory for.
        let lost_by_restart = unwritten
            || self.damaged.load(Ordering::Relaxed)
            || self.stuck_for() > super::emergency::PATIENCE;
        let restart_mends = |what| !lost_by_restart && [WATCH_HANGS, POST_HANGS].contains(&what);
        ill.map(|(_, what, mend)| Illness { what, mend, restart_mends: restart_mends(what) })
            .collect()
    }
}

/// Tries a real write, and looks for alerts that wait, every two seconds.
pub(super) async fn probe(daemon: Daemon, stop: CancellationToken) {
    let health = &daemon.0.health;
    while !stop.is_cancelled() {
        let now = daemon.now();
        let began = Instant::now();
        let alive = daemon.store().mark_alive_with(now, daemon.0.clock.known()).await;
        if began.elapsed() > SLOW_WRITE {
            daemon.tell_keeper(
                "slow-disk",
                "writing to the database took more than a second",
                &["Look at the disk of the data folder, and at what else keeps it busy."],
            );
        }
        match alive {
            Ok(()) => health.wrote(now),
            Err(error) => tracing::error!(%error, "the database can't be written"),
        }
        let disputed = daemon.0.clock.dispute().is_some();
        health.sees_dispute(disputed);
        if disputed {
            hear_of_clock(&daemon).await;
        }
        if let Ok(oldest) = daemon.store().oldest_waiting_alert().await {
            let millis = oldest.map_or(0, |at| at.timestamp_millis());
            health.oldest_alert.store(millis, Ordering::Relaxed);
        }
        tokio::select! {
            () = stop.cancelled() => break,
            () = tokio::time::sleep(BETWEEN_PROBES) => {}
        }
    }
}

/// Somebody may vouch for the clock on the wall.
async fn hear_of_clock(daemon: &Daemon) {
    let Ok(Some(shown)) = daemon.store().noted(Note::ClockAccepted).await else { return };
    if daemon.0.clock.accept(shown) {
        tracing::warn!("the keeper vouches for the wall clock; it rules from now on");
        daemon.ring();
    }
    if let Err(error) = daemon.store().strike_out(Note::ClockAccepted).await {
        tracing::warn!(%error, "that somebody vouched for the clock can't be struck out");
    }
}
