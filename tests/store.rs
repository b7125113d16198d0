//! The database, on a real file: what was acknowledged is there after a restart, an event applies
//! once, a letter leaves once, and a sender that lost its lease changes nothing.

#![allow(clippy::expect_used)]

#[path = "store/common.rs"]
mod common;

use common::{
    LEASE, Opened, check_in, file, first_step, hand_over_all, minutes, noon, opened, try_file,
    try_file_by,
};
use shorelamp::measure::Span;
use shorelamp::store::{
    Key, Known, Lane, LastLook, LetterState, Link, Purpose, Reader, Store, StoreError, UsualTrip,
};
use shorelamp::watch::{By, Event, Kind, Phase, Recipient, Refusal};

#[tokio::test]
async fn what_was_filed_is_there_after_a_restart() {
    let Opened { store, folder } = opened().await;
    file(&store, "A", None, "body").await;
    store.close().await;
    let store = Store::open(folder.path()).await.expect("opened again");
    let plan = store.plan("A").await.expect("the plan");
    assert_eq!(plan.state, first_step().plan);
    assert_eq!(store.next_due_at().await.expect("a time"), Some(minutes(60)));
    assert_eq!(hand_over_all(&store, noon()).await.len(), 2);
}

#[tokio::test]
async fn the_folder_is_for_its_owner_alone() {
    use std::os::unix::fs::PermissionsExt;
    let outer = tempfile::tempdir().expect("a folder");
    let folder = outer.path().join("var? 100%");
    Store::open(&folder).await.expect("opened");
    let mode = std::fs::metadata(&folder).expect("metadata").permissions().mode();
    assert_eq!(mode & 0o777, 0o700);
    for name in ["shorelamp.db", "shorelamp.db-wal"] {
        let mode = std::fs::metadata(folder.join(name)).expect(name).permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "{name}");
    }
}

#[tokio::test]
async fn the_same_filing_again_is_the_first_and_another_body_is_refused() {
    let Opened { store, folder: _folder } = opened().await;
    assert_eq!(file(&store, "A", Some("once"), "body").await, "A");
    assert_eq!(file(&store, "B", Some("once"), "body").await, "A");
    let other = try_file(&store, "C", Some("once"), "other").await;
    assert!(matches!(other, Err(StoreError::OtherBody)));
    assert_eq!(store.open_plans().await.expect("plans").len(), 1);
    assert_eq!(store.filings_by_key("key", minutes(-60)).await.expect("a number"), 1);
}

#[tokio::test]
async fn an_event_with_a_key_applies_once() {
    let Opened { store, folder: _folder } = opened().await;
    file(&store, "A", None, "body").await;
    let event = Event::Extended { later: Span::from_minutes(30), by: By::Crew(None) };
    for expected in [true, false] {
        let applied = store.apply("A", &event, Some("tap"), noon()).await.expect("applied");
        assert_eq!(applied.changed, expected);
        assert_eq!(applied.state.terms.due_at, minutes(90));
    }
    let gone = store.apply("B", &event, None, noon()).await;
    assert!(matches!(gone, Err(StoreError::NoSuchPlan)));
}

#[tokio::test]
async fn a_refused_event_changes_nothing() {
    let Opened { store, folder: _folder } = opened().await;
    file(&store, "A", None, "body").await;
    store.apply("A", &check_in(), None, noon()).await.expect("applied");
    let event = Event::Extended { later: Span::from_minutes(30), by: By::Crew(None) };
    let refused = store.apply("A", &event, None, noon()).await;
    assert!(matches!(refused, Err(StoreError::Refused(Refusal::Closed))));
    assert_eq!(store.history("A").await.expect("history").len(), 1);
}

#[tokio::test]
async fn the_state_is_the_fold_of_its_history() {
    let Opened { store, folder: _folder } = opened().await;
    file(&store, "A", None, "body").await;
    hand_over_all(&store, noon()).await;
    store.apply("A", &Event::Tick, None, minutes(75)).await.expect("applied");
    hand_over_all(&store, minutes(75)).await;
    store.apply("A", &check_in(), None, minutes(80)).await.expect("applied");
    let mut state = first_step().plan;
    for past in store.history("A").await.expect("history") {
        let next = shorelamp::watch::step(&state, &past.event, past.at).expect("applies");
        state = next.plan;
        assert_eq!(state.events, past.number);
    }
    assert_eq!(state, store.plan("A").await.expect("the plan").state);
    assert!(matches!(state.phase, Phase::Closed(_)));
}

#[tokio::test]
async fn a_check_in_before_the_last_look_keeps_the_alert_back() {
    let Opened { store, folder: _folder } = opened().await;
    file(&store, "A", None, "body").await;
    hand_over_all(&store, noon()).await;
    store.apply("A", &Event::Tick, None, minutes(75)).await.expect("applied");
    let claims = store.claim(minutes(75), LEASE, 10).await.expect("claimed");
    let alert = claims.iter().find(|claim| claim.order.kind.is_alert()).expect("an alert");
    store.apply("A", &check_in(), None, minutes(75)).await.expect("applied");
    let look = store.last_look(alert, minutes(75)).await.expect("looked");
    assert_eq!(look, LastLook::Dropped);
    let over = hand_over_all(&store, minutes(76)).await;
    assert!(over.contains(&(Recipient::Contact(0), Kind::Home)), "{over:?}");
}

#[tokio::test]
async fn a_lost_lease_changes_nothing() {
    let Opened { store, folder: _folder } = opened().await;
    file(&store, "A", None, "body").await;
    let slow = store.claim(noon(), LEASE, 1).await.expect("claimed").remove(0);
    let later = noon() + LEASE;
    let again = store.claim(later, LEASE, 10).await.expect("claimed again");
    let quick = again.into_iter().find(|claim| claim.id == slow.id).expect("the same letter");
    assert_eq!(store.last_look(&slow, later).await.expect("looked"), LastLook::LostLease);
    store.refused(&slow, "550", None, later).await.expect("ignored");
    store.try_later(&slow, later, "450").await.expect("ignored");
    assert_eq!(store.last_look(&quick, later).await.expect("looked"), LastLook::Send);
    store.handed(&quick, "250", later).await.expect("recorded");
    let fates = store.letters("A").await.expect("letters");
    let fate = fates.iter().find(|fate| fate.to == quick.order.to).expect("the letter");
    assert_eq!(fate.state, LetterState::Handed);
}

/// One that left from memory is written down before anything else is done; that it never can be must
/// not look like something that passes.
#[tokio::test]
async fn a_letter_of_a_plan_that_is_gone_keeps_no_other_waiting() {
    let Opened { store, folder: _folder } = opened().await;
    let order = first_step().orders.remove(0);
    let written = store.record_sent("GONE", &order, "from memory", noon()).await;
    assert!(written.is_err_and(|error| !error.is_transient()));
    file(&store, "A", None, "body").await;
    store.record_sent("A", &order, "from memory", noon()).await.expect("recorded");
}

/// A backlog that fails again and again must not keep a letter back that has never been tried.
#[tokio::test]
async fn letters_tried_least_often_go_first_in_their_own_lane() {
    let Opened { store, folder: _folder } = opened().await;
    file(&store, "A", None, "body").await;
    for letter in store.claim(noon(), LEASE, 10).await.expect("claimed") {
        store.try_later(&letter, noon(), "450").await.expect("recorded");
    }
    file(&store, "B", None, "body").await;
    let claims = store.claim_lanes(noon(), LEASE, &[Lane::Word], 3).await.expect("claimed");
    let plans: Vec<_> = claims.iter().map(|claim| &*claim.plan_ref).collect();
    assert_eq!(plans, ["B", "B", "A"]);
    let alerts = store.claim_lanes(minutes(75), LEASE, &[Lane::Alert], 9).await.expect("claimed");
    assert!(alerts.is_empty());
}

#[tokio::test]
async fn letters_of_keys_that_had_their_turn_wait_for_all_others() {
    let Opened { store, folder: _folder } = opened().await;
    for (plan_ref, key) in [("A", "flood"), ("B", "flood"), ("C", "other")] {
        try_file_by(key, &store, plan_ref, None, "body").await.expect("filed");
    }
    let behind = || vec!["flood".to_owned()];
    let claims = store.claim_in_turn(noon(), LEASE, &[Lane::Word], 3, behind()).await;
    let plans: Vec<_> = claims.expect("claimed").into_iter().map(|claim| claim.plan_ref).collect();
    assert_eq!((plans.len(), &*plans[0], &*plans[1]), (3, "C", "C"), "{plans:?}");
    let rest = store.claim_in_turn(noon(), LEASE, &[Lane::Word], 9, behind()).await;
    assert_eq!(rest.expect("claimed").len(), 3, "and keep none back for good");
    assert_eq!(store.keys_of(["A", "B", "C", "none"].into_iter()).await.len(), 2);
}

#[tokio::test]
async fn a_letter_put_back_has_not_failed() {
    let Opened { store, folder: _folder } = opened().await;
    file(&store, "A", None, "body").await;
    let letter = store.claim(noon(), LEASE, 1).await.expect("claimed").remove(0);
    store.put_back(&letter, minutes(1)).await.expect("put back");
    assert_eq!(store.claim(noon(), LEASE, 9).await.expect("claimed").len(), 1);
    let again = store.claim(minutes(1), LEASE, 9).await.expect("claimed again").remove(0);
    assert_eq!((again.id, again.failures), (letter.id, 0));
}

#[tokio::test]
async fn a_restart_takes_back_the_leases_and_sends_at_once() {
    let Opened { store, folder } = opened().await;
    file(&store, "A", None, "body").await;
    let stale = store.claim(noon(), LEASE, 10).await.expect("claimed");
    store.close().await;
    let store = Store::open(folder.path()).await.expect("opened again");
    assert!(store.claim(noon(), LEASE, 10).await.expect("none").is_empty());
    assert_eq!(store.void_leases(noon()).await.expect("voided"), 2);
    let fresh = store.claim(noon(), LEASE, 10).await.expect("claimed");
    assert_eq!(fresh.len(), stale.len());
    assert_eq!(store.last_look(&stale[0], noon()).await.expect("looked"), LastLook::LostLease);
}

#[tokio::test]
async fn a_refused_contact_is_told_to_the_plan() {
    let Opened { store, folder: _folder } = opened().await;
    file(&store, "A", None, "body").await;
    for letter in store.claim(noon(), LEASE, 10).await.expect("claimed") {
        assert_eq!(store.last_look(&letter, noon()).await.expect("looked"), LastLook::Send);
        store.refused(&letter, "550 5.1.1", None, noon()).await.expect("recorded");
    }
    let state = store.plan("A").await.expect("the plan").state;
    assert!(state.contacts[0].told.refused);
    let kinds: Vec<_> = hand_over_all(&store, noon()).await;
    assert!(kinds.contains(&(Recipient::Keeper, Kind::Trouble)), "{kinds:?}");
}

#[tokio::test]
async fn an_address_counts_until_it_is_confirmed() {
    let Opened { store, folder: _folder } = opened().await;
    file(&store, "A", None, "body").await;
    file(&store, "B", None, "body").await;
    let since = minutes(-60);
    let named = store.filings_naming_unconfirmed("address", since).await.expect("a number");
    assert_eq!(named, 2);
    let address = "address".to_owned();
    let reader = Reader {
        mailbox: "its mailbox".to_owned(),
        hash: address.clone(),
        counted: address,
        for_all: true,
    };
    for _ in 0..2 {
        store.confirm(&reader, noon()).await.expect("confirmed");
    }
    let of = ["address".to_owned(), "other".to_owned()];
    assert_eq!(store.confirmed_among(&of).await.expect("some"), ["address".to_owned()].into());
    let named = store.filings_naming_unconfirmed("address", since).await.expect("a number");
    assert_eq!(named, 0);
}

#[tokio::test]
async fn keys_and_links_are_found_by_their_hash_alone() {
    let Opened { store, folder: _folder } = opened().await;
    file(&store, "A", None, "body").await;
    let link = store.link("hash-A", noon()).await.expect("looked up").expect("the link");
    assert_eq!(link, ("A".to_owned(), Link { purpose: Purpose::Contact, who: 0 }));
    assert!(store.link("hash-B", noon()).await.expect("looked up").is_none());
    let key = Key { id: "1".to_owned(), name: "ramp".to_owned(), keeper: true };
    store.add_key(&key, "hash", noon()).await.expect("added");
    assert_eq!(store.key("hash").await.expect("looked up"), Some(key));
    assert_eq!(store.key("other").await.expect("looked up"), None);
}

/// A backup knows of nothing that was since.
#[tokio::test]
async fn a_backup_that_takes_its_place_lets_nobody_in_who_was_shut_out_since() {
    use std::os::unix::fs::PermissionsExt;
    let Opened { store, folder } = opened().await;
    for plan_ref in ["A", "B"] {
        file(&store, plan_ref, None, "body").await;
    }
    for id in ["lost", "kept"] {
        let key = Key { id: id.to_owned(), name: id.to_owned(), keeper: false };
        store.add_key(&key, id, noon()).await.expect("added");
    }
    let backup = folder.path().join("backup");
    store.backup(&backup, noon()).await.expect("backed up");
    let open = std::fs::Permissions::from_mode(0o644);
    std::fs::set_permissions(&backup, open).expect("as it came from another disk");
    store.revoke_keys("lost", noon()).await.expect("revoked");
    let text = |text: &str| text.to_owned();
    let reader = Reader { mailbox: text("m"), hash: text("h"), counted: text("c"), for_all: true };
    store.never_write_to(&reader, noon()).await.expect("noted");
    store.apply("A", &check_in(), None, noon()).await.expect("ashore");
    hand_over_all(&store, noon()).await;
    assert!(store.forget_one("A", minutes(1), minutes(1)).await.expect("forgotten"));
    let log = folder.path().join("shorelamp.db-wal");
    let newest = std::fs::read(&log).expect("a log");
    assert!(newest.len() > 32, "what was last written stands there");
    for there in [true, false] {
        assert_eq!(Store::restore(&backup, folder.path()).await.expect("restored"), there);
        let aside = std::fs::read(log.with_extension("db-wal.before-restore")).expect("kept");
        assert!(aside == newest, "as it was");
        let mode = std::fs::metadata(folder.path().join("shorelamp.db")).expect("a file");
        assert_eq!(mode.permissions().mode() & 0o777, 0o600);
        let store = Store::open(folder.path()).await.expect("opened");
        assert!(store.key("kept").await.expect("looked up").is_some());
        assert_eq!(store.key("lost").await.expect("looked up").is_none(), there);
        assert_eq!(store.wants_no_letters(&reader).await.expect("looked up"), there);
        assert_eq!(store.has_plan("A").await.expect("looked up"), !there);
        assert!(store.has_plan("B").await.expect("looked up"));
        store.close().await;
        for name in ["shorelamp.db", "shorelamp.db-wal", "shorelamp.db-shm"] {
            let _gone = std::fs::remove_file(folder.path().join(name));
        }
    }
    // What can't be read keeps no backup from taking its place.
    std::fs::write(folder.path().join("shorelamp.db"), [7; 9000]).expect("written");
    assert!(!Store::restore(&backup, folder.path()).await.expect("restored"));
}

/// What is forgotten is taken out of every backup that was made, those too that the restored one does
/// not know of: itself, and whatever was made since.
#[tokio::test]
async fn a_backup_that_takes_its_place_leaves_no_backup_out_of_reach() {
    let Opened { store, folder } = opened().await;
    let elsewhere = tempfile::tempdir().expect("a folder");
    file(&store, "A", None, "body").await;
    let backups = ["first", "second"].map(|name| elsewhere.path().join(name));
    for backup in &backups {
        store.backup(backup, noon()).await.expect("backed up");
        store.note_copy(backup, noon()).await.expect("noted");
    }
    store.close().await;
    for there in [true, false] {
        let known = if there { &backups[..] } else { &backups[..1] };
        if !there {
            std::fs::write(folder.path().join("shorelamp.db"), [7; 9000]).expect("written");
        }
        assert_eq!(Store::restore(&backups[0], folder.path()).await.expect("restored"), there);
        let store = Store::open(folder.path()).await.expect("opened");
        if !there {
            // It holds nothing any more that could be forgotten.
            file(&store, "A", None, "body").await;
            for backup in known {
                store.backup(backup, noon()).await.expect("backed up");
            }
        }
        store.apply("A", &check_in(), None, noon()).await.expect("ashore");
        hand_over_all(&store, noon()).await;
        assert!(store.forget_one("A", minutes(1), minutes(1)).await.expect("forgotten"));
        let copies = store.thin_copies().await.expect("thinned");
        assert_eq!(copies.thinned, known.len(), "{there}: {copies:?}");
        store.close().await;
    }
}

/// Whoever threw a plan away, or a usual trip, has done so for good.
#[tokio::test]
async fn a_backup_that_takes_its_place_brings_nothing_back_that_was_thrown_away() {
    let Opened { store, folder } = opened().await;
    let trip = |name: &str| UsualTrip { name: name.to_owned(), form: "x".to_owned(), lasts_min: 9 };
    for name in ["kept", "gone"] {
        store.keep_trip("key", &trip(name), noon()).await.expect("kept");
    }
    let backup = folder.path().join("backup");
    store.backup(&backup, noon()).await.expect("backed up");
    store.forget_trip("key", "gone").await.expect("forgotten");
    assert_eq!(store.throw_away("key", "id", noon()).await.expect("thrown away"), None);
    store.close().await;
    assert!(Store::restore(&backup, folder.path()).await.expect("restored"));
    let store = Store::open(folder.path()).await.expect("opened");
    assert_eq!(store.usual_trips("key").await.expect("trips"), [trip("kept")]);
    assert_eq!(store.known_as("key", "id").await.expect("looked up"), Known::ThrownAway);
}

/// What was only half done holds whole plans, and nothing would ever forget it.
#[tokio::test]
async fn a_backup_or_restore_that_fails_leaves_nothing_behind() {
    let Opened { store, folder } = opened().await;
    let elsewhere = tempfile::tempdir().expect("a folder");
    file(&store, "A", None, "body").await;
    let names = |folder: &std::path::Path| -> Vec<_> {
        let entries = std::fs::read_dir(folder).expect("files").flatten();
        entries.map(|entry| entry.file_name().into_string().expect("a name")).collect()
    };
    let in_the_way = elsewhere.path().join("backup");
    std::fs::create_dir_all(in_the_way.join("full")).expect("a folder");
    assert!(store.backup(&in_the_way, noon()).await.is_err());
    assert_eq!(names(elsewhere.path()), ["backup"]);
    let backup = elsewhere.path().join("sound");
    store.backup(&backup, noon()).await.expect("backed up");
    store.close().await;
    let whole = std::fs::read(&backup).expect("a backup");
    for damaged in [&whole[..whole.len() / 2], b"no database at all"] {
        std::fs::write(&backup, damaged).expect("written");
        assert!(Store::restore(&backup, folder.path()).await.is_err());
        let names = names(folder.path());
        assert!(!names.iter().any(|name| name.starts_with("restored")), "{names:?}");
    }
}
