//! The relays in the order in which they are tried, with a few connections kept open to each.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};
use std::time::Duration;

use lettre::Address;
use tokio::time::{Instant, sleep};

use super::error::{SendClass, SendError};
use super::relay::{Receipt, Relay, RelayError, Session, share_of};
use crate::settings::Mail;

/// A connection that waited longer than this for its next letter is closed.
const LONGEST_IDLE: Duration = Duration::from_secs(20);
/// One that waited longer than this is asked first whether the relay is still there.
const TRUSTED_IDLE: Duration = Duration::from_secs(2);
/// The most connections kept open to one relay while there is nothing to send.
const MOST_IDLE: usize = 4;
/// A relay that could not be reached is tried last for so long.
const PASSED_OVER: Duration = Duration::from_secs(30);
/// How long a look at a relay takes that may well be gone: an idle connection, or one that could
/// not be reached lately while others wait behind it.
const QUICK_LOOK: Duration = Duration::from_secs(5);

/// Every relay of the settings.
pub struct Relays {
    slots: Vec<Arc<Slot>>,
    deadline: Duration,
}

/// A relay with its open connections.
struct Slot {
    relay: Relay,
    state: Mutex<State>,
}

#[derive(Default)]
struct State {
    idle: Vec<Idle>,
    /// When it could not be reached last, if it has not been reached since.
    failed_at: Option<Instant>,
    /// Whether a task runs that closes connections which wait too long.
    swept: bool,
}

struct Idle {
    session: Session,
    since: Instant,
}

/// A letter whose envelope a relay has taken.
pub struct AtRelay {
    slot: Arc<Slot>,
    session: Session,
    until: Instant,
}

impl Relays {
    /// The relays of the settings, in their order.
    ///
    /// # Errors
    /// A password or certificate that can't be read.
    pub fn new(mail: &Mail) -> Result<Self, RelayError> {
        let slot = |settings| {
            let relay = Relay::new(settings, &mail.hello)?;
            Ok(Arc::new(Slot { relay, state: Mutex::default() }))
        };
        let slots = mail.relays.iter().map(slot).collect::<Result<_, RelayError>>()?;
        Ok(Relays { slots, deadline: mail.deadline.into() })
    }

    /// Gives the envelope to the first relay that takes it.
    ///
    /// # Errors
    /// The answer of the relay whose word is final, or of the last one asked. A refusal by one
    /// relay's own rules counts only when no other is out of reach.
    pub async fn begin(&self, from: &Address, to: &Address) -> Result<AtRelay, SendError> {
        let until = Instant::now() + self.deadline;
        let order = self.order();
        let mut failure: Option<SendError> = None;
        for (at, slot) in order.iter().enumerate() {
            let tries = order.len() - at;
            match slot.envelope(from, to, slot.share(until, tries)).await {
                Ok(session) => return Ok(AtRelay { slot: Arc::clone(slot), session, until }),
                Err(error) if error.is_worth_another_relay() => {
                    failure = Some(less_final(failure, error));
                }
                Err(error) => return Err(error),
            }
        }
        let nobody = || SendError::transport(super::Phase::Opening, "relays", "there is none");
        Err(failure.unwrap_or_else(nobody))
    }

    /// The settings' order, but those that failed lately last.
    fn order(&self) -> Vec<&Arc<Slot>> {
        let mut order: Vec<_> = self.slots.iter().collect();
        order.sort_by_key(|slot| slot.failed_within(PASSED_OVER));
        order
    }
}

impl AtRelay {
    pub(super) async fn finish(mut self, letter: &[u8]) -> Result<Receipt, SendError> {
        let sent = self.session.data(letter, self.until).await;
        match &sent {
            Ok(_) => self.slot.keep(self.session),
            Err(error) => self.slot.note(error),
        }
        sent
    }

    pub(super) async fn abandon(mut self) {
        if self.session.reset(Instant::now() + QUICK_LOOK).await.is_ok() {
            self.slot.keep(self.session);
        }
    }
}

impl Slot {
    async fn envelope(
        &self,
        from: &Address,
        to: &Address,
        until: Instant,
    ) -> Result<Session, SendError> {
        let given = match self.on_open_connection(from, to, until).await {
            Some(given) => given,
            None => self.on_new_connection(from, to, until).await,
        };
        match &given {
            Ok(_) => locked(&self.state).failed_at = None,
            Err(error) => self.note(error),
        }
        given
    }

    /// Tries the open connections; one that has died since says nothing about the relay.
    async fn on_open_connection(
        &self,
        from: &Address,
        to: &Address,
        until: Instant,
    ) -> Option<Result<Session, SendError>> {
        while let Some(Idle { mut session, since }) = self.newest_idle() {
            let look = share_of(until, 2).min(Instant::now() + QUICK_LOOK);
            if since.elapsed() > TRUSTED_IDLE && session.reset(look).await.is_err() {
                continue;
            }
            match session.envelope(from, to, share_of(until, 2)).await {
                Ok(()) => return Some(Ok(session)),
                Err(error) if error.class == SendClass::Transport => {}
                Err(error) => return Some(Err(error)),
            }
        }
        None
    }

    async fn on_new_connection(
        &self,
        from: &Address,
        to: &Address,
        until: Instant,
    ) -> Result<Session, SendError> {
        let mut session = self.relay.open(until).await?;
        session.envelope(from, to, until).await?;
        Ok(session)
    }

    /// This relay's share of the time left; a short one if it failed last time and others wait.
    fn share(&self, until: Instant, tries: usize) -> Instant {
        let share = share_of(until, tries);
        if tries > 1 && locked(&self.state).failed_at.is_some() {
            return share.min(Instant::now() + QUICK_LOOK);
        }
        share
    }

    fn failed_within(&self, span: Duration) -> bool {
        locked(&self.state).failed_at.is_some_and(|at| at.elapsed() < span)
    }

    fn note(&self, error: &SendError) {
        if error.class == SendClass::Transport {
            locked(&self.state).failed_at = Some(Instant::now());
        }
    }

    fn newest_idle(&self) -> Option<Idle> {
        let newest = locked(&self.state).idle.pop()?;
        (newest.since.elapsed() < LONGEST_IDLE).then_some(newest)
    }

    fn keep(self: &Arc<Self>, session: Session) {
        let mut state = locked(&self.state);
        if state.idle.len() >= MOST_IDLE {
            return;
        }
        state.idle.push(Idle { session, since: Instant::now() });
        if !state.swept {
            state.swept = true;
            tokio::spawn(sweep(Arc::downgrade(self)));
        }
    }

    /// Takes out what waited too long; whether nothing is left then.
    fn expired(&self) -> (Vec<Idle>, bool) {
        let mut state = locked(&self.state);
        let (kept, old) = std::mem::take(&mut state.idle)
            .into_iter()
            .partition(|idle: &Idle| idle.since.elapsed() < LONGEST_IDLE);
        state.idle = kept;
        state.swept = !state.idle.is_empty();
        (old, state.idle.is_empty())
    }
}

/// Closes connections that wait too long, as long as there are any.
async fn sweep(slot: Weak<Slot>) {
    loop {
        sleep(LONGEST_IDLE / 4).await;
        let Some(slot) = slot.upgrade() else { return };
        let (old, none_left) = slot.expired();
        for idle in old {
            idle.session.quit(Instant::now() + QUICK_LOOK).await;
        }
        if none_left {
            return;
        }
    }
}

/// Of two answers the one that leaves more hope: as long as a relay is out of reach, another's
/// rules are not the last word about a recipient.
fn less_final(kept: Option<SendError>, new: SendError) -> SendError {
    match kept {
        Some(kept) if new.class == SendClass::RecipientRefused => kept,
        _ => new,
    }
}

/// Whatever stood in the way of another thread, what it guards here is always whole.
pub(super) fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
