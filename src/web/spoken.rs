//! Checking a crew in by anybody's telephone, with a code that the crew says. Guessing is made
//! hopeless: a million codes a plan, and few tries for each plan and for each address.
//!
//! Whoever knows a plan's ref could use up its tries, and so keep its crew from the code. So the crew
//! has eight digits more: all fourteen are heard always, for nobody tries out a hundred million million.

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
use super::often::Often;
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
/// And within a day, for one plan: each of a crew has a code, and a trip may be long.
const MOST_IN_A_DAY: usize = 20;
const A_DAY: TimeDelta = TimeDelta::days(1);
/// Of those that come at once one may be counted before another that read the clock sooner; what lies
/// farther ahead was tried by a clock that was set back since.
const AT_ONCE: TimeDelta = TimeDelta::minutes(1);
/// So many addresses are remembered, and plans that there are not; with more, all are forgotten. What
/// is tried for a plan that there is never is.
const MOST_REMEMBERED: usize = 10_000;

/// The whole form as it is sent; a long name in any alphabet has a quarter of it.
const MOST_TYPED_BYTES: usize = 4096;

const TOO_LONG: &str = "That is more than a name, a plan and its digits. Type them again";
const WRONG: &str = "Nobody was checked in: the plan and the digits do not belong together, or the \
                     trip is over. Ask the crew to say them again";
const TOO_MANY: &str = "Nobody was checked in: too many wrong digits have come. Ask the crew for its \
                        other eight digits, and type all fourteen; or have it check in by its own \
                        page, or telephone one of its contacts";
const TAKEN_BACK: &str = "Nobody was checked in: this form did so before, and that was taken back since. \
                          Are all of them ashore? Then type the digits and send it once more";
/// The digits that are tried few times an hour; who has more of them is heard always.
const FEW: usize = 6;

#[derive(Template)]
#[template(path = "code.html")]
struct CodePage {
    once: String,
    notice: Option<Notice>,
    typed: Typed,
    done: bool,
}

/// The wrong codes of the last day by plan, and of the last hour by address.
#[derive(Clone, Default)]
struct Wrong(Arc<Mutex<Tries>>);

#[derive(Default)]
struct Tries {
    /// Of plans that there are: no more than those.
    plans: Times,
    /// Of plans that there are not, and from addresses: whoever has very many of both must keep
    /// nobody from the code of a trip that is out.
    unknown: Times,
    addresses: Times,
}

type Times = BTreeMap<String, Vec<DateTime<Utc>>>;

impl Wrong {
    /// Whether this may be tried. It counts as wrong until it is [right](Self::was_right): many at
    /// once are no more than one after the other.
    fn may_try(&self, plan: &str, from: &str, now: DateTime<Utc>) -> bool {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let Tries { plans, unknown, addresses } = &mut *all;
        let (lately, today) = for_plan(plans, plan, now);
        let (unknown_lately, unknown_today) = for_plan(unknown, plan, now);
        if lately + unknown_lately >= MOST_FOR_A_PLAN
            || today + unknown_today >= MOST_IN_A_DAY
            || so_far(addresses, from, now, MEMORY).len() >= MOST_FROM_AN_ADDRESS
        {
            return false;
        }
        plans.entry(plan.to_owned()).or_default().push(now);
        remember(addresses, from, vec![now]);
        true
    }

    fn was_right(&self, plan: &str, from: &str, at: DateTime<Utc>) {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let Tries { plans, addresses, .. } = &mut *all;
        for (times, who) in [(plans, plan), (addresses, from)] {
            if let Some(tries) = times.get_mut(who)
                && let Some(own) = tries.iter().position(|one| *one == at)
            {
                tries.remove(own);
            }
        }
    }

    fn is_no_plan(&self, plan: &str) {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(tries) = all.plans.remove(plan) {
            remember(&mut all.unknown, plan, tries);
        }
    }
}

/// The tries for a plan: of the last hour, and of the last day.
fn for_plan(times: &mut Times, plan: &str, now: DateTime<Utc>) -> (usize, usize) {
    let today = so_far(times, plan, now, A_DAY);
    (today.iter().filter(|at| now - **at < MEMORY).count(), today.len())
}

/// The tries that are remembered.
fn so_far<'a>(
    times: &'a mut Times,
    who: &str,
    now: DateTime<Utc>,
    memory: TimeDelta,
) -> &'a [DateTime<Utc>] {
    times.get_mut(who).map_or(&[], |tries| {
        tries.retain(|at| *at - now < AT_ONCE && now - *at < memory);
        tries
    })
}

fn remember(times: &mut Times, who: &str, mut tries: Vec<DateTime<Utc>>) {
    if times.len() >= MOST_REMEMBERED {
        times.clear();
    }
    times.entry(who.to_owned()).or_default().append(&mut tries);
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
    Extension(often): Extension<Often>,
    headers: HeaderMap,
    extensions: Extensions,
    typed: Typed,
) -> Result<Response, Sorry> {
    let refused = |status, text: &str| Notice { status, text: format!("{text}.") };
    // Anybody may send this form: what no form of ours holds is not repeated.
    if typed.whole().len() > MOST_TYPED_BYTES {
        return page(Some(Notice::fault(TOO_LONG)), Typed::default());
    }
    let name = match typed_name(typed.get("name")) {
        Ok(name) => name,
        Err(why) => return page(Some(Notice::fault(why)), typed),
    };
    let (plan_ref, digits) = (plan_ref(typed.get("plan")), digits(typed.get("digits")));
    let now = daemon.now();
    let from = address(&headers, &extensions);
    let counts = digits.len() <= FEW;
    if counts && !wrong.may_try(&plan_ref, &from, now) {
        return page(Some(refused(StatusCode::TOO_MANY_REQUESTS, TOO_MANY)), typed);
    }
    // Wrong digits are told as such at once, so that the time it takes says little of a plan.
    let theirs = daemon.whose_code(&plan_ref, &digits);
    if theirs.is_empty() {
        // Where that can't be looked up it stays with the plans that there are, which are kept.
        if counts && let Ok(false) = daemon.store().has_plan(&plan_ref).await {
            wrong.is_no_plan(&plan_ref);
        }
        return page(Some(refused(StatusCode::UNPROCESSABLE_ENTITY, WRONG)), typed);
    }
    let was_right = || {
        if counts {
            wrong.was_right(&plan_ref, &from, now);
        }
    };
    let status = match daemon.status(&plan_ref).await {
        Ok(status)
            if !status.state.is_closed()
                && theirs.iter().any(|&who| status.state.is_on_trip(who)) =>
        {
            was_right();
            status
        }
        // It is over, or they were taken off the trip.
        Ok(_) => return page(Some(refused(StatusCode::UNPROCESSABLE_ENTITY, WRONG)), typed),
        Err(StoreError::NoSuchPlan) => {
            wrong.is_no_plan(&plan_ref);
            return page(Some(refused(StatusCode::UNPROCESSABLE_ENTITY, WRONG)), typed);
        }
        Err(error) => {
            was_right();
            return Err(error.into());
        }
    };
    let who = status.state.out();
    let how = Some("the crew said its code".to_owned());
    let event = Event::CheckedIn { who, by: By::Crew(Some(name)), how };
    let once = typed.idempotency();
    let under_way = match often.notice(&daemon, &plan_ref, &event, &once).await {
        Ok(under_way) => under_way,
        Err(notice) => return page(Some(notice), typed),
    };
    let acted = daemon.act(&plan_ref, &event, Some(&once)).await;
    under_way.finish();
    match acted {
        // The same form once more, which changes nothing.
        Ok(applied) if !applied.state.is_closed() => {
            page(Some(refused(StatusCode::CONFLICT, TAKEN_BACK)), typed)
        }
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
mod tests {
    use super::*;

    #[test]
    fn a_ref_is_known_however_it_is_typed() {
        for text in ["7QK4-2M9X", "7qk42m9x", " 7qk4 2m9x "] {
            assert_eq!(plan_ref(text), "7QK4-2M9X");
        }
        assert_eq!(plan_ref(""), "-");
    }

    fn noon() -> DateTime<Utc> {
        "2026-06-14T12:00:00Z".parse().unwrap()
    }

    #[test]
    fn five_tries_for_a_plan_are_five_however_many_come_at_once() {
        let wrong = Wrong::default();
        // None of them has been answered yet, and each read the clock before the one ahead of it.
        let at = |number: i64| noon() - TimeDelta::milliseconds(number);
        let let_in =
            (0..500).filter(|one| wrong.may_try("A", &format!("from {one}"), at(*one))).count();
        assert_eq!(let_in, MOST_FOR_A_PLAN);
        assert!(!wrong.may_try("A", "another", noon() + TimeDelta::minutes(59)));
        assert!(wrong.may_try("A", "another", noon() + MEMORY));
        // What was right is no wrong code.
        for _ in 0..20 {
            assert!(wrong.may_try("B", "home", noon()));
            wrong.was_right("B", "home", noon());
        }
    }

    #[test]
    fn a_clock_put_right_keeps_nobody_from_the_code() {
        let wrong = Wrong::default();
        let ahead = noon() + TimeDelta::days(30);
        while wrong.may_try("A", "home", ahead) {}
        assert!(wrong.may_try("A", "home", noon()));
    }

    /// Each of a crew has a code, so that one of sixty is hit with a sixtieth of the tries.
    #[test]
    fn a_plan_is_tried_twenty_times_a_day_however_long_its_trip() {
        let wrong = Wrong::default();
        let tries = |from: i64, to: i64| {
            let at = |minute: &i64| noon() + TimeDelta::minutes(*minute);
            let let_in = |minute: &i64| wrong.may_try("A", &format!("from {minute}"), at(minute));
            (from..to).filter(let_in).count()
        };
        assert_eq!(tries(0, 60), 5);
        assert_eq!(tries(60, 24 * 60), 15);
        assert_eq!(tries(24 * 60, 25 * 60), 5, "the next day");
    }

    #[test]
    fn whoever_has_very_many_addresses_keeps_nobody_from_the_code() {
        let wrong = Wrong::default();
        for _ in 0..MOST_FOR_A_PLAN {
            assert!(wrong.may_try("there", "x", noon()));
        }
        for at in 0..3 * MOST_REMEMBERED {
            let (plan, from) = (format!("none {}", at / 3), format!("from {}", at / 5));
            assert!(wrong.may_try(&plan, &from, noon()));
            wrong.is_no_plan(&plan);
        }
        assert!(wrong.may_try("another", "home", noon()));
        assert!(!wrong.may_try("there", "home", noon()), "what counts is kept");
        let all = wrong.0.lock().unwrap();
        assert!(all.unknown.len() <= MOST_REMEMBERED && all.addresses.len() <= MOST_REMEMBERED);
        assert_eq!(all.plans.len(), 2);
    }
}
