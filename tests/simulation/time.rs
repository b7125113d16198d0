//! The world's time, which goes on from one life of the service to the next.

use std::sync::{Arc, Mutex};

use chrono::{DateTime, TimeDelta, Utc};
use tokio::time::Instant;

/// Milliseconds since the world's beginning.
#[derive(Clone)]
pub struct Timeline(Arc<Mutex<(Instant, i64)>>);

impl Timeline {
    pub fn new() -> Self {
        Timeline(Arc::new(Mutex::new((Instant::now(), 0))))
    }

    /// Goes on from this time, by the clock of the runtime that is current.
    pub fn go_on_from(&self, ms: i64) {
        *self.0.lock().expect("whole") = (Instant::now(), ms);
    }

    pub fn now(&self) -> i64 {
        let (since, ms) = *self.0.lock().expect("whole");
        ms + i64::try_from(since.elapsed().as_millis()).expect("a short world")
    }
}

/// The hour at which every world begins.
pub fn at(ms: i64) -> DateTime<Utc> {
    let begin: DateTime<Utc> = "2026-06-14T12:00:00Z".parse().expect("a time");
    begin + TimeDelta::milliseconds(ms)
}
