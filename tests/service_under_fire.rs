//! The running service when its database is locked, poisoned, damaged or restored: the alerts go
//! out all the same, once, and the keeper is told.

#![allow(clippy::unwrap_used)]

#[allow(dead_code, reason = "the pages' tests need more of it")]
#[path = "web/house.rs"]
mod house;
#[path = "service_under_fire/memory.rs"]
mod memory;
#[path = "service_under_fire/unwritten.rs"]
mod unwritten;

use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use house::{Lamp, Wish, plan};
use serde_json::json;
use sha2::{Digest, Sha256};
use shorelamp::daemon::Clock;
use shorelamp::watch::{By, Event};
use sqlx::Connection;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use tokio_util::sync::CancellationToken;

/// A letter in the folder.
#[derive(Debug)]
struct Eml {
    kind: String,
    to: String,
    message_id: String,
    text: String,
}

fn letters(folder: &Path) -> Vec<Eml> {
    let Ok(entries) = fs::read_dir(folder.join("outgoing")) else { return Vec::new() };
    let paths = entries.map(|entry| entry.unwrap().path());
    paths
        .filter(|path| path.extension().is_some_and(|end| end == "eml"))
        .map(|path| eml(&path))
        .collect()
}

fn eml(path: &Path) -> Eml {
    let bytes = fs::read(path).unwrap();
    let parsed = mail_parser::MessageParser::default().parse(&bytes).unwrap();
    let to = parsed.to().and_then(|to| to.first()?.address()).unwrap_or_default().to_owned();
    let kind = parsed.header("Shorelamp-Kind").and_then(|kind| kind.as_text());
    Eml {
        kind: kind.unwrap_or_default().trim().to_owned(),
        to,
        message_id: parsed.message_id().unwrap_or_default().to_owned(),
        text: parsed.body_text(0).unwrap_or_default().into_owned(),
    }
}

/// Waits until a letter of this kind to this reader lies there.
async fn wait_for(lamp: &Lamp, kind: &str, to: &str, at_most: Duration) -> Eml {
    let began = Instant::now();
    loop {
        let all = letters(lamp.folder.path());
        if let Some(found) = all.into_iter().find(|eml| eml.kind == kind && eml.to == to) {
            return found;
        }
        let seen = letters(lamp.folder.path());
        assert!(began.elapsed() < at_most, "no {kind} to {to} within {at_most:?}: {seen:#?}");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

async fn other(lamp: &Lamp) -> SqliteConnection {
    let file = lamp.folder.path().join("shorelamp.db");
    let options = SqliteConnectOptions::new().filename(file);
    SqliteConnection::connect_with(&options).await.unwrap()
}

async fn running() -> Lamp {
    Lamp::with(Wish { runs: true, ..Wish::default() }).await
}

/// Files the usual plan and waits until both contacts have heard of it.
async fn filed(lamp: &Lamp) -> String {
    let filed = lamp.file(&plan()).await;
    for to in ["dunstan@example.org", "mirela@example.org"] {
        wait_for(lamp, "filed", to, Duration::from_secs(10)).await;
    }
    filed["ref"].as_str().unwrap().to_owned()
}

/// From the service's beginning to beyond the plan's overdue time.
const UNTIL_OVERDUE_MIN: i64 = 24 * 60;

#[tokio::test(flavor = "multi_thread")]
async fn a_poisoned_plan_still_alerts_in_plain_words() {
    let lamp = running().await;
    let plan_ref = filed(&lamp).await;
    let mut connection = other(&lamp).await;
    let poison = "UPDATE plans SET state_json = CAST(x'ff00' AS TEXT); \
                  UPDATE papers SET plan_json = '{\"crew\": 7'; \
                  UPDATE spares SET first_json = 'no';";
    sqlx::raw_sql(poison).execute(&mut connection).await.unwrap();
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    for to in ["dunstan@example.org", "mirela@example.org"] {
        let alert = wait_for(&lamp, "overdue", to, Duration::from_secs(10)).await;
        assert!(alert.text.contains("could not be read"), "{}", alert.text);
        assert!(alert.text.contains("+1 360 555 0100"), "whom to call: {}", alert.text);
    }
    wait_for(&lamp, "trouble", "keeper@example.org", Duration::from_secs(10)).await;
    let board = lamp.daemon.board().await.unwrap();
    assert!(board.iter().any(Result::is_err), "it stands on the board");
    // A day on, the letters have gone on by themselves, and the watch does not spin.
    assert_eq!(lamp.daemon.store().quarantined().await.unwrap()[0].plan_ref, plan_ref);
    lamp.move_clock(31);
    wait_for(&lamp, "call-rescue", "mirela@example.org", Duration::from_secs(10)).await;
}

/// One sign of it is wrong. Contacts never see addresses, nor whoever the crew took out.
#[tokio::test(flavor = "multi_thread")]
async fn a_stored_plan_in_an_alert_has_no_addresses_and_nobody_who_was_taken_out() {
    let lamp = running().await;
    let mut with = plan();
    let pia =
        json!({"name": "Pia Lindqvist", "email": "pia@example.org", "phone": "+1 360 555 0199"});
    with["contact"].as_array_mut().unwrap().push(pia);
    with["crew"].as_array_mut().unwrap().push(json!({"name": "Zelda Quist"}));
    let filed = lamp.file(&with).await;
    let amend = lamp.post(filed["links"]["amend"].as_str().unwrap());
    assert!(amend.json(&plan()).send().await.unwrap().status().is_success());
    let damage = "UPDATE papers SET plan_json = replace(plan_json, '\"launch\":{', '\"lxunch\":{')";
    sqlx::raw_sql(damage).execute(&mut other(&lamp).await).await.unwrap();
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    for to in ["dunstan@example.org", "mirela@example.org"] {
        let alert = wait_for(&lamp, "call-rescue", to, Duration::from_secs(10)).await;
        let text = alert.text.split_whitespace().collect::<Vec<_>>().join(" ");
        let kept =
            ["as it was stored", "Halloran", "Bright", "555 0142", "Asthma-CANARY", "Okafor"];
        assert!(kept.iter().all(|word| text.contains(word)), "{text}");
        let left_out = ["@example.org", "Pia", "Lindqvist", "Zelda", "555 0199"];
        assert!(!left_out.iter().any(|word| text.contains(word)), "{text}");
    }
}

/// A line break in a name can't stand in a header (RFC 5322, 2.2), so the plain letter fails too.
#[tokio::test(flavor = "multi_thread")]
async fn a_plain_letter_that_can_not_be_put_together_goes_with_a_ref_and_whom_to_call() {
    let lamp = running().await;
    let plan_ref = filed(&lamp).await;
    let mut connection = other(&lamp).await;
    let card: String = sqlx::query_scalar("SELECT card_json FROM spares")
        .fetch_one(&mut connection)
        .await
        .unwrap();
    let mut card: serde_json::Value = serde_json::from_str(&card).unwrap();
    card["contacts"][0]["name"] = "Dunstan\nBcc: wren@example.org".into();
    let hash = Sha256::digest(format!("{plan_ref}{card}"));
    let sum: String = hash.iter().take(8).map(|byte| format!("{byte:02x}")).collect();
    sqlx::query("UPDATE spares SET card_json = $1, card_sum = $2")
        .bind(card.to_string())
        .bind(sum)
        .execute(&mut connection)
        .await
        .unwrap();
    let poison = "UPDATE papers SET plan_json = '{\"crew\": 7'";
    sqlx::raw_sql(poison).execute(&mut connection).await.unwrap();
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    let alert =
        wait_for(&lamp, "call-rescue", "dunstan@example.org", Duration::from_secs(10)).await;
    assert!(alert.text.contains(&plan_ref), "{}", alert.text);
    // Without the place, the number of one area could be the wrong one.
    assert!(alert.text.contains("ask for the coast guard"), "whom to call: {}", alert.text);
    assert!(alert.text.contains("/contact/"), "the reader's page: {}", alert.text);
    assert!(!alert.text.contains("as it was stored"), "{}", alert.text);
    wait_for(&lamp, "call-rescue", "mirela@example.org", Duration::from_secs(10)).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_plan_that_is_not_what_its_events_make_of_it_is_told_after_the_start() {
    let lamp = Lamp::lit().await;
    let plan_ref = lamp.file(&plan()).await["ref"].as_str().unwrap().to_owned();
    let mut connection = other(&lamp).await;
    // What was written down at filing returns an hour later than what is watched.
    let other_return = "UPDATE spares SET \
                        first_json = replace(first_json, '2026-06-14T19:30', '2026-06-14T20:30')";
    sqlx::raw_sql(other_return).execute(&mut connection).await.unwrap();
    lamp.run();
    let told = wait_for(&lamp, "trouble", "keeper@example.org", Duration::from_secs(25)).await;
    let text = told.text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(text.contains("not what their events make of them"), "{text}");
    assert!(text.contains(&plan_ref) && text.contains("fold of its events"), "{text}");
}

/// As if the plan had been filed before a law that keeps summer time all year, with the table of
/// zones of before.
#[tokio::test(flavor = "multi_thread")]
async fn a_law_that_moves_the_clocks_of_a_filed_plan_is_told() {
    let lamp = Lamp::lit().await;
    let plan_ref = lamp.file(&plan()).await["ref"].as_str().unwrap().to_owned();
    let mut connection = other(&lamp).await;
    let before = "INSERT INTO meta (name, value) VALUES ('zones', '1999a'); UPDATE papers SET \
                  plan_json = replace(plan_json, 'T12:30:00-07:00', 'T11:30:00-08:00')";
    sqlx::raw_sql(before).execute(&mut connection).await.unwrap();
    lamp.run();
    let told = wait_for(&lamp, "trouble", "keeper@example.org", Duration::from_secs(15)).await;
    let text = told.text.split_whitespace().collect::<Vec<_>>().join(" ");
    let words = "filed as 2026-06-14T11:30:00-08:00, counts as 2026-06-14T12:30:00-07:00";
    assert!(text.contains(&plan_ref) && text.contains(words), "{text}");
    let noted = "SELECT value FROM meta WHERE name = 'zones'";
    let noted: String = sqlx::query_scalar(noted).fetch_one(&mut connection).await.unwrap();
    assert_eq!(noted, "1999a", "a start asks again as long as such a plan is open");
}

/// The folder of letters is none: whoever asks hears since when an alert waits.
#[tokio::test(flavor = "multi_thread")]
async fn health_says_for_how_long_an_alert_has_waited() {
    let lamp = running().await;
    filed(&lamp).await;
    let waits_s = async || {
        let answer = lamp.get("/healthz").send().await.unwrap();
        let said: serde_json::Value = answer.json().await.unwrap();
        said["oldest_unsent_alert_s"].as_i64().unwrap()
    };
    assert_eq!(waits_s().await, 0);
    fs::remove_dir_all(lamp.folder.path().join("outgoing")).unwrap();
    fs::write(lamp.folder.path().join("outgoing"), "no folder").unwrap();
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    let began = Instant::now();
    // Overdue since 12:45 on the launch's clocks, and it is 06:00 there on the day after.
    while waits_s().await < (17 * 60 + 15) * 60 {
        assert!(began.elapsed() < Duration::from_secs(15), "{}", waits_s().await);
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
}

/// A disk on which writing takes long.
#[tokio::test(flavor = "multi_thread")]
async fn a_slow_disk_is_told() {
    let lamp = running().await;
    filed(&lamp).await;
    let mut holder = other(&lamp).await;
    let began = Instant::now();
    while letters(lamp.folder.path()).iter().all(|eml| !eml.text.contains("more than a second")) {
        assert!(began.elapsed() < Duration::from_secs(30), "the keeper is not told");
        // Each write waits for it, as for a disk that comes to its turn late.
        sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holder).await.unwrap();
        tokio::time::sleep(Duration::from_secs(3)).await;
        sqlx::raw_sql("ROLLBACK").execute(&mut holder).await.unwrap();
        tokio::time::sleep(Duration::from_millis(300)).await;
    }
    assert_eq!(lamp.get("/healthz").send().await.unwrap().status(), 200, "an alert could go out");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_damaged_file_is_found_within_a_day_and_told() {
    let lamp = running().await;
    filed(&lamp).await;
    let mut connection = other(&lamp).await;
    // An index that the schema has forgotten: its pages belong to nobody.
    let damage = "PRAGMA writable_schema = ON; \
                  DELETE FROM sqlite_master WHERE name = 'plans_key_filed'; \
                  PRAGMA schema_version = 1000;";
    sqlx::raw_sql(damage).execute(&mut connection).await.unwrap();
    lamp.move_clock(24 * 60 + 1);
    let told = wait_for(&lamp, "trouble", "keeper@example.org", Duration::from_secs(15)).await;
    assert!(told.text.contains("file is damaged"), "{}", told.text);
    let ill = lamp.get("/healthz").send().await.unwrap();
    assert!(ill.text().await.unwrap().contains("file is damaged"));
    // What can be read is watched.
    wait_for(&lamp, "call-rescue", "dunstan@example.org", Duration::from_secs(10)).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_restored_database_holds_its_alerts_for_ten_minutes_and_then_sends_them() {
    let lamp = Lamp::lit().await;
    let plan_ref = lamp.file(&plan()).await["ref"].as_str().unwrap().to_owned();
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    let mut connection = other(&lamp).await;
    let mark = "INSERT INTO meta (name, value) VALUES ('review', 'it is a backup')";
    sqlx::raw_sql(mark).execute(&mut connection).await.unwrap();
    lamp.run();
    let told = wait_for(&lamp, "trouble", "keeper@example.org", Duration::from_secs(10)).await;
    assert!(told.text.contains(&plan_ref), "{}", told.text);
    tokio::time::sleep(Duration::from_secs(3)).await;
    assert!(letters(lamp.folder.path()).iter().all(|eml| eml.kind != "call-rescue"));
    let ill = lamp.get("/healthz").send().await.unwrap();
    assert!(ill.text().await.unwrap().contains("alerts are held"));
    lamp.move_clock(10);
    wait_for(&lamp, "call-rescue", "dunstan@example.org", Duration::from_secs(10)).await;
}

/// Whatever becomes of its rows right after the commit, a crew whose plan is armed is told so.
#[tokio::test(flavor = "multi_thread")]
async fn a_plan_that_is_armed_and_can_not_be_read_back_is_answered_as_armed() {
    let lamp = Lamp::lit().await;
    let mut connection = other(&lamp).await;
    let spoil = "CREATE TRIGGER spoil AFTER INSERT ON papers BEGIN \
                 UPDATE papers SET plan_json = CAST(x'ff00' AS TEXT) WHERE plan = NEW.plan; END";
    sqlx::raw_sql(spoil).execute(&mut connection).await.unwrap();
    let send = || {
        let request = lamp.post("/api/v1/plans").bearer_auth(&lamp.key);
        request.header("Idempotency-Key", "once").json(&plan()).send()
    };
    let first = send().await.unwrap();
    assert_eq!(first.status(), 201);
    let armed: serde_json::Value = first.json().await.unwrap();
    assert_eq!(armed["state"], "armed");
    let plan_ref = armed["ref"].as_str().unwrap();
    // Asked again, the service can't put the answer together; but it says what holds.
    let again = send().await.unwrap();
    assert_eq!(again.status(), 503);
    let problem: serde_json::Value = again.json().await.unwrap();
    let detail = problem["detail"].as_str().unwrap();
    assert!(detail.contains("IS armed") && detail.contains(plan_ref), "{detail}");
}

/// What no step could have made: somebody is asked whom the plan does not have.
const SENSELESS: &str = "UPDATE plans SET state_sum = NULL, \
                         state_json = json_set(state_json, '$.asked', json('[0, 1, 7]')) WHERE ref = ";

/// The program fails over one plan; every other is watched, and its own contacts get plain letters.
#[tokio::test(flavor = "multi_thread")]
async fn a_plan_over_which_the_program_fails_keeps_no_other_back_and_alerts_plainly() {
    let lamp = running().await;
    let senseless = filed(&lamp).await;
    let mut other_plan = plan();
    other_plan["contact"][0]["email"] = "wren@example.org".into();
    lamp.file(&other_plan).await;
    wait_for(&lamp, "filed", "wren@example.org", Duration::from_secs(10)).await;
    let mut connection = other(&lamp).await;
    let poison = format!("{SENSELESS} '{senseless}'");
    sqlx::raw_sql(sqlx::AssertSqlSafe(poison)).execute(&mut connection).await.unwrap();
    lamp.move_clock(UNTIL_OVERDUE_MIN);
    for to in ["dunstan@example.org", "wren@example.org"] {
        wait_for(&lamp, "call-rescue", to, Duration::from_secs(10)).await;
    }
    // The program fails over whom to call again.
    lamp.move_clock(11);
    let called_again = async |to: &str| {
        let is_call = |eml: &&Eml| eml.kind == "call-rescue" && eml.to == to;
        let began = Instant::now();
        while letters(lamp.folder.path()).iter().filter(is_call).count() < 2 {
            assert!(began.elapsed() < Duration::from_secs(10), "{to} is called again");
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    };
    called_again("wren@example.org").await;
    wait_for(&lamp, "overdue", "dunstan@example.org", Duration::from_secs(10)).await;
    assert_eq!(lamp.daemon.store().quarantined().await.unwrap()[0].plan_ref, senseless);
    // What can be read is not yet what can be watched: it stays set aside at the next start.
    assert!(!lamp.daemon.store().release(&senseless, lamp.daemon.now()).await.unwrap());
    assert_eq!(lamp.daemon.store().quarantined().await.unwrap().len(), 1);
    lamp.move_clock(30);
    called_again("dunstan@example.org").await;
    // Its pages and those of the keeper's look at it fail by themselves.
    let page = lamp.get(&lamp.contact_page(&senseless, 0)).send().await.unwrap();
    assert!(!page.text().await.unwrap().is_empty());
    assert!(lamp.daemon.store().verify().await.unwrap().len() == 1);
}

/// Wherever a part of the service fails, all of it ends, so that whoever supervises it starts it
/// again.
#[tokio::test(flavor = "multi_thread")]
async fn a_part_that_fails_ends_the_service() {
    let mut ended = std::collections::BTreeSet::new();
    for at in 1..=8 {
        let (looks, began) = (Arc::new(AtomicU32::new(0)), Instant::now());
        let clock = Clock::from_fn(move || {
            // The reading that fails is another each time, and so is the part that reads.
            assert!(looks.fetch_add(1, Ordering::SeqCst) < 8 + 4 * at, "no clock");
            let begin: DateTime<Utc> = house::BEGIN.parse().unwrap();
            begin + TimeDelta::from_std(began.elapsed()).unwrap()
        });
        let lamp = Lamp::with(Wish { clock: Some(clock), ..Wish::default() }).await;
        let run = lamp.daemon.run(CancellationToken::new());
        let run =
            tokio::time::timeout(Duration::from_secs(20), shorelamp::guarded::guarded_while(run));
        match run.await.expect("it ends") {
            Ok(why) => ended.insert(why.expect_err("by itself").to_string()),
            // The one who runs it read the clock.
            Err(_) => false,
        };
    }
    assert!(ended.len() >= 2, "of different parts: {ended:?}");
}

/// Each life is cut off, as by a panic outside every guard.
#[tokio::test(flavor = "multi_thread")]
async fn a_service_that_ends_again_and_again_tells_its_keeper() {
    let lamp = Lamp::lit().await;
    let told = || {
        let all = letters(lamp.folder.path());
        all.iter().filter(|eml| eml.text.contains("was started 5 times")).count()
    };
    let begun = async |stop: CancellationToken| {
        let _cut_off =
            tokio::time::timeout(Duration::from_millis(300), lamp.daemon.run(stop)).await;
    };
    for _ in 0..4 {
        begun(CancellationToken::new()).await;
    }
    assert_eq!(told(), 0);
    begun(CancellationToken::new()).await;
    assert_eq!(told(), 1);
    begun(CancellationToken::new()).await;
    assert_eq!(told(), 1, "once an hour");
    let starts = lamp.folder.path().join("starts");
    assert!(starts.exists());
    let stop = CancellationToken::new();
    stop.cancel();
    lamp.daemon.run(stop).await.unwrap();
    assert!(!starts.exists(), "a stop as it was told to");
}

/// A time so far back that no clock shows it: the plan counts as overdue, and its alert can't be
/// written as it should be.
#[tokio::test(flavor = "multi_thread")]
async fn a_letter_over_which_the_program_fails_goes_in_plain_words() {
    let lamp = running().await;
    filed(&lamp).await;
    let mut connection = other(&lamp).await;
    let poison = "UPDATE plans SET state_sum = NULL, next_at = 0, state_json = \
                  json_set(state_json, '$.terms.due_at', '-262143-01-01T00:00:00Z')";
    sqlx::raw_sql(poison).execute(&mut connection).await.unwrap();
    let alert =
        wait_for(&lamp, "call-rescue", "dunstan@example.org", Duration::from_secs(10)).await;
    assert!(alert.text.contains("could not be read"), "{}", alert.text);
    assert!(alert.text.contains("+1 360 555 0100"), "whom to call: {}", alert.text);
    let told = wait_for(&lamp, "trouble", "keeper@example.org", Duration::from_secs(10)).await;
    assert!(told.text.contains("has a fault"), "{}", told.text);
}
