//! Usual trips: kept from a filed plan, chosen again with one touch.

use askama::Template;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use chrono::TimeDelta;
use form_urlencoded::{Serializer, byte_serialize};
use serde::Deserialize;

use super::draft::Draft;
use super::fields::GROUPS;
use crate::daemon::Daemon;
use crate::daemon::secrets::new_key;
use crate::measure::{Position, spoken};
use crate::plan::{Plan, zone_at};
use crate::store::{StoreError, UsualTrip};
use crate::web::key::Device;
use crate::web::page::{Sorry, html, see_other};
use crate::web::problem::Problem;
use crate::web::typed::Typed;
use crate::web::words::typed_line;

/// So many stand on the page: more than that nobody looks through at a ramp.
const SHOWN: usize = 8;
/// What a form of a usual trip may weigh.
const LONGEST_FORM: usize = 16 * 1024;
const LONGEST_NAME: usize = 60;

#[derive(Template)]
#[template(path = "trips.html")]
struct TripsPage {
    names: Vec<String>,
    forgotten: bool,
    once: String,
    token: String,
}

/// Whether one has just been forgotten.
#[derive(Deserialize)]
pub(super) struct Did {
    forgotten: Option<String>,
}

/// A usual trip as the page offers it.
pub(super) struct Offered {
    pub(super) name: String,
    /// The name as a part of an address.
    pub(super) query: String,
    pub(super) form: String,
    pub(super) lasts_min: u32,
    pub(super) lasts: String,
    /// The clocks of its launch.
    pub(super) zone: &'static str,
}

/// Those that are offered, the one used last first.
pub(super) async fn offered(daemon: &Daemon, device: &Device) -> Result<Vec<Offered>, StoreError> {
    let trips = kept(daemon, device).await?;
    Ok(trips.into_iter().take(SHOWN).map(Offered::from).collect())
}

/// The usual trips of this device; one that can't be opened any more is left out.
async fn kept(daemon: &Daemon, device: &Device) -> Result<Vec<UsualTrip>, StoreError> {
    let key = &device.key.id;
    let trips = daemon.store().usual_trips(key).await?.into_iter();
    Ok(trips
        .filter_map(|trip| Some(UsualTrip { form: daemon.open_for(key, &trip.form)?, ..trip }))
        .collect())
}

impl From<UsualTrip> for Offered {
    fn from(trip: UsualTrip) -> Self {
        let query = byte_serialize(trip.name.as_bytes()).collect();
        let draft = Draft::of(&Typed::of_bytes(trip.form.as_bytes()));
        let launch: Option<Position> = draft.get("launch.position").parse().ok();
        let lasts = spoken(TimeDelta::minutes(trip.lasts_min.into()));
        Offered {
            zone: launch.map_or("", |launch| zone_at(launch).name()),
            query,
            name: trip.name,
            form: trip.form,
            lasts_min: trip.lasts_min,
            lasts,
        }
    }
}

/// The form of a usual trip, for today and without its times.
pub(super) async fn chosen(
    daemon: &Daemon,
    device: &Device,
    name: &str,
) -> Result<Option<Draft>, StoreError> {
    let trips = kept(daemon, device).await?;
    let trip = trips.into_iter().find(|trip| trip.name == name);
    Ok(trip.map(|trip| Draft::of(&Typed::of_bytes(trip.form.as_bytes()))))
}

/// All of them, each with a button that forgets it.
pub(super) async fn show(
    State(daemon): State<Daemon>,
    device: Option<Device>,
    Query(did): Query<Did>,
) -> Result<Response, Sorry> {
    let device = device.ok_or_else(Sorry::gone)?;
    let once = new_key()?;
    let trips = daemon.store().usual_trips(&device.key.id).await?;
    let page = TripsPage {
        names: trips.into_iter().map(|trip| trip.name).collect(),
        forgotten: did.forgotten.is_some(),
        token: device.form_token(&once),
        once,
    };
    Ok(html(StatusCode::OK, &page))
}

/// Keeps a filed plan as a usual trip, or forgets one.
pub(super) async fn change(
    State(daemon): State<Daemon>,
    device: Option<Device>,
    typed: Typed,
) -> Result<Response, Sorry> {
    let device = device.ok_or_else(Sorry::gone)?;
    if !device.owns_form(typed.get("once"), typed.get("token")) {
        let detail = "this form was not served to this device; nothing was changed";
        return Err(Problem::not_allowed(detail).into());
    }
    let name = name(typed.get("name"))?;
    if typed.get("do") == "forget" {
        daemon.store().forget_trip(&device.key.id, &name).await?;
        return Ok(see_other("/trips?forgotten"));
    }
    let plan_ref = typed.get("ref");
    // Another key's is not even read: what takes time, or fails, would tell that it is there.
    if daemon.store().filed_by(plan_ref).await?.as_ref() != Some(&device.key.id) {
        return Err(Sorry::gone());
    }
    let status = match daemon.status(plan_ref).await {
        Err(StoreError::NoSuchPlan) => return Err(Sorry::gone()),
        other => other?,
    };
    let times = &status.plan.times;
    let lasts = (times.return_by.at - times.launch.at).num_minutes();
    let mut plan = status.plan.clone();
    // Those whom an amendment took out stay at home the next time too.
    let mut at = 0..;
    plan.crew.retain(|_| at.next().is_some_and(|at| status.state.is_on_trip(at)));
    let mut at = 0..;
    plan.contacts.retain(|_| at.next().is_some_and(|at| status.state.is_asked(at)));
    if let Some(detail) = too_many(&plan) {
        return Err(Problem::unusable(detail).into());
    }
    let document = serde_json::to_value(&plan).unwrap_or_default();
    let form = form(&Draft::of_document(&document));
    if form.len() > LONGEST_FORM {
        let detail = "this plan is too long to be kept as a usual trip; nothing was changed";
        return Err(Problem::new(StatusCode::PAYLOAD_TOO_LARGE, detail).into());
    }
    // It holds what the next plan will say of its crew's health.
    let form = daemon.seal_for(&device.key.id, &form)?;
    let trip = UsualTrip { name, form, lasts_min: u32::try_from(lasts).unwrap_or(0) };
    daemon.store().keep_trip(&device.key.id, &trip, daemon.now()).await?;
    Ok(see_other(&format!("/filed/{plan_ref}?kept")))
}

/// Why the form can't hold this plan: whoever has no row in it would stay out of the next one.
fn too_many(plan: &Plan) -> Option<String> {
    let parts = [
        ("crew", plan.crew.len(), "people on the trip"),
        ("contact", plan.contacts.len(), "contacts"),
        ("craft", plan.craft.len(), "craft"),
    ];
    parts.into_iter().find_map(|(table, there, what)| {
        let rows = GROUPS.iter().find(|group| group.table == table)?.rows;
        (there > rows).then(|| {
            format!(
                "This plan has {there} {what} and the form has room for {rows}: as a usual trip it \
                 would leave the others out, so it is not kept. The plan itself stands as it is"
            )
        })
    })
}

fn name(text: &str) -> Result<String, Problem> {
    let name = typed_line(text).map_err(Problem::unusable)?;
    let name = name.ok_or_else(|| Problem::unusable("Say what you call this trip"))?;
    if name.chars().count() > LONGEST_NAME {
        return Err(Problem::unusable("That name is very long: type 60 characters at most"));
    }
    Ok(name)
}

/// All but what is of one day; and but for medical notes, which are kept for a plan alone, sealed
/// with its own key: the phone that filed it remembers them.
fn form(draft: &Draft) -> String {
    let lasting = |(key, _): &(&str, &str)| {
        let of_one_day = ["times.launch.", "times.return_by.", "stated."];
        !of_one_day.iter().any(|part| key.starts_with(part)) && !key.ends_with(".medical")
    };
    Serializer::new(String::new()).extend_pairs(draft.pairs().filter(lasting)).finish()
}
