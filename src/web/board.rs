//! The keeper's board: the open plans by urgency, what became of their letters, and what ails the
//! service. Live while it is looked at.

use std::convert::Infallible;
use std::time::Duration;

use askama::Template;
use axum::Router;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use futures_util::stream::{self, Stream};
use serde_json::json;

use super::key::Device;
use super::page::{Sorry, html};
use super::words::{first_name, from_now, list};
use crate::daemon::{Daemon, PlanStatus};
use crate::letter::Clock;
use crate::post::RelayHealth;
use crate::store::{LetterState, StoreError};
use crate::watch::Phase;

/// More than this nobody looks through: the rest is less urgent.
const MOST: u32 = 60;
/// The longest names on the board: a row stays a row.
const LONGEST: usize = 120;
/// How often a board that is looked at is written anew.
const EVERY: Duration = Duration::from_secs(3);

#[derive(Template)]
#[template(path = "board.html")]
struct BoardPage {
    service: String,
    ills: Vec<String>,
    rows: String,
}

#[derive(Template)]
#[template(path = "board_rows.html")]
struct Rows {
    open: usize,
    overdue: usize,
    shown: usize,
    as_of: String,
    ills: Vec<String>,
    trips: Vec<Row>,
    relays: Vec<String>,
    outside: Vec<String>,
}

/// A plan on the board.
struct Row {
    tone: &'static str,
    head: String,
    when: String,
    contacts: String,
    letters: String,
}

pub(super) fn routes() -> Router<Daemon> {
    Router::new().route("/board", get(show)).route("/board/live", get(live))
}

/// A keeper's device, or nothing: a board is not to be found by others.
fn keeper(device: Option<Device>) -> Result<(), Sorry> {
    device.filter(|device| device.key.keeper).map(|_| ()).ok_or_else(Sorry::gone)
}

async fn show(State(daemon): State<Daemon>, device: Option<Device>) -> Result<Response, Sorry> {
    keeper(device)?;
    let page = BoardPage {
        service: daemon.house().name.clone(),
        ills: ills(&daemon),
        rows: rows(&daemon).await?,
    };
    Ok(html(StatusCode::OK, &page))
}

/// The same rows again and again, while somebody looks.
async fn live(State(daemon): State<Daemon>, device: Option<Device>) -> Result<Response, Sorry> {
    keeper(device)?;
    Ok(Sse::new(written_anew(daemon)).keep_alive(KeepAlive::default()).into_response())
}

fn written_anew(daemon: Daemon) -> impl Stream<Item = Result<Event, Infallible>> {
    stream::unfold((daemon, true), |(daemon, first)| async move {
        if !first {
            tokio::time::sleep(EVERY).await;
        }
        let html = rows(&daemon).await.unwrap_or_else(|error| {
            tracing::warn!(%error, "the board can't be written");
            "<p class=\"fault\">The database does not answer.</p>".to_owned()
        });
        let event = Event::default().data(json!({ "html": html }).to_string());
        Some((Ok(event), (daemon, false)))
    })
}

async fn rows(daemon: &Daemon) -> Result<String, StoreError> {
    let (plans, all) = daemon.most_urgent(MOST).await?;
    let trips: Vec<Row> = plans
        .iter()
        .map(|(plan_ref, status)| match status {
            Ok(status) => Row::of(daemon, status),
            Err(error) => Row::unread(plan_ref, error),
        })
        .collect();
    let rows = Rows {
        open: all.open,
        overdue: all.overdue,
        shown: trips.len(),
        as_of: daemon.now().format("%H:%M:%S UTC").to_string(),
        ills: ills(daemon),
        trips,
        relays: daemon.relay_health().iter().map(relay).collect(),
        outside: daemon
            .outside_words()
            .into_iter()
            .map(|(name, words)| format!("The {name} {words}."))
            .collect(),
    };
    Ok(rows.render().unwrap_or_else(|error| {
        tracing::error!(%error, "the board can't be written");
        "The board can't be written.".to_owned()
    }))
}

fn ills(daemon: &Daemon) -> Vec<String> {
    daemon.illnesses().iter().map(|ill| format!("{}: {}", ill.what, ill.mend)).collect()
}

fn relay(health: &RelayHealth) -> String {
    let took = health.took_ago.map(|ago| format!(", took a letter {} s ago", ago.as_secs()));
    match (&health.trouble, health.failing_for) {
        (Some(said), Some(since)) => {
            format!("{}: FAILING for {} s: {said}", health.name, since.as_secs())
        }
        (Some(said), None) => format!("{}: {said}", health.name),
        _ => format!("{}: works{}", health.name, took.unwrap_or_default()),
    }
}

impl Row {
    fn of(daemon: &Daemon, status: &PlanStatus) -> Self {
        let (now, clock) = (daemon.now(), Clock::new(status.plan.times.zone));
        let (due_at, overdue_at) = (status.state.terms.due_at, status.state.overdue_at());
        let overdue = status.state.phase == Phase::Overdue || now >= overdue_at;
        let late = now >= due_at;
        let (tone, word) = match (overdue, late) {
            (true, _) => ("danger", "OVERDUE"),
            (false, true) => ("warning", "Late"),
            (false, false) => ("", "Out"),
        };
        Row {
            tone,
            head: format!("{word}: {} ({})", cut(&list(&status.out())), status.plan_ref),
            when: format!(
                "Back by {}, {}. Contacts are told {}.",
                clock.full(due_at),
                from_now(due_at, now),
                from_now(overdue_at, now)
            ),
            contacts: contacts(status),
            letters: letters(status),
        }
    }

    fn unread(plan_ref: &str, error: &StoreError) -> Self {
        let told = "The watch leaves it alone; its contacts get plain letters.".to_owned();
        let head = format!("CAN'T BE READ: {plan_ref}");
        Row {
            tone: "danger",
            head,
            when: cut(&error.to_string()),
            contacts: told,
            letters: String::new(),
        }
    }
}

fn contacts(status: &PlanStatus) -> String {
    let asked = status.contacts().into_iter().filter(|one| !one.removed);
    let told = asked.map(|one| format!("{}: {}", first_name(&one.name), one.word()));
    cut(&told.collect::<Vec<_>>().join("; "))
}

fn letters(status: &PlanStatus) -> String {
    let count = |state| status.letters.iter().filter(|letter| letter.state == state).count();
    let told = [
        (LetterState::Queued, "queued"),
        (LetterState::Sending, "on the way"),
        (LetterState::Handed, "handed over"),
        (LetterState::Refused, "REFUSED"),
    ];
    let told = told.into_iter().map(|(state, word)| (count(state), word));
    let told: Vec<String> = told
        .filter(|(count, _)| *count > 0)
        .map(|(count, word)| format!("{count} {word}"))
        .collect();
    format!("Letters: {}.", told.join(", "))
}

fn cut(text: &str) -> String {
    match text.char_indices().nth(LONGEST) {
        Some((at, _)) => format!("{}…", &text[..at]),
        None => text.to_owned(),
    }
}
