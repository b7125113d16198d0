//! What the service holds of a plan, for whoever filed it: all of it to read, or nothing any more.

use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::routing::{get, post};
use axum::{Json, Router};
use serde_json::{Value, json};

use super::plans;
use crate::daemon::{Daemon, NotErased};
use crate::web::key::Bearer;
use crate::web::problem::Problem;

pub(super) fn routes() -> Router<Daemon> {
    Router::new()
        .route("/api/v1/plans/{plan_ref}/export", get(export))
        .route("/api/v1/plans/{plan_ref}/erase", post(erase))
}

async fn export(
    State(daemon): State<Daemon>,
    Bearer(key): Bearer,
    Path(plan_ref): Path<String>,
) -> Result<Json<Value>, Problem> {
    // A keeper sees every plan; what it says of somebody's health is the filer's alone.
    let status = plans::own(&daemon, &key, &plan_ref).await?;
    if status.key_id != key.id {
        return Err(Problem::not_allowed("only the key that filed a plan takes all of it out"));
    }
    Ok(Json(daemon.export(&plan_ref).await?))
}

async fn erase(
    State(daemon): State<Daemon>,
    Bearer(key): Bearer,
    Path(plan_ref): Path<String>,
) -> Result<Json<Value>, Problem> {
    let status = plans::own(&daemon, &key, &plan_ref).await?;
    if status.key_id != key.id {
        return Err(Problem::not_allowed("only the key that filed a plan erases it"));
    }
    let record = daemon.store().plan(&plan_ref).await?;
    match daemon.erase(&record).await {
        Ok(()) => Ok(Json(json!({"ref": plan_ref, "state": "erased"}))),
        Err(NotErased::Store(error)) => Err(error.into()),
        Err(why) => Err(Problem::new(StatusCode::CONFLICT, why.to_string())),
    }
}
