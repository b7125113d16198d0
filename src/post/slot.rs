//! One relay with the connections kept open to it.

use std::sync::{Arc, Mutex, Weak};
use std::time::Duration;

use lettre::Address;
use tokio::sync::OwnedSemaphorePermit;
use tokio::time::{Instant, sleep};

use super::error::{Phase, SendClass, SendError};
use super::health::{Pulse, RelayHealth};
use super::places::{Door, Room, domain_of};
use super::pool::locked;
use super::relay::{Receipt, Relay, Session, share_of};
use crate::guarded::guarded_while;
use crate::watch::Urgency;

/// A connection that waited longer than this for its next letter is closed.
const LONGEST_IDLE: Duration = Duration::from_secs(20);
/// One that waited longer than this is asked first whether the relay is still there.
const TRUSTED_IDLE: Duration = Duration::from_secs(2);
/// The most connections kept open to one relay while there is nothing to send.
const MOST_IDLE: usize = 4;
/// How long a question takes to a relay that may well be gone.
const QUICK_LOOK: Duration = Duration::from_secs(5);
/// The most connections to one relay, those that hang among them.
const MOST_CONNECTIONS: Room = Room { shared: 64, for_alerts: 36 };

/// A relay with its open connections.
pub(super) struct Slot {
    relay: Relay,
    door: Door,
    pulse: Mutex<Pulse>,
    idle: Mutex<Idling>,
}

#[derive(Default)]
struct Idling {
    connections: Vec<Idle>,
    /// Whether a task runs that closes connections which wait too long.
    swept: bool,
}

struct Idle {
    open: Open,
    since: Instant,
}

/// A connection, counted for as long as it is there.
pub(super) struct Open {
    session: Session,
    _counted: OwnedSemaphorePermit,
}

/// From whom, to whom, and how it may be handed over.
#[derive(Clone)]
pub(super) struct Errand {
    pub(super) from: Address,
    pub(super) to: Address,
    pub(super) urgency: Urgency,
    /// Whether a connection must be opened for it: the open ones may all hang.
    pub(super) afresh: bool,
    pub(super) until: Instant,
}

impl Slot {
    pub(super) fn new(relay: Relay) -> Arc<Self> {
        Arc::new(Slot {
            relay,
            door: Door::new(MOST_CONNECTIONS),
            pulse: Mutex::default(),
            idle: Mutex::default(),
        })
    }

    pub(super) fn name(&self) -> &str {
        self.relay.name()
    }

    pub(super) fn health(&self) -> RelayHealth {
        locked(&self.pulse).health(self.name(), Instant::now())
    }

    pub(super) fn is_passed_over(&self) -> bool {
        locked(&self.pulse).is_passed_over(Instant::now())
    }

    pub(super) fn rest_left(&self) -> Option<Duration> {
        locked(&self.pulse).rests.left(Instant::now())
    }

    pub(super) fn holds_up(&self, domain: &str) -> Option<Duration> {
        locked(&self.pulse).rests.holds_up(domain, Instant::now())
    }

    pub(super) fn is_slow(&self) {
        locked(&self.pulse).slow(Instant::now());
    }

    /// Gives the envelope to the relay.
    pub(super) async fn envelope(self: &Arc<Self>, errand: &Errand) -> Result<Open, SendError> {
        let giving = async {
            match self.on_open_connection(errand).await {
                Some(given) => given,
                None => self.on_new_connection(errand).await,
            }
        };
        let given = guarded_while(giving).await.unwrap_or_else(|_| Err(self.fault()));
        match &given {
            Ok(_) => locked(&self.pulse).rests.takes_mail(Instant::now()),
            Err(error) => self.note(error, &errand.to),
        }
        given
    }

    /// Hands over the letter whose envelope the relay has taken.
    pub(super) async fn letter(
        self: &Arc<Self>,
        mut open: Open,
        to: &Address,
        letter: &[u8],
        until: Instant,
    ) -> Result<Receipt, SendError> {
        let sent = open.session.data(letter, until).await;
        match &sent {
            Ok(_) => {
                let (mut pulse, now) = (locked(&self.pulse), Instant::now());
                pulse.took(now);
                pulse.rests.took(&domain_of(to.as_ref()), now);
                drop(pulse);
                self.keep(open);
            }
            Err(error) => {
                self.note(error, to);
                self.keep_if_it_answers(error, open);
            }
        }
        sent
    }

    /// Takes the envelope back.
    pub(super) async fn take_back(self: &Arc<Self>, mut open: Open) {
        if open.session.reset(Instant::now() + QUICK_LOOK).await.is_ok() {
            self.keep(open);
        }
    }

    /// Asks a relay that failed a while ago whether it can be reached again.
    pub(super) async fn look_again(self: &Arc<Self>) {
        if !locked(&self.pulse).wants_a_look(Instant::now()) {
            return;
        }
        let Some(counted) = self.door.try_enter(Urgency::Alert) else { return };
        let opening = guarded_while(self.relay.open(Instant::now() + QUICK_LOOK));
        match opening.await.unwrap_or_else(|_| Err(self.fault())) {
            Ok(session) => {
                locked(&self.pulse).reached();
                self.keep(Open { session, _counted: counted });
            }
            Err(error) => locked(&self.pulse).failed(&error, "", Instant::now()),
        }
    }

    /// Tries the open connections; one that has died since says nothing about the relay.
    async fn on_open_connection(
        self: &Arc<Self>,
        errand: &Errand,
    ) -> Option<Result<Open, SendError>> {
        if errand.afresh {
            return None;
        }
        let until = errand.until;
        while let Some(Idle { mut open, since }) = self.newest_idle() {
            let look = share_of(until, 2).min(Instant::now() + QUICK_LOOK);
            if since.elapsed() > TRUSTED_IDLE && open.session.reset(look).await.is_err() {
                continue;
            }
            match open.session.envelope(&errand.from, &errand.to, share_of(until, 2)).await {
                Ok(()) => return Some(Ok(open)),
                Err(error) if error.class == SendClass::Transport => {}
                Err(error) => {
                    self.keep_if_it_answers(&error, open);
                    return Some(Err(error));
                }
            }
        }
        None
    }

    async fn on_new_connection(self: &Arc<Self>, errand: &Errand) -> Result<Open, SendError> {
        let full = || {
            let said = "too many connections to it wait for an answer";
            SendError::transport(Phase::Opening, self.name(), said)
        };
        let counted = self.door.try_enter(errand.urgency).ok_or_else(full)?;
        let session = self.relay.open(errand.until).await?;
        let mut open = Open { session, _counted: counted };
        match open.session.envelope(&errand.from, &errand.to, errand.until).await {
            Ok(()) => Ok(open),
            Err(error) => {
                self.keep_if_it_answers(&error, open);
                Err(error)
            }
        }
    }

    /// A relay over whose words the program fails is one that does not answer: it is asked again at
    /// each start.
    fn fault(&self) -> SendError {
        SendError::transport(Phase::Opening, self.name(), "the program has a fault over its words")
    }

    fn note(&self, error: &SendError, to: &Address) {
        let (mut pulse, now) = (locked(&self.pulse), Instant::now());
        let domain = domain_of(to.as_ref());
        pulse.failed(error, &domain, now);
        pulse.rests.failed(error, &domain, now);
    }

    fn newest_idle(&self) -> Option<Idle> {
        let newest = locked(&self.idle).connections.pop()?;
        (newest.since.elapsed() < LONGEST_IDLE).then_some(newest)
    }

    /// After a refusal in good order the connection serves the next letter.
    fn keep_if_it_answers(self: &Arc<Self>, error: &SendError, open: Open) {
        if error.class == SendClass::Transport {
            return;
        }
        let slot = Arc::clone(self);
        tokio::spawn(async move { guarded_while(slot.take_back(open)).await });
    }

    fn keep(self: &Arc<Self>, open: Open) {
        let mut idle = locked(&self.idle);
        if idle.connections.len() >= MOST_IDLE {
            return;
        }
        idle.connections.push(Idle { open, since: Instant::now() });
        if !idle.swept {
            idle.swept = true;
            tokio::spawn(sweep(Arc::downgrade(self)));
        }
    }

    /// Takes out what waited too long; whether nothing is left then.
    fn expired(&self) -> (Vec<Idle>, bool) {
        let mut idle = locked(&self.idle);
        let (kept, old) = std::mem::take(&mut idle.connections)
            .into_iter()
            .partition(|idle: &Idle| idle.since.elapsed() < LONGEST_IDLE);
        idle.connections = kept;
        idle.swept = !idle.connections.is_empty();
        (old, idle.connections.is_empty())
    }
}

/// Closes connections that wait too long, as long as there are any.
async fn sweep(slot: Weak<Slot>) {
    loop {
        sleep(LONGEST_IDLE / 4).await;
        let Some(slot) = slot.upgrade() else { return };
        let (old, none_left) = slot.expired();
        for idle in old {
            let quitting = idle.open.session.quit(Instant::now() + QUICK_LOOK);
            // It is closed in any case.
            let _ = guarded_while(quitting).await;
        }
        if none_left {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::relay::{Connecting, Network};
    use super::*;
    use crate::settings::{self, Security};

    /// A network over which the program fails.
    struct Fails;

    impl Network for Fails {
        fn connect<'a>(&'a self, host: &'a str, _port: u16) -> Connecting<'a> {
            Box::pin(async move {
                assert!(host.is_empty(), "as it was told to");
                Err(std::io::ErrorKind::ConnectionRefused.into())
            })
        }
    }

    #[tokio::test]
    async fn a_relay_over_whose_words_the_program_fails_is_one_that_fails() {
        let host = "relay.example.org".to_owned();
        let (username, password_file, ca_file) = Default::default();
        let (port, security) = (25, Security::None);
        let settings = settings::Relay { host, port, security, username, password_file, ca_file };
        let relay = Relay::new(&settings, "lamp.example.org").unwrap();
        let slot = Slot::new(relay.through(Some(Arc::new(Fails))));
        let address = || "keeper@example.org".parse().unwrap();
        let until = Instant::now() + QUICK_LOOK;
        let errand =
            Errand { from: address(), to: address(), urgency: Urgency::Alert, afresh: true, until };
        let error = slot.envelope(&errand).await.err().unwrap();
        assert_eq!(error.class, SendClass::Transport);
        assert!(error.is_worth_another_relay());
        assert!(slot.health().trouble.is_some_and(|said| said.contains("fault")));
    }
}
