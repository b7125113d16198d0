//! The ramp page: a device that holds a key files a plan with it and sees what became of it.

mod change;
mod draft;
mod fields;
mod filed;
mod filings;
mod form;
mod holding;
mod judged;
mod judging;
mod receipt;
mod sheet;
mod usual;

use askama::Template;
use axum::Router;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use axum::routing::{get, post};
use chrono::SecondsFormat;
use chrono_tz::Tz;
use serde::Deserialize;

use super::deed::Notice;
use super::key::Device;
use super::page::{Sorry, html, see_other};
use super::problem::Problem;
use super::typed::Typed;
use super::words::from_now;
use crate::daemon::secrets::new_key;
use crate::daemon::{Daemon, FilingError};
use crate::letter::Clock;
use crate::plan::{Faults, Plan, zone_at};
use crate::store::{PlanRecord, StoreError};
use draft::Draft;
use form::Form;
use judged::Judged;
use usual::Offered;

pub(super) fn routes() -> Router<Daemon> {
    Router::new()
        .merge(change::routes())
        .route("/", get(home))
        .route("/key", post(holding::typed))
        .route("/key/{secret}", get(holding::open))
        .route("/file", post(send))
        .route("/phone", get(async || html(StatusCode::OK, &Phone)))
        .route("/trips", get(usual::show).post(usual::change))
        .route("/api/v1/judge", post(judging::judge))
        .route("/api/v1/sheet", post(sheet::show))
        .route(
            "/api/v1/filings/{id}",
            get(filings::get).put(filings::put).post(filings::put).delete(filings::delete),
        )
        .route("/filed/{plan_ref}", get(filed::show))
}

#[derive(Template)]
#[template(path = "ramp.html", whitespace = "minimize")]
struct Ramp {
    owner: String,
    watched: Vec<WatchedTrip>,
    form: Form,
    once: String,
    token: String,
    /// Why nothing was filed, where it is not a field that is wrong.
    refused: Option<String>,
    judged: Option<Judged>,
    times: Vec<String>,
    trips: Vec<Offered>,
    /// Nothing in the form was typed here yet: the page may fill it with what the phone kept.
    fresh: bool,
    now: String,
    /// The clocks of the waters that the service watches.
    zone: &'static str,
}

/// What the phone itself keeps; its script tells, for the service does not know.
#[derive(Template)]
#[template(path = "phone.html")]
struct Phone;

/// An open plan of this key.
struct WatchedTrip {
    plan_ref: String,
    title: String,
    due: String,
    due_in: String,
    overdue: bool,
}

/// What the page says besides the form.
#[derive(Default)]
struct Told {
    faults: Option<Faults>,
    refused: Option<String>,
    judged: Option<Judged>,
    times: Vec<String>,
    fresh: bool,
}

/// A usual trip that is asked for.
#[derive(Deserialize)]
struct Asked {
    trip: Option<String>,
}

async fn home(
    State(daemon): State<Daemon>,
    device: Option<Device>,
    Query(asked): Query<Asked>,
) -> Result<Response, Sorry> {
    let Some(device) = device else {
        return Ok(holding::no_key(&daemon, false));
    };
    let mut draft = today(&daemon);
    let mut told = Told { fresh: true, ..Told::default() };
    if let Some(name) = &asked.trip
        && let Some(trip) = usual::chosen(&daemon, &device, name).await?
    {
        draft.fill(&trip);
        told.fresh = false;
    }
    ramp(&daemon, &device, StatusCode::OK, &draft, &new_key()?, told).await
}

/// Judges what the form holds, or files it.
async fn send(
    State(daemon): State<Daemon>,
    device: Option<Device>,
    typed: Typed,
) -> Result<Response, Sorry> {
    let device = device.ok_or_else(|| {
        Problem::not_allowed("this device holds no key that is in force; the plan is NOT filed")
    })?;
    let (draft, once) = (Draft::of(&typed), typed.get("once"));
    if !device.owns_form(once, typed.get("token")) {
        let told = Told::refused(
            "This form was not served to this device. Look it over and send it again",
        );
        return told_by(&daemon, &device, StatusCode::FORBIDDEN, &draft, &new_key()?, told).await;
    }
    let plan = match draft.plan() {
        Ok(plan) => plan,
        Err(faults) => return mend(&daemon, &device, &draft, once, faults).await,
    };
    if typed.get("do") == "file" {
        file(&daemon, &device, &draft, once, &plan).await
    } else {
        judge(&daemon, &device, &draft, once, &plan).await
    }
}

async fn mend(
    daemon: &Daemon,
    device: &Device,
    draft: &Draft,
    once: &str,
    faults: Faults,
) -> Result<Response, Sorry> {
    let told = Told { faults: Some(faults), ..Told::default() };
    told_by(daemon, device, StatusCode::UNPROCESSABLE_ENTITY, draft, once, told).await
}

async fn judge(
    daemon: &Daemon,
    device: &Device,
    draft: &Draft,
    once: &str,
    plan: &Plan,
) -> Result<Response, Sorry> {
    let review = daemon.review(&device.key.id, plan).await;
    let review = review.ok_or_else(Problem::too_many_judged)?;
    let now = daemon.now();
    let told = Told {
        faults: plan.check_filing(now).err(),
        judged: Some(Judged::of(&review, plan, daemon.chart(plan).await)),
        times: judged::times(plan, review.timing.overdue_at.to_utc(), now),
        ..Told::default()
    };
    told_by(daemon, device, StatusCode::OK, draft, once, told).await
}

async fn file(
    daemon: &Daemon,
    device: &Device,
    draft: &Draft,
    once: &str,
    plan: &Plan,
) -> Result<Response, Sorry> {
    let body = draft.document().to_string();
    match daemon.file(&device.key, plan, Some(once), body.as_bytes()).await {
        Ok(filed) => Ok(see_other(&format!("/filed/{}", filed.status.plan_ref))),
        Err(FilingError::Faults(faults)) => mend(daemon, device, draft, once, faults).await,
        Err(FilingError::Store(StoreError::OtherBody)) => {
            let told = Told::refused(
                "This form has filed a plan already, with other words in it; that one is watched, \
                 and nothing new was filed. If this is another trip, press File it once more",
            );
            let status = StatusCode::UNPROCESSABLE_ENTITY;
            told_by(daemon, device, status, draft, &new_key()?, told).await
        }
        Err(error) => {
            let problem = Problem::from(error);
            let told = Told::refused(&super::words::sentence(&problem.detail));
            told_by(daemon, device, problem.status, draft, once, told).await
        }
    }
}

impl Told {
    fn refused(why: &str) -> Self {
        Told { refused: Some(format!("{why}.")), ..Told::default() }
    }
}

/// The page with what came of a form, in its key's turn. Where too many look by that key, the reason stands
/// by itself.
async fn told_by(
    daemon: &Daemon,
    device: &Device,
    status: StatusCode,
    draft: &Draft,
    once: &str,
    told: Told,
) -> Result<Response, Sorry> {
    let text = told.refused.clone().unwrap_or_else(|| {
        "The plan is NOT filed, and too much is asked for by this key at once: send it again."
            .to_owned()
    });
    let busy = if status == StatusCode::OK { StatusCode::TOO_MANY_REQUESTS } else { status };
    let turn = device.turn_to_tell(daemon, &Notice { status: busy, text }).await?;
    Ok(turn.until_packed(ramp(daemon, device, status, draft, once, told).await?))
}

async fn ramp(
    daemon: &Daemon,
    device: &Device,
    status: StatusCode,
    draft: &Draft,
    once: &str,
    told: Told,
) -> Result<Response, Sorry> {
    let page = Ramp {
        owner: device.key.name.clone(),
        watched: watched(daemon, device).await?,
        form: Form::of(draft, told.faults.as_ref()),
        once: once.to_owned(),
        token: device.form_token(once),
        refused: told.refused,
        judged: told.judged,
        times: told.times,
        // They only spare typing: without them a plan is filed all the same.
        trips: usual::offered(daemon, device).await.unwrap_or_else(|error| {
            tracing::error!(%error, "usual trips can't be read");
            Vec::new()
        }),
        fresh: told.fresh,
        now: daemon.now().to_rfc3339_opts(SecondsFormat::Secs, true),
        zone: house_zone(daemon).map_or("", |zone| zone.name()),
    };
    Ok(html(status, &page))
}

/// The open plans that this key has filed.
async fn watched(daemon: &Daemon, device: &Device) -> Result<Vec<WatchedTrip>, StoreError> {
    let store = daemon.store();
    let mut own = Vec::new();
    for plan_ref in store.open_plans_of(&device.key.id).await? {
        // Of each no more is kept than is shown: they may be long, and many.
        let Ok(record) = store.plan(&plan_ref).await else { continue };
        own.extend(watched_trip(daemon, &record).map(|trip| (record.state.terms.due_at, trip)));
    }
    own.sort_by_key(|(due_at, _)| *due_at);
    Ok(own.into_iter().map(|(_, trip)| trip).collect())
}

fn watched_trip(daemon: &Daemon, record: &PlanRecord) -> Option<WatchedTrip> {
    let plan = daemon.plan_of(record).ok()?;
    let (due_at, now) = (record.state.terms.due_at, daemon.now());
    Some(WatchedTrip {
        plan_ref: record.plan_ref.clone(),
        title: plan.title.clone().unwrap_or_else(|| "Trip without a title".to_owned()),
        due: Clock::new(plan.times.zone).full(due_at),
        due_in: from_now(due_at, now),
        overdue: now >= record.state.overdue_at(),
    })
}

/// An empty form for today, by the clocks of the waters that the service watches; where it has
/// none, the day is left open.
fn today(daemon: &Daemon) -> Draft {
    let mut draft = Draft::default();
    if let Some(zone) = house_zone(daemon) {
        let today = daemon.now().with_timezone(&zone).format("%Y-%m-%d").to_string();
        for key in ["times.launch.date", "times.return_by.date"] {
            draft.set(key.to_owned(), &today);
        }
    }
    draft
}

fn house_zone(daemon: &Daemon) -> Option<Tz> {
    let area = daemon.house().rescues.iter().find_map(|rescue| rescue.within.as_ref())?;
    Some(zone_at(area.position))
}
