//! The machine: the database's disk, and the clock.

use std::path::Path;
use std::time::SystemTime;

use chrono::{DateTime, TimeDelta, Utc};

use super::super::assemble;
use super::Finding;
use crate::daemon::{is_canary, is_synchronised};
use crate::settings::Settings;
use crate::store::{Note, Store, StoreError};

/// Clocks are set by a little now and then.
const TOLERANCE: TimeDelta = TimeDelta::seconds(2);

/// What was found, and when the last backup was made.
pub(super) async fn look(
    settings: &Settings,
    config: &Path,
) -> (Vec<Finding>, Option<DateTime<Utc>>) {
    let changed = std::fs::metadata(config).and_then(|file| file.modified()).ok();
    let (database, noted) = database(&settings.service.data_dir).await;
    (vec![database, clock(changed, noted.last_alive)], noted.backed_up)
}

/// What the database says of the past.
#[derive(Clone, Copy, Default)]
struct Noted {
    last_alive: Option<DateTime<Utc>>,
    backed_up: Option<DateTime<Utc>>,
}

/// The database, and what it says of the past.
async fn database(data_dir: &Path) -> (Finding, Noted) {
    const PART: &str = "database";
    let shown = data_dir.display();
    // Made by whoever looks first, it might belong to somebody else than the service.
    if !data_dir.join("shorelamp.db").exists() {
        let what = format!("none in {shown} yet");
        return (
            Finding::look(PART, what, "`shorelamp serve` makes it when it first starts"),
            Noted::default(),
        );
    }
    let mend = "look at the disk, and at who owns the folder; restore a backup if it is damaged";
    let looked = assemble::with_store(data_dir, async |store| Ok(look_into(store).await));
    let looked = match looked.await {
        Ok(looked) => looked,
        Err(failure) => return (Finding::broken(PART, failure, mend), Noted::default()),
    };
    match looked {
        Err(error) => (Finding::broken(PART, format!("{shown}: {error}"), mend), Noted::default()),
        Ok(Plans { open, damaged: 0, noted }) => {
            let what = format!("{shown} can be written; open plans: {open}");
            (Finding::ok(PART, what), noted)
        }
        Ok(Plans { open, damaged, noted }) => {
            let what = format!("{shown}: {damaged} of {open} open plans can't be read");
            let mend = "call their contacts yourself; restore a backup";
            (Finding::broken(PART, what, mend), noted)
        }
    }
}

struct Plans {
    open: usize,
    damaged: usize,
    noted: Noted,
}

/// Reads every open plan, and writes for real: the service's own mark again, unchanged.
async fn look_into(store: &Store) -> Result<Plans, StoreError> {
    let last_alive = store.last_alive().await?;
    store.mark_alive(last_alive.unwrap_or_default()).await?;
    let backed_up = store.noted(Note::BackedUp).await?;
    let mut plans = store.open_plans().await?;
    plans.retain(|plan| !plan.as_ref().is_ok_and(is_canary));
    let damaged = plans.iter().filter(|plan| plan.is_err()).count();
    Ok(Plans { open: plans.len(), damaged, noted: Noted { last_alive, backed_up } })
}

/// The clock can't be earlier than what has happened already.
fn clock(changed: Option<SystemTime>, last_alive: Option<DateTime<Utc>>) -> Finding {
    const PART: &str = "clock";
    let now = Utc::now();
    let shown = now.format("%Y-%m-%d %H:%M:%S UTC");
    let is_past = |at: DateTime<Utc>| at <= now + TOLERANCE;
    let past = [
        (changed.map(DateTime::<Utc>::from), "the settings were last changed"),
        (last_alive, "the service was last alive"),
    ];
    if let Some((_, what)) = past.iter().find(|(at, _)| at.is_some_and(|at| !is_past(at))) {
        let what = format!("it says {shown}, which is before {what}");
        return Finding::broken(PART, what, "set the clock: every alert goes by it");
    }
    if is_synchronised() {
        return Finding::ok(PART, format!("{shown}, kept in step with others, says the kernel"));
    }
    Finding::look(
        PART,
        format!("{shown}, kept in step with nobody, as far as the kernel knows"),
        "compare it with another; have it kept in step (chrony, systemd-timesyncd)",
    )
}
