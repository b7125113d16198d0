//! Clocks that were ruled to go otherwise between a filing and its return time.
//!
//! A plan is watched by the instant, which no law moves. But the crew reads a clock, and may mean
//! another instant now: only they know, so the keeper asks them.

use chrono_tz::IANA_TZDB_VERSION;

use super::Daemon;
use crate::plan::{Reruled, reruled};
use crate::store::StoreError;

/// How many plans are read in one go.
const AT_ONCE: u32 = 500;
/// How many plans a letter lists.
const MOST_LISTED: usize = 50;

/// Looks through the open plans, once for each table of time zones that this program brings; again
/// at each start as long as there are some to ask about, since a restart forgets a letter that
/// nobody took.
pub(super) async fn look(daemon: &Daemon) -> Result<(), StoreError> {
    let store = daemon.store();
    let before = store.zones_mark().await?;
    if before.as_deref() == Some(IANA_TZDB_VERSION) {
        return Ok(());
    }
    let (mut moved, mut after) = (Vec::new(), String::new());
    loop {
        let papers = store.open_papers(&after, AT_ONCE).await?;
        let Some((last, _)) = papers.last() else { break };
        after.clone_from(last);
        for (plan_ref, stored) in &papers {
            if let Some(Reruled { meant, counts }) = stored.as_deref().and_then(reruled) {
                moved.push(format!("{plan_ref}: filed as {meant}, counts as {counts}."));
            }
        }
    }
    if moved.is_empty() {
        return store.mark_zones(IANA_TZDB_VERSION).await;
    }
    tell(daemon, &moved);
    Ok(())
}

fn tell(daemon: &Daemon, moved: &[String]) {
    let what = format!(
        "clocks were ruled to go otherwise since plans were filed ({}): their crews may mean \
         another time of return than the one that is watched",
        moved.len()
    );
    let mut mend = vec![
        "Ask these crews which time they mean, and have them put it off or change the plan: their \
         alerts come by the instant that they filed, which letters show in UTC too.",
    ];
    mend.extend(moved.iter().take(MOST_LISTED).map(String::as_str));
    daemon.tell_keeper("zones", &what, &mend);
}
