//! A small plan, and a store on a real folder.

use chrono::{DateTime, TimeDelta, Utc};
use shorelamp::measure::Span;
use shorelamp::store::{Card, Filing, LastLook, Link, Mailed, Purpose, Store, StoreError};
use shorelamp::watch::{
    Anchor, By, Event, Kind, Ladder, Recipient, Rung, RungKind, Step, Terms, To, Watched,
};

pub const LEASE: TimeDelta = TimeDelta::seconds(75);

pub fn noon() -> DateTime<Utc> {
    "2026-06-14T12:00:00Z".parse().expect("a time")
}

pub fn minutes(minutes: i64) -> DateTime<Utc> {
    noon() + TimeDelta::minutes(minutes)
}

/// One of the crew with an address, one contact; due in an hour, overdue in 75 minutes.
pub fn first_step() -> Step {
    let rungs = vec![
        Rung { anchor: Anchor::Due, offset_s: 0, to: vec![To::Crew], kind: RungKind::Due },
        Rung {
            anchor: Anchor::Overdue,
            offset_s: 0,
            to: vec![To::Contacts],
            kind: RungKind::CallRescue,
        },
    ];
    let span = Span::from_minutes;
    let ladder = Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder");
    let terms =
        Terms { due_at: minutes(60), grace: span(15), ladder, crew: vec![true], contacts: 1 };
    Watched::file(terms, noon())
}

pub fn card() -> Card {
    let contact = Mailed { name: "Ann".to_owned(), email: "ann@example.org".to_owned() };
    Card { contacts: vec![contact], crew: vec![None], launch: None, not_asked: Vec::new() }
}

pub async fn file(
    store: &Store,
    plan_ref: &str,
    idempotency: Option<&str>,
    body_hash: &str,
) -> String {
    try_file(store, plan_ref, idempotency, body_hash).await.expect("filed")
}

pub async fn try_file(
    store: &Store,
    plan_ref: &str,
    idempotency: Option<&str>,
    body_hash: &str,
) -> Result<String, StoreError> {
    try_file_by("key", store, plan_ref, idempotency, body_hash).await
}

pub async fn try_file_by(
    key_id: &str,
    store: &Store,
    plan_ref: &str,
    idempotency: Option<&str>,
    body_hash: &str,
) -> Result<String, StoreError> {
    let first = first_step();
    let links = [(format!("hash-{plan_ref}"), Link { purpose: Purpose::Contact, who: 0 })];
    let filing = Filing {
        plan_ref,
        plan_json: "{}",
        review_json: "{}",
        first: &first,
        key_id,
        idempotency,
        body_hash,
        links: &links,
        addresses: &["address".to_owned()],
        card: &card(),
        strangers: None,
    };
    store.file(&filing, noon()).await
}

pub struct Opened {
    pub store: Store,
    pub folder: tempfile::TempDir,
}

pub async fn opened() -> Opened {
    let folder = tempfile::tempdir().expect("a folder");
    let store = Store::open(folder.path()).await.expect("opened");
    Opened { store, folder }
}

/// Claims everything and hands it over.
pub async fn hand_over_all(store: &Store, now: DateTime<Utc>) -> Vec<(Recipient, Kind)> {
    let mut sent = Vec::new();
    for letter in store.claim(now, LEASE, 1000).await.expect("claimed") {
        if store.last_look(&letter, now).await.expect("looked") == LastLook::Send {
            sent.push((letter.order.to, letter.order.kind));
            store.handed(&letter, "250", now).await.expect("recorded");
        }
    }
    sent
}

pub fn check_in() -> Event {
    Event::CheckedIn { who: vec![0], by: By::Crew(None), how: None }
}
