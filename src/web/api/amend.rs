//! Replacing a plan by a new version of itself: by a key, or by a link that carries its own secret.

use axum::body::Bytes;
use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::routing::post;
use axum::{Extension, Json, Router};

use super::answers::Armed;
use super::{body, moves, plans};
use crate::daemon::Daemon;
use crate::daemon::secrets::token_hash;
use crate::store::Purpose;
use crate::watch::By;
use crate::web::key::Bearer;
use crate::web::often::Often;
use crate::web::problem::Problem;

pub(super) fn routes() -> Router<Daemon> {
    Router::new()
        .route("/api/v1/plans/{plan_ref}/amend", post(with_key))
        .route("/api/v1/amend/{token}", post(with_link))
}

async fn with_key(
    State(daemon): State<Daemon>,
    Extension(often): Extension<Often>,
    Bearer(key): Bearer,
    Path(plan_ref): Path<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Json<Armed>, Problem> {
    let status = plans::own(&daemon, &key, &plan_ref).await?;
    let own = status.key_id == key.id;
    let by = moves::speaker(&status, key);
    let Json(armed) = amend(&often, &daemon, &plan_ref, by, &headers, &body).await?;
    Ok(Json(if own { armed } else { armed.without_links() }))
}

async fn with_link(
    State(daemon): State<Daemon>,
    Extension(often): Extension<Often>,
    Path(token): Path<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Json<Armed>, Problem> {
    let visit = daemon.visit(&token, Purpose::Amend).await?.ok_or_else(Problem::nothing_here)?;
    let plan_ref = visit.dossier.record.plan_ref.clone();
    drop(visit);
    let Json(armed) = amend(&often, &daemon, &plan_ref, By::Crew(None), &headers, &body).await?;
    // This link amends and opens nothing else; whoever filed has the others.
    Ok(Json(armed.without_links()))
}

async fn amend(
    often: &Often,
    daemon: &Daemon,
    plan_ref: &str,
    by: By,
    headers: &HeaderMap,
    body: &[u8],
) -> Result<Json<Armed>, Problem> {
    let plan = body::plan(headers, body)?;
    let once = body::idempotency(headers)?.map(|key| token_hash(&format!("amend {key}")));
    let under_way = often.change_allowed(daemon, plan_ref, once.as_deref()).await?;
    let amended = daemon.amend(plan_ref, &plan, &by, once.as_deref(), body).await;
    under_way.finish();
    Ok(Json(Armed::from(amended.map_err(Problem::not_amended)?)))
}
