//! Databases as earlier programs left them, with plans that are open: today's program watches them on,
//! and being killed at any moment of the upgrade loses nothing.
//!
//! `tests/data/schemas/N.sql` is what a program of schema N wrote, as SQLite dumps it: one plan that
//! is overdue, its contacts alerted; one that was put off, with one of two ashore; one that is
//! closed. With each new schema its program adds such a file, and the older ones stay.

#![allow(clippy::expect_used)]

#[allow(dead_code, reason = "the store's tests need more of it")]
#[path = "store/common.rs"]
mod common;

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

use chrono::{DateTime, Utc};
use common::hand_over_all;
use shorelamp::store::Store;
use shorelamp::watch::Phase;
use sqlx::Connection;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};

const FOLDER: &str = "SHORELAMP_TEST_FOLDER";
/// Makes of a database of the eighth schema one of the fourth.
const BACK_TO_FOURTH: &str = "DROP TABLE never_mailboxes; DROP TABLE confirmations; \
    DROP INDEX plans_closed_at; ALTER TABLE plans DROP COLUMN thinned_at; DROP TABLE forgotten; \
    DROP TABLE copies; DROP TABLE thrown_away; DROP TABLE usual_trips; \
    DELETE FROM _sqlx_migrations WHERE version >= 5;";

/// What such a file holds, run in a new database.
async fn run(folder: &Path, sql: &str) {
    let options = SqliteConnectOptions::new();
    let options =
        options.filename(folder.join("shorelamp.db")).create_if_missing(true).foreign_keys(false);
    let mut connection = SqliteConnection::connect_with(&options).await.expect("connected");
    let sql = sqlx::AssertSqlSafe(sql.to_owned());
    sqlx::raw_sql(sql).execute(&mut connection).await.expect("filled");
    connection.close().await.expect("closed");
}

fn dumps() -> Vec<(String, String)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/schemas");
    let files = fs::read_dir(folder).expect("the dumps").map(|file| file.expect("a file").path());
    let read = |path: std::path::PathBuf| {
        let name = path.file_name().expect("a name").to_string_lossy().into_owned();
        (name, fs::read_to_string(path).expect("text"))
    };
    files.map(read).collect()
}

/// A day after the return times.
fn a_day_on() -> DateTime<Utc> {
    "2026-11-30T15:00:00Z".parse().expect("a time")
}

/// Every plan is there and what its events make of it; those that are open alert.
async fn watches_on(store: &Store, of: &str) {
    assert_eq!(store.quick_check().await.expect("checked"), None, "{of}");
    assert_eq!(store.verify().await.expect("verified"), [], "{of}");
    let open = store.open_plans().await.expect("plans");
    let open: Vec<_> = open.into_iter().map(|plan| plan.expect(of)).collect();
    let overdue = open.iter().filter(|plan| plan.state.phase == Phase::Overdue);
    assert_eq!((open.len(), overdue.count()), (2, 1), "{of}");
    let put_off = open.iter().find(|plan| plan.state.phase == Phase::Armed).expect(of);
    assert_eq!((put_off.state.round, put_off.state.out().len()), (2, 1), "{of}");
}

async fn alerts(store: &Store, of: &str) {
    let now = a_day_on();
    let due = store.due(now, 100).await.expect("due");
    assert_eq!(due.len(), 2, "{of}");
    for (plan_ref, moved) in store.tick(due, now).await.expect("moved") {
        assert!(
            moved.expect(of).orders.iter().any(|order| order.kind.is_alert()),
            "{of} {plan_ref}"
        );
    }
    let sent = hand_over_all(store, now).await;
    assert!(sent.iter().filter(|(_, kind)| kind.is_alert()).count() >= 4, "{of}: {sent:?}");
    assert_eq!(store.verify().await.expect("verified"), [], "{of}");
}

#[tokio::test]
async fn a_database_of_each_schema_is_watched_on() {
    let dumps = dumps();
    assert!(!dumps.is_empty());
    for (name, dump) in dumps {
        let folder = tempfile::tempdir().expect("a folder");
        run(folder.path(), &dump).await;
        let store = Store::open(folder.path()).await.expect("opened");
        watches_on(&store, &name).await;
        alerts(&store, &name).await;
        store.close().await;
    }
}

/// The process that is killed while it upgrades.
#[tokio::test]
#[ignore = "a process for the next test"]
async fn child() {
    let Ok(folder) = std::env::var(FOLDER) else { return };
    // As the service opens it.
    Store::open_alone(Path::new(&folder)).await.expect("opened").close().await;
    println!("upgraded");
}

/// Whether the child came to its end before this call, the `at`th of its kind.
fn upgrade_killed_at(folder: &Path, call: &str, at: usize) -> bool {
    let inject = format!("inject={call}:signal=SIGKILL:when={at}");
    let mut child = Command::new("strace");
    child.args(["-f", "-q", "-o", "/dev/null", "-e", &format!("trace={call}"), "-e", &inject]);
    child.arg(std::env::current_exe().expect("this test"));
    child.args(["--ignored", "--exact", "child", "--nocapture"]).env(FOLDER, folder);
    let ended = child.stderr(Stdio::null()).output().expect("run");
    String::from_utf8_lossy(&ended.stdout).contains("upgraded")
}

#[tokio::test]
async fn an_upgrade_that_is_killed_at_any_moment_loses_nothing() {
    if Command::new("strace").arg("-V").output().is_err() {
        eprintln!("SKIPPED: no strace here to kill at a system call");
        return;
    }
    let fourth = tempfile::tempdir().expect("a folder");
    let (_, dump) = dumps().into_iter().find(|(name, _)| name == "8.sql").expect("the dump");
    run(fourth.path(), &dump).await;
    run(fourth.path(), BACK_TO_FOURTH).await;
    for call in ["pwrite64", "fsync", "unlink"] {
        let (mut at, mut kills) = (1, 0);
        loop {
            let folder = tempfile::tempdir().expect("a folder");
            let database = "shorelamp.db";
            fs::copy(fourth.path().join(database), folder.path().join(database)).expect("copied");
            if upgrade_killed_at(folder.path(), call, at) {
                break;
            }
            kills += 1;
            let of = format!("killed at {call} {at}");
            let store = Store::open(folder.path()).await.expect(&of);
            watches_on(&store, &of).await;
            if store.upgraded_from().is_some() {
                assert!(folder.path().join("before-upgrade-from-4.db").exists(), "{of}");
            }
            assert!(store.review(a_day_on()).await.expect("asked").is_none(), "{of}");
            store.close().await;
            // Each of the first, then ever fewer.
            at += 1 + at / 8;
        }
        println!("{call}: killed {kills} times");
    }
    let folder = tempfile::tempdir().expect("a folder");
    fs::copy(fourth.path().join("shorelamp.db"), folder.path().join("shorelamp.db"))
        .expect("copied");
    let store = Store::open(folder.path()).await.expect("opened");
    assert_eq!(store.upgraded_from(), Some(4));
    alerts(&store, "upgraded").await;
}
