//! Who waits when a relay, or a recipient's host through it, says that we send too much.

use sqlx::Connection;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};

use super::*;

/// How often this plan's letter of this kind was claimed: once, if nothing held it up.
async fn claims(lamp: &Lamp, plan: &str, kind: Kind) -> i64 {
    let file = lamp.folder.path().join("shorelamp.db");
    let options = SqliteConnectOptions::new().filename(file).read_only(true);
    let mut reader = SqliteConnection::connect_with(&options).await.unwrap();
    let select = "SELECT MAX(attempt) FROM letters WHERE plan = $1 AND kind = $2";
    let select = sqlx::query_scalar(select).bind(plan).bind(kind.name());
    select.fetch_one(&mut reader).await.unwrap()
}

/// How often the server heard this word.
fn heard(server: &Server, word: &str) -> usize {
    server.heard().commands.iter().filter(|line| line.starts_with(word)).count()
}

#[tokio::test]
async fn letters_that_can_wait_leave_a_relay_in_peace_that_says_too_much() {
    let script = Script { mail: "450 4.7.1 Error: too much mail", ..Script::default() };
    let server = Server::start(script).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    let began = Instant::now();
    let first = lamp.file("one@example.org").await;
    lamp.until("the refusal", async || lamp.note(&first).await.is_some()).await;
    for at in 0..20 {
        lamp.file(&format!("{at}@example.org")).await;
    }
    tokio::time::sleep(Duration::from_millis(300)).await;
    let asked = heard(&server, "MAIL");
    // It rests for 1 s, then 2, 4 and so on, and after each rest a single letter asks. On a busy
    // machine more than the first may have passed.
    let rests_over = (began.elapsed().as_secs() + 1).ilog2();
    assert!(asked <= 1 + rests_over as usize, "{asked} in {:?}", began.elapsed());
}

/// The host of a contact, or of several, has a relay say `451 4.7.1` of each letter to it, as long as new
/// ones come. What it says is no word about anybody else's letters.
#[tokio::test]
async fn hosts_that_want_letters_later_keep_none_from_others() {
    let later = Whims { later_for: ".later.example.org", ..Whims::NONE };
    let server = Server::start(whims(later)).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    for at in 0..3 {
        let refused = lamp.file(&format!("one@{at}.later.example.org")).await;
        lamp.until("the refusal", async || lamp.note(&refused).await.is_some()).await;
        let good = lamp.file(&format!("good@{at}.example.org")).await;
        lamp.handed_over(&good, Kind::Filed).await;
        assert_eq!(claims(&lamp, &good, Kind::Filed).await, 1);
    }
}

#[tokio::test]
async fn a_host_that_wants_letters_later_is_left_in_peace_itself() {
    let later = Whims { later_for: "@later.example.org", ..Whims::NONE };
    let server = Server::start(whims(later)).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    let began = Instant::now();
    let first = lamp.file("one@later.example.org").await;
    lamp.until("the refusal", async || lamp.note(&first).await.is_some()).await;
    for at in 0..20 {
        lamp.file(&format!("{at}@later.example.org")).await;
    }
    tokio::time::sleep(Duration::from_millis(300)).await;
    let asked = heard(&server, "DATA");
    let rests_over = (began.elapsed().as_secs() + 1).ilog2();
    assert!(asked <= 1 + rests_over as usize, "{asked} in {:?}", began.elapsed());
}

/// The relay itself says so, before it has heard of any recipient.
#[tokio::test]
async fn a_word_on_which_the_crew_acts_waits_for_no_rest() {
    let script = Script { mail: "450 4.7.1 Error: too much mail", ..Script::default() };
    let server = Server::start(script).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    let plan = lamp.file_for_crew("crew@example.net", "one@example.org").await;
    lamp.until("the refusal", async || lamp.note(&plan).await.is_some()).await;
    lamp.pass(TimeDelta::minutes(15));
    let due = async || {
        let fates = lamp.daemon.store().letters(&plan).await.unwrap();
        fates.iter().any(|fate| fate.kind == Kind::Due && fate.note.is_some())
    };
    lamp.until("the due letter is tried", due).await;
    assert_eq!(claims(&lamp, &plan, Kind::Due).await, 1);
}
