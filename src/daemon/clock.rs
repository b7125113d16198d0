//! The one place where the time is read: two clocks, and a referee between them.

use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, TimeDelta, Utc};
use rustix::time::{ClockId, clock_gettime};
use serde::{Deserialize, Serialize};

use super::referee::{Agreement, Dispute, Readings, Referee};

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
        Agreement {
            wall: known.wall,
            since_boot: TimeDelta::milliseconds(known.since_boot_ms),
            disputed_since: known.disputed_since_ms.map(TimeDelta::milliseconds),
            unvouched: TimeDelta::try_milliseconds(known.unvouched_ms).unwrap_or_default(),
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
