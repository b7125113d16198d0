//! The relays in the order in which they are asked. Who says nothing holds nobody up: after a
//! moment the next one is asked too, and the first to answer gets the letter.

use std::collections::BTreeSet;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use lettre::Address;
use tokio::task::JoinSet;
use tokio::time::{Instant, timeout_at};

use super::error::{Phase, SendError};
use super::health::RelayHealth;
use super::relay::{Network, Receipt, Relay, RelayError, share_of};
use super::slot::{Errand, Open, Slot};
use crate::settings::Mail;
use crate::watch::Urgency;

/// How long one relay is asked alone while others could be asked.
const HEAD_START: Duration = Duration::from_secs(5);

/// Every relay of the settings.
pub(super) struct Relays {
    slots: Vec<Arc<Slot>>,
    deadline: Duration,
}

/// The relays at which a letter has been tried; the next try begins with the others.
#[derive(Clone, Debug, Default)]
pub struct Tried(Arc<Mutex<BTreeSet<usize>>>);

/// A letter whose envelope a relay has taken.
pub(super) struct AtRelay {
    slot: Arc<Slot>,
    open: Open,
    to: Address,
    until: Instant,
}

type Given = Result<(Arc<Slot>, Open), SendError>;

impl Relays {
    pub(super) fn new(mail: &Mail, network: Option<&Arc<dyn Network>>) -> Result<Self, RelayError> {
        let slot =
            |settings| Ok(Slot::new(Relay::new(settings, &mail.hello)?.through(network.cloned())));
        let slots = mail.relays.iter().map(slot).collect::<Result<_, RelayError>>()?;
        Ok(Relays { slots, deadline: mail.deadline.into() })
    }

    pub(super) fn health(&self) -> Vec<RelayHealth> {
        self.slots.iter().map(|slot| slot.health()).collect()
    }

    /// How long every letter that can wait has to, since every relay wants to be left in peace; none
    /// if one of them takes letters.
    pub(super) fn rest_left(&self) -> Option<Duration> {
        self.slots.iter().map(|slot| slot.rest_left()).min().flatten()
    }

    /// The same for a letter to this domain.
    pub(super) fn holds_up(&self, domain: &str) -> Option<Duration> {
        self.slots.iter().map(|slot| slot.holds_up(domain)).min().flatten()
    }

    pub(super) async fn look_again(&self) {
        for slot in &self.slots {
            slot.look_again().await;
        }
    }

    /// Whether there is a relay at which this letter has not been tried.
    pub(super) fn any_but(&self, tried: &Tried) -> bool {
        locked(&tried.0).len() < self.slots.len()
    }

    /// Gives the envelope to the first relay that takes it: one not tried yet or, when all have
    /// been, any of them on a fresh connection.
    ///
    /// # Errors
    /// The answer of the relay whose word is final, or of the last one asked. A refusal by one
    /// relay's own rules counts only when no other is out of reach.
    pub(super) async fn begin(
        &self,
        from: &Address,
        to: &Address,
        urgency: Urgency,
        tried: &Tried,
    ) -> Result<AtRelay, SendError> {
        let until = Instant::now() + self.deadline;
        let afresh = !self.any_but(tried);
        let errand = Errand { from: from.clone(), to: to.clone(), urgency, afresh, until };
        let (slot, open) = self.race(&errand, tried).await?;
        // The answer to a letter is waited for as long again, while it is tried elsewhere.
        Ok(AtRelay { slot, open, to: to.clone(), until: until + self.deadline })
    }

    async fn race(&self, errand: &Errand, tried: &Tried) -> Given {
        let mut next = self.order(errand, tried).into_iter();
        let mut asked: JoinSet<Given> = JoinSet::new();
        let mut asked_last = None;
        let mut failure: Option<SendError> = None;
        loop {
            match next.next() {
                Some(at) => {
                    locked(&tried.0).insert(at);
                    let (slot, errand) = (Arc::clone(&self.slots[at]), errand.clone());
                    asked_last = Some(Arc::clone(&slot));
                    asked.spawn(
                        async move { Ok((Arc::clone(&slot), slot.envelope(&errand).await?)) },
                    );
                }
                None if asked.is_empty() => {
                    let nobody = || SendError::transport(Phase::Opening, "relays", "there is none");
                    return Err(failure.unwrap_or_else(nobody));
                }
                None => {}
            }
            let head_start = match next.len() {
                0 => errand.until + self.deadline,
                left => share_of(errand.until, left + 1).min(Instant::now() + HEAD_START),
            };
            match timeout_at(head_start, asked.join_next()).await {
                Ok(Some(Ok(Ok(taken)))) => return Ok(taken),
                Ok(Some(Ok(Err(error)))) if error.is_worth_another_relay() => {
                    failure = Some(error.after(failure));
                }
                Ok(Some(Ok(Err(error)))) => return Err(error),
                Ok(Some(Err(_)) | None) => {}
                Err(_) => {
                    if let Some(slot) = &asked_last {
                        slot.is_slow();
                    }
                }
            }
        }
    }

    /// The settings' order, but those that failed lately last.
    fn order(&self, errand: &Errand, tried: &Tried) -> Vec<usize> {
        let tried = locked(&tried.0);
        let fits = |at: &usize| errand.afresh || !tried.contains(at);
        let mut order: Vec<_> = (0..self.slots.len()).filter(fits).collect();
        order.sort_by_key(|at| self.slots[*at].is_passed_over());
        order
    }
}

impl AtRelay {
    pub(super) async fn finish(self, letter: &[u8]) -> Result<Receipt, SendError> {
        self.slot.letter(self.open, &self.to, letter, self.until).await
    }

    pub(super) async fn abandon(self) {
        self.slot.take_back(self.open).await;
    }
}

/// Whatever stood in the way of another thread, what it guards here is always whole.
pub(super) fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
