//! Judging, filing and looking at plans.

use axum::Json;
use axum::body::Bytes;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};

use super::answers::{Armed, Shown};
use super::body;
use crate::daemon::{Daemon, PlanStatus};
use crate::store::{Key, StoreError};
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

/// The open plans, most urgent first. One that can't be read stands among them as its problem.
pub(super) async fn board(
    State(daemon): State<Daemon>,
    Bearer(key): Bearer,
) -> Result<Response, Problem> {
    if !key.keeper {
        return Err(Problem::not_allowed("only a keeper's key opens the board of all plans"));
    }
    let rows = daemon.board().await?.into_iter().map(|row| match row {
        Ok(status) => serde_json::to_value(Shown::from(&status)),
        Err(error) => Ok(serde_json::json!({"state": "damaged", "detail": error.to_string()})),
    });
    let rows: Vec<_> = rows.filter_map(Result::ok).collect();
    Ok(Json(serde_json::json!({ "plans": rows })).into_response())
}

/// A plan that this key filed, or any plan for a keeper. Of another key's plan nobody learns by this
/// that it is there.
pub(super) async fn own(daemon: &Daemon, key: &Key, plan_ref: &str) -> Result<PlanStatus, Problem> {
    match daemon.status(plan_ref).await {
        Ok(status) if key.keeper || status.key_id == key.id => Ok(status),
        Err(error) if key.keeper => Err(error.into()),
        Ok(_) | Err(StoreError::NoSuchPlan) => Err(Problem::none_of_yours()),
        Err(error) => Err(error.into()),
    }
}
