//! A process that files plans is killed, or its disk fails to sync, again and again: whatever it
//! was told is filed is there afterwards, and whole.

#![allow(clippy::expect_used)]

#[allow(dead_code, reason = "the store's tests need more of it")]
#[path = "store/common.rs"]
mod common;

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};
use std::thread;
use std::time::Duration;

use common::{check_in, minutes, try_file};
use shorelamp::store::Store;

const KILLS: u64 = 25;
const CLIENTS: usize = 8;
const FOLDER: &str = "SHORELAMP_TEST_FOLDER";
const MOST: &str = "SHORELAMP_TEST_MOST";

/// The process that is killed: files plans and checks every other one in, and says what was
/// acknowledged.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[ignore = "a process for the other tests"]
async fn child() {
    let Ok(folder) = std::env::var(FOLDER) else { return };
    let most: usize = std::env::var(MOST).ok().and_then(|most| most.parse().ok()).unwrap_or(1000);
    let store = Store::open(Path::new(&folder)).await.expect("opened");
    let clients: Vec<_> = (0..CLIENTS)
        .map(|client| {
            let store = store.clone();
            tokio::spawn(async move {
                for number in 0..most {
                    let plan_ref = format!("{}-{client}-{number}", std::process::id());
                    work(&store, &plan_ref, number % 2 == 1).await;
                }
            })
        })
        .collect();
    for client in clients {
        client.await.expect("joined");
    }
}

async fn work(store: &Store, plan_ref: &str, and_check_in: bool) {
    match try_file(store, plan_ref, None, "body").await {
        Ok(_) => println!("filed {plan_ref}"),
        Err(error) => return println!("failed {plan_ref} {error}"),
    }
    if and_check_in && store.apply(plan_ref, &check_in(), None, minutes(5)).await.is_ok() {
        println!("ashore {plan_ref}");
    }
}

fn child_command(folder: &Path, most: usize, before: &[&str]) -> Command {
    let me = std::env::current_exe().expect("this test");
    let mut command = match before.split_first() {
        Some((first, rest)) => {
            let mut command = Command::new(first);
            command.args(rest).arg(me);
            command
        }
        None => Command::new(me),
    };
    command.args(["--ignored", "--exact", "child", "--nocapture"]);
    command.env(FOLDER, folder).env(MOST, most.to_string()).stderr(Stdio::null());
    command.stdout(Stdio::piped());
    command
}

/// What a run of the child acknowledged; killed after so many milliseconds, if any.
fn run(mut command: Command, kill_after_ms: Option<u64>) -> Vec<String> {
    let mut child = command.spawn().expect("started");
    let out = child.stdout.take().expect("its words");
    let reader = thread::spawn(move || {
        BufReader::new(out).lines().map_while(Result::ok).collect::<Vec<_>>()
    });
    if let Some(ms) = kill_after_ms {
        thread::sleep(Duration::from_millis(ms));
        // SIGKILL: nothing of it runs any more.
        child.kill().expect("killed");
    }
    child.wait().expect("ended");
    reader.join().expect("read")
}

fn said<'a>(lines: &'a [String], word: &str) -> Vec<&'a str> {
    // The child's words may stand behind the test runner's own on a line.
    let said = lines.iter().filter_map(|line| line.split_once(word));
    said.filter_map(|(_, rest)| rest.split_whitespace().next()).collect()
}

/// Everything acknowledged is there, and every plan is what its events make of it.
async fn check(folder: &Path, lines: &[String]) {
    let store = Store::open(folder).await.expect("opened after the fault");
    for plan_ref in said(lines, "filed ") {
        store.plan(plan_ref).await.unwrap_or_else(|error| panic!("{plan_ref} is lost: {error}"));
        let letters = store.letters(plan_ref).await.expect("letters");
        assert!(letters.len() >= 2, "{plan_ref} has lost its letters");
    }
    for plan_ref in said(lines, "ashore ") {
        assert!(store.plan(plan_ref).await.expect("the plan").state.is_closed(), "{plan_ref}");
    }
    assert_eq!(store.verify().await.expect("verified"), []);
    assert_eq!(store.quick_check().await.expect("checked"), None);
    store.close().await;
}

#[tokio::test]
async fn what_was_acknowledged_outlives_any_kill() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut acknowledged = 0;
    for round in 0..KILLS {
        let kill_after_ms = 60 + round * 37 % 190;
        let lines = run(child_command(folder.path(), 1000, &[]), Some(kill_after_ms));
        acknowledged += said(&lines, "filed ").len();
        check(folder.path(), &lines).await;
    }
    println!("{KILLS} kills, {acknowledged} acknowledged filings, 0 lost");
    assert!(acknowledged > 100, "the kills came too early to tell anything: {acknowledged}");
}

#[tokio::test]
async fn a_sync_that_fails_is_not_tried_again_and_nothing_acknowledged_is_lost() {
    let folder = tempfile::tempdir().expect("a folder");
    if Command::new("strace").arg("-V").output().is_err() {
        eprintln!("SKIPPED: no strace here to make a sync fail");
        return;
    }
    let inject = "inject=fsync,fdatasync:error=EIO:when=9+9";
    let before =
        ["strace", "-f", "-o", "/dev/null", "-e", "trace=fsync,fdatasync", "-e", inject, "--"];
    let lines = run(child_command(folder.path(), 12, &before), None);
    let (filed, failed) = (said(&lines, "filed ").len(), said(&lines, "failed ").len());
    println!("{filed} acknowledged, {failed} refused while the disk failed");
    assert!(failed > 0, "no sync failed");
    assert!(filed > failed, "it went on after the failure");
    check(folder.path(), &lines).await;
}
