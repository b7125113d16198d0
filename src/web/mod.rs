//! The pages and the HTTP API.
//!
//! The topmost floor but the commands: it reads requests, asks the daemon, and answers. Nothing
//! that is only opened changes anything; what a person changes on a page asks for something that
//! they type.

mod api;
mod assets;
mod board;
mod certificate;
mod changed;
mod confirm;
mod contact;
mod crew;
mod deed;
mod guard;
mod guesses;
mod heads;
mod key;
mod listening;
mod making;
mod often;
mod page;
mod problem;
mod ramp;
mod rescue;
mod room;
mod said;
mod seats;
mod security_txt;
mod sent;
mod spoken;
mod trip;
mod typed;
mod unread;
mod words;

use axum::middleware::{from_fn, from_fn_with_state};
use axum::routing::get;
use axum::{Extension, Router};
use tower_http::CompressionLevel;
use tower_http::compression::CompressionLayer;

pub use certificate::Certificate;
pub use listening::{serve, serve_tls};

use crate::daemon::Daemon;
use guesses::Guesses;
use often::Often;
use unread::Unread;

/// How hard a page is packed while its reader waits. 9 takes ten times as long for the form, and
/// makes it smaller by a hundredth.
const PAGE_QUALITY: i32 = 6;

/// Every page and every address of the API.
pub fn router(daemon: Daemon) -> Router {
    Router::new()
        .merge(api::routes())
        .merge(ramp::routes())
        .merge(crew::routes())
        .merge(contact::routes())
        .merge(rescue::routes())
        .merge(spoken::routes())
        .merge(board::routes())
        .merge(assets::routes())
        .merge(confirm::routes())
        .route(security_txt::PATH, get(security_txt::show))
        .fallback(guard::nothing_here)
        .method_not_allowed_fallback(guard::not_that_way)
        .layer(Extension(Often::default()))
        .layer(from_fn_with_state(Guesses::default(), guesses::counted))
        .layer(from_fn(making::weighed))
        .layer(CompressionLayer::new().quality(CompressionLevel::Precise(PAGE_QUALITY)))
        .layer(from_fn_with_state((daemon.clone(), Unread::default()), making::in_turn))
        // Before any turn is waited for: whoever sends slowly must not have it meanwhile.
        .layer(from_fn(guard::whole_body))
        .layer(from_fn_with_state(daemon.clone(), guard::own_pages_only))
        .layer(from_fn(guard::unfailing))
        .layer(from_fn_with_state(daemon.clone(), guard::headers))
        .with_state(daemon)
}
