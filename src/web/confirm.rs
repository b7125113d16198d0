//! The page on which a contact says, before any trip, whether the address is theirs and whether they
//! are willing; and on which they can say never. It tells nothing of the trip: who opens it may be
//! somebody else.

use askama::Template;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::Response;
use axum::routing::get;
use axum::{Extension, Router};

use super::often::Often;
use super::page::{Sorry, html};
use super::typed::Typed;
use super::words::typed_name;
use crate::daemon::{Daemon, Visit};
use crate::store::{Purpose, StoreError};
use crate::watch::{Answer, Event};

/// What has to be typed to get no letter ever again.
pub(super) const NEVER: &str = "never";

#[derive(Template)]
#[template(path = "confirm.html")]
struct ConfirmPage {
    token: String,
    service: String,
    stands: Stands,
    notice: Option<String>,
    name: String,
    word: String,
}

/// Where this contact stands.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Stands {
    Unasked,
    Willing,
    Never,
}

pub(super) fn routes() -> Router<Daemon> {
    Router::new().route("/confirm/{token}", get(show).post(answer))
}

async fn show(State(daemon): State<Daemon>, Path(token): Path<String>) -> Result<Response, Sorry> {
    let visit = open(&daemon, &token).await?;
    Ok(page(&daemon, token, &visit, None, &Typed::default()))
}

async fn answer(
    State(daemon): State<Daemon>,
    Extension(often): Extension<Often>,
    Path(token): Path<String>,
    typed: Typed,
) -> Result<Response, Sorry> {
    let visit = open(&daemon, &token).await?;
    let done = match typed.get("act") {
        "willing" => willing(&often, &daemon, &visit, &typed).await,
        "never" => never(&daemon, &visit, &typed).await,
        _ => Err(NotDone::Why("Choose one of the two below.".to_owned())),
    };
    let notice = match done {
        Ok(()) => None,
        Err(NotDone::Why(why)) => Some(format!("Nothing was changed. {why}")),
        Err(NotDone::Failed(error)) => return Err(error.into()),
    };
    let visit = open(&daemon, &token).await?;
    Ok(page(&daemon, token, &visit, notice, &typed))
}

/// Why nothing was done.
pub(super) enum NotDone {
    Why(String),
    Failed(StoreError),
}

async fn willing(
    often: &Often,
    daemon: &Daemon,
    visit: &Visit,
    typed: &Typed,
) -> Result<(), NotDone> {
    let name = typed_name(typed.get("name")).map_err(|why| NotDone::Why(why.to_owned()))?;
    let event = Event::Answered { contact: visit.link.who, name, answer: Answer::HaveIt };
    let (plan_ref, once) = (&visit.dossier.record.plan_ref, typed.idempotency());
    let why_not = |why: String| NotDone::Why(format!("{}.", super::words::sentence(&why)));
    let begun = often.begin(daemon, plan_ref, &event, Some(&once)).await;
    let under_way = begun.map_err(why_not)?;
    let acted = daemon.act(plan_ref, &event, Some(&once)).await;
    under_way.finish();
    acted.map(drop).map_err(NotDone::Failed)
}

/// Writes down that the reader never wants a letter again, once they have typed the word.
pub(super) async fn never(daemon: &Daemon, visit: &Visit, typed: &Typed) -> Result<(), NotDone> {
    if typed.get("word").to_lowercase() != NEVER {
        return Err(NotDone::Why(format!("Type the word {NEVER}.")));
    }
    daemon.never_write_to(visit).await.map_err(NotDone::Failed)
}

async fn open(daemon: &Daemon, token: &str) -> Result<Visit, Sorry> {
    daemon.visit(token, Purpose::Confirm).await?.ok_or_else(Sorry::gone)
}

fn page(
    daemon: &Daemon,
    token: String,
    visit: &Visit,
    notice: Option<String>,
    typed: &Typed,
) -> Response {
    let own = visit.dossier.record.state.contacts.get(visit.link.who);
    let stands = match own {
        Some(own) if own.opted_out.is_some() => Stands::Never,
        Some(own) if own.confirmed_at.is_some() => Stands::Willing,
        _ => Stands::Unasked,
    };
    let status = match notice {
        Some(_) => StatusCode::UNPROCESSABLE_ENTITY,
        None => StatusCode::OK,
    };
    let kept = |act: &str, field| if typed.get("act") == act { typed.get(field) } else { "" };
    let page = ConfirmPage {
        token,
        service: daemon.house().name.clone(),
        stands,
        name: kept("willing", "name").to_owned(),
        word: kept("never", "word").to_owned(),
        notice,
    };
    html(status, &page)
}
