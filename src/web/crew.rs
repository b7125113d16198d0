//! The page of the crew: check in, extend, call off, and who ashore knows of the trip.

use askama::Template;
use axum::Router;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use axum::routing::get;

use super::deed::{Did, Notice, carry_out, picked_crew, undone};
use super::page::{Sorry, html};
use super::said::{self, Said};
use super::trip::{Trip, contacts, whole_plan};
use super::typed::Typed;
use super::words::{extension, typed_name};
use crate::caution::Caution;
use crate::daemon::secrets::new_key;
use crate::daemon::{Daemon, Dossier, Visit};
use crate::letter::{Brief, Clock};
use crate::measure::Span;
use crate::store::Purpose;
use crate::watch::{By, Event};

/// What has to be typed to call a trip off.
const CALL_OFF: &str = "call off";
/// The extensions that are offered ready, in hours.
const READY_H: [u16; 2] = [1, 2];

#[derive(Template)]
#[template(path = "crew.html")]
struct CrewPage {
    token: String,
    once: String,
    trip: Trip,
    notice: Option<Notice>,
    typed: Typed,
    out: Vec<(usize, String)>,
    extensions: Vec<(String, String)>,
    contacts: Vec<(String, String)>,
    nobody_reached: bool,
    /// What got worse by what was just done.
    worse: Vec<Caution>,
    history: Vec<Said>,
    undoable: Vec<Said>,
    plan: Brief,
    chart: Option<String>,
}

impl CrewPage {
    /// What was typed into the form of this act, when it is the one that came back.
    fn kept(&self, act: &str, field: &str) -> &str {
        if self.typed.get("act") == act { self.typed.get(field) } else { "" }
    }

    fn is_open(&self, act: &str) -> bool {
        self.typed.get("act") == act
    }
}

/// The page of somebody whom an amendment took off the trip: the plan is no longer theirs to read,
/// nor to end.
#[derive(Template)]
#[template(path = "taken_off.html")]
struct TakenOffPage {
    token: String,
    once: String,
    trip: Trip,
    notice: Option<Notice>,
    typed: Typed,
    undoable: Vec<Said>,
}

impl TakenOffPage {
    fn kept(&self, act: &str, field: &str) -> &str {
        if self.typed.get("act") == act { self.typed.get(field) } else { "" }
    }

    fn is_open(&self, act: &str) -> bool {
        self.typed.get("act") == act
    }
}

pub(super) fn routes() -> Router<Daemon> {
    Router::new().route("/crew/{token}", get(show).post(act))
}

async fn show(
    State(daemon): State<Daemon>,
    Path(token): Path<String>,
    Query(did): Query<Did>,
) -> Result<Response, Sorry> {
    let visit = open(&daemon, &token).await?;
    let effect = |number| said::effect(&visit.dossier, number, None);
    let notice = did.number().map(|number| Notice::done(effect(number)));
    let plan_ref = &visit.dossier.record.plan_ref;
    let worse = match did.number() {
        Some(number) => daemon.worse(plan_ref, number).await.unwrap_or_default(),
        None => Vec::new(),
    };
    page(&daemon, &token, &visit, notice, worse, Typed::default()).await
}

async fn act(
    State(daemon): State<Daemon>,
    Path(token): Path<String>,
    typed: Typed,
) -> Result<Response, Sorry> {
    let visit = open(&daemon, &token).await?;
    let (own, asked) = (format!("/crew/{token}"), event(&visit, &typed));
    let extends = matches!(asked, Ok(Event::Extended { .. }));
    match carry_out(&daemon, &visit.dossier, &own, asked, &typed).await? {
        Ok(done) => {
            if extends {
                // Written down by now; the page that follows tells what got worse.
                daemon.judge_anew(&visit.dossier.record.plan_ref).await;
            }
            Ok(done)
        }
        Err(notice) => {
            let visit = open(&daemon, &token).await?;
            page(&daemon, &token, &visit, Some(notice), Vec::new(), typed).await
        }
    }
}

async fn open(daemon: &Daemon, token: &str) -> Result<Visit, Sorry> {
    daemon.visit(token, Purpose::Crew).await?.ok_or_else(Sorry::gone)
}

/// What the form asks for. Nothing in it has a default: an untouched form asks for nothing.
fn event(visit: &Visit, typed: &Typed) -> Result<Event, String> {
    let by = By::Crew(Some(typed_name(typed.get("name"))?));
    if is_taken_off(visit) && typed.get("act") != "undo" {
        return Err("You are no longer on this trip: ask one of the crew to do it.".to_owned());
    }
    match typed.get("act") {
        "checkin" => {
            Ok(Event::CheckedIn { who: picked_crew(typed, &visit.dossier)?, by, how: None })
        }
        "extend" => {
            let text = match typed.get("by") {
                "other" => typed.get("later"),
                ready => ready,
            };
            if text.is_empty() {
                return Err("Choose how much later, or type it, like 90m.".to_owned());
            }
            let later = extension(text).map_err(|why| format!("\"{text}\" {why}."))?;
            Ok(Event::Extended { later, by })
        }
        "cancel" if typed.get("word").to_lowercase() == CALL_OFF => Ok(Event::CalledOff { by }),
        "cancel" => Err(format!("Type the words \"{CALL_OFF}\" to call the trip off.")),
        "undo" => Ok(Event::Undone { event: undone(typed)?, by }),
        _ => Err("Choose what to do below.".to_owned()),
    }
}

fn is_taken_off(visit: &Visit) -> bool {
    !visit.dossier.record.state.is_on_trip(visit.link.who)
}

async fn page(
    daemon: &Daemon,
    token: &str,
    visit: &Visit,
    notice: Option<Notice>,
    worse: Vec<Caution>,
    typed: Typed,
) -> Result<Response, Sorry> {
    let now = daemon.now();
    if is_taken_off(visit) {
        let status = notice.as_ref().map_or(StatusCode::OK, |notice| notice.status);
        let trip = Trip::of(&visit.dossier, now);
        let (token, undoable) = (token.to_owned(), said::undoable(&visit.dossier));
        let page = TakenOffPage { token, once: new_key()?, trip, notice, typed, undoable };
        return Ok(html(status, &page));
    }
    let standing = daemon.status(&visit.dossier.record.plan_ref).await?;
    let status = notice.as_ref().map_or(StatusCode::OK, |notice| notice.status);
    let crew = CrewPage {
        token: token.to_owned(),
        once: new_key()?,
        trip: Trip::of(&visit.dossier, now),
        notice,
        typed,
        out: said::out(&visit.dossier),
        extensions: extensions(&visit.dossier),
        contacts: contacts(&standing, None),
        nobody_reached: !standing.reached_anybody(),
        worse,
        history: said::history(&visit.dossier),
        undoable: said::undoable(&visit.dossier),
        plan: whole_plan(daemon, &visit.dossier, now),
        chart: daemon.chart(&visit.dossier.plan),
    };
    Ok(html(status, &crew))
}

/// The ready extensions, each with the return time that it leads to.
fn extensions(dossier: &Dossier) -> Vec<(String, String)> {
    let due_at = dossier.record.state.terms.due_at;
    let clock = Clock::new(dossier.plan.times.zone);
    let ready = READY_H.into_iter().map(Span::from_hours);
    ready.map(|later| (later.to_string(), clock.full(due_at + later.delta()))).collect()
}
