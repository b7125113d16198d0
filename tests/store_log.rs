//! The log beside the database: lost, damaged, or kept from being emptied.

#![allow(clippy::expect_used)]

#[path = "store/beside.rs"]
mod beside;
#[allow(dead_code, reason = "the store's tests need more of it")]
#[path = "store/common.rs"]
mod common;

use std::fs;
use std::path::Path;
use std::time::Duration;

use beside::{other, run};
use common::{Opened, file, minutes, noon, opened};
use shorelamp::store::Store;

const LOG: &str = "shorelamp.db-wal";

/// The files as a process leaves them that is killed at this moment, with this log.
fn killed(folder: &Path, log: &[u8]) -> tempfile::TempDir {
    let left = tempfile::tempdir().expect("a folder");
    for name in ["shorelamp.db", "database-id"] {
        fs::copy(folder.join(name), left.path().join(name)).expect("copied");
    }
    fs::write(left.path().join(LOG), log).expect("written");
    left
}

#[tokio::test]
async fn a_lost_log_is_noticed_and_holds_alerts_for_ten_minutes() {
    let Opened { store, folder } = opened().await;
    file(&store, "A", None, "body").await;
    run(folder.path(), "PRAGMA wal_checkpoint").await;
    file(&store, "B", None, "body").await;
    // A process that was killed, and somebody who tidied up after it.
    let killed = tempfile::tempdir().expect("a folder");
    for entry in fs::read_dir(folder.path()).expect("entries") {
        let entry = entry.expect("an entry");
        if !entry.file_name().to_string_lossy().contains("db-") {
            fs::copy(entry.path(), killed.path().join(entry.file_name())).expect("copied");
        }
    }
    let store = Store::open(killed.path()).await.expect("it goes on with what is left");
    assert_eq!(store.open_plans().await.expect("plans").len(), 1);
    let review = store.review(noon()).await.expect("asked").expect("a review");
    assert_eq!(review.until, minutes(10));
    store.end_review().await.expect("ended");
    store.close().await;
    let store = Store::open(killed.path()).await.expect("opened");
    assert_eq!(store.review(noon()).await.expect("asked"), None, "closed well, nothing is lost");
}

/// A start that is refused reads the log as well, and may be the one that folds it.
#[tokio::test]
async fn a_start_that_is_refused_leaves_no_log_to_be_missed() {
    let Opened { store, folder } = opened().await;
    file(&store, "A", None, "body").await;
    run(folder.path(), "PRAGMA wal_checkpoint").await;
    file(&store, "B", None, "body").await;
    let log = fs::read(folder.path().join(LOG)).expect("a log");
    let (killed, tidied) = (killed(folder.path(), &log), killed(folder.path(), &log));
    fs::remove_file(tidied.path().join(LOG)).expect("removed");
    for (left, is_held) in [(killed, false), (tidied, true)] {
        let (left, id) = (left.path(), left.path().join("database-id"));
        fs::write(left.join("open"), "").expect("written");
        let own = fs::read(&id).expect("an id");
        fs::write(&id, "of another").expect("written");
        assert!(Store::open(left).await.is_err(), "the folder is another database's");
        fs::write(&id, own).expect("written");
        let store = Store::open(left).await.expect("opened");
        let review = store.review(noon()).await.expect("asked");
        assert_eq!(review.is_some(), is_held, "{review:?}");
        store.close().await;
    }
}

/// A thousand places of the log of a process that was killed, each changed by itself: what was
/// acknowledged is there, or the keeper is told that it may not be and alerts are held.
#[tokio::test]
async fn a_changed_byte_in_the_log_is_noticed_or_costs_nothing() {
    let Opened { store, folder } = opened().await;
    file(&store, "A", None, "body").await;
    run(folder.path(), "PRAGMA wal_checkpoint").await;
    for plan_ref in ["B", "C", "D"] {
        file(&store, plan_ref, None, "body").await;
    }
    // As the service does every two seconds.
    for minute in 0..5 {
        store.mark_alive(minutes(minute)).await.expect("marked");
    }
    let bytes = fs::read(folder.path().join(LOG)).expect("the log");
    let changes: usize =
        std::env::var("CHANGES").ok().and_then(|text| text.parse().ok()).unwrap_or(60);
    let (mut lost, mut told) = (0, 0);
    for at in 0..=changes {
        let mut changed = bytes.clone();
        // The last of them is not changed.
        if at < changes {
            changed[at * bytes.len() / changes] ^= 0x10;
        }
        let killed = killed(folder.path(), &changed);
        let lock = fs::File::create(killed.path().join("lock")).expect("a lock");
        let opened = match at % 2 {
            0 => Store::open(killed.path()).await,
            _ => {
                lock.try_lock().expect("as `serve` takes it");
                Store::open_alone(killed.path()).await
            }
        };
        let Ok(store) = opened else { continue };
        let plans = store.open_plans().await.expect("plans").len();
        let review = store.review(noon()).await.expect("asked");
        assert!(at < changes || (plans == 4 && review.is_none()), "nothing was changed");
        assert!(plans == 4 || review.is_some(), "{at} of {changes}: {plans} plans, and no word");
        lost += usize::from(plans < 4);
        told += usize::from(review.is_some());
        store.close().await;
    }
    println!("{changes} changes: {lost} lost a plan, {told} were told");
    assert!(lost > 0, "the changes were of no weight");
}

/// What stands behind the damage is lost once, and holds alerts once: a service that is killed again
/// within the ten minutes goes on with what is left of them.
#[tokio::test]
async fn a_damaged_log_holds_alerts_once_however_often_the_service_starts() {
    let Opened { store, folder } = opened().await;
    file(&store, "A", None, "body").await;
    run(folder.path(), "PRAGMA wal_checkpoint").await;
    for plan_ref in ["B", "C", "D", "E"] {
        file(&store, plan_ref, None, "body").await;
    }
    let mut bytes = fs::read(folder.path().join(LOG)).expect("the log");
    bytes[32 + 24] ^= 1;
    let mut life = killed(folder.path(), &bytes);
    for minute in [0, 5, 8] {
        let store = Store::open_alone(life.path()).await.expect("opened");
        let review = store.review(minutes(minute)).await.expect("asked").expect("a review");
        assert_eq!(review.until, minutes(10), "{minute} minutes after the first start");
        let log = fs::read(life.path().join(LOG)).expect("the log");
        life = killed(life.path(), &log);
    }
}

#[tokio::test]
async fn whoever_reads_for_long_keeps_the_log_full_and_nobody_from_writing() {
    let Opened { store, folder } = opened().await;
    file(&store, "A", None, "body").await;
    let mut reader = other(folder.path()).await;
    sqlx::raw_sql("BEGIN; SELECT COUNT(*) FROM plans").execute(&mut reader).await.expect("read");
    file(&store, "B", None, "body").await;
    let emptying = tokio::spawn({
        let store = store.clone();
        async move { store.empty_log().await }
    });
    let mut writer = other(folder.path()).await;
    sqlx::raw_sql("PRAGMA busy_timeout = 2000").execute(&mut writer).await.expect("set");
    let mut written = 0;
    while !emptying.is_finished() {
        sqlx::raw_sql("BEGIN IMMEDIATE; COMMIT").execute(&mut writer).await.expect("written");
        written += 1;
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    assert!(written > 1);
    assert!(!emptying.await.expect("ended").expect("tried"));
    sqlx::raw_sql("COMMIT").execute(&mut reader).await.expect("ended");
    assert!(store.empty_log().await.expect("emptied"));
    let log = fs::metadata(folder.path().join(LOG)).expect("a log");
    assert_eq!(log.len(), 0);
}
