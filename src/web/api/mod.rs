//! The HTTP API: programs come in by a key, or by a link of one purpose.

mod amend;
mod answers;
pub(super) mod body;
mod keeper;
mod moves;
mod own;
mod plans;

use axum::extract::State;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde_json::json;

use super::problem::Problem;
use crate::daemon::Daemon;

pub(super) fn routes() -> Router<Daemon> {
    Router::new()
        .route("/healthz", get(health))
        .route("/api/v1/review", post(plans::review))
        .route("/api/v1/plans", get(plans::board).post(plans::file))
        .route("/api/v1/plans/{plan_ref}", get(plans::show))
        .merge(moves::routes())
        .merge(amend::routes())
        .merge(keeper::routes())
        .merge(own::routes())
}

/// Well only while an alert could go out.
async fn health(State(daemon): State<Daemon>) -> Response {
    let (illnesses, outside) = (daemon.illnesses(), daemon.outside_words());
    let oldest_s = daemon.oldest_unsent_alert().num_seconds();
    if illnesses.is_empty() {
        let mut well = json!({"status": "ok", "oldest_unsent_alert_s": oldest_s});
        for (name, words) in outside {
            well[name] = words.into();
        }
        return Json(well).into_response();
    }
    let mut problem = Problem::ill(illnesses, oldest_s);
    for (name, words) in outside {
        problem.detail.push_str(&format!("; the {name} {words}"));
    }
    problem.into_response()
}
