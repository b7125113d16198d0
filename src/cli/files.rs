//! How many files the service may have open at once: its connections count among them.

use rustix::process::{Resource, getrlimit, setrlimit};

/// More than every connection and letter at once takes.
const WANTED: u64 = 4096;
/// With fewer, a crowd of people or of hanging letters could take the last.
const FEWEST: u64 = 512;

/// Takes as many as the system gives without being asked; tells how many when that is few.
pub(super) fn open_enough() -> Option<u64> {
    let mut limit = getrlimit(Resource::Nofile);
    let may_have = limit.maximum.unwrap_or(WANTED).min(WANTED);
    if limit.current.is_some_and(|current| current < may_have) {
        limit.current = Some(may_have);
        if let Err(error) = setrlimit(Resource::Nofile, limit) {
            tracing::warn!(%error, "no more files can be had than the system gave at the start");
        }
    }
    getrlimit(Resource::Nofile).current.filter(|current| *current < FEWEST)
}
