//! What the keeper alone may do: close a plan by hand, have a letter sent again, and order an
//! exercise.

use axum::body::Bytes;
use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::routing::post;
use axum::{Json, Router};
use serde::{Deserialize, Serialize};

use super::answers::Moved;
use super::body;
use crate::daemon::secrets::token_hash;
use crate::daemon::{Daemon, PlanStatus};
use crate::store::Key;
use crate::watch::{By, Event, Kind, Recipient};
use crate::web::key::Bearer;
use crate::web::problem::Problem;
use crate::web::words::typed_line;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Close {
    #[serde(default)]
    reason: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Again {
    to: Option<String>,
}

/// The letters that were ordered.
#[derive(Serialize)]
struct Ordered {
    letters: Vec<OrderedLetter>,
}

#[derive(Serialize)]
struct OrderedLetter {
    to: String,
    kind: &'static str,
}

pub(super) fn routes() -> Router<Daemon> {
    Router::new()
        .route("/api/v1/plans/{plan_ref}/close", post(close))
        .route("/api/v1/plans/{plan_ref}/again", post(again))
        .route("/api/v1/plans/{plan_ref}/drill", post(drill))
}

async fn close(
    State(daemon): State<Daemon>,
    Bearer(key): Bearer,
    Path(plan_ref): Path<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Json<Moved>, Problem> {
    let by = keeper(&key, "closes a plan by hand; the crew checks in, or calls its trip off")?;
    let Close { reason } = body::object(&body, r#"{"reason": "TEXT"}"#)?;
    let reason = typed_line(&reason)
        .map_err(unusable)?
        .ok_or_else(|| unusable("Say why: everybody who was told of the trip reads the reason."))?;
    let event = Event::ClosedByHand { by, reason };
    let once = once(&headers, "close", &body)?;
    daemon.act(&plan_ref, &event, once.as_deref()).await?;
    Ok(Json(Moved::from(&daemon.status(&plan_ref).await?)))
}

async fn again(
    State(daemon): State<Daemon>,
    Bearer(key): Bearer,
    Path(plan_ref): Path<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Json<impl Serialize>, Problem> {
    let by = keeper(&key, "has letters sent again")?;
    let Again { to } = body::object(&body, r#"{} or {"to": "NAME or contact:N"}"#)?;
    let status = daemon.status(&plan_ref).await?;
    let readers = match to {
        Some(to) => vec![reader(&status, to.trim())?],
        None => status.state.asked().into_iter().map(Recipient::Contact).collect(),
    };
    let mut letters = Vec::new();
    for to in readers {
        let event = Event::SentAgain { to, by: by.clone() };
        let once = once(&headers, &format!("again {to}"), &body)?;
        let applied = daemon.act(&plan_ref, &event, once.as_deref()).await?;
        letters.extend(applied.orders.iter().map(|order| OrderedLetter {
            to: status.reader_name(order.to).to_owned(),
            kind: order.kind.name(),
        }));
    }
    Ok(Json(Ordered { letters }))
}

async fn drill(
    State(daemon): State<Daemon>,
    Bearer(key): Bearer,
    Path(plan_ref): Path<String>,
    body: Bytes,
) -> Result<Json<impl Serialize>, Problem> {
    keeper(&key, "orders an exercise")?;
    let Again { to } = body::object(&body, r#"{} or {"to": "NAME or contact:N"}"#)?;
    let status = daemon.status(&plan_ref).await?;
    let contacts = match to {
        Some(to) => match reader(&status, to.trim())? {
            Recipient::Contact(at) => vec![at],
            _ => return Err(unusable("An exercise is for a contact ashore.")),
        },
        // Those who want no letters are passed over.
        None => {
            let asked = status.state.asked().into_iter();
            asked.filter(|at| status.state.contacts[*at].opted_out.is_none()).collect()
        }
    };
    let mut letters = Vec::new();
    for at in contacts {
        daemon.drill(&plan_ref, at).await?;
        let to = status.reader_name(Recipient::Contact(at)).to_owned();
        letters.push(OrderedLetter { to, kind: Kind::Drill.name() });
    }
    Ok(Json(Ordered { letters }))
}

fn keeper(key: &Key, what: &str) -> Result<By, Problem> {
    if key.keeper {
        return Ok(By::Keeper(key.name.clone()));
    }
    Err(Problem::not_allowed(&format!("only a keeper's key {what}")))
}

fn unusable(why: &str) -> Problem {
    Problem::unusable(format!("nothing was done. {why}"))
}

/// Each deed has its own key, so that a client that reuses one loses nothing.
fn once(headers: &HeaderMap, what: &str, body: &[u8]) -> Result<Option<String>, Problem> {
    let text = String::from_utf8_lossy(body);
    let key = body::idempotency(headers)?;
    Ok(key.map(|key| token_hash(&format!("{what} {key} {text}"))))
}

/// Whom a word means: `keeper`, `contact:N` (counted among those who are asked), or a name.
fn reader(status: &PlanStatus, word: &str) -> Result<Recipient, Problem> {
    if let Ok(reader) = word.parse::<Recipient>() {
        let Recipient::Contact(number) = reader else { return Ok(reader) };
        let asked = status.state.asked();
        let nobody = || unusable(&format!("This plan has {} contacts who are asked.", asked.len()));
        return asked.get(number).copied().map(Recipient::Contact).ok_or_else(nobody);
    }
    let crew = (0..status.plan.crew.len()).map(Recipient::Crew);
    let contacts = (0..status.plan.contacts.len()).map(Recipient::Contact);
    let all: Vec<Recipient> = crew.chain(contacts).collect();
    let named = |one: &&Recipient| status.reader_name(**one).to_lowercase() == word.to_lowercase();
    match all.iter().filter(named).collect::<Vec<_>>()[..] {
        [one] => Ok(*one),
        [] => {
            let names: Vec<&str> = all.iter().map(|one| status.reader_name(*one)).collect();
            Err(unusable(&format!("\"{word}\" is nobody of this plan: {}.", names.join(", "))))
        }
        _ => Err(unusable(&format!(
            "\"{word}\" is the name of several people in this plan: write contact:1, contact:2 \
             and so on, or crew:1."
        ))),
    }
}
