//! The one place where the time is read: two clocks, and a referee between them.

use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, TimeDelta, Utc};
use rustix::time::{ClockId, clock_gettime};

use super::referee::{Dispute, Readings, Referee};

/// Whoever vouches for the wall clock does so for what it shows at that time, not for whatever it
/// may be set to later.
const VOUCHED_FOR: TimeDelta = TimeDelta::minutes(5);

/// A clock: the machine's two with their referee, or one that a test moves.
#[derive(Clone)]
pub struct Clock(Arc<Kind>);

enum Kind {
    Refereed { read: Box<dyn Fn() -> Readings + Send + Sync>, referee: Mutex<Referee> },
    Given(Box<dyn Fn() -> DateTime<Utc> + Send + Sync>),
}

impl Clock {
    /// The machine's clocks. `not_before` is the latest time that the service has written down:
    /// a clock that says less has gone backwards while the machine was off.
    #[must_use]
    pub fn of_the_machine(not_before: Option<DateTime<Utc>>) -> Self {
        Self::of(Box::new(readings), not_before)
    }

    /// Clocks as `read` gives them.
    #[must_use]
    pub fn of(
        read: Box<dyn Fn() -> Readings + Send + Sync>,
        not_before: Option<DateTime<Utc>>,
    ) -> Self {
        let referee = Mutex::new(Referee::new(read(), not_before));
        Clock(Arc::new(Kind::Refereed { read, referee }))
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
            Kind::Refereed { read, referee } => {
                referee.lock().unwrap_or_else(PoisonError::into_inner).rule(read())
            }
            Kind::Given(read) => read(),
        };
        DateTime::from_timestamp_millis(now.timestamp_millis()).unwrap_or(now)
    }

    /// Believes the clock on the wall, if it shows about `shown`: somebody vouches for that.
    /// Whether it does.
    pub(super) fn accept(&self, shown: DateTime<Utc>) -> bool {
        let Kind::Refereed { read, referee } = &*self.0 else { return false };
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

/// Reads the machine: the clock on the wall, the time since it started (which goes on in sleep),
/// and whether the kernel holds the wall clock to be synchronised.
fn readings() -> Readings {
    let since_boot = clock_gettime(ClockId::Boottime);
    let since_boot =
        TimeDelta::seconds(since_boot.tv_sec) + TimeDelta::nanoseconds(since_boot.tv_nsec);
    Readings { wall: Utc::now(), since_boot, synchronised: super::adjtimex::is_synchronised() }
}
