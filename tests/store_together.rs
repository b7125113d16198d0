//! Plans that are moved together, and letters that are claimed, looked at and settled together: each
//! fares as if it had come alone, and one that is damaged hides no other (common practice, no
//! source).

#![allow(clippy::expect_used)]

#[allow(dead_code, reason = "the store's other tests need more of it")]
#[path = "store/common.rs"]
mod common;

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::time::Duration;

use common::{LEASE, Opened, card, check_in, file, hand_over_all, minutes, noon, opened};
use shorelamp::measure::Span;
use shorelamp::store::{Claimed, LastLook, LetterState, NewVersion, Outcome, Store};
use shorelamp::watch::{Amendment, By, Event, Kind, Place, Recipient};
use sqlx::Connection;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};

fn is_to_contact(letter: &Claimed, kind: Kind) -> bool {
    letter.order.to == Recipient::Contact(0) && letter.order.kind == kind
}

/// One alert whose row holds no text where text belongs, among ten; every column in turn.
#[tokio::test]
async fn a_poisoned_letter_is_set_aside_and_hides_no_other() {
    for poison in [
        "recipient = CAST(x'ff00' AS TEXT)",
        "recipient = x'ff00'",
        "recipient = 'nobody'",
        "kind = 'no kind'",
        "cause = CAST(x'c328' AS TEXT)",
        "round = 'one'",
        "failures = 'none'",
        "scheduled_at = 'noon'",
    ] {
        let Opened { store, folder } = opened().await;
        let refs: Vec<String> = (0..10).map(|at| format!("plan-{at}")).collect();
        for plan_ref in &refs {
            file(&store, plan_ref, None, "body").await;
        }
        hand_over_all(&store, noon()).await;
        store.tick(refs, minutes(75)).await.expect("moved");
        let path = folder.path().join("shorelamp.db");
        let options = SqliteConnectOptions::new().filename(path);
        let mut other = SqliteConnection::connect_with(&options).await.expect("opened");
        let text = format!("UPDATE letters SET {poison} WHERE lane = 0 AND plan = 'plan-3'");
        sqlx::raw_sql(sqlx::AssertSqlSafe(text)).execute(&mut other).await.expect("poisoned");
        let claims = store.claim(minutes(75), LEASE, 100).await.expect("claimed");
        let alerts = claims.iter().filter(|one| one.order.kind.is_alert());
        let mut alerted: Vec<_> = alerts.map(|one| one.plan_ref.as_str()).collect();
        alerted.sort_unstable();
        let sound = ["0", "1", "2", "4", "5", "6", "7", "8", "9"].map(|at| format!("plan-{at}"));
        assert_eq!(alerted, sound, "{poison}");
        // It is not lost: when its row has been mended, it is claimed again.
        let mend = "UPDATE letters SET recipient = 'contact:1', kind = 'call-rescue', \
                    cause = 'rung:1', round = 1, failures = 0, scheduled_at = next_try_at \
                    WHERE lane = 0 AND plan = 'plan-3'";
        sqlx::raw_sql(mend).execute(&mut other).await.expect("mended");
        let again = store.claim(minutes(81), LEASE, 100).await.expect("claimed again");
        assert!(again.iter().any(|one| one.plan_ref == "plan-3"), "{poison}");
    }
}

/// What takes back an alarm is tried again although its reader's address was refused, and the
/// plan hears of the refusal once.
#[tokio::test]
async fn a_refused_stand_down_is_tried_again_and_told_once() {
    let Opened { store, folder: _folder } = opened().await;
    file(&store, "plan", None, "body").await;
    store.tick(vec!["plan".to_owned()], minutes(75)).await.expect("moved");
    hand_over_all(&store, minutes(75)).await;
    store.apply("plan", &common::check_in(), None, minutes(80)).await.expect("closed");
    let mut troubles = Vec::new();
    for minute in [80, 86, 92] {
        let claims = store.claim(minutes(minute), LEASE, 100).await.expect("claimed");
        let stand_down = claims.iter().find(|one| is_to_contact(one, Kind::StandDown));
        let letter = stand_down.expect("a stand-down");
        assert_eq!(letter.refused_before, minute > 80);
        let look = store.last_look(letter, minutes(minute)).await.expect("looked");
        assert_eq!(look, LastLook::Send);
        let again_at = Some(minutes(minute + 5));
        store.refused(letter, "550", again_at, minutes(minute)).await.expect("recorded");
        let fates = store.letters("plan").await.expect("read");
        let fate = fates.iter().find(|fate| fate.kind == Kind::StandDown).expect("a fate");
        assert_eq!(fate.state, LetterState::Refused, "it is no secret that it was refused");
        troubles.push(fates.iter().filter(|fate| fate.kind == Kind::Trouble).count());
    }
    assert_eq!(troubles, [1, 1, 1]);
    let claims = store.claim(minutes(98), LEASE, 100).await.expect("claimed");
    let letter = claims.iter().find(|one| is_to_contact(one, Kind::StandDown)).expect("claimed");
    store.handed(letter, "250", minutes(98)).await.expect("recorded");
    let fates = store.letters("plan").await.expect("read");
    assert!(
        fates
            .iter()
            .any(|fate| { fate.kind == Kind::StandDown && fate.state == LetterState::Handed })
    );
    assert!(store.verify().await.expect("folded").is_empty());
}

/// Looks and outcomes that are answered together are answered as if each had come alone.
#[tokio::test]
async fn what_is_answered_together_is_answered_in_turn() {
    let Opened { store, folder: _folder } = opened().await;
    let refs: Vec<String> = (0..40).map(|at| format!("plan-{at}")).collect();
    for plan_ref in &refs {
        file(&store, plan_ref, None, "body").await;
    }
    let claims = store.claim(noon(), LEASE, 1000).await.expect("claimed");
    assert!(claims.len() >= 80, "crew and contact of each plan: {}", claims.len());
    let mut tasks = tokio::task::JoinSet::new();
    for letter in claims {
        let store = store.clone();
        tasks.spawn(async move {
            assert_eq!(store.last_look(&letter, noon()).await.expect("looked"), LastLook::Send);
            let handed = Outcome::Handed { note: "250 taken".to_owned() };
            let handed = store.settle(&letter, handed, noon()).await.expect("on its way");
            // Asked after the outcome, it is answered after it.
            let look = store.last_look(&letter, noon()).await.expect("looked");
            handed.written().await.expect("written");
            assert_eq!(look, LastLook::LostLease);
        });
    }
    while let Some(done) = tasks.join_next().await {
        done.expect("well");
    }
    for plan_ref in &refs {
        let fates = store.letters(plan_ref).await.expect("read");
        assert!(fates.iter().all(|fate| fate.state == LetterState::Handed), "{fates:?}");
    }
    assert!(store.verify().await.expect("folded").is_empty());
}

/// A plan that can't be moved stands among the others as an error.
#[tokio::test]
async fn a_damaged_plan_keeps_no_other_from_moving() {
    let Opened { store, folder } = opened().await;
    let refs: Vec<String> = (0..5).map(|at| format!("plan-{at}")).collect();
    for plan_ref in &refs {
        file(&store, plan_ref, None, "body").await;
    }
    let options = SqliteConnectOptions::new().filename(folder.path().join("shorelamp.db"));
    let mut other = SqliteConnection::connect_with(&options).await.expect("opened");
    for poison in ["CAST(x'ff00' AS TEXT)", "'{}'", "7"] {
        let text = format!(
            "UPDATE plans SET state_json = {poison} WHERE ref = 'plan-2'; \
             UPDATE spares SET first_json = 'no' WHERE plan = 'plan-2'"
        );
        sqlx::raw_sql(sqlx::AssertSqlSafe(text)).execute(&mut other).await.expect("poisoned");
        let moved = store.tick(refs.clone(), minutes(60)).await.expect("moved");
        let wrong: Vec<_> =
            moved.iter().filter(|(_, one)| one.is_err()).map(|(one, _)| one.as_str()).collect();
        assert_eq!(wrong, ["plan-2"], "{poison}");
        assert!(moved.iter().all(|(_, one)| one.as_ref().err().is_none_or(|e| e.is_damage())));
    }
}

/// A page of the file that can't be read holds the rows of a few plans. Every plan is found and
/// alerts all the same: in plain words by its spare copy, or by its state alone. Every leaf that
/// holds a state in turn, those of the plans and those of their spare copies; and the indexes of
/// both.
#[tokio::test]
async fn a_damaged_page_keeps_no_alert_back() {
    let many = Many::filed().await;
    let mut pages = leaves_with(&many.sound, b"{\"terms\":{\"due_at\"");
    assert!(pages.len() > 10, "{pages:?}");
    for index in ["plans_next_at", "spares_wake_at"] {
        pages.extend(many.pages_of(index).await);
    }
    for page in pages {
        let store = many.damaged(page).await;
        let soonest = store.soonest(100).await.expect("the others are found");
        assert!(soonest.len() >= many.refs.len() - 6, "page {}: {soonest:?}", page / PAGE);
        store.next_due_at().await.expect("asked");
        let mut due = store.due(minutes(75), 100).await.expect("all are found");
        due.sort();
        assert_eq!(due, many.refs, "page {}", page / PAGE);
        let met = tokio::time::timeout(Duration::from_secs(5), store.damage_met()).await;
        assert!(met.is_ok(), "page {}: the keeper is told at once", page / PAGE);
        let alerts = alerted(&store).await;
        assert_eq!(alerts, many.refs.iter().cloned().collect(), "page {}", page / PAGE);
        store.close().await;
    }
}

/// Letters that wait in a damaged page are ordered anew, and hold up no others.
#[tokio::test]
async fn letters_in_a_damaged_page_are_ordered_anew() {
    let many = Many::filed().await;
    let store = many.damaged(usize::MAX).await;
    store.tick(many.refs.clone(), minutes(75)).await.expect("moved");
    store.close().await;
    let many = Many { sound: std::fs::read(&many.path).expect("the file"), ..many };
    let pages = leaves_with(&many.sound, b"rung:1contact:1call-rescue");
    let whole = pages.iter().filter(|page| **page != *pages.last().expect("some"));
    let mut lost = 0;
    for page in whole {
        let store = many.damaged(*page).await;
        let alerts = alerted(&store).await;
        assert_eq!(alerts, many.refs.iter().cloned().collect(), "page {}", page / PAGE);
        lost += 1;
        store.close().await;
    }
    assert!(lost > 0, "{pages:?}");
}

/// What is written for the first time goes behind the last row of its table: that page lost keeps
/// nobody from moving, checking in, or being alerted.
#[tokio::test]
async fn a_damaged_last_page_keeps_no_plan_from_moving() {
    let many = Many::filed_as_many_as(96).await;
    for table in ["events", "letters"] {
        let store = many.damaged(many.last_page_of(table).await).await;
        let moved = store.tick(many.refs.clone(), minutes(75)).await.expect("moved");
        for (plan_ref, applied) in &moved {
            let applied =
                applied.as_ref().unwrap_or_else(|why| panic!("{table} {plan_ref}: {why}"));
            assert!(applied.letters > 0, "{table}: {plan_ref} was alerted for");
        }
        let alerts = alerted(&store).await;
        assert_eq!(alerts, many.refs.iter().cloned().collect(), "{table}");
        for plan_ref in &many.refs {
            let told = store.plan(plan_ref).await.expect("the plan").state.contacts[0].told.clone();
            assert!(told.alerted, "{table} {plan_ref}: so that they are stood down");
            for changed in [true, false] {
                let ashore = store.apply(plan_ref, &check_in(), Some("once"), minutes(76)).await;
                let ashore = ashore.unwrap_or_else(|why| panic!("{table} {plan_ref}: {why}"));
                let came = (ashore.changed, ashore.state.is_closed());
                assert_eq!(came, (changed, true), "{table} {plan_ref}");
            }
        }
        // What was written so is read as all else, and folds to the same state.
        let mut folded = 0;
        for plan_ref in &many.refs {
            let state = store.plan(plan_ref).await.expect("the plan").state;
            let Ok(history) = store.history(plan_ref).await else { continue };
            let numbers: Vec<u32> = history.iter().map(|past| past.number).collect();
            assert_eq!(numbers, (2..=state.events).collect::<Vec<_>>(), "{table} {plan_ref}");
            folded += 1;
        }
        assert!(folded > many.refs.len() / 2, "{table}: only {folded} can be read");
        let differ = store.verify().await.expect("compared");
        assert_eq!(differ.len(), many.refs.len() - folded, "{table}: {differ:?}");
        // The attempts at the alerts end first, then their readers are written to.
        let (later, mut stood_down) = (minutes(76) + LEASE, BTreeSet::new());
        for _again in 0..2 {
            for letter in store.claim(later, LEASE, 1000).await.expect("claimed") {
                let look = store.last_look(&letter, later).await.expect("looked");
                assert!(look == LastLook::Dropped || !letter.order.kind.is_alert(), "{letter:?}");
                if is_to_contact(&letter, Kind::StandDown) && look == LastLook::Send {
                    stood_down.insert(letter.plan_ref);
                }
            }
        }
        assert_eq!(stood_down, many.refs.iter().cloned().collect(), "{table}");
        store.close().await;
    }
}

/// An alert that waits in a page that can't be read can't be dropped either when the crew comes home.
#[tokio::test]
async fn a_damaged_letter_keeps_no_check_in_back() {
    let mut many = Many::filed_as_many_as(96).await;
    let sound = many.damaged(usize::MAX).await;
    sound.tick(many.refs.clone(), minutes(75)).await.expect("moved");
    sound.close().await;
    many.sound = std::fs::read(&many.path).expect("the file");
    let store = many.damaged(many.last_page_of("letters").await).await;
    for plan_ref in &many.refs {
        let ashore = store.apply(plan_ref, &check_in(), None, minutes(76)).await;
        assert!(ashore.unwrap_or_else(|why| panic!("{plan_ref}: {why}")).state.is_closed());
    }
    for letter in store.claim(minutes(76), LEASE, 1000).await.expect("claimed") {
        let look = store.last_look(&letter, minutes(76)).await.expect("looked");
        assert!(look == LastLook::Dropped || !letter.order.kind.is_alert(), "{letter:?}");
    }
    store.close().await;
}

/// A plan whose spare copy lies in a page that can't be written is amended all the same.
#[tokio::test]
async fn a_damaged_spare_copy_keeps_no_amendment_back() {
    let many = Many::filed().await;
    let store = many.damaged(many.last_page_of("spares").await).await;
    let last = many.refs.last().expect("some");
    let plan = store.plan(last).await.expect("the plan");
    let to = Amendment {
        from_round: plan.state.round,
        due_at: minutes(90),
        grace: Span::from_minutes(15),
        crew: vec![Place::Reached],
        contacts: 1,
        asked: vec![0],
        was_due_at: plan.state.terms.due_at,
        was_overdue_at: plan.state.overdue_at(),
        joined: Vec::new(),
        left: Vec::new(),
        parts: Vec::new(),
    };
    let version = NewVersion {
        plan_ref: last.clone(),
        plan_json: r#"{"version": 2}"#.to_owned(),
        review_json: "{}".to_owned(),
        event: Event::Amended { to: Box::new(to), by: By::Crew(None) },
        idempotency: None,
        body_hash: "body-2".to_owned(),
        links: Vec::new(),
        addresses: vec!["address".to_owned()],
        card: card(),
        strangers: None,
    };
    let amended = store.amend(version, minutes(10)).await.expect("amended");
    assert!(amended.changed);
    let plan = store.plan(last).await.expect("the plan");
    assert_eq!(
        (plan.plan_json.as_str(), plan.state.terms.due_at),
        (r#"{"version": 2}"#, minutes(90))
    );
    assert!(store.spare(last).await.expect("asked").card.is_none(), "its page is the damaged one");
    store.close().await;
}

/// Plans whose first letters are handed over, in a file that is closed.
struct Many {
    _folder: tempfile::TempDir,
    path: PathBuf,
    refs: Vec<String>,
    sound: Vec<u8>,
}

impl Many {
    async fn filed() -> Many {
        Many::filed_as_many_as(32).await
    }

    async fn filed_as_many_as(many: usize) -> Many {
        let Opened { store, folder } = opened().await;
        let refs: Vec<String> = (0..many).map(|at| format!("plan-{at:02}")).collect();
        for plan_ref in &refs {
            file(&store, plan_ref, None, "body").await;
        }
        hand_over_all(&store, noon()).await;
        store.close().await;
        let path = folder.path().join("shorelamp.db");
        let sound = std::fs::read(&path).expect("the file");
        Many { _folder: folder, path, refs, sound }
    }

    /// The store over the file with this page overwritten; over the sound one without such a page.
    async fn damaged(&self, page: usize) -> Store {
        for log in ["shorelamp.db-wal", "shorelamp.db-shm"] {
            let _gone = std::fs::remove_file(self.path.with_file_name(log));
        }
        let mut bytes = self.sound.clone();
        if let Some(head) = page.checked_add(8).and_then(|end| bytes.get_mut(page..end)) {
            head.fill(0x55);
        }
        std::fs::write(&self.path, &bytes).expect("written");
        Store::open(self.path.parent().expect("a folder")).await.expect("opened")
    }

    /// Where the last page of a table begins: a page of its tree (its first byte is 5) names its last
    /// child in its bytes 8 to 11, after how many others it has in bytes 3 and 4 (SQLite's file format, 1.6).
    async fn last_page_of(&self, table: &str) -> usize {
        let mut page = self.pages_of(table).await[0];
        let mut above = 0;
        let children = u16::from_be_bytes([self.sound[page + 3], self.sound[page + 4]]) + 1;
        while self.sound[page] == 5 {
            let number: [u8; 4] = self.sound[page + 8..page + 12].try_into().expect("four bytes");
            page = (u32::from_be_bytes(number) as usize - 1) * PAGE;
            above += 1;
        }
        assert!(above > 1 || above == 1 && children > 3, "{table} has few pages");
        page
    }

    /// Where the pages of an index, or a table, begin.
    async fn pages_of(&self, index: &str) -> Vec<usize> {
        let options = SqliteConnectOptions::new().filename(&self.path);
        let mut other = SqliteConnection::connect_with(&options).await.expect("opened");
        let select = "SELECT rootpage FROM sqlite_master WHERE name = $1";
        let root: i64 =
            sqlx::query_scalar(select).bind(index).fetch_one(&mut other).await.expect("a page");
        vec![(usize::try_from(root).expect("a number") - 1) * PAGE]
    }
}

/// Moves and sends as the service does; whose contacts have got an alert.
async fn alerted(store: &Store) -> BTreeSet<String> {
    let mut alerts = BTreeSet::new();
    let due = store.due(minutes(75), 100).await.expect("the others are found");
    for (plan_ref, moved) in store.tick(due, minutes(75)).await.expect("the others move") {
        if let Err(why) = moved {
            assert!(why.is_damage() || why.is_unsound(), "{why}");
            store.quarantine(&plan_ref, "a page", minutes(75)).await.expect("set aside");
        }
    }
    store.alert_quarantined(minutes(75)).await.expect("ordered");
    for _again in 0..2 {
        for letter in store.claim(minutes(75), LEASE, 1000).await.expect("claimed") {
            let look = store.last_look(&letter, minutes(75)).await.expect("looked");
            if letter.order.kind.is_alert() && look == LastLook::Send {
                alerts.insert(letter.plan_ref);
            }
        }
    }
    alerts
}

const PAGE: usize = 4096;

/// Where the pages begin that are leaves of tables (their first byte is 13: SQLite's file format,
/// 1.6) and hold this text.
fn leaves_with(bytes: &[u8], text: &[u8]) -> BTreeSet<usize> {
    let found = bytes.windows(text.len()).enumerate().filter(|(_, window)| *window == text);
    let pages = found.map(|(at, _)| at / PAGE * PAGE);
    pages.filter(|page| bytes[*page] == 13).collect()
}
