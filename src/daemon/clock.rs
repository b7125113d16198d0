//! The one place where the time is read: two clocks, and a referee between them.

use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, TimeDelta, Utc};
use rustix::time::{ClockId, clock_gettime};
use serde::{Deserialize, Serialize};

use super::referee::{Agreement, Dispute, MOST_UNVOUCHED, Readings, Referee};

/// Whoever vouches for the wall clock does so for what it shows at that time, not for whatever it
/// may be set to later.
const VOUCHED_FOR: TimeDelta = TimeDelta::minutes(5);

/// A clock: the machine's two with their referee, or one that a test moves.
#[derive(Clone)]
pub struct Clock(Arc<Kind>);

enum Kind {
    Refereed {
        read: Box<dyn Fn() -> Readings + Send + Sync>,
        referee: Box<Mutex<Referee>>,
        /// Names the boot clock: another name, another clock.
        boot: String,
    },
    Given(Box<dyn Fn() -> DateTime<Utc> + Send + Sync>),
}

impl Clock {
    /// The machine's clocks. `not_before` is the latest time that the service has written down:
    /// a clock that says less has gone backwards while the machine was off. `known` is what an
    /// earlier life [knew](Self::known) of the clocks.
    #[must_use]
    pub fn of_the_machine(not_before: Option<DateTime<Utc>>, known: Option<&str>) -> Self {
        Self::of(Box::new(readings), boot(), not_before, known)
    }

    /// Clocks as `read` gives them; `boot` names the start of the machine from which they count.
    #[must_use]
    pub fn of(
        read: Box<dyn Fn() -> Readings + Send + Sync>,
        boot: String,
        not_before: Option<DateTime<Utc>>,
        known: Option<&str>,
    ) -> Self {
        let first = read();
        // Nobody wrote down what is a century ahead: that is damage.
        let not_before = not_before.filter(|at| *at - first.wall <= MOST_UNVOUCHED);
        let referee = match known.and_then(|text| serde_json::from_str::<Known>(text).ok()) {
            Some(known) => {
                let same_boot = !boot.is_empty() && known.boot == boot;
                Referee::resume(first, not_before, known.into(), same_boot)
            }
            None => Referee::new(first, not_before),
        };
        Clock(Arc::new(Kind::Refereed { read, referee: Box::new(Mutex::new(referee)), boot }))
    }

    /// What the next life of the service should know of the clocks.
    #[must_use]
    pub fn known(&self) -> Option<String> {
        let Kind::Refereed { referee, boot, .. } = &*self.0 else { return None };
        let agreement = referee.lock().unwrap_or_else(PoisonError::into_inner).agreement();
        serde_json::to_string(&Known::of(agreement, boot)).ok()
    }

    /// A clock that reads whatever `read` says.
    #[must_use]
    pub fn from_fn(read: impl Fn() -> DateTime<Utc> + Send + Sync + 'static) -> Self {
        Clock(Arc::new(Kind::Given(Box::new(read))))
    }

    /// The time, to the millisecond that the database keeps.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        let now = match &*self.0 {
            Kind::Refereed { read, referee, .. } => {
                referee.lock().unwrap_or_else(PoisonError::into_inner).rule(read())
            }
            Kind::Given(read) => read(),
        };
        DateTime::from_timestamp_millis(now.timestamp_millis()).unwrap_or(now)
    }

    /// How much of the time nobody vouches for, see [`Referee::unvouched`].
    pub(super) fn unvouched(&self) -> TimeDelta {
        match &*self.0 {
            Kind::Refereed { referee, .. } => {
                referee.lock().unwrap_or_else(PoisonError::into_inner).unvouched()
            }
            Kind::Given(_) => TimeDelta::zero(),
        }
    }

    /// Believes the clock on the wall, if it shows about `shown`: somebody vouches for that.
    /// Whether it does.
    pub(super) fn accept(&self, shown: DateTime<Utc>) -> bool {
        let Kind::Refereed { read, referee, .. } = &*self.0 else { return false };
        let read = read();
        if (read.wall - shown).abs() > VOUCHED_FOR {
            return false;
        }
        referee.lock().unwrap_or_else(PoisonError::into_inner).accept(read);
        true
    }

    /// The dispute between the two clocks, while there is one.
    #[must_use]
    pub fn dispute(&self) -> Option<Dispute> {
        match &*self.0 {
            Kind::Refereed { referee, .. } => {
                referee.lock().unwrap_or_else(PoisonError::into_inner).dispute()
            }
            Kind::Given(_) => None,
        }
    }
}

/// What is written down of the clocks.
#[derive(Serialize, Deserialize)]
struct Known {
    boot: String,
    wall: DateTime<Utc>,
    since_boot_ms: i64,
    disputed_since_ms: Option<i64>,
    #[serde(default)]
    unvouched_ms: i64,
}

impl Known {
    fn of(agreement: Agreement, boot: &str) -> Self {
        Known {
            boot: boot.to_owned(),
            wall: agreement.wall,
            since_boot_ms: agreement.since_boot.num_milliseconds(),
            disputed_since_ms: agreement.disputed_since.map(|since| since.num_milliseconds()),
            unvouched_ms: agreement.unvouched.num_milliseconds(),
        }
    }
}

impl From<Known> for Agreement {
    fn from(known: Known) -> Self {
        // Damage may have left any number here: none may take a reckoning out of what a date holds.
        let most = MOST_UNVOUCHED.num_milliseconds();
        let span = |millis: i64| TimeDelta::milliseconds(millis.clamp(-most, most));
        Agreement {
            wall: known
                .wall
                .clamp(DateTime::UNIX_EPOCH, DateTime::UNIX_EPOCH + MOST_UNVOUCHED * 80),
            since_boot: span(known.since_boot_ms),
            disputed_since: known.disputed_since_ms.map(span),
            unvouched: span(known.unvouched_ms.max(0)),
        }
    }
}

/// The name of the boot clock: of the machine's start, and of the time namespace, in which it may
/// begin elsewhere. Empty where that can't be told; then no two are the same.
fn boot() -> String {
    let Ok(id) = std::fs::read_to_string("/proc/sys/kernel/random/boot_id") else {
        return String::new();
    };
    let space = std::fs::read_link("/proc/self/ns/time");
    let space = space.map_or_else(|_| String::new(), |space| space.display().to_string());
    format!("{} {space}", id.trim())
}

/// Reads the machine: the clock on the wall, the time since it started (which goes on in sleep),
/// and whether the kernel holds the wall clock to be synchronised.
fn readings() -> Readings {
    let since_boot = clock_gettime(ClockId::Boottime);
    let since_boot =
        TimeDelta::seconds(since_boot.tv_sec) + TimeDelta::nanoseconds(since_boot.tv_nsec);
    Readings { wall: Utc::now(), since_boot, synchronised: super::adjtimex::is_synchronised() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noon() -> DateTime<Utc> {
        "2026-06-14T12:00:00Z".parse().unwrap()
    }

    fn clock(not_before: Option<DateTime<Utc>>, known: &str) -> Clock {
        let read = Readings { wall: noon(), since_boot: TimeDelta::hours(5), synchronised: false };
        Clock::of(Box::new(move || read), "boot".to_owned(), not_before, Some(known))
    }

    /// What a version wrote that knew of no time that nobody vouches for.
    #[test]
    fn what_an_older_version_wrote_is_known() {
        let known = r#"{"boot":"boot","wall":"2026-06-14T11:59:00Z","since_boot_ms":17940000,
                        "disputed_since_ms":null}"#;
        let clock = clock(Some(noon()), known);
        assert_eq!((clock.now(), clock.dispute()), (noon(), None));
        assert_eq!(clock.unvouched(), TimeDelta::zero());
    }

    /// Every number may be any, on the same start of the machine or another: the service starts, and
    /// can reckon with what it makes of them.
    #[test]
    fn no_number_that_was_written_down_keeps_the_service_from_starting() {
        let any = [i64::MIN, i64::MIN + 1, -1, 0, i64::MAX];
        let walls = ["-262143-01-01T00:00:00Z", "+262142-12-31T23:59:59Z", "2026-06-14T12:00:00Z"];
        let written = [None, Some(DateTime::<Utc>::MIN_UTC), Some(DateTime::<Utc>::MAX_UTC)];
        let mut disputes = 0;
        for boot in ["boot", "another"] {
            for (wall, not_before) in walls.iter().flat_map(|wall| written.map(|at| (wall, at))) {
                for (since_boot, unvouched) in any.iter().flat_map(|one| any.map(|two| (one, two)))
                {
                    for disputed_since in ["null".to_owned(), since_boot.to_string()] {
                        let known = format!(
                            r#"{{"boot":"{boot}","wall":"{wall}","since_boot_ms":{since_boot},
                            "disputed_since_ms":{disputed_since},"unvouched_ms":{unvouched}}}"#
                        );
                        let clock = clock(not_before, &known);
                        let kept_from = clock.now() - clock.unvouched();
                        assert!(kept_from <= clock.now(), "{known}");
                        assert!(clock.unvouched() <= MOST_UNVOUCHED, "{known}");
                        assert!(clock.known().is_some());
                        disputes += usize::from(clock.dispute().is_some());
                    }
                }
            }
        }
        assert!(disputes > 0, "not every one was thrown away");
    }

    #[test]
    fn a_mark_a_century_ahead_is_damage_and_alerts_for_nobody() {
        let clock = clock(Some(noon() + MOST_UNVOUCHED * 2), "");
        assert_eq!((clock.now(), clock.dispute()), (noon(), None));
    }
}
