//! Traps that the store and the sending once fell into: letters that overtake each other or leave
//! with yesterday's words, clocks set back, one unreadable event (common practice, no source).

#![allow(clippy::expect_used)]

use chrono::{DateTime, TimeDelta, Utc};
use shorelamp::measure::Span;
use shorelamp::store::{Claimed, Filing, LastLook, Store};
use shorelamp::watch::{
    Anchor, Answer, By, Event, Kind, Ladder, Recipient, Rung, RungKind, Terms, To, Watched,
};

const LEASE: TimeDelta = TimeDelta::seconds(90);
const CONTACT: Recipient = Recipient::Contact(0);

fn minutes(minutes: i64) -> DateTime<Utc> {
    let noon: DateTime<Utc> = "2026-06-14T12:00:00Z".parse().expect("a time");
    noon + TimeDelta::minutes(minutes)
}

/// One contact; due in an hour, overdue in 75 minutes.
async fn filed() -> (Store, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a folder");
    let store = Store::open(folder.path()).await.expect("opened");
    let rungs = vec![Rung {
        anchor: Anchor::Overdue,
        offset_s: 0,
        to: vec![To::Contacts],
        kind: RungKind::CallRescue,
    }];
    let span = Span::from_minutes;
    let ladder = Ladder::new(rungs, span(15), span(10), span(15)).expect("a ladder");
    let terms =
        Terms { due_at: minutes(60), grace: span(15), ladder, crew: vec![true], contacts: 1 };
    let first = Watched::file(terms, minutes(0));
    let filing = Filing {
        plan_ref: "A",
        plan_json: "{}",
        review_json: "{}",
        first: &first,
        key_id: "key",
        idempotency: None,
        body_hash: "body",
        links: &[],
        addresses: &["address".to_owned()],
        card: &shorelamp::store::Card::default(),
        strangers: None,
    };
    store.file(&filing, minutes(0)).await.expect("filed");
    (store, folder)
}

async fn claim(store: &Store, now: DateTime<Utc>) -> Vec<Claimed> {
    store.claim(now, LEASE, 100).await.expect("claimed")
}

/// Claims everything and hands it over.
async fn hand_over_all(store: &Store, now: DateTime<Utc>) {
    for letter in claim(store, now).await {
        if store.last_look(&letter, now).await.expect("looked") == LastLook::Send {
            store.handed(&letter, "250", now).await.expect("recorded");
        }
    }
}

async fn check_in(store: &Store, now: DateTime<Utc>) -> u32 {
    let event = Event::CheckedIn { who: vec![0], by: By::Crew(None), how: None };
    store.apply("A", &event, None, now).await.expect("applied").state.events
}

fn is_to_contact(letter: &Claimed, kind: Kind) -> bool {
    letter.order.to == CONTACT && letter.order.kind == kind
}

/// A letter is written from the plan as it stands, then spends up to a minute reaching a relay.
/// When the crew extends in between it must not leave as it is: its reader would get `filed` with
/// the old times, and no `changed`, for they had got nothing yet.
#[tokio::test]
async fn a_letter_written_before_an_extension_does_not_leave_as_the_contacts_last_word() {
    let (store, _folder) = filed().await;
    let claims = claim(&store, minutes(1)).await;
    let letter = claims.iter().find(|one| is_to_contact(one, Kind::Filed)).expect("filed");
    // prepare(): the letter is written here, with the return time of now.
    let written_from = store.plan("A").await.expect("the plan").state;
    // Post::begin() takes its time; the crew extends.
    let event = Event::Extended { later: Span::from_minutes(120), by: By::Crew(None) };
    store.apply("A", &event, None, minutes(1)).await.expect("applied");
    let letter = Claimed { written_from: Some(Box::new(written_from)), ..letter.clone() };
    let look = store.last_look(&letter, minutes(1)).await.expect("looked");
    assert_eq!(look, LastLook::Outdated, "it would leave with the old times, and nothing follows");
    // Written again, from the plan as it stands, it goes.
    store.put_back(&letter, minutes(1)).await.expect("put back");
    let claims = claim(&store, minutes(1)).await;
    let again = claims.iter().find(|one| is_to_contact(one, Kind::Filed)).expect("filed");
    let stands = store.plan("A").await.expect("the plan").state;
    let again = Claimed { written_from: Some(Box::new(stands)), ..again.clone() };
    assert_eq!(store.last_look(&again, minutes(1)).await.expect("looked"), LastLook::Send);
}

/// A contact answers and takes that back while a relay takes its time over each alert. Written anew, the
/// alert goes all the same, and what it lacks follows; but none that is no longer owed.
#[tokio::test]
async fn an_alert_that_was_written_anew_waits_for_no_more_answers() {
    let (store, _folder) = filed().await;
    hand_over_all(&store, minutes(0)).await;
    store.apply("A", &Event::Tick, None, minutes(75)).await.expect("applied");
    let claims = claim(&store, minutes(75)).await;
    let alert = claims.iter().find(|one| is_to_contact(one, Kind::CallRescue)).expect("alert");
    let written = async || {
        let stands = store.plan("A").await.expect("the plan").state;
        Claimed { written_from: Some(Box::new(stands)), ..alert.clone() }
    };
    let happens = async |event: Event| {
        store.apply("A", &event, None, minutes(75)).await.expect("applied").state.events
    };
    let news = async || {
        let letters = store.letters("A").await.expect("letters");
        letters.iter().filter(|one| (one.to, one.kind) == (CONTACT, Kind::News)).count()
    };
    let name = "Dunstan".to_owned();
    let on_it = Event::Answered { contact: 0, name: name.clone(), answer: Answer::OnIt };
    let undo = |event| Event::Undone { event, by: By::Contact(0, name.clone()) };

    let first = written().await;
    let answer = happens(on_it.clone()).await;
    assert_eq!(store.last_look(&first, minutes(75)).await.expect("looked"), LastLook::Outdated);
    let anew = written().await;
    happens(undo(answer)).await;
    assert_eq!(store.last_look(&anew, minutes(75)).await.expect("looked"), LastLook::Outdated);
    assert_eq!(news().await, 0);
    assert_eq!(store.last_look_anew(&anew, minutes(75)).await.expect("looked"), LastLook::Send);
    assert_eq!(news().await, 1, "that nobody is on it after all");
    // Who was alerted hears of each answer as it is given.
    happens(on_it).await;
    assert_eq!(store.last_look_anew(&anew, minutes(75)).await.expect("looked"), LastLook::Send);
    assert_eq!(news().await, 2);
    check_in(&store, minutes(75)).await;
    let look = store.last_look_anew(&anew, minutes(75)).await.expect("looked");
    assert_eq!(look, LastLook::Dropped, "however often it was written");
}

/// The same of the letters that end or correct an alert; but none whose trip is open again leaves, nor one
/// with times that have moved.
#[tokio::test]
async fn what_ends_or_corrects_an_alert_waits_for_no_more_words_either() {
    let (store, _folder) = filed().await;
    hand_over_all(&store, minutes(0)).await;
    store.apply("A", &Event::Tick, None, minutes(75)).await.expect("applied");
    hand_over_all(&store, minutes(75)).await;
    let happens = async |event: Event| {
        store.apply("A", &event, None, minutes(76)).await.expect("applied").state.events
    };
    let owed = async |kind| {
        let claims = claim(&store, minutes(76)).await;
        claims.into_iter().find(|one| is_to_contact(one, kind)).expect("owed")
    };
    let written = async |letter: &Claimed| {
        let stands = store.plan("A").await.expect("the plan").state;
        Claimed { written_from: Some(Box::new(stands)), ..letter.clone() }
    };
    let first = async |letter| store.last_look(letter, minutes(76)).await.expect("looked");
    let anew = async |letter| store.last_look_anew(letter, minutes(76)).await.expect("looked");
    let name = "Dunstan".to_owned();
    let undo = |event| Event::Undone { event, by: By::Contact(0, name.clone()) };
    let later = || Event::Extended { later: Span::from_minutes(60), by: By::Crew(None) };

    happens(later()).await;
    let changed = written(&owed(Kind::Changed).await).await;
    happens(Event::Answered { contact: 0, name: name.clone(), answer: Answer::OnIt }).await;
    assert_eq!(first(&changed).await, LastLook::Outdated);
    assert_eq!(anew(&changed).await, LastLook::Send);
    store.handed(&changed, "250", minutes(76)).await.expect("recorded");

    let news = written(&owed(Kind::News).await).await;
    happens(later()).await;
    assert_eq!(anew(&news).await, LastLook::Outdated, "the times are others");
    store.handed(&news, "250", minutes(76)).await.expect("recorded");
    hand_over_all(&store, minutes(76)).await;

    let closing = check_in(&store, minutes(76)).await;
    let stand_down = written(&owed(Kind::StandDown).await).await;
    let by = By::Contact(0, name.clone());
    let word = happens(Event::CheckedIn { who: vec![0], by, how: None }).await;
    assert_eq!(first(&stand_down).await, LastLook::Outdated);
    assert_eq!(anew(&stand_down).await, LastLook::Send);
    let stand_down = written(&stand_down).await;
    happens(undo(word)).await;
    assert_eq!(anew(&stand_down).await, LastLook::Send);
    happens(undo(closing)).await;
    assert_eq!(anew(&stand_down).await, LastLook::Dropped, "somebody is out");
}

/// An alert is between its last look and the relay's answer (up to a minute). The crew checks in.
/// The stand-down must not go past it on another connection: the reader's last letter would be
/// the alert.
#[tokio::test]
async fn a_stand_down_does_not_overtake_the_alert_that_is_under_way() {
    let (store, _folder) = filed().await;
    hand_over_all(&store, minutes(0)).await;
    store.apply("A", &Event::Tick, None, minutes(75)).await.expect("applied");
    let claims = claim(&store, minutes(75)).await;
    let alert = claims.iter().find(|one| is_to_contact(one, Kind::CallRescue)).expect("alert");
    assert_eq!(store.last_look(alert, minutes(75)).await.expect("looked"), LastLook::Send);
    check_in(&store, minutes(75)).await;
    let claims = claim(&store, minutes(75)).await;
    assert!(!claims.iter().any(|one| is_to_contact(one, Kind::StandDown)));
}

/// The other way round, and worse: `home` is under way when the closing is undone. If `withdrawn`
/// goes past it, the contact's last letter says that all are ashore.
#[tokio::test]
async fn a_withdrawn_does_not_overtake_the_home_that_is_under_way() {
    let (store, _folder) = filed().await;
    hand_over_all(&store, minutes(0)).await;
    let event = check_in(&store, minutes(30)).await;
    let claims = claim(&store, minutes(30)).await;
    let home = claims.iter().find(|one| is_to_contact(one, Kind::Home)).expect("home");
    assert_eq!(store.last_look(home, minutes(30)).await.expect("looked"), LastLook::Send);
    let undo = Event::Undone { event, by: By::Crew(None) };
    store.apply("A", &undo, None, minutes(30)).await.expect("applied");
    let claims = claim(&store, minutes(30)).await;
    assert!(!claims.iter().any(|one| is_to_contact(one, Kind::Withdrawn)));
}

/// The clock is seven hours ahead when the relay can't be reached (both usual just after a start);
/// then it is set right. The alert must not wait for seven hours.
#[tokio::test]
async fn a_clock_set_back_does_not_put_off_the_next_try() {
    let (store, _folder) = filed().await;
    hand_over_all(&store, minutes(0)).await;
    let ahead = minutes(80 + 7 * 60);
    store.apply("A", &Event::Tick, None, ahead).await.expect("applied");
    for letter in claim(&store, ahead).await {
        let next = ahead + TimeDelta::seconds(5);
        store.try_later(&letter, next, "no network").await.expect("put off");
    }
    let claims = claim(&store, minutes(86)).await;
    assert!(claims.iter().any(|one| is_to_contact(one, Kind::CallRescue)));
}

/// A lease that was given out by a clock that ran ahead.
#[tokio::test]
async fn a_clock_set_back_does_not_lengthen_a_lease() {
    let (store, _folder) = filed().await;
    claim(&store, minutes(7 * 60)).await;
    assert_eq!(claim(&store, minutes(5)).await.len(), 2);
}

/// One idempotency key for two different requests: the second is another event and must not be
/// answered as if it had been done. (A device that sends its own name, or a counter that starts
/// again, loses its check-in: contacts are alarmed.)
#[tokio::test]
async fn a_check_in_under_the_key_of_an_extension_is_not_lost() {
    let (store, _folder) = filed().await;
    let event = Event::Extended { later: Span::from_minutes(30), by: By::Crew(None) };
    store.apply("A", &event, Some("1"), minutes(1)).await.expect("applied");
    let event = Event::CheckedIn { who: vec![0], by: By::Crew(None), how: None };
    let answer = store.apply("A", &event, Some("1"), minutes(2)).await;
    assert!(answer.is_err() || answer.is_ok_and(|applied| applied.state.is_closed()));
}

/// After the check-in the alert that never left is void; it must no longer count as an alert that
/// waits (`/healthz` would be red, and a free place at the relay spent on it).
#[tokio::test]
async fn a_void_alert_does_not_count_as_waiting() {
    let (store, _folder) = filed().await;
    hand_over_all(&store, minutes(0)).await;
    store.apply("A", &Event::Tick, None, minutes(75)).await.expect("applied");
    for letter in claim(&store, minutes(75)).await {
        store.try_later(&letter, minutes(80), "451").await.expect("put off");
    }
    check_in(&store, minutes(76)).await;
    assert_eq!(store.oldest_waiting_alert().await.expect("asked"), None);
}

/// A data folder made by hand is open to everyone; the database holds `medical`.
#[tokio::test]
async fn the_database_is_for_its_owner_alone_in_a_folder_that_was_there() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(0o755)).expect("set");
    Store::open(folder.path()).await.expect("opened");
    let mode = |path: &std::path::Path| {
        std::fs::metadata(path).expect("metadata").permissions().mode() & 0o077
    };
    let database = folder.path().join("shorelamp.db");
    assert!(mode(folder.path()) == 0 || mode(&database) == 0, "{:o}", mode(&database));
}

/// One event that can't be read (a word that a later version writes, a flipped bit) must not keep
/// every letter of its plan back: `daemon::acting::dossier` asks for the whole history or fails.
#[tokio::test]
async fn an_unreadable_event_does_not_keep_the_rest_of_the_history_back() {
    use sqlx::Connection;
    let (store, folder) = filed().await;
    hand_over_all(&store, minutes(0)).await;
    let url = format!("sqlite://{}", folder.path().join("shorelamp.db").display());
    let mut raw = sqlx::AnyConnection::connect(&url).await.expect("connected");
    sqlx::query("UPDATE events SET event_json = '\"of a later version\"' WHERE number = 2")
        .execute(&mut raw)
        .await
        .expect("damaged");
    let history = store.history("A").await;
    assert!(history.is_ok_and(|past| !past.is_empty()));
}
