//! What the forms of the crew's and the contacts' pages do, and what is said of it.

use axum::http::StatusCode;
use axum::response::Response;
use serde::Deserialize;

use super::often::Often;
use super::page::{Sorry, see_other};
use super::typed::Typed;
use crate::daemon::{Daemon, Dossier};
use crate::store::StoreError;
use crate::watch::{Event, Refusal};

/// The event that the reader of a page has just caused.
#[derive(Deserialize)]
pub(super) struct Did {
    did: Option<String>,
}

impl Did {
    /// Its number; 0 for none.
    pub(super) fn number(&self) -> Option<u32> {
        Some(self.did.as_ref()?.parse().unwrap_or(0))
    }
}

/// Does what a form asked for and goes back to its page, with whether anything changed; or tells why it was
/// not done.
pub(super) async fn carry_out(
    often: &Often,
    daemon: &Daemon,
    dossier: &Dossier,
    page: &str,
    asked: Result<Event, String>,
    typed: &Typed,
) -> Result<Result<(Response, bool), Notice>, Sorry> {
    let event = match asked {
        Ok(event) => event,
        Err(why) => return Ok(Err(Notice::fault(&why))),
    };
    let (plan_ref, once) = (&dossier.record.plan_ref, typed.idempotency());
    let under_way = match often.notice(daemon, plan_ref, &event, &once).await {
        Ok(under_way) => under_way,
        Err(notice) => return Ok(Err(notice)),
    };
    let acted = daemon.act(plan_ref, &event, Some(&once)).await;
    under_way.finish();
    match acted {
        Ok(applied) => {
            let did = if applied.changed { applied.state.events } else { 0 };
            Ok(Ok((see_other(&format!("{page}?did={did}")), applied.changed)))
        }
        Err(StoreError::Refused(refusal)) => Ok(Err(Notice::conflict(&refusal))),
        Err(error) => Err(error.into()),
    }
}

/// What a page says about the form that has just been sent.
pub(super) struct Notice {
    pub(super) status: StatusCode,
    pub(super) text: String,
}

impl Notice {
    /// Something in the form can't be taken.
    pub(super) fn fault(why: &str) -> Self {
        let text = format!("Nothing was changed. {why}");
        Notice { status: StatusCode::UNPROCESSABLE_ENTITY, text }
    }

    /// The trip has moved on.
    pub(super) fn conflict(refusal: &Refusal) -> Self {
        let text = format!("Nothing was changed: {refusal}.");
        Notice { status: StatusCode::CONFLICT, text }
    }

    /// What it did.
    pub(super) fn done(effect: Option<String>) -> Self {
        let known = "We had that already: nothing new was written down. How things stand is above.";
        Notice { status: StatusCode::OK, text: effect.unwrap_or_else(|| known.to_owned()) }
    }

    pub(super) fn is_fault(&self) -> bool {
        self.status != StatusCode::OK
    }
}

/// Those of the crew who were ticked; a tick at `all` stands for everybody still out.
pub(super) fn picked_crew(typed: &Typed, dossier: &Dossier) -> Result<Vec<usize>, String> {
    let picked = typed.all("who");
    if picked.iter().any(|who| who == "all") {
        return Ok(dossier.record.state.out());
    }
    let places: Option<Vec<usize>> = picked.iter().map(|who| who.parse().ok()).collect();
    match places {
        Some(places) if !places.is_empty() => Ok(places),
        _ => Err("Tick who is ashore.".to_owned()),
    }
}

/// The number of the event that is to be taken back.
pub(super) fn undone(typed: &Typed) -> Result<u32, String> {
    typed.get("event").parse().map_err(|_| "Choose what to take back.".to_owned())
}
