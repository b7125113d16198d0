//! Whoever tries secrets that open nothing is told to wait.
//!
//! A secret that is right always opens: behind one address may be a whole town, and among it the
//! contact of an overdue crew. Guessing is hopeless by the secrets' length alone (160 bits and
//! more); what is limited here is the noise.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use axum::extract::{Request, State};
use axum::http::{StatusCode, Uri};
use axum::middleware::Next;
use axum::response::Response;

use super::guard::shown;
use super::heads::whose;
use super::listening::Peer;
use super::problem::Problem;

/// So many that open nothing are answered as what they are, in each minute and from each address.
const MOST: u32 = 60;
const MINUTE: Duration = Duration::from_secs(60);
/// So many addresses are remembered; with more, all are forgotten.
const MOST_ADDRESSES: usize = 4096;

/// The failed guesses of the last minute.
#[derive(Clone, Default)]
pub(super) struct Guesses(Arc<Mutex<HashMap<IpAddr, (Instant, u32)>>>);

/// Counts what opened nothing.
pub(super) async fn counted(
    State(guesses): State<Guesses>,
    request: Request,
    next: Next,
) -> Response {
    let peer = request.extensions().get::<Peer>().copied();
    let uri = request.uri().clone();
    let answer = next.run(request).await;
    let failed = match answer.status() {
        StatusCode::UNAUTHORIZED => true,
        StatusCode::NOT_FOUND => carries_secret(&uri),
        _ => false,
    };
    match peer {
        Some(Peer(address)) if failed && guesses.is_one_too_many(address, Instant::now()) => {
            let detail = "too much has been tried from your address that opens nothing; wait a \
                          minute. What is right opens all the same";
            let problem = Problem::new(StatusCode::TOO_MANY_REQUESTS, detail);
            shown(&uri, problem.retry_after_s(60))
        }
        _ => answer,
    }
}

fn carries_secret(uri: &Uri) -> bool {
    const FOLDERS: [&str; 6] = ["/contact/", "/crew/", "/confirm/", "/rescue/", "/key", "/api/"];
    FOLDERS.iter().any(|folder| uri.path().starts_with(folder))
}

impl Guesses {
    fn is_one_too_many(&self, address: IpAddr, now: Instant) -> bool {
        let mut counts = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if counts.len() >= MOST_ADDRESSES {
            counts.clear();
        }
        let (began, count) = counts.entry(whose(address)).or_insert((now, 0));
        if now.duration_since(*began) >= MINUTE {
            (*began, *count) = (now, 0);
        }
        *count = count.saturating_add(1);
        *count > MOST
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_million_guesses_leave_sixty_a_minute() {
        let (guesses, now) = (Guesses::default(), Instant::now());
        let address: IpAddr = "192.0.2.1".parse().unwrap();
        let through = (0..1_000_000).filter(|_| !guesses.is_one_too_many(address, now)).count();
        assert_eq!(through, 60);
        assert!(!guesses.is_one_too_many("192.0.2.2".parse().unwrap(), now));
        assert!(!guesses.is_one_too_many(address, now + MINUTE));
    }

    #[test]
    fn memory_stays_bounded() {
        let (guesses, now) = (Guesses::default(), Instant::now());
        for at in 0..20_000u32 {
            guesses.is_one_too_many(IpAddr::from(at.to_be_bytes()), now);
        }
        assert!(guesses.0.lock().unwrap().len() <= MOST_ADDRESSES);
    }
}
