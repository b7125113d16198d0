//! Amended plans in the database, on a real file: the old versions are kept, the state is the fold
//! of its events, and every copy sees the newest version.

#![allow(clippy::expect_used)]

#[path = "store/common.rs"]
mod common;

use common::{Opened, card, check_in, file, first_step, hand_over_all, minutes, noon, opened};
use shorelamp::measure::Span;
use shorelamp::store::{Card, Link, Mailed, NewVersion, Purpose, Store, StoreError};
use shorelamp::watch::{Amendment, By, Event, Kind, Place, Recipient, Refusal, Watched};

/// The second version: due half an hour later, and another contact is asked.
fn version(state: &Watched, idempotency: &str, body_hash: &str) -> NewVersion {
    let to = Amendment {
        from_round: state.round,
        due_at: minutes(90),
        grace: Span::from_minutes(15),
        crew: vec![Place::Reached],
        contacts: 2,
        asked: vec![1],
        was_due_at: state.terms.due_at,
        was_overdue_at: state.overdue_at(),
        joined: vec![Recipient::Contact(1)],
        left: vec![Recipient::Contact(0)],
        parts: Vec::new(),
    };
    let pia = Mailed { name: "Pia".to_owned(), email: "pia@example.org".to_owned() };
    let contacts = [card().contacts, vec![pia]].concat();
    NewVersion {
        plan_ref: "A".to_owned(),
        plan_json: r#"{"version": 2}"#.to_owned(),
        review_json: r#"{"review": 2}"#.to_owned(),
        event: Event::Amended { to: Box::new(to), by: By::Crew(None) },
        idempotency: Some(idempotency.to_owned()),
        body_hash: body_hash.to_owned(),
        links: vec![
            ("hash-A".to_owned(), Link { purpose: Purpose::Contact, who: 0 }),
            ("hash-A2".to_owned(), Link { purpose: Purpose::Contact, who: 1 }),
        ],
        addresses: vec!["address".to_owned(), "address-2".to_owned()],
        card: Card { contacts, not_asked: vec![0], ..card() },
        strangers: None,
    }
}

async fn amended() -> Opened {
    let opened = opened().await;
    file(&opened.store, "A", None, "body").await;
    hand_over_all(&opened.store, noon()).await;
    let state = opened.store.plan("A").await.expect("the plan").state;
    let applied = opened.store.amend(version(&state, "once", "body-2"), minutes(10)).await;
    assert!(applied.expect("amended").changed);
    opened
}

#[tokio::test]
async fn the_newest_version_rules_and_the_old_one_is_kept() {
    let Opened { store, folder } = amended().await;
    store.close().await;
    let store = Store::open(folder.path()).await.expect("opened again");
    let plan = store.plan("A").await.expect("the plan");
    assert_eq!(plan.plan_json, r#"{"version": 2}"#);
    assert_eq!(plan.review_json, r#"{"review": 2}"#);
    assert_eq!(plan.state.terms.due_at, minutes(90));
    let old = store.old_versions("A").await.expect("versions");
    assert_eq!(old.len(), 1);
    assert_eq!((old[0].plan_json.as_str(), old[0].replaced_at), ("{}", minutes(10)));
    let mut state = first_step().plan;
    for past in store.history("A").await.expect("history") {
        state = shorelamp::watch::step(&state, &past.event, past.at).expect("applies").plan;
    }
    assert_eq!(state, plan.state, "the state is the fold of its events");
    assert_eq!(store.verify().await.expect("verified"), []);
    let link =
        store.link("hash-A2", noon()).await.expect("looked up").expect("the new contact's link");
    assert_eq!(link.1.who, 1);
    let named = store.filings_naming_unconfirmed("address-2", noon()).await.expect("a number");
    assert_eq!(named, 1);
}

#[tokio::test]
async fn letters_go_by_the_newest_version_and_old_rounds_stay_readable() {
    let Opened { store, folder: _folder } = amended().await;
    let sent = hand_over_all(&store, minutes(10)).await;
    assert!(sent.contains(&(Recipient::Contact(0), Kind::Changed)), "{sent:?}");
    assert!(sent.contains(&(Recipient::Contact(1), Kind::Filed)), "{sent:?}");
    store.apply("A", &Event::Tick, None, minutes(105)).await.expect("applied");
    let sent = hand_over_all(&store, minutes(105)).await;
    let alerts: Vec<_> = sent.iter().filter(|(_, kind)| kind.is_alert()).collect();
    assert_eq!(alerts, [&(Recipient::Contact(1), Kind::CallRescue)]);
    store.apply("A", &check_in(), None, minutes(110)).await.expect("applied");
    let sent = hand_over_all(&store, minutes(110)).await;
    assert!(sent.contains(&(Recipient::Contact(0), Kind::Home)), "{sent:?}");
    assert!(sent.contains(&(Recipient::Contact(1), Kind::StandDown)), "{sent:?}");
    let fates = store.letters("A").await.expect("letters of every round");
    assert!(fates.iter().any(|one| one.to == Recipient::Contact(0) && one.kind == Kind::Filed));
    assert_eq!(store.verify().await.expect("verified"), []);
}

#[tokio::test]
async fn the_same_amendment_again_changes_nothing_and_another_body_is_refused() {
    let Opened { store, folder: _folder } = amended().await;
    let state = store.plan("A").await.expect("the plan").state;
    assert!(store.amended_before("A", "once", "body-2").await.expect("asked"));
    assert!(!store.amended_before("A", "another", "body-2").await.expect("asked"));
    let again = store.amend(version(&state, "once", "body-2"), minutes(11)).await;
    assert!(!again.expect("known").changed);
    let other = store.amend(version(&state, "once", "body-3"), minutes(11)).await;
    assert!(matches!(other, Err(StoreError::OtherBody)));
    let mut stale = version(&state, "later", "body-4");
    if let Event::Amended { to, .. } = &mut stale.event {
        to.from_round = 1;
    }
    let stale = store.amend(stale, minutes(11)).await;
    assert!(matches!(stale, Err(StoreError::Refused(Refusal::MovedOn))));
    assert_eq!(store.old_versions("A").await.expect("versions").len(), 1);
    assert_eq!(store.plan("A").await.expect("the plan").state, state);
}

#[tokio::test]
async fn a_spare_and_a_backup_know_the_newest_version() {
    let Opened { store, folder } = amended().await;
    let spare = store.spare("A").await.expect("the spare");
    let card = spare.card.expect("a card");
    assert_eq!((card.contacts.len(), card.not_asked), (2, vec![0]));
    assert_eq!(spare.overdue_at, Some(minutes(105)));
    assert_eq!(spare.stored_plan.as_deref(), Some(r#"{"version": 2}"#));
    let backup = folder.path().join("backup.db");
    store.backup(&backup, minutes(11)).await.expect("a backup");
    let restored = tempfile::tempdir().expect("a folder");
    Store::restore(&backup, restored.path()).await.expect("restored");
    let copy = Store::open(restored.path()).await.expect("opened");
    assert_eq!(copy.plan("A").await.expect("the plan").plan_json, r#"{"version": 2}"#);
    assert_eq!(copy.old_versions("A").await.expect("versions").len(), 1);
    assert_eq!(copy.verify().await.expect("verified"), []);
}

#[tokio::test]
async fn a_plan_that_cant_be_read_alarms_those_who_are_asked_alone() {
    let Opened { store, folder: _folder } = amended().await;
    assert!(store.quarantine("A", "a test", minutes(20)).await.expect("set aside"));
    let ordered = store.alert_quarantined(minutes(105)).await.expect("alerted");
    assert_eq!(ordered, 1);
    let fates = store.letters("A").await.expect("letters");
    let alerts: Vec<_> = fates.iter().filter(|one| one.kind.is_alert()).map(|one| one.to).collect();
    assert_eq!(alerts, [Recipient::Contact(1)]);
}

#[tokio::test]
async fn what_got_worse_is_kept_with_its_event() {
    let Opened { store, folder: _folder } = amended().await;
    let event = store.plan("A").await.expect("the plan").state.changed_by.expect("an event");
    assert_eq!(store.worse("A", event).await.expect("asked"), None);
    store.note_worse("A", event, "[1]").await.expect("noted");
    assert_eq!(store.worse("A", event).await.expect("asked").as_deref(), Some("[1]"));
    assert_eq!(store.verify().await.expect("verified"), []);
}

#[tokio::test]
async fn a_plan_is_forgotten_with_all_its_versions() {
    let Opened { store, folder: _folder } = amended().await;
    assert_eq!(store.forget_closed("key", minutes(600)).await.expect("forgotten"), 0, "it is open");
    store.apply("A", &check_in(), None, minutes(20)).await.expect("applied");
    assert_eq!(store.forget_closed("key", minutes(600)).await.expect("forgotten"), 1);
    assert!(store.old_versions("A").await.expect("versions").is_empty());
    assert!(matches!(store.plan("A").await, Err(StoreError::NoSuchPlan)));
}
