//! Connections: how many, from whom, for how long, with or without TLS.
//!
//! Whoever opens connections and says nothing, or says it a letter at a time, must keep nobody
//! else out: each address has its share, and every step has its time.

use std::collections::HashMap;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::pin::pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::extract::{ConnectInfo, Request};
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{sleep, timeout};
use tokio_rustls::TlsAcceptor;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tower::ServiceExt as _;

use super::certificate::Certificate;

/// Half of what a process may usually open (1024): the letters and the database need theirs.
const MOST_CONNECTIONS: usize = 512;
/// One address's share. A web server in front, on this machine, speaks for many.
const MOST_BY_ADDRESS: usize = 64;
/// For a request's head, and for the silence before the next one.
const LONGEST_HEAD: Duration = Duration::from_secs(10);
const LONGEST_HANDSHAKE: Duration = Duration::from_secs(10);
/// After this a connection takes no further request; whoever reads an answer too slowly for the
/// time that is left then, loses it.
const LONGEST_CONNECTION: Duration = Duration::from_secs(300);
const LAST_ANSWER: Duration = Duration::from_secs(60);
/// The most that a request's head may have; ours have a tenth of it.
const MOST_HEAD_BYTES: usize = 32 * 1024;
/// How long requests under way may take to end once the service stops.
const LAST_ANSWERS: Duration = Duration::from_secs(5);
/// After the system had no connection to give, for want of memory or files.
const AFTER_FAILURE: Duration = Duration::from_millis(200);

/// Where a request came from.
#[derive(Clone, Copy, Debug)]
pub(super) struct Peer(pub(super) IpAddr);

/// How many connections each address has.
#[derive(Clone, Default)]
struct Shares(Arc<Mutex<HashMap<IpAddr, usize>>>);

/// A connection's place among all, and among those of its address.
struct Seat {
    shares: Shares,
    address: IpAddr,
    _one_of_all: OwnedSemaphorePermit,
}

/// Answers requests until `stop` is cancelled, then ends those under way.
///
/// # Errors
/// None as yet: what fails at one connection is that connection's end.
pub async fn serve(
    listener: TcpListener,
    router: Router,
    stop: CancellationToken,
) -> io::Result<()> {
    listen(listener, router, None, stop).await
}

/// The same over TLS.
///
/// # Errors
/// As [`serve`].
pub async fn serve_tls(
    listener: TcpListener,
    router: Router,
    certificate: Certificate,
    stop: CancellationToken,
) -> io::Result<()> {
    listen(listener, router, Some(certificate.acceptor()), stop).await
}

async fn listen(
    listener: TcpListener,
    router: Router,
    tls: Option<TlsAcceptor>,
    stop: CancellationToken,
) -> io::Result<()> {
    let (all, shares) = (Arc::new(Semaphore::new(MOST_CONNECTIONS)), Shares::default());
    let connections = TaskTracker::new();
    loop {
        let accepted = tokio::select! {
            () = stop.cancelled() => break,
            accepted = listener.accept() => accepted,
        };
        let (stream, peer) = match accepted {
            Ok(accepted) => accepted,
            Err(error) => {
                tracing::warn!(%error, "a connection can't be taken");
                sleep(AFTER_FAILURE).await;
                continue;
            }
        };
        // Dropped at once, without a word: words cost what is short.
        let Some(seat) = shares.seat(peer.ip(), &all) else { continue };
        let _ = stream.set_nodelay(true);
        let (router, tls, stop) = (router.clone(), tls.clone(), stop.clone());
        connections.spawn(async move {
            let peer = Peer(seat.address);
            match tls {
                None => answer(stream, router, peer, stop).await,
                Some(tls) => {
                    if let Ok(Ok(stream)) = timeout(LONGEST_HANDSHAKE, tls.accept(stream)).await {
                        answer(stream, router, peer, stop).await;
                    }
                }
            }
            drop(seat);
        });
    }
    connections.close();
    // What has not ended by then is left to itself.
    let _ = timeout(LAST_ANSWERS, connections.wait()).await;
    Ok(())
}

async fn answer(
    stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
    router: Router,
    peer: Peer,
    stop: CancellationToken,
) {
    let router = router.map_request(move |mut request: hyper::Request<Incoming>| -> Request {
        request.extensions_mut().insert(peer);
        request.extensions_mut().insert(ConnectInfo(SocketAddr::new(peer.0, 0)));
        request.map(Body::new)
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(LONGEST_HEAD)
        .max_buf_size(MOST_HEAD_BYTES)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(router));
    let mut connection = pin!(connection);
    // How it ended is its client's business.
    tokio::select! {
        _ = connection.as_mut() => return,
        () = stop.cancelled() => {}
        () = sleep(LONGEST_CONNECTION) => {}
    }
    connection.as_mut().graceful_shutdown();
    let _ = timeout(LAST_ANSWER, connection).await;
}

impl Shares {
    /// A seat, if there is one left and this address has not had its share.
    fn seat(&self, address: IpAddr, all: &Arc<Semaphore>) -> Option<Seat> {
        let one_of_all = Arc::clone(all).try_acquire_owned().ok()?;
        let mut shares = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let taken = shares.entry(address).or_default();
        if *taken >= MOST_BY_ADDRESS && !address.is_loopback() {
            return None;
        }
        *taken += 1;
        Some(Seat { shares: self.clone(), address, _one_of_all: one_of_all })
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        let mut shares = self.shares.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(taken) = shares.get_mut(&self.address) {
            *taken -= 1;
            if *taken == 0 {
                shares.remove(&self.address);
            }
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn one_address_takes_no_more_than_its_share() {
        let (all, shares) = (Arc::new(Semaphore::new(MOST_CONNECTIONS)), Shares::default());
        let (greedy, other) = ("192.0.2.1".parse().unwrap(), "192.0.2.2".parse().unwrap());
        let seats: Vec<_> = std::iter::from_fn(|| shares.seat(greedy, &all)).collect();
        assert_eq!(seats.len(), MOST_BY_ADDRESS);
        assert!(shares.seat(other, &all).is_some());
        drop(seats);
        assert!(shares.seat(greedy, &all).is_some() && shares.0.lock().unwrap().is_empty());
        let front = "127.0.0.1".parse().unwrap();
        let seats: Vec<_> = std::iter::from_fn(|| shares.seat(front, &all)).collect();
        assert_eq!(seats.len(), MOST_CONNECTIONS);
        assert!(shares.seat(other, &all).is_none());
    }
}
