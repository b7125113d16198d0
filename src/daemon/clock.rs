//! The one place where the time is read.

use std::sync::Arc;

use chrono::{DateTime, Utc};

/// A clock: the machine's, or one that a test moves.
#[derive(Clone)]
pub struct Clock(Arc<dyn Fn() -> DateTime<Utc> + Send + Sync>);

impl Clock {
    /// The machine's clock.
    #[must_use]
    pub fn of_the_machine() -> Self {
        Clock(Arc::new(Utc::now))
    }

    /// A clock that reads whatever `read` says.
    #[must_use]
    pub fn from_fn(read: impl Fn() -> DateTime<Utc> + Send + Sync + 'static) -> Self {
        Clock(Arc::new(read))
    }

    /// The time, to the millisecond that the database keeps.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        let now = (self.0)();
        DateTime::from_timestamp_millis(now.timestamp_millis()).unwrap_or(now)
    }
}
