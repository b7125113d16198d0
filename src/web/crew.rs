//! The page of the crew: check in, extend, call off, and who ashore knows of the trip.

use askama::Template;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Extension, Json, Router};
use serde_json::json;

use super::changed;
use super::deed::{Did, Notice, carry_out, picked_crew, undone};
use super::key::Device;
use super::making::{asks_json, turn_to_tell};
use super::often::Often;
use super::page::{Sorry, html};
use super::problem::Problem;
use super::said::{self, Said};
use super::trip::{Trip, contacts, crews_plan};
use super::typed::Typed;
use super::words::{extension, typed_line, typed_name};
use crate::caution::Caution;
use crate::daemon::secrets::new_key;
use crate::daemon::{Asked, Daemon, Dossier, Visit};
use crate::letter::{Brief, Callee, Clock, whom_to_call};
use crate::measure::{Position, Span};
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
    /// On a device whose key filed the plan: the token of its forms, which then need no typing.
    device: Option<String>,
    /// The code to say to whoever checks them in by another telephone, what to say after it where
    /// others have guessed too often, and where.
    spoken: String,
    spoken_more: String,
    code_page: String,
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

/// The page of somebody whom an amendment took off the trip: the plan is no longer theirs to read, to
/// end or to open again. They may be the very person whom the crew wants to be rid of.
#[derive(Template)]
#[template(path = "taken_off.html")]
struct TakenOffPage {
    token: String,
    trip: Trip,
    callees: Vec<Callee>,
    notice: Option<Notice>,
}

pub(super) fn routes() -> Router<Daemon> {
    Router::new().route("/crew/{token}", get(show).post(act))
}

async fn show(
    State(daemon): State<Daemon>,
    Path(token): Path<String>,
    Query(did): Query<Did>,
    device: Result<Option<Device>, Sorry>,
) -> Result<Response, Sorry> {
    let visit = open(&daemon, &token).await?;
    let device = its_own(device, &visit);
    if is_taken_off(&visit) {
        return Ok(taken_off(&daemon, token, &visit, None));
    }
    let mut effect = did.number().and_then(|number| said::effect(&visit.dossier, number, None));
    if let (Some(number), Some(effect)) = (did.number(), &mut effect)
        && let Some(letters) = changed::told(&daemon, &visit.dossier, number).await
    {
        effect.push(' ');
        effect.push_str(&letters.join(" "));
    }
    let notice = did.number().map(|_| Notice::done(effect));
    let plan_ref = &visit.dossier.record.plan_ref;
    let worse = match did.number() {
        Some(number) => daemon.worse(plan_ref, number).await.unwrap_or_default(),
        None => Vec::new(),
    };
    page(&daemon, &token, &visit, notice, worse, Typed::default(), device.as_ref()).await
}

async fn act(
    State(daemon): State<Daemon>,
    Extension(often): Extension<Often>,
    Path(token): Path<String>,
    device: Result<Option<Device>, Sorry>,
    headers: HeaderMap,
    typed: Typed,
) -> Result<Response, Sorry> {
    let visit = open(&daemon, &token).await?;
    let device = its_own(device, &visit);
    let is_own =
        device.as_ref().is_some_and(|it| it.owns_form(typed.get("once"), typed.get("token")));
    let (own, asked) = (format!("/crew/{token}"), event(&visit, &typed, is_own));
    let extends = matches!(asked, Ok(Event::Extended { .. }));
    match carry_out(&often, &daemon, &visit.dossier, &own, asked, &typed).await? {
        Ok((done, changed)) => {
            let once = typed.get("once");
            if extends && changed {
                // Written down by now; the page that follows tells what got worse. Nothing long is kept
                // until then.
                let record = &visit.dossier.record;
                let (plan_ref, key_id) = (record.plan_ref.clone(), record.key_id.clone());
                drop(visit);
                daemon.judge_anew(&plan_ref, &key_id).await;
            }
            Ok(if asks_json(&headers) { receipt(once, &done) } else { done })
        }
        Err(notice) if asks_json(&headers) => {
            Ok(Problem::new(notice.status, notice.text).into_response())
        }
        Err(notice) => {
            // While it waits for its turn nothing of the plan is kept.
            drop(visit);
            let turn = turn_to_tell(&daemon, Asked::Link(&token), &notice).await?;
            let visit = open(&daemon, &token).await?;
            let (notice, worse) = (Some(notice), Vec::new());
            let page = page(&daemon, &token, &visit, notice, worse, typed, device.as_ref()).await;
            Ok(turn.until_packed(page?))
        }
    }
}

/// That it is done, told to a script: it repeats the form's own word, so that no other answer can
/// be taken for it.
fn receipt(once: &str, done: &Response) -> Response {
    let next = done.headers().get(header::LOCATION).and_then(|next| next.to_str().ok());
    Json(json!({"once": once, "done": true, "next": next})).into_response()
}

pub(super) async fn open(daemon: &Daemon, token: &str) -> Result<Visit, Sorry> {
    daemon.visit(token, Purpose::Crew).await?.ok_or_else(Sorry::gone)
}

/// The device, if its key filed this plan. One whose key can't be looked up is like any other: its
/// reader types a name, and is not refused.
pub(super) fn its_own(device: Result<Option<Device>, Sorry>, visit: &Visit) -> Option<Device> {
    device.ok().flatten().filter(|device| device.key.id == visit.dossier.record.key_id)
}

/// What the form asks for. Nothing in it has a default: an untouched form asks for nothing.
fn event(visit: &Visit, typed: &Typed, is_own: bool) -> Result<Event, String> {
    // The device that filed the plan holds a secret of its own; a mail scanner types nothing.
    let by = match typed.get("name") {
        "" if is_own => By::Crew(None),
        name => By::Crew(Some(typed_name(name)?)),
    };
    if is_taken_off(visit) {
        return Err(
            "You are no longer on this trip: ask one of the crew, or somebody ashore whom \
                    it names, to do it."
                .to_owned(),
        );
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
        "still-out" => {
            let place = match typed.get("place") {
                "" => None,
                text => Some(position(text)?),
            };
            let note = typed_line(typed.get("note"))?;
            if place.is_none() && note.is_none() {
                return Err("Say where you are, or what you want to be known.".to_owned());
            }
            Ok(Event::StillOut { place, note, by })
        }
        "cancel" if is_own => Ok(Event::CalledOff { by }),
        "cancel" if typed.get("word").to_lowercase() == CALL_OFF => Ok(Event::CalledOff { by }),
        "cancel" => Err(format!("Type the words \"{CALL_OFF}\" to call the trip off.")),
        "undo" => Ok(Event::Undone { event: undone(typed)?, by }),
        _ => Err("Choose what to do below.".to_owned()),
    }
}

fn position(text: &str) -> Result<String, String> {
    let position: Position = text.parse().map_err(|error| format!("\"{text}\" {error}."))?;
    Ok(position.to_string())
}

pub(super) fn is_taken_off(visit: &Visit) -> bool {
    !visit.dossier.record.state.is_on_trip(visit.link.who)
}

async fn page(
    daemon: &Daemon,
    token: &str,
    visit: &Visit,
    notice: Option<Notice>,
    worse: Vec<Caution>,
    typed: Typed,
    device: Option<&Device>,
) -> Result<Response, Sorry> {
    let now = daemon.now();
    if is_taken_off(visit) {
        return Ok(taken_off(daemon, token.to_owned(), visit, notice));
    }
    let standing = daemon.status(&visit.dossier.record.plan_ref).await?;
    let status = notice.as_ref().map_or(StatusCode::OK, |notice| notice.status);
    let once = new_key()?;
    let plan_ref = &visit.dossier.record.plan_ref;
    let crew = CrewPage {
        token: token.to_owned(),
        device: device.map(|device| device.form_token(&once)),
        spoken: daemon.spoken_code(plan_ref, visit.link.who),
        spoken_more: daemon.spoken_code_whole(plan_ref, visit.link.who).split_off(6),
        code_page: format!("{}/code", daemon.house().base_url),
        once,
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
        plan: crews_plan(daemon, &visit.dossier, device.is_some(), now),
        chart: daemon.chart(&visit.dossier.plan).await,
    };
    Ok(html(status, &crew))
}

fn taken_off(daemon: &Daemon, token: String, visit: &Visit, notice: Option<Notice>) -> Response {
    let status = notice.as_ref().map_or(StatusCode::OK, |notice| notice.status);
    let trip = Trip::of(&visit.dossier, daemon.now());
    let rescues = &daemon.house().rescues;
    let callees = whom_to_call(rescues, visit.dossier.plan.launch.position);
    html(status, &TakenOffPage { token, trip, callees, notice })
}

/// The ready extensions, each with the return time that it leads to.
fn extensions(dossier: &Dossier) -> Vec<(String, String)> {
    let due_at = dossier.record.state.terms.due_at;
    let clock = Clock::new(dossier.plan.times.zone);
    let ready = READY_H.into_iter().map(Span::from_hours);
    ready.map(|later| (later.to_string(), clock.full(due_at + later.delta()))).collect()
}
