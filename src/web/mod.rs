//! The pages and the HTTP API.
//!
//! The topmost floor but the commands: it reads requests, asks the daemon, and answers. Nothing
//! that is only opened changes anything; what a person changes on a page asks for something that
//! they type.

mod api;
mod assets;
mod confirm;
mod contact;
mod crew;
mod deed;
mod guard;
mod key;
mod page;
mod problem;
mod ramp;
mod rescue;
mod said;
mod trip;
mod typed;
mod words;

use std::future::IntoFuture;
use std::io;
use std::time::Duration;

use axum::Router;
use axum::middleware::{from_fn, from_fn_with_state};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;
use tower_http::CompressionLevel;
use tower_http::compression::CompressionLayer;

use crate::daemon::Daemon;

/// How long requests under way may take to end once the service stops.
const LAST_ANSWERS: Duration = Duration::from_secs(5);

/// How hard a page is packed while its reader waits.
const PAGE_QUALITY: i32 = 6;

/// Every page and every address of the API.
pub fn router(daemon: Daemon) -> Router {
    Router::new()
        .merge(api::routes())
        .merge(ramp::routes())
        .merge(crew::routes())
        .merge(contact::routes())
        .merge(rescue::routes())
        .merge(assets::routes())
        .merge(confirm::routes())
        .fallback(guard::nothing_here)
        .method_not_allowed_fallback(guard::not_that_way)
        .layer(from_fn(guard::whole_body))
        .layer(CompressionLayer::new().quality(CompressionLevel::Precise(PAGE_QUALITY)))
        .layer(from_fn_with_state(daemon.clone(), guard::own_pages_only))
        .layer(from_fn_with_state(daemon.clone(), guard::headers))
        .with_state(daemon)
}

/// Answers requests until `stop` is cancelled, then ends those under way.
///
/// # Errors
/// The listener.
pub async fn serve(
    listener: TcpListener,
    router: Router,
    stop: CancellationToken,
) -> io::Result<()> {
    let stopping = stop.clone();
    let served = axum::serve(listener, router)
        .with_graceful_shutdown(async move { stopping.cancelled().await })
        .into_future();
    let patience = async {
        stop.cancelled().await;
        tokio::time::sleep(LAST_ANSWERS).await;
    };
    tokio::select! {
        ended = served => ended,
        () = patience => Ok(()),
    }
}
