//! Connections: how many, from whom, for how long, with or without TLS.
//!
//! Whoever opens connections and says nothing, or says it a letter at a time, must keep nobody
//! else out: each address has its share, every step has its time, and where there is no seat left
//! the newest comer gets that of the one who has been silent for longest.

use std::convert::Infallible;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::extract::ConnectInfo;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;
use tokio::time::{sleep, timeout};
use tokio_rustls::TlsAcceptor;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tower::ServiceExt as _;

use super::certificate::Certificate;
use super::seats::{Seat, Seats};
use crate::guarded::guarded_while;

/// For a request's head, and for the silence before the next one.
const LONGEST_HEAD: Duration = Duration::from_secs(10);
const LONGEST_HANDSHAKE: Duration = Duration::from_secs(10);
/// After this a connection takes no further request; whoever reads an answer too slowly for the
/// time that is left then, loses it.
const LONGEST_CONNECTION: Duration = Duration::from_secs(300);
const LAST_ANSWER: Duration = Duration::from_secs(60);
/// The most that a request's head may have; ours have a fifth of it.
const MOST_HEAD_BYTES: usize = 16 * 1024;
/// How long requests under way may take to end once the service stops.
const LAST_ANSWERS: Duration = Duration::from_secs(5);
/// After the system had no connection to give, for want of memory or files.
const AFTER_FAILURE: Duration = Duration::from_millis(200);

/// Where a request came from.
#[derive(Clone, Copy, Debug)]
pub(super) struct Peer(pub(super) IpAddr);

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
    let seats = Seats::default();
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
        let seat = seats.take(peer.ip());
        let _ = stream.set_nodelay(true);
        let (router, tls, stop) = (router.clone(), tls.clone(), stop.clone());
        connections.spawn(async move {
            let seat = Arc::new(seat);
            let answered = async {
                match tls {
                    None => answer(stream, router, peer.ip(), &seat, stop).await,
                    Some(tls) => {
                        let shaken = timeout(LONGEST_HANDSHAKE, tls.accept(stream)).await;
                        if let Ok(Ok(stream)) = shaken {
                            answer(stream, router, peer.ip(), &seat, stop).await;
                        }
                    }
                }
            };
            let held = async {
                tokio::select! {
                    () = answered => {}
                    () = seat.given_up() => {}
                }
            };
            // Each request has a guard of its own; this one is for what is sent after its answer has
            // begun, and for what a client says that is no request.
            if guarded_while(held).await.is_err() {
                tracing::error!("a connection ends by a fault of the program");
            }
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
    from: IpAddr,
    seat: &Arc<Seat>,
    stop: CancellationToken,
) {
    let seat = Arc::clone(seat);
    let service = service_fn(move |request: hyper::Request<Incoming>| {
        let (router, seat) = (router.clone(), Arc::clone(&seat));
        async move { Ok::<_, Infallible>(one_answer(router, from, &seat, request).await) }
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(LONGEST_HEAD)
        // Whoever says no more may have said all: what has arrived is done.
        .half_close(true)
        .max_buf_size(MOST_HEAD_BYTES)
        .serve_connection(TokioIo::new(stream), service);
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

async fn one_answer(
    router: Router,
    from: IpAddr,
    seat: &Arc<Seat>,
    mut request: hyper::Request<Incoming>,
) -> Response {
    // Its seat was given to another in this very moment: nothing may be done that it never hears of.
    if !seat.speaks() {
        return StatusCode::SERVICE_UNAVAILABLE.into_response();
    }
    request.extensions_mut().insert(Peer(from));
    request.extensions_mut().insert(Arc::clone(seat));
    request.extensions_mut().insert(ConnectInfo(SocketAddr::new(from, 0)));
    let Ok(answer) = router.oneshot(request.map(Body::new)).await;
    seat.is_silent();
    answer
}
