//! Reads into the memory what it needs to know of the plans, beside everything else: a read that hangs
//! holds up no alert, and what it was to tell anew is kept as it is remembered.

use std::time::Duration;

use chrono::TimeDelta;
use tokio_util::sync::CancellationToken;

use super::{Daemon, memory};
use crate::store::{PlanRecord, StoreError};

/// A write is tried at least so often, as long as writes come back.
const LONGEST_PROBE: Duration = Duration::from_secs(4);
const BETWEEN_LOOKS: Duration = Duration::from_secs(1);
/// Between readings of the whole memory, for what other processes wrote.
const BETWEEN_READINGS: TimeDelta = TimeDelta::minutes(10);
/// A plan that moves while it is read is read once more.
const MOST_READINGS: u32 = 3;

/// Keeps the memory.
pub(super) async fn keep_in_mind(daemon: Daemon, stop: CancellationToken) {
    let mut read_at = None;
    while !stop.is_cancelled() {
        let now = daemon.now();
        let read_lately = read_at.is_some_and(|at| now - at < BETWEEN_READINGS);
        let again = read_at.is_some();
        let reading = async {
            if !read_lately && fill(&daemon, again).await.is_ok_and(|whole| whole) {
                read_at = Some(now);
            }
            tokio::time::sleep(BETWEEN_LOOKS).await;
        };
        tokio::select! {
            () = stop.cancelled() => break,
            () = reading => {}
        }
    }
}

/// While nothing can be written, what was heard here is newer than what could be read.
fn knows_best(daemon: &Daemon) -> bool {
    daemon.0.health.unwritten_for() > LONGEST_PROBE
}

/// Remembers the plans whose time comes first, and looks after those that it remembers already; whether it
/// came to an end.
async fn fill(daemon: &Daemon, again: bool) -> Result<bool, StoreError> {
    if again && knows_best(daemon) {
        return Ok(false);
    }
    let memory = &daemon.0.memory;
    let mut refs = daemon.store().soonest(memory::MOST_PLANS).await?;
    // What is remembered and not open any more, however that came, must alert nobody.
    refs.extend(memory.beside(&refs));
    for plan_ref in refs {
        let reading = memory.begin_reading(&plan_ref);
        // One that can't be found is kept: the file may be damaged, and in doubt the plan is open.
        let Ok(record) = daemon.store().plan(&plan_ref).await else { continue };
        if again && knows_best(daemon) {
            return Ok(false);
        }
        // Its key is at hand from now on, and one that is lost is told of in time.
        let _ = daemon.plan_of(&record);
        reading.remember(record);
    }
    Ok(true)
}

impl Daemon {
    /// Reads a plan, and remembers it as it was read; a word of it that was heard and could not be written
    /// outlives that.
    pub(super) async fn read_anew(&self, plan_ref: &str) -> Result<PlanRecord, StoreError> {
        let mut readings = 1;
        loop {
            let reading = self.0.memory.begin_reading(plan_ref);
            let record = self.store().plan(plan_ref).await?;
            if reading.remember(record.clone()) || readings == MOST_READINGS {
                return Ok(record);
            }
            readings += 1;
        }
    }
}
