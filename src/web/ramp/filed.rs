//! The page of a plan that is filed: what is armed, and who has been reached.

use askama::Template;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use serde::Deserialize;

use super::judged::{Judged, times};
use crate::daemon::secrets::new_key;
use crate::daemon::{Daemon, PersonStatus, PlanStatus};
use crate::letter::Clock;
use crate::plan::Plan;
use crate::store::StoreError;
use crate::watch::Recipient;
use crate::web::key::Device;
use crate::web::page::{Sorry, html};
use crate::web::words::from_now;

#[derive(Template)]
#[template(path = "filed.html")]
struct FiledPage {
    plan_ref: String,
    state: &'static str,
    out: String,
    due: String,
    due_in: String,
    overdue: String,
    filed_at: String,
    as_of: String,
    times: Vec<String>,
    contacts: Vec<(String, String)>,
    reached: bool,
    confirmed: bool,
    crew_page: Option<String>,
    judged: Option<Judged>,
    /// For keeping it as a usual trip; only the key that filed it can.
    own: bool,
    kept: bool,
    name: String,
    once: String,
    token: String,
}

/// Whether it has just been kept as a usual trip.
#[derive(Deserialize)]
pub(super) struct Did {
    kept: Option<String>,
}

/// Shown to the device whose key filed it, and to a keeper's.
pub(super) async fn show(
    State(daemon): State<Daemon>,
    device: Option<Device>,
    Path(plan_ref): Path<String>,
    Query(did): Query<Did>,
) -> Result<Response, Sorry> {
    let device = device.ok_or_else(Sorry::gone)?;
    let filed_by = daemon.store().filed_by(&plan_ref).await?;
    if filed_by.as_ref() != Some(&device.key.id) && !device.key.keeper {
        return Err(Sorry::gone());
    }
    let status = match daemon.status(&plan_ref).await {
        Err(StoreError::NoSuchPlan) => return Err(Sorry::gone()),
        other => other?,
    };
    let review = daemon.dossier_at_hand(&plan_ref).await?.review;
    let own = status.key_id == device.key.id;
    let judged = match &review {
        Some(review) => Some(Judged::of(review, &status.plan, daemon.chart(&status.plan).await)),
        None => None,
    };
    let mut page = page(&daemon, &status, judged, own);
    page.kept = did.kept.is_some();
    page.once = new_key()?;
    page.token = device.form_token(&page.once);
    Ok(html(StatusCode::OK, &page))
}

fn page(daemon: &Daemon, status: &PlanStatus, judged: Option<Judged>, own: bool) -> FiledPage {
    let (state, now) = (&status.state, daemon.now());
    let clock = Clock::new(status.plan.times.zone);
    let contacts = status.contacts();
    // Whoever was taken off the trip has a page that ends nothing.
    let first = state.on_trip().first().copied().unwrap_or(0);
    FiledPage {
        plan_ref: status.plan_ref.clone(),
        state: status.word(),
        out: crate::web::words::list(&status.out()),
        due: clock.full(state.terms.due_at),
        due_in: from_now(state.terms.due_at, now),
        overdue: clock.full(state.overdue_at()),
        filed_at: clock.time(status.filed_at),
        as_of: clock.time(now),
        times: times(&status.plan, state.overdue_at(), now),
        reached: status.reached_anybody(),
        confirmed: contacts.iter().any(|one| one.confirmed && !one.removed),
        contacts: contacts.into_iter().map(|one| (one.name.clone(), fate(&one))).collect(),
        // A crew's link is no keeper's: it would outlast their key, and speak as the crew.
        crew_page: daemon.page_of(&status.plan_ref, Recipient::Crew(first)).filter(|_| own),
        own,
        kept: false,
        name: name(&status.plan),
        once: String::new(),
        token: String::new(),
        judged,
    }
}

/// What a usual trip made of this plan would be called, until somebody calls it otherwise.
fn name(plan: &Plan) -> String {
    let name = plan.title.as_ref().or(plan.launch.name.as_ref());
    name.map_or("Usual trip", String::as_str).chars().take(60).collect()
}

/// Handed over, seen and refused are different things, and are never merged.
fn fate(person: &PersonStatus) -> String {
    let words = match person {
        person if person.removed => "no longer asked",
        person if person.refused => "REFUSED: their mail service takes no letter for this address",
        person if person.confirmed => "has said that they have the letter",
        person if person.reached => {
            "letter handed over to the mail service; they have not said that they have it"
        }
        _ => "letter queued; it has not left yet",
    };
    words.to_owned()
}
