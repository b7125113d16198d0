//! Who may file: the keys in force, and when each was used last.

use super::row::cut;
use crate::daemon::Daemon;
use crate::store::StoreError;
use crate::web::words::from_now;

/// More than this nobody looks through; all of them are told by `shorelamp key list`.
const MOST: usize = 50;

/// A key as the board tells of it.
pub(super) struct Held {
    pub(super) name: String,
    pub(super) told: String,
}

/// The keys in force, the newest first, and how many more there are.
pub(super) async fn held(daemon: &Daemon) -> Result<(Vec<Held>, usize), StoreError> {
    let (store, now) = (daemon.store(), daemon.now());
    let filings = store.last_filings().await?;
    let known = store.keys().await?.into_iter().filter(|one| one.revoked_at.is_none());
    let mut keys: Vec<Held> = known
        .map(|one| {
            let whose = if one.key.keeper { "a keeper's, " } else { "" };
            let filed = filings.get(&one.key.id).map_or_else(
                || "no plan of it is kept".to_owned(),
                |at| format!("filed last {}", from_now(*at, now)),
            );
            let told = format!("{whose}made {}, {filed}", from_now(one.made_at, now));
            Held { name: cut(&one.key.name), told }
        })
        .collect();
    let more = keys.len().saturating_sub(MOST);
    keys.truncate(MOST);
    Ok((keys, more))
}
