//! The page for a rescue service: the whole plan on one page to print, with its chart and files.
//! It is read and nothing else: no form stands on it, and its addresses take GET alone.

use askama::Template;
use axum::Router;
use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;

use super::page::{Sorry, html};
use super::said;
use super::trip::{Stage, Trip};
use super::words::first_name;
use crate::daemon::{Daemon, Dossier, Visit};
use crate::letter::{Brief, Callee, File, geojson, gpx, rescue_brief, whom_to_call, words_to_say};

#[derive(Template)]
#[template(path = "rescue.html")]
struct RescuePage {
    own: String,
    trip: Trip,
    phones: Vec<(String, String)>,
    contacts: Vec<(String, String)>,
    callees: Vec<Callee>,
    calls: Vec<String>,
    /// There while the crew is overdue.
    say: Option<Vec<String>>,
    plan: Brief,
    chart: Option<String>,
}

pub(super) fn routes() -> Router<Daemon> {
    Router::new()
        .route("/rescue/{plan}/{token}", get(show))
        .route("/rescue/{plan}/{token}/route.gpx", get(route_gpx))
        .route("/rescue/{plan}/{token}/route.geojson", get(route_geojson))
        .route("/rescue/{plan}/{token}/chart.png", get(chart))
}

type Address = Path<(String, String)>;

async fn open(daemon: &Daemon, (plan, token): &(String, String)) -> Result<Visit, Sorry> {
    daemon.rescue_visit(plan, token).await?.ok_or_else(Sorry::gone)
}

async fn show(State(daemon): State<Daemon>, Path(address): Address) -> Result<Response, Sorry> {
    let visit = open(&daemon, &address).await?;
    let now = daemon.now();
    let (dossier, reader) = (&visit.dossier, visit.link.who);
    let latest = daemon.latest(&dossier.record);
    let facts = daemon.facts_now(dossier, latest.as_deref());
    let overdue = Stage::of(dossier, now) == Stage::Overdue;
    let page = RescuePage {
        own: format!("/rescue/{}/{}", address.0, address.1),
        trip: Trip::of(dossier, now),
        phones: phones(dossier),
        contacts: contacts(dossier, overdue),
        callees: whom_to_call(facts.rescue, dossier.plan.launch.position),
        calls: said::calls(dossier),
        say: words_to_say(&facts, reader, now),
        plan: rescue_brief(&facts, now),
        chart: daemon.chart(&dossier.plan).await,
    };
    Ok(html(StatusCode::OK, &page))
}

async fn route_gpx(
    State(daemon): State<Daemon>,
    Path(address): Address,
) -> Result<Response, Sorry> {
    let visit = open(&daemon, &address).await?;
    let file = gpx(&daemon.facts_now(&visit.dossier, None)).ok_or_else(Sorry::gone)?;
    Ok(download(file))
}

async fn route_geojson(
    State(daemon): State<Daemon>,
    Path(address): Address,
) -> Result<Response, Sorry> {
    let visit = open(&daemon, &address).await?;
    Ok(download(geojson(&daemon.facts_now(&visit.dossier, None))))
}

async fn chart(State(daemon): State<Daemon>, Path(address): Address) -> Result<Response, Sorry> {
    let visit = open(&daemon, &address).await?;
    let png = daemon.chart_png(&visit.dossier).await.ok_or_else(Sorry::gone)?;
    let name = format!("float-plan-{}.png", visit.dossier.record.plan_ref);
    Ok(download(File { name, content_type: "image/png", bytes: png }))
}

/// A file's name is made of the plan's ref: it has nothing in it to escape.
fn download(file: File) -> Response {
    let headers = [
        (header::CONTENT_TYPE, file.content_type.to_owned()),
        (header::CONTENT_DISPOSITION, format!("attachment; filename=\"{}\"", file.name)),
    ];
    (headers, file.bytes).into_response()
}

/// The telephones of those who are out.
fn phones(dossier: &Dossier) -> Vec<(String, String)> {
    let out = dossier.record.state.out().into_iter().filter_map(|at| dossier.plan.crew.get(at));
    out.filter_map(|one| Some((one.name.clone(), one.phone.clone()?))).collect()
}

/// Whom a rescue service may call back: the contacts who are asked, with their telephones. Before
/// there is anything to call for, and once it is over, those are nobody's but the crew's: a contact
/// holds the link of this page.
fn contacts(dossier: &Dossier, overdue: bool) -> Vec<(String, String)> {
    let asked = dossier.record.state.asked().into_iter();
    asked
        .filter_map(|at| dossier.plan.contacts.get(at))
        .map(|one| {
            let relation = one.relation.as_ref().map(|text| format!(" ({text})"));
            let phone = match &one.phone {
                Some(_) if !overdue => "telephone shown while overdue".to_owned(),
                Some(phone) => phone.clone(),
                None => "no telephone told".to_owned(),
            };
            (format!("{}{}", first_name(&one.name), relation.unwrap_or_default()), phone)
        })
        .collect()
}
