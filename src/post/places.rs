//! Who may send now: so many letters at once, so many of them to one domain, and at each door a
//! few places that only alerts may take.

use std::collections::BTreeMap;
use std::pin::pin;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, Weak};
use std::time::Duration;

use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{Instant, timeout, timeout_at};

use super::pool::locked;
use crate::watch::Urgency;

/// How long a letter waits for its places before its sender turns to other letters; an alert for its
/// place at its domain alone.
const LONGEST_WAIT: Duration = Duration::from_secs(30);
/// How often it looks, meanwhile, whether its domain hangs: then there is nothing to wait for.
const BETWEEN_LOOKS: Duration = Duration::from_secs(1);
/// So few letters at once to one domain: it must not take all places when it falls silent.
const TO_ONE_DOMAIN: Room = Room { shared: 4, for_alerts: 4 };
/// Domains that are remembered before those are forgotten to which nothing is under way.
const MOST_DOMAINS: usize = 1024;

/// How many may be under way at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Room {
    /// Places for every letter.
    pub shared: usize,
    /// Further places, for alerts alone.
    pub for_alerts: usize,
}

/// The places at one door.
pub(super) struct Door {
    shared: Arc<Semaphore>,
    for_alerts: Arc<Semaphore>,
    /// How many who entered hang.
    hanging: AtomicUsize,
}

/// All places.
pub(super) struct Places {
    door: Door,
    domains: Mutex<BTreeMap<String, Weak<Door>>>,
}

/// A letter's right to be handed over now. It ends when this is dropped.
pub struct Place {
    pub(super) urgency: Urgency,
    at_door: Mutex<Option<OwnedSemaphorePermit>>,
    _at_domain: OwnedSemaphorePermit,
    domain: Arc<Door>,
    hangs: AtomicBool,
}

impl Place {
    /// Lets others go first: this letter hangs. Its domain still counts it.
    pub fn step_aside(&self) {
        *locked(&self.at_door) = None;
        if !self.hangs.swap(true, Ordering::Relaxed) {
            self.domain.hanging.fetch_add(1, Ordering::Relaxed);
        }
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        if *self.hangs.get_mut() {
            self.domain.hanging.fetch_sub(1, Ordering::Relaxed);
        }
    }
}

impl Door {
    pub(super) fn new(room: Room) -> Self {
        Door {
            shared: Arc::new(Semaphore::new(room.shared)),
            for_alerts: Arc::new(Semaphore::new(room.for_alerts)),
            hanging: AtomicUsize::new(0),
        }
    }

    /// A place, if there is one at once.
    pub(super) fn try_enter(&self, urgency: Urgency) -> Option<OwnedSemaphorePermit> {
        let shared = || Arc::clone(&self.shared).try_acquire_owned().ok();
        let reserved = || Arc::clone(&self.for_alerts).try_acquire_owned().ok();
        if urgency == Urgency::Alert { reserved().or_else(shared) } else { shared() }
    }

    async fn enter_unless_it_hangs(&self, urgency: Urgency) -> Option<OwnedSemaphorePermit> {
        let mut entering = pin!(self.enter(urgency));
        while self.hanging.load(Ordering::Relaxed) == 0 {
            if let Ok(place) = timeout(BETWEEN_LOOKS, &mut entering).await {
                return place;
            }
        }
        self.try_enter(urgency)
    }

    async fn enter(&self, urgency: Urgency) -> Option<OwnedSemaphorePermit> {
        let shared = Arc::clone(&self.shared).acquire_owned();
        if urgency == Urgency::Ordinary {
            return shared.await.ok();
        }
        tokio::select! {
            biased;
            place = Arc::clone(&self.for_alerts).acquire_owned() => place.ok(),
            place = shared => place.ok(),
        }
    }
}

impl Places {
    pub(super) fn new(room: Room) -> Self {
        Places { door: Door::new(room), domains: Mutex::default() }
    }

    /// Waits for a place, but not for ever, and not where others hang: `None` then. At the door an alert
    /// waits until it has one, for it would begin again at the end of the line: whoever is before it has
    /// gone or stepped aside within seconds.
    pub(super) async fn take(&self, to: &str, urgency: Urgency) -> Option<Place> {
        let domain = self.domain(to);
        let until = Instant::now() + LONGEST_WAIT;
        let at_domain = timeout_at(until, domain.enter_unless_it_hangs(urgency)).await.ok()??;
        let entering = self.door.enter(urgency);
        let at_door = match urgency {
            Urgency::Alert => entering.await?,
            Urgency::Ordinary => timeout_at(until, entering).await.ok()??,
        };
        Some(Place {
            urgency,
            at_door: Mutex::new(Some(at_door)),
            _at_domain: at_domain,
            domain,
            hangs: AtomicBool::new(false),
        })
    }

    fn domain(&self, to: &str) -> Arc<Door> {
        let name = domain_of(to);
        let mut domains = locked(&self.domains);
        if let Some(known) = domains.get(&name).and_then(Weak::upgrade) {
            return known;
        }
        if domains.len() >= MOST_DOMAINS {
            domains.retain(|_, door| door.strong_count() > 0);
        }
        let door = Arc::new(Door::new(TO_ONE_DOMAIN));
        domains.insert(name, Arc::downgrade(&door));
        door
    }
}

/// The domain of an address, as it is compared.
pub(super) fn domain_of(to: &str) -> String {
    to.rsplit('@').next().unwrap_or_default().to_ascii_lowercase()
}

#[cfg(test)]
mod tests {
    use super::*;

    const ROOM: Room = Room { shared: 2, for_alerts: 1 };

    /// Whether it has no place yet after as long as any other letter would have waited.
    async fn waits(taking: impl Future<Output = Option<Place>>) -> bool {
        timeout(2 * LONGEST_WAIT, taking).await.is_err()
    }

    #[tokio::test(start_paused = true)]
    async fn other_letters_never_take_the_places_of_alerts() {
        let places = Places::new(ROOM);
        let _first = places.take("a@one.example", Urgency::Ordinary).await.unwrap();
        let _second = places.take("a@two.example", Urgency::Ordinary).await.unwrap();
        assert!(places.take("a@three.example", Urgency::Ordinary).await.is_none());
        let _alert = places.take("a@three.example", Urgency::Alert).await.unwrap();
        assert!(waits(places.take("a@four.example", Urgency::Alert)).await);
    }

    #[tokio::test(start_paused = true)]
    async fn alerts_may_take_every_place() {
        let places = Places::new(ROOM);
        let mut taken = Vec::new();
        for _ in 0..3 {
            taken.push(places.take("a@one.example", Urgency::Alert).await.unwrap());
        }
        assert!(waits(places.take("a@two.example", Urgency::Alert)).await);
        taken.pop();
        assert!(places.take("a@two.example", Urgency::Alert).await.is_some());
    }

    #[tokio::test(start_paused = true)]
    async fn one_domain_never_takes_all_places_and_keeps_some_for_alerts() {
        let places = Places::new(Room { shared: 100, for_alerts: 0 });
        let mut taken = Vec::new();
        for at in 0..4 {
            taken
                .push(places.take(&format!("{at}@Slow.example"), Urgency::Ordinary).await.unwrap());
        }
        assert!(places.take("more@slow.example", Urgency::Ordinary).await.is_none());
        assert!(places.take("a@quick.example", Urgency::Ordinary).await.is_some());
        assert!(places.take("alert@slow.example", Urgency::Alert).await.is_some());
    }

    #[tokio::test(start_paused = true)]
    async fn whoever_hangs_gives_up_the_door_and_not_the_domain() {
        let places = Places::new(Room { shared: 1, for_alerts: 0 });
        let mut hanging = Vec::new();
        for _ in 0..4 {
            let place = places.take("a@slow.example", Urgency::Ordinary).await.unwrap();
            assert!(places.take("a@quick.example", Urgency::Ordinary).await.is_none());
            place.step_aside();
            hanging.push(place);
        }
        assert!(places.take("a@slow.example", Urgency::Ordinary).await.is_none());
        assert!(places.take("a@quick.example", Urgency::Ordinary).await.is_some());
    }

    /// As alerts of one key whose readers' hosts each keep the relay's answer for a little less than what
    /// counts as hanging: 255 of them are under way, and each that ends makes way for the next.
    #[tokio::test(start_paused = true)]
    async fn an_alert_waits_once_for_those_before_it_at_the_door() {
        use tokio::time::sleep;
        let places = Arc::new(Places::new(Room { shared: 12, for_alerts: 4 }));
        for at in 0..255 {
            let places = Arc::clone(&places);
            tokio::spawn(async move {
                for turn in 0.. {
                    let to = format!("a@{at}-{turn}.example.org");
                    if let Some(place) = places.take(&to, Urgency::Alert).await {
                        sleep(Duration::from_millis(4900)).await;
                        drop(place);
                    }
                }
            });
        }
        sleep(Duration::from_secs(300)).await;
        let mut waits = Vec::new();
        for at in 0..40 {
            let began = Instant::now();
            while places.take(&format!("b@b{at}.example.org"), Urgency::Alert).await.is_none() {
                sleep(Duration::from_secs(5)).await;
            }
            waits.push(began.elapsed().as_secs());
            sleep(Duration::from_secs(7)).await;
        }
        // 255 by sixteens, each for 4.9 s.
        assert!(waits.iter().all(|&wait| wait <= 79), "{waits:?}");
    }

    #[tokio::test]
    async fn idle_domains_are_forgotten() {
        let places = Places::new(ROOM);
        for at in 0..3 * MOST_DOMAINS {
            drop(places.take(&format!("a@{at}.example"), Urgency::Ordinary).await.unwrap());
        }
        assert!(locked(&places.domains).len() <= MOST_DOMAINS + 1);
    }
}
