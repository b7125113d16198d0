//! Checking in, extending and calling off: by a key, or by a link that carries its own secret.

use axum::body::Bytes;
use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::routing::post;
use axum::{Extension, Json, Router};
use serde::Deserialize;

use super::answers::Moved;
use super::{body, plans};
use crate::daemon::secrets::token_hash;
use crate::daemon::{Daemon, PlanStatus};
use crate::store::{Key, Purpose};
use crate::watch::{By, Event};
use crate::web::key::Bearer;
use crate::web::often::Often;
use crate::web::problem::Problem;
use crate::web::words;

#[derive(Clone, Copy, Debug)]
enum Move {
    CheckIn,
    Extend,
    Cancel,
}

const MOVES: [(Move, Purpose); 3] = [
    (Move::CheckIn, Purpose::CheckIn),
    (Move::Extend, Purpose::Extend),
    (Move::Cancel, Purpose::Cancel),
];

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CheckIn {
    who: Option<Vec<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Extend {
    by: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Cancel {}

pub(super) fn routes() -> Router<Daemon> {
    MOVES.into_iter().fold(Router::new(), |router, (what, purpose)| {
        let name = purpose.name();
        let by_key = move |often, daemon, key, plan_ref, headers, body| {
            with_key(what, often, daemon, key, plan_ref, headers, body)
        };
        let by_link = move |often, daemon, token, headers, body| {
            with_link((what, purpose), often, daemon, token, headers, body)
        };
        router
            .route(&format!("/api/v1/plans/{{plan_ref}}/{name}"), post(by_key))
            .route(&format!("/api/v1/{name}/{{token}}"), post(by_link))
    })
}

async fn with_key(
    what: Move,
    Extension(often): Extension<Often>,
    State(daemon): State<Daemon>,
    Bearer(key): Bearer,
    Path(plan_ref): Path<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Json<Moved>, Problem> {
    let status = plans::own(&daemon, &key, &plan_ref).await?;
    let by = speaker(&status, key);
    act(what, &often, &daemon, status, by, &headers, &body).await
}

/// A keeper speaks for a crew that is not theirs: the letters say who it was.
pub(super) fn speaker(status: &PlanStatus, key: Key) -> By {
    By::Crew((status.key_id != key.id).then_some(key.name))
}

async fn with_link(
    (what, purpose): (Move, Purpose),
    Extension(often): Extension<Often>,
    State(daemon): State<Daemon>,
    Path(token): Path<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Json<Moved>, Problem> {
    let visit = daemon.visit(&token, purpose).await?.ok_or_else(Problem::nothing_here)?;
    let status = daemon.status(&visit.dossier.record.plan_ref).await?;
    drop(visit);
    act(what, &often, &daemon, status, By::Crew(None), &headers, &body).await
}

async fn act(
    what: Move,
    often: &Often,
    daemon: &Daemon,
    status: PlanStatus,
    by: By,
    headers: &HeaderMap,
    body: &[u8],
) -> Result<Json<Moved>, Problem> {
    let event = event(what, &status, by, body)?;
    // The same key with another body is another deed: a check-in must not be lost to a client
    // that reuses its keys.
    let once = body::idempotency(headers)?
        .map(|key| token_hash(&format!("{what:?} {key} {}", String::from_utf8_lossy(body))));
    let under_way = often.allowed(daemon, &status.plan_ref, &event, once.as_deref()).await?;
    let applied = daemon.act(&status.plan_ref, &event, once.as_deref()).await;
    under_way.finish();
    let applied = applied?;
    let (plan_ref, key_id) = (status.plan_ref.clone(), status.key_id.clone());
    let changed_by = applied.state.changed_by;
    // What was written is told from what was written: nothing is read that could fail.
    let mut moved = Moved::from(&PlanStatus { state: applied.state, ..status });
    // The extension is written by now; whatever is found here only informs. Nothing long is kept until then.
    moved.worse = match (what, changed_by) {
        (Move::Extend, _) if applied.changed => daemon.judge_anew(&plan_ref, &key_id).await,
        // It came before: what was found then.
        (Move::Extend, Some(event)) => daemon.worse(&plan_ref, event).await,
        _ => None,
    };
    Ok(Json(moved))
}

fn event(what: Move, status: &PlanStatus, by: By, body: &[u8]) -> Result<Event, Problem> {
    match what {
        Move::CheckIn => {
            let CheckIn { who } = body::object(body, r#"{} or {"who": ["NAME"]}"#)?;
            // All of them, not those who were out a moment ago: somebody may be out again by now.
            let all = || Ok((0..status.plan.crew.len()).collect());
            let who = who.map_or_else(all, |names| places(status, &names))?;
            Ok(Event::CheckedIn { who, by, how: None })
        }
        Move::Extend => {
            let Extend { by: span } = body::object(body, r#"{"by": "1h"}"#)?;
            let later = words::extension(&span)
                .map_err(|why| Problem::unusable(format!("nothing was changed: `{span}` {why}")))?;
            Ok(Event::Extended { later, by })
        }
        Move::Cancel => {
            let Cancel {} = body::object(body, "{}")?;
            Ok(Event::CalledOff { by })
        }
    }
}

/// The places of those named; a name that nobody has is told with the names there are.
fn places(status: &PlanStatus, names: &[String]) -> Result<Vec<usize>, Problem> {
    let crew = &status.plan.crew;
    let on_trip: Vec<usize> = status.state.on_trip();
    let known = || on_trip.iter().filter_map(|&at| Some((at, crew.get(at)?.name.as_str())));
    let all = || known().map(|(_, name)| name).collect::<Vec<_>>().join(", ");
    if names.is_empty() {
        let detail = format!("nobody was checked in: name at least one of the crew: {}", all());
        return Err(Problem::unusable(detail));
    }
    let place = |name: &String| {
        let same = |known: &str| known.to_lowercase() == name.trim().to_lowercase();
        known().find(|(_, name)| same(name)).map(|(at, _)| at).ok_or_else(|| {
            Problem::unusable(format!(
                "nobody was checked in: `{name}` is none of this crew: {}",
                all()
            ))
        })
    };
    names.iter().map(place).collect()
}
