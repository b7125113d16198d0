//! Judging, filing and looking at plans.

use axum::Json;
use axum::body::Bytes;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::json;

use super::answers::{Armed, Shown};
use super::body;
use crate::daemon::{Daemon, PlanStatus};
use crate::store::{Key, StoreError, guarded_over};
use crate::web::key::Bearer;
use crate::web::problem::Problem;

/// Judges a plan of any date; files nothing.
pub(super) async fn review(
    State(daemon): State<Daemon>,
    Bearer(key): Bearer,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Response, Problem> {
    let plan = body::plan(&headers, &body)?;
    let review = daemon.review(&key.id, &plan).await.ok_or_else(Problem::too_many_judged)?;
    Ok(Json(review).into_response())
}

/// Files a plan.
pub(super) async fn file(
    State(daemon): State<Daemon>,
    Bearer(key): Bearer,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Response, Problem> {
    let plan = body::plan(&headers, &body)?;
    let filed = daemon.file(&key, &plan, body::idempotency(&headers)?, &body).await?;
    Ok((StatusCode::CREATED, Json(Armed::from(filed))).into_response())
}

/// Where a plan stands.
pub(super) async fn show(
    State(daemon): State<Daemon>,
    Bearer(key): Bearer,
    Path(plan_ref): Path<String>,
) -> Result<Json<Shown>, Problem> {
    Ok(Json(Shown::from(&own(&daemon, &key, &plan_ref).await?)))
}

/// How much of the board is asked for.
#[derive(Deserialize)]
pub(super) struct Part {
    most: Option<u32>,
}

/// The open plans, most urgent first. One that can't be read stands among them as its problem. Asked
/// for at most so many, it tells of those, of all that are overdue, and how many there are.
pub(super) async fn board(
    State(daemon): State<Daemon>,
    Bearer(key): Bearer,
    Query(part): Query<Part>,
) -> Result<Response, Problem> {
    if !key.keeper {
        return Err(Problem::not_allowed("only a keeper's key opens the board of all plans"));
    }
    let row = |row: Result<PlanStatus, StoreError>| {
        let shown = |status: PlanStatus| {
            let shown = || Ok(serde_json::to_value(Shown::from(&status)));
            guarded_over(&status.plan_ref, shown)
        };
        let damaged = |error: StoreError| json!({"state": "damaged", "detail": error.to_string()});
        row.and_then(shown).unwrap_or_else(|error| Ok(damaged(error)))
    };
    let Some(most) = part.most else {
        let rows = daemon.board().await?.into_iter().map(row).filter_map(Result::ok);
        return Ok(Json(json!({ "plans": rows.collect::<Vec<_>>() })).into_response());
    };
    let overdue = u32::try_from(daemon.overdue().await?.len()).unwrap_or(u32::MAX);
    let (rows, all) = daemon.most_urgent(most.max(overdue)).await?;
    let rows = rows.into_iter().map(|(_, status)| row(status)).filter_map(Result::ok);
    let told = json!({
        "open": all.open, "overdue": all.overdue, "plans": rows.collect::<Vec<_>>(),
    });
    Ok(Json(told).into_response())
}

/// A plan that this key filed, or any plan for a keeper. Of another key's plan nobody learns by this
/// that it is there: neither by the words, nor by the time that reading it would take.
pub(super) async fn own(daemon: &Daemon, key: &Key, plan_ref: &str) -> Result<PlanStatus, Problem> {
    let filed_by = daemon.store().filed_by(plan_ref).await?;
    if !key.keeper && filed_by.as_ref() != Some(&key.id) {
        return Err(Problem::none_of_yours());
    }
    match daemon.status(plan_ref).await {
        Err(StoreError::NoSuchPlan) if !key.keeper => Err(Problem::none_of_yours()),
        other => Ok(other?),
    }
}
