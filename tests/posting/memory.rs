//! Alerts from memory by way of relays, while the database can't be written.

use sqlx::Connection;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};

use super::*;

/// Nothing can be written any more while this is kept.
async fn locked(lamp: &Lamp) -> SqliteConnection {
    let file = lamp.folder.path().join("shorelamp.db");
    let options = SqliteConnectOptions::new().filename(file).busy_timeout(Duration::from_secs(20));
    let mut holder = SqliteConnection::connect_with(&options).await.unwrap();
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holder).await.unwrap();
    holder
}

/// The alerts of this kind that the relay was given, in order.
fn alerts(server: &Server, kind: Kind) -> Vec<String> {
    let mut letters = server.heard().letters;
    letters.retain(|one| one.contains(&format!("Shorelamp-Kind: {kind}")));
    letters
}

/// What the post can send again is left to it: else both send all that is owed.
#[tokio::test(flavor = "multi_thread")]
async fn once_the_database_can_be_written_memory_leaves_the_rest_to_the_post() {
    const PLANS: usize = 64;
    let slow = Whims { before_each_byte: Duration::from_millis(25), ..Whims::NONE };
    let server = Server::start(whims(slow)).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 60).await;
    let mut plans = Vec::new();
    for at in 0..PLANS {
        plans.push(lamp.file(&format!("one@{at}.example.org")).await);
    }
    for plan in &plans {
        lamp.handed_over(plan, Kind::Filed).await;
    }
    let mut holder = locked(&lamp).await;
    lamp.pass(UNTIL_OVERDUE);
    let from_memory = async || !alerts(&server, Kind::Overdue).is_empty();
    lamp.until("the first from memory", from_memory).await;
    sqlx::raw_sql("ROLLBACK").execute(&mut holder).await.unwrap();
    for plan in &plans {
        lamp.handed_over(plan, Kind::Overdue).await;
    }
    let letters = alerts(&server, Kind::Overdue);
    let mut ids = message_ids(&letters);
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), PLANS);
    // Sixteen are under way from memory at once.
    assert!(letters.len() <= PLANS + 2 * 16, "{} for {PLANS}", letters.len());
}

/// Twenty letters of one plan hang at their reader's host; another plan's alert falls due meanwhile.
#[tokio::test(flavor = "multi_thread")]
async fn letters_from_memory_that_hang_hold_up_no_other() {
    let silent = Whims { silent_for: "key0.example.org", ..Whims::NONE };
    let server = Server::start(whims(silent)).await;
    // As shipped: a minute.
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 60).await;
    let well = lamp.file_until("two@example.org", "2026-06-14T16:15:00Z").await;
    lamp.handed_over(&well, Kind::Filed).await;
    lamp.file_crowd("key", 0, "2026-06-14T13:15:00Z").await;
    let _holder = locked(&lamp).await;
    lamp.pass(TimeDelta::minutes(150));
    let hangs = async || !alerts(&server, Kind::CallRescue).is_empty();
    lamp.until("those that hang", hangs).await;
    lamp.pass(TimeDelta::minutes(61));
    let began = Instant::now();
    let left = || alerts(&server, Kind::Overdue).iter().any(|one| one.contains("two@example.org"));
    lamp.until("the other", async || left()).await;
    assert!(began.elapsed() < Duration::from_secs(30), "{:?}", began.elapsed());
}

/// As by the database, where the next rung goes at once.
#[tokio::test(flavor = "multi_thread")]
async fn an_alert_from_memory_that_is_refused_for_good_hurries_the_next_rung() {
    let picky = Whims { refuses: "Shorelamp-Kind: overdue", ..Whims::NONE };
    let server = Server::start(whims(picky)).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    let plan = lamp.file("one@example.org").await;
    lamp.handed_over(&plan, Kind::Filed).await;
    let _holder = locked(&lamp).await;
    lamp.pass(UNTIL_OVERDUE);
    let began = Instant::now();
    while alerts(&server, Kind::CallRescue).is_empty() {
        assert!(began.elapsed() < Duration::from_secs(60), "nobody else is told");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    // Whole, and then without what somebody typed: that is the last word.
    assert_eq!(alerts(&server, Kind::Overdue).len(), 2);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_alert_from_memory_comes_back_by_a_path_of_its_own() {
    let server = Server::start(Script::default()).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    let plan = lamp.file("one@example.org").await;
    lamp.handed_over(&plan, Kind::Filed).await;
    let _holder = locked(&lamp).await;
    lamp.pass(UNTIL_OVERDUE);
    let left = async || !alerts(&server, Kind::Overdue).is_empty();
    lamp.until("the alert", left).await;
    let commands = server.heard().commands;
    let at = commands.iter().rposition(|one| one == "RCPT TO:<one@example.org>").unwrap();
    assert!(commands[at - 1].starts_with("MAIL FROM:<bounces+"), "{}", commands[at - 1]);
}

/// As by the post: whoever files very many plans for one moment makes nobody else's alert wait.
#[tokio::test(flavor = "multi_thread")]
async fn one_keys_flood_of_alerts_from_memory_keeps_no_other_keys_waiting() {
    let server = Server::start(Script::default()).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    for at in 0..3 {
        lamp.file_crowd("flood", at, "2026-06-14T13:15:00Z").await;
    }
    let other = lamp.file_crowd("other", 0, "2026-06-14T13:16:00Z").await;
    lamp.handed_over(&other, Kind::Filed).await;
    let _holder = locked(&lamp).await;
    lamp.pass(UNTIL_OVERDUE + TimeDelta::hours(2));
    let is_others = |one: &String| one.contains("@other0.example.org");
    let left = async || alerts(&server, Kind::CallRescue).iter().any(is_others);
    lamp.until("the other's", left).await;
    let letters = alerts(&server, Kind::CallRescue);
    let before = letters.iter().take_while(|one| !is_others(one)).count();
    assert!(before < 32, "{before} of 60 went first");
}
