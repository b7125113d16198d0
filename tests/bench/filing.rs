//! How many plans are filed in a second, against the bare commits of the same disk in the same run.
//!
//! `cargo bench --bench filing [FOLDER]`: the folder is on the disk to be measured.
//! The bare rate is one row of 512 bytes with two indexes to a commit, WAL and synchronous=FULL,
//! from one connection that does nothing else.

#![allow(clippy::expect_used)]

#[allow(dead_code, reason = "the store's tests need more of it")]
#[path = "../store/common.rs"]
mod common;

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use common::try_file;
use shorelamp::store::Store;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection, SqliteJournalMode, SqliteSynchronous};
use sqlx::{Connection, Executor};

const FOR: Duration = Duration::from_secs(4);

fn main() {
    let folder = std::env::args().skip(1).find(|word| !word.starts_with('-'));
    let folder = folder.map_or_else(std::env::temp_dir, PathBuf::from);
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    runtime.block_on(async {
        let bare = bare_commits(&folder).await;
        println!("bare commits, one connection: {bare:.0}/s");
        for clients in [1, 4, 16, 64] {
            let filed = filings(&folder, clients).await;
            println!("filings, {clients} clients: {filed:.0}/s, {:.2} of bare", filed / bare);
        }
        let again = bare_commits(&folder).await;
        println!("bare commits, once more: {again:.0}/s");
    });
}

async fn bare_commits(folder: &Path) -> f64 {
    let folder = tempfile::tempdir_in(folder).expect("a folder");
    let options = SqliteConnectOptions::new()
        .filename(folder.path().join("bare.db"))
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full);
    let mut connection = SqliteConnection::connect_with(&options).await.expect("opened");
    let schema = "CREATE TABLE t (a INTEGER PRIMARY KEY, b BIGINT, c BIGINT, d TEXT); \
                  CREATE INDEX tb ON t (b); CREATE INDEX tc ON t (c);";
    connection.execute(schema).await.expect("made");
    let (began, mut commits) = (Instant::now(), 0_i64);
    let text = "x".repeat(512);
    while began.elapsed() < FOR {
        let row = sqlx::query("INSERT INTO t (b, c, d) VALUES ($1, $2, $3)");
        let row = row.bind(commits).bind(commits.wrapping_mul(7919) % 10_007).bind(&text);
        row.execute(&mut connection).await.expect("written");
        commits += 1;
    }
    rate(commits, began.elapsed())
}

async fn filings(folder: &Path, clients: usize) -> f64 {
    let folder = tempfile::tempdir_in(folder).expect("a folder");
    let store = Store::open(folder.path()).await.expect("opened");
    let began = Instant::now();
    let tasks: Vec<_> = (0..clients)
        .map(|client| {
            let store = store.clone();
            tokio::spawn(async move {
                let mut filed = 0_i64;
                while began.elapsed() < FOR {
                    let plan_ref = format!("{client}-{filed}");
                    try_file(&store, &plan_ref, Some(&plan_ref), "body").await.expect("filed");
                    filed += 1;
                }
                filed
            })
        })
        .collect();
    let mut filed = 0;
    for task in tasks {
        filed += task.await.expect("joined");
    }
    let rate = rate(filed, began.elapsed());
    store.close().await;
    rate
}

#[allow(clippy::cast_precision_loss)]
fn rate(number: i64, took: Duration) -> f64 {
    number as f64 / took.as_secs_f64()
}
