//! The review of what a form holds, for a page that asks while the form is filled.

use askama::Template;
use axum::Json;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde_json::json;

use super::draft::Draft;
use super::filings::{Filer, wrongs};
use super::judged::{Judged, times};
use crate::daemon::Daemon;
use crate::web::problem::Problem;
use crate::web::typed::Typed;

/// A review as a part of a page.
#[derive(Template)]
#[template(path = "judged_part.html")]
struct Part {
    judged: Judged,
    times: Vec<String>,
}

/// Judges the form in the body; files nothing.
pub(super) async fn judge(
    State(daemon): State<Daemon>,
    Filer(key): Filer,
    bytes: Bytes,
) -> Result<Response, Problem> {
    let draft = Draft::of(&Typed::of_bytes(&bytes));
    let plan = match draft.plan() {
        Ok(plan) => plan,
        Err(faults) => {
            let answer = json!({"fields": wrongs(&draft, &faults)});
            return Ok((StatusCode::UNPROCESSABLE_ENTITY, Json(answer)).into_response());
        }
    };
    let review = daemon.review(&key.id, &plan).await.ok_or_else(Problem::too_many_judged)?;
    let overdue_at = review.timing.overdue_at.to_utc();
    let part = Part {
        times: times(&plan, overdue_at, daemon.now()),
        judged: Judged::of(&review, &plan, daemon.chart(&plan).await),
    };
    let html = part.render().map_err(|error| {
        tracing::error!(%error, "a review can't be written");
        Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "the review can't be written")
    })?;
    let answer = json!({
        "html": html,
        "due_at": plan.times.local(plan.times.return_by.at),
        "zone": plan.times.zone.name(),
        "sunset": review.timing.sunset.map(|at| at.to_rfc3339()),
        "length_m": review.route.length_m,
        "farthest_m": review.route.farthest.as_ref().map(|far| far.at_most_m),
        "paddling_s": review.timing.paddling_s,
    });
    Ok(Json(answer).into_response())
}
