//! What only informs, or only limits, lies in a damaged part of the database: whoever checks in or
//! answers is heard all the same.

use std::path::Path;

use reqwest::StatusCode;
use serde_json::json;
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{AssertSqlSafe, Connection, SqliteConnection};

use super::browser::{form_of, forms};
use super::house::{Lamp, plan, text};

/// The bytes of a page of the database (SQLite's default).
const PAGE: usize = 4096;

async fn run(folder: &Path, sql: String) {
    let options = SqliteConnectOptions::new().filename(folder.join("shorelamp.db"));
    let mut other = SqliteConnection::connect_with(&options).await.unwrap();
    sqlx::raw_sql(AssertSqlSafe(sql)).execute(&mut other).await.unwrap();
    other.close().await.unwrap();
}

/// Writes a row whose text goes on in pages of its own, and has the first of them name a next one
/// that there is not (SQLite's file format, "Cell Payload Overflow Pages").
async fn spoil(lamp: &Lamp, sql: &str) {
    let folder = lamp.folder.path();
    let long = format!("'{}'", "Z".repeat(5 * PAGE));
    run(folder, sql.replace("LONG", &long)).await;
    run(folder, "PRAGMA wal_checkpoint(TRUNCATE)".to_owned()).await;
    let path = folder.join("shorelamp.db");
    let bytes = std::fs::read(&path).unwrap();
    let goes_on = |page: &&[u8]| page.len() == PAGE && page[4..].iter().all(|one| *one == b'Z');
    let page = bytes.chunks(PAGE).position(|page| goes_on(&page)).unwrap();
    let file = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
    std::os::unix::fs::FileExt::write_all_at(&file, &[0x55; 4], (page * PAGE) as u64).unwrap();
}

async fn spoil_history(lamp: &Lamp, plan_ref: &str) {
    let sql = "INSERT INTO events (plan, number, at, event_json) VALUES ('REF', 9000, 1, LONG)";
    spoil(lamp, &sql.replace("REF", plan_ref)).await;
    assert!(lamp.daemon.store().history(plan_ref).await.is_err(), "it can't be read");
}

async fn spoil_letters(lamp: &Lamp, plan_ref: &str) {
    let sql = "UPDATE letters SET note = LONG, state = 'handed' WHERE plan = 'REF' AND recipient LIKE 'crew%'";
    spoil(lamp, &sql.replace("REF", plan_ref)).await;
    assert!(lamp.daemon.store().letters(plan_ref).await.is_err(), "they can't be read");
}

/// By a link, by a key, by the crew's page, by a contact's, and by the code.
#[tokio::test(flavor = "multi_thread")]
async fn a_check_in_is_taken_while_its_history_or_its_letters_cant_be_read() {
    for history in [true, false] {
        for way in ["link", "key", "crew", "contact", "code"] {
            let lamp = Lamp::lit().await;
            let filed = lamp.file(&plan()).await;
            let plan_ref = filed["ref"].as_str().unwrap();
            match history {
                true => spoil_history(&lamp, plan_ref).await,
                false => spoil_letters(&lamp, plan_ref).await,
            }
            let crew = filed["links"]["crew"].as_str().unwrap().to_owned();
            let code = lamp.daemon.spoken_code(plan_ref, 0);
            let form = |page: &str, fields: &[(&str, &str)]| lamp.post(page).form(fields);
            let sent = match way {
                "link" => lamp.post(filed["links"]["checkin"].as_str().unwrap()),
                "key" => {
                    let path = format!("/api/v1/plans/{plan_ref}/checkin");
                    lamp.post(&path).bearer_auth(&lamp.key)
                }
                "crew" => {
                    let fields =
                        [("act", "checkin"), ("once", "x"), ("name", "Ines"), ("who", "all")];
                    form(&crew, &fields)
                }
                "contact" => {
                    let page = lamp.contact_page(plan_ref, 0);
                    let fields = [
                        ("act", "ashore"),
                        ("once", "x"),
                        ("name", "Dunstan"),
                        ("who", "all"),
                        ("how", "saw"),
                    ];
                    form(&page, &fields)
                }
                _ => {
                    let fields = [("plan", plan_ref), ("digits", &code), ("name", "Pell Marsh")];
                    form("/code", &fields)
                }
            };
            let answer = sent.send().await.unwrap();
            let status = answer.status();
            let words = text(answer).await;
            assert!(status == 200 || status == 303, "{way} {history}: {status} {words}");
            let record = lamp.daemon.store().plan(plan_ref).await.unwrap();
            assert!(record.state.is_closed(), "{way} {history}: {words}");
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_contact_reads_and_answers_while_the_history_cant_be_read() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    spoil_history(&lamp, plan_ref).await;
    lamp.pass(6 * 60 + 46, plan_ref).await;
    let page = lamp.contact_page(plan_ref, 0);
    let shown = text(lamp.get(&page).send().await.unwrap()).await;
    assert!(shown.contains("<h1>OVERDUE: 2 people</h1>"), "{shown}");
    let on_it = form_of(&shown, "on-it").typed(&[("name", "Dunstan")]);
    let sent = lamp.post(&page).form(&on_it.fields).send().await.unwrap();
    assert_eq!(sent.status(), StatusCode::SEE_OTHER);
    let state = lamp.daemon.store().plan(plan_ref).await.unwrap().state;
    assert!(state.contacts[0].on_it.is_some());
    let rescue = lamp.daemon.rescue_page_of(plan_ref, shorelamp::watch::Recipient::Contact(0));
    let shown = lamp.get(&rescue.unwrap()).send().await.unwrap();
    assert_eq!(shown.status(), StatusCode::OK);
}

/// A device's key only spares its reader the typing.
#[tokio::test]
async fn a_crew_checks_in_while_no_key_can_be_looked_up() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let crew = filed["links"]["crew"].as_str().unwrap();
    run(lamp.folder.path(), "ALTER TABLE keys RENAME TO lost".to_owned()).await;
    let cookie = format!("shorelamp={}", lamp.key);
    let shown = lamp.get(crew).header("cookie", &cookie).send().await.unwrap();
    assert_eq!(shown.status(), StatusCode::OK);
    let fields = [("act", "checkin"), ("once", "x"), ("name", "Ines"), ("who", "all")];
    let sent = lamp.post(crew).header("cookie", &cookie).form(&fields).send().await.unwrap();
    assert_eq!(sent.status(), StatusCode::SEE_OTHER);
}

/// Usual trips spare the typing.
#[tokio::test]
async fn a_plan_can_be_filed_while_no_usual_trip_can_be_read() {
    let lamp = Lamp::lit().await;
    run(lamp.folder.path(), "DROP TABLE usual_trips".to_owned()).await;
    let cookie = format!("shorelamp={}", lamp.key);
    let shown = lamp.get("/").header("cookie", &cookie).send().await.unwrap();
    assert_eq!(shown.status(), StatusCode::OK);
    assert!(text(shown).await.contains("name=\"once\""));
}

/// What was done is told as done, however late it is sent again, and is not done twice.
#[tokio::test]
async fn what_is_sent_again_after_the_days_limit_is_answered_as_the_first_time() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let extend = filed["links"]["extend"].as_str().unwrap();
    let amend = filed["links"]["amend"].as_str().unwrap();
    let keyed = |link: &str, key: String, body: serde_json::Value| {
        lamp.post(link).header("Idempotency-Key", key).json(&body).send()
    };
    let mut amended = plan();
    amended["title"] = json!("Halibut drift, north side");
    assert_eq!(keyed(amend, "a".to_owned(), amended.clone()).await.unwrap().status(), 200);
    for at in 0..23 {
        let sent = keyed(extend, format!("e{at}"), json!({"by": "1m"})).await.unwrap();
        assert_eq!(sent.status(), StatusCode::OK);
    }
    let before = lamp.snapshot(plan_ref).await;
    let again = keyed(extend, "e22".to_owned(), json!({"by": "1m"})).await.unwrap();
    assert_eq!(again.status(), StatusCode::OK);
    let again: serde_json::Value = again.json().await.unwrap();
    assert_eq!(again["due_at"], "2026-06-14T12:53:00-07:00", "23 minutes later than 12:30");
    assert_eq!(keyed(amend, "a".to_owned(), amended).await.unwrap().status(), StatusCode::OK);
    let other = keyed(extend, "e22".to_owned(), json!({"by": "2m"})).await.unwrap();
    assert_eq!(other.status(), StatusCode::TOO_MANY_REQUESTS, "another body is another deed");
    let new = keyed(extend, "new".to_owned(), json!({"by": "1m"})).await.unwrap();
    assert_eq!(new.status(), StatusCode::TOO_MANY_REQUESTS);
    assert_eq!(lamp.snapshot(plan_ref).await, before);
}

/// The same of a check-in, whose repeat bears no key: twelve were taken back, and the keeper closed.
#[tokio::test]
async fn a_check_in_of_those_who_are_ashore_is_never_too_often() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let checkin = filed["links"]["checkin"].as_str().unwrap();
    let one = || lamp.post(checkin).json(&json!({"who": ["Ines Halloran"]})).send();
    let page = filed["links"]["crew"].as_str().unwrap();
    for at in 0..12 {
        assert_eq!(one().await.unwrap().status(), StatusCode::OK);
        if at == 11 {
            break;
        }
        let number = lamp.daemon.status(plan_ref).await.unwrap().state.events.to_string();
        let once = at.to_string();
        let undo = [("act", "undo"), ("once", &*once), ("name", "Ines"), ("event", &*number)];
        let sent = lamp.post(page).form(&undo).send().await.unwrap();
        assert_eq!(sent.status(), StatusCode::SEE_OTHER);
    }
    // The twelfth that is taken back is another's: Ines stays ashore.
    let two = lamp.post(checkin).json(&json!({"who": ["Tomas Bright"]})).send().await.unwrap();
    assert_eq!(two.status(), StatusCode::OK);
    let number = lamp.daemon.status(plan_ref).await.unwrap().state.events.to_string();
    let undo = [("act", "undo"), ("once", "last"), ("name", "Ines"), ("event", &*number)];
    let sent = lamp.post(page).form(&undo).send().await.unwrap();
    assert_eq!(sent.status(), StatusCode::SEE_OTHER);
    let two = lamp.post(checkin).json(&json!({"who": ["Tomas Bright"]})).send().await.unwrap();
    assert_eq!(two.status(), StatusCode::TOO_MANY_REQUESTS);
    let again = one().await.unwrap();
    assert_eq!(again.status(), StatusCode::OK, "she was ashore already");
}

/// What takes time, or fails, when a plan is read must tell no other key that it is there.
#[tokio::test]
async fn another_keys_plan_is_not_read_at_all() {
    let lamp = Lamp::lit().await;
    let theirs = lamp.post("/api/v1/plans").bearer_auth(&lamp.keeper).json(&plan());
    let theirs: serde_json::Value = theirs.send().await.unwrap().json().await.unwrap();
    run(lamp.folder.path(), "UPDATE papers SET plan_json = 'torn'".to_owned()).await;
    let cookie = format!("shorelamp={}", lamp.key);
    let ramp = text(lamp.get("/").header("cookie", &cookie).send().await.unwrap()).await;
    let ramp = forms(&ramp).into_iter().find(|form| form.fields.contains_key("token")).unwrap();
    let of_page = |name: &str| (name.to_owned(), ramp.fields[name].clone());
    let mut told = Vec::new();
    for plan_ref in [theirs["ref"].as_str().unwrap(), "2222-2222"] {
        let path = format!("/api/v1/plans/{plan_ref}");
        let shown = lamp.get(&path).bearer_auth(&lamp.key).send().await.unwrap();
        let page = lamp.get(&format!("/filed/{plan_ref}")).header("cookie", &cookie);
        let page = page.send().await.unwrap();
        let keep = [("do", "keep"), ("ref", plan_ref), ("name", "Theirs")];
        let keep = keep.map(|(name, value)| (name.to_owned(), value.to_owned()));
        let keep = keep.into_iter().chain(["once", "token"].map(of_page)).collect::<Vec<_>>();
        let kept = lamp.post("/trips").header("cookie", &cookie).form(&keep).send().await.unwrap();
        let mut all = Vec::new();
        for answer in [shown, page, kept] {
            assert_eq!(answer.status(), StatusCode::NOT_FOUND, "{plan_ref}");
            all.push(text(answer).await);
        }
        told.push(all);
    }
    assert_eq!(told[0], told[1]);
}
