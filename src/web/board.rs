//! The keeper's board: the open plans by urgency, what became of their letters, and what ails the
//! service. Live while it is looked at.

mod drill;
mod keys;
mod row;

use std::collections::HashSet;
use std::convert::Infallible;
use std::time::Duration;

use askama::Template;
use axum::Router;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use futures_util::stream::{self, Stream};
use serde_json::json;

use super::key::Device;
use super::page::{Sorry, html};
use crate::daemon::Daemon;
use crate::daemon::secrets::new_key;
use crate::guarded::{Panicked, guarded_while};
use crate::post::RelayHealth;
use crate::store::StoreError;
use keys::Held;
use row::Row;

/// More than this nobody looks through: the rest is less urgent. Of what is overdue none is left
/// out: beyond these it stands by ref and time alone.
const MOST: u32 = 60;
/// How often a board that is looked at is written anew.
const EVERY: Duration = Duration::from_secs(3);

/// In the place of all that is live.
const FAULT: &str = "<p class=\"fault\">The program has a fault, and can't write this board; its log \
                     says where. Look with <code>shorelamp board</code>.</p>";

#[derive(Template)]
#[template(path = "board.html")]
struct BoardPage {
    service: String,
    ills: Vec<String>,
    rows: String,
    keys: Vec<Held>,
    /// How many keys are in force beyond those that stand here.
    more_keys: usize,
    /// What an exercise that was asked for came to.
    said: Option<drill::Said>,
    typed: String,
    once: String,
    token: String,
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
    /// Those beyond that are overdue too.
    more_overdue: Vec<String>,
    relays: Vec<String>,
    outside: Vec<String>,
}

pub(super) fn routes() -> Router<Daemon> {
    Router::new()
        .route("/board", get(show))
        .route("/board/live", get(live))
        .route("/board/drill", post(drill::order))
}

/// A keeper's device, or nothing: a board is not to be found by others.
fn keeper(device: Option<Device>) -> Result<Device, Sorry> {
    device.filter(|device| device.key.keeper).ok_or_else(Sorry::gone)
}

async fn show(State(daemon): State<Daemon>, device: Option<Device>) -> Result<Response, Sorry> {
    page(&daemon, &keeper(device)?, None, String::new()).await
}

async fn page(
    daemon: &Daemon,
    device: &Device,
    said: Option<drill::Said>,
    typed: String,
) -> Result<Response, Sorry> {
    let (keys, more_keys) = keys::held(daemon).await?;
    let once = new_key()?;
    let status = said.as_ref().map_or(StatusCode::OK, |said| said.status);
    let page = BoardPage {
        service: daemon.house().name.clone(),
        ills: ills(daemon),
        rows: rows(daemon).await?,
        keys,
        more_keys,
        said,
        typed,
        token: device.form_token(&once),
        once,
    };
    Ok(html(status, &page))
}

/// The same rows again and again, while somebody looks.
async fn live(State(daemon): State<Daemon>, device: Option<Device>) -> Result<Response, Sorry> {
    let device = keeper(device)?;
    Ok(Sse::new(written_anew(daemon, device)).keep_alive(KeepAlive::default()).into_response())
}

/// It ends with the key: whoever holds one that was revoked sees no more of it.
fn written_anew(daemon: Daemon, device: Device) -> impl Stream<Item = Result<Event, Infallible>> {
    stream::unfold((daemon, device, true), |(daemon, device, first)| async move {
        if !first {
            tokio::time::sleep(EVERY).await;
            if !device.is_keepers(&daemon).await {
                return None;
            }
        }
        let html = at_any_rate(rows(&daemon)).await;
        let event = Event::default().data(json!({ "html": html }).to_string());
        Some((Ok(event), (daemon, device, false)))
    })
}

/// The rows, or why there are none: what is sent bit by bit is under no guard of its request any
/// more, and a page that is live asks again and again.
async fn at_any_rate(rows: impl Future<Output = Result<String, StoreError>>) -> String {
    match guarded_while(rows).await {
        Ok(Ok(html)) => html,
        Ok(Err(error)) => {
            tracing::warn!(%error, "the board can't be written");
            "<p class=\"fault\">The database does not answer.</p>".to_owned()
        }
        Err(Panicked) => FAULT.to_owned(),
    }
}

async fn rows(daemon: &Daemon) -> Result<String, StoreError> {
    let (plans, all) = daemon.most_urgent(MOST).await?;
    let mut trips = Vec::new();
    for (plan_ref, status) in &plans {
        trips.push(match status {
            Ok(status) => {
                let review = daemon.newest_review(plan_ref).await.ok().flatten();
                Row::at_any_rate(plan_ref, || Row::of(daemon, status, review.as_deref()))
            }
            Err(error) => Row::unread(plan_ref, error),
        });
    }
    let more_overdue =
        if all.overdue > plans.len() { more_overdue(daemon, &plans).await? } else { Vec::new() };
    let rows = Rows {
        open: all.open,
        overdue: all.overdue,
        shown: trips.len(),
        as_of: daemon.now().format("%H:%M:%S UTC").to_string(),
        ills: ills(daemon),
        trips,
        more_overdue,
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

/// What is overdue and has no row of its own.
async fn more_overdue<T>(
    daemon: &Daemon,
    shown: &[(String, T)],
) -> Result<Vec<String>, StoreError> {
    let shown: HashSet<&str> = shown.iter().map(|(plan_ref, _)| plan_ref.as_str()).collect();
    let all = daemon.overdue().await?.into_iter();
    let more = all.filter(|(plan_ref, _)| !shown.contains(plan_ref.as_str()));
    Ok(more
        .map(|(plan_ref, since)| format!("{plan_ref} {}", since.format("%-d %b %H:%M")))
        .collect())
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

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_board_over_which_the_program_fails_says_so() {
        let fails = async |rows: &str| {
            assert!(rows.is_empty(), "as it was told to");
            Ok(rows.to_owned())
        };
        assert_eq!(at_any_rate(fails("")).await, "");
        assert_eq!(at_any_rate(fails("Ines")).await, FAULT);
        let rows = "Ines".to_owned();
        let one = Row::at_any_rate("REF-1", || {
            assert!(rows.is_empty(), "as it was told to");
            Row::unread("REF-2", &StoreError::NoSuchPlan)
        });
        assert!(one.head.ends_with("REF-1") && one.when.contains("the program fails"));
    }
}
