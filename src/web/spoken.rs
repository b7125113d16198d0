//! Checking a crew in by anybody's telephone, with a code that the crew says. Guessing is made
//! hopeless: a million codes a plan, and few tries for each plan and for each address.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, PoisonError};

use askama::Template;
use axum::extract::{ConnectInfo, Extension, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use axum::routing::get;
use axum::{Router, http::Extensions};
use chrono::{DateTime, TimeDelta, Utc};

use super::deed::Notice;
use super::heads::asks;
use super::page::{Sorry, html};
use super::typed::Typed;
use super::words::typed_name;
use crate::daemon::Daemon;
use crate::daemon::secrets::new_key;
use crate::store::StoreError;
use crate::watch::{By, Event};

/// Wrong codes within an hour, for one plan and from one address.
const MOST_FOR_A_PLAN: usize = 5;
const MOST_FROM_AN_ADDRESS: usize = 10;
const MEMORY: TimeDelta = TimeDelta::hours(1);
/// What is remembered at most; then nobody may try until the hour is over.
const MOST_REMEMBERED: usize = 10_000;

const WRONG: &str = "Nobody was checked in: the plan and the digits do not belong together, or the \
                     trip is over. Ask the crew to say them again";
const TOO_MANY: &str = "Nobody was checked in: too many wrong codes have come. Ask the crew to \
                        check in by its own page, or to telephone one of its contacts";

#[derive(Template)]
#[template(path = "code.html")]
struct CodePage {
    once: String,
    notice: Option<Notice>,
    typed: Typed,
    done: bool,
}

/// The wrong codes of the last hour, by plan and by address.
#[derive(Clone, Default)]
struct Wrong(Arc<Mutex<BTreeMap<String, Vec<DateTime<Utc>>>>>);

impl Wrong {
    /// Whether there were too many to try once more.
    fn are_too_many(&self, keys: &[(String, usize)], now: DateTime<Utc>) -> bool {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.retain(|_, tries| {
            tries.retain(|at| now - *at < MEMORY);
            !tries.is_empty()
        });
        let many = |(key, most): &(String, usize)| all.get(key).is_some_and(|it| it.len() >= *most);
        all.len() >= MOST_REMEMBERED || keys.iter().any(many)
    }

    fn remember(&self, keys: &[(String, usize)], now: DateTime<Utc>) {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        for (key, _) in keys {
            all.entry(key.clone()).or_default().push(now);
        }
    }
}

pub(super) fn routes() -> Router<Daemon> {
    Router::new().route("/code", get(show).post(check_in)).layer(Extension(Wrong::default()))
}

async fn show() -> Result<Response, Sorry> {
    page(None, Typed::default())
}

fn page(notice: Option<Notice>, typed: Typed) -> Result<Response, Sorry> {
    let status = notice.as_ref().map_or(StatusCode::OK, |notice| notice.status);
    let done = notice.as_ref().is_some_and(|notice| !notice.is_fault());
    Ok(html(status, &CodePage { once: new_key()?, notice, typed, done }))
}

async fn check_in(
    State(daemon): State<Daemon>,
    Extension(wrong): Extension<Wrong>,
    headers: HeaderMap,
    extensions: Extensions,
    typed: Typed,
) -> Result<Response, Sorry> {
    let refused = |status, text: &str| Notice { status, text: format!("{text}.") };
    let name = match typed_name(typed.get("name")) {
        Ok(name) => name,
        Err(why) => return page(Some(Notice::fault(why)), typed),
    };
    let (plan_ref, digits) = (plan_ref(typed.get("plan")), digits(typed.get("digits")));
    let now = daemon.now();
    let from = address(&headers, &extensions);
    let tries = [
        (format!("plan {plan_ref}"), MOST_FOR_A_PLAN),
        (format!("from {from}"), MOST_FROM_AN_ADDRESS),
    ];
    if wrong.are_too_many(&tries, now) {
        return page(Some(refused(StatusCode::TOO_MANY_REQUESTS, TOO_MANY)), typed);
    }
    let status = match daemon.status(&plan_ref).await {
        Ok(status) if daemon.spoken_code(&plan_ref) == digits && !status.state.is_closed() => {
            status
        }
        Ok(_) | Err(StoreError::NoSuchPlan) => {
            wrong.remember(&tries, now);
            return page(Some(refused(StatusCode::UNPROCESSABLE_ENTITY, WRONG)), typed);
        }
        Err(error) => return Err(error.into()),
    };
    let who = status.state.out();
    let how = Some("the crew said its code".to_owned());
    let event = Event::CheckedIn { who, by: By::Crew(Some(name)), how };
    match daemon.act(&plan_ref, &event, Some(&typed.idempotency())).await {
        Ok(_) => {
            let out = super::words::list(&status.out());
            let text = format!(
                "Written down: {out} ashore. The watch is over, and everybody who was told of the \
                 trip is told so."
            );
            page(Some(Notice { status: StatusCode::OK, text }), typed)
        }
        Err(StoreError::Refused(refusal)) => page(Some(Notice::conflict(&refusal)), typed),
        Err(error) => Err(error.into()),
    }
}

/// A ref as it was meant, however it was typed.
pub(super) fn plan_ref(text: &str) -> String {
    let signs: Vec<char> =
        text.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_uppercase()).collect();
    let (front, back) = signs.split_at(signs.len().min(4));
    format!("{}-{}", front.iter().collect::<String>(), back.iter().take(8).collect::<String>())
}

fn digits(text: &str) -> String {
    text.chars().filter(char::is_ascii_digit).collect()
}

/// Who asks; nobody where that is not known.
fn address(headers: &HeaderMap, extensions: &Extensions) -> String {
    let peer = extensions.get::<ConnectInfo<SocketAddr>>();
    peer.map(|ConnectInfo(peer)| asks(peer.ip(), headers).to_string()).unwrap_or_default()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_ref_is_known_however_it_is_typed() {
        for text in ["7QK4-2M9X", "7qk42m9x", " 7qk4 2m9x "] {
            assert_eq!(plan_ref(text), "7QK4-2M9X");
        }
        assert_eq!(plan_ref(""), "-");
    }
}
