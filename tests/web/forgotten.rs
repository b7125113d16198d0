//! Contacts who never answered are forgotten a day after the trip: nothing of theirs is left in the
//! database.

use std::time::Duration;

use reqwest::StatusCode;
use serde_json::{Value, json};
use shorelamp::store::LetterState;
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{AssertSqlSafe, Connection, SqliteConnection};

use super::house::{Lamp, Wish, plan, text};

/// Where words about people can stand.
const COLUMNS: [(&str, &str); 10] = [
    ("papers", "plan_json"),
    ("papers", "review_json"),
    ("versions", "plan_json"),
    ("versions", "review_json"),
    ("events", "event_json"),
    ("events", "worse_json"),
    ("spares", "card_json"),
    ("spares", "first_json"),
    ("plans", "state_json"),
    ("letters", "note"),
];

/// The usual plan, of which both contacts have answered another trip before.
async fn known(lamp: &Lamp) -> Value {
    let mut known = plan();
    for (at, phone) in ["+1 360 555 0117", "+1 360 555 0116"].into_iter().enumerate() {
        known["contact"][at]["phone"] = json!(phone);
    }
    let first = lamp.file(&known).await;
    for at in 0..2 {
        answer(lamp, &first, at, &[("act", "have-it"), ("name", "Dunstan")]).await;
    }
    check_in(lamp, &first).await;
    known
}

async fn answer(lamp: &Lamp, filed: &Value, contact: usize, typed: &[(&str, &str)]) {
    let page = lamp.contact_page(filed["ref"].as_str().unwrap(), contact);
    let once = format!("{typed:?} {contact}");
    let form: Vec<_> = typed.iter().copied().chain([("once", once.as_str())]).collect();
    let answer = lamp.post(&page).form(&form).send().await.unwrap();
    let status = answer.status();
    assert!(status.is_success() || status.is_redirection(), "{}", text(answer).await);
}

async fn amend(lamp: &Lamp, filed: &Value, with: &Value) {
    let amend = lamp.post(filed["links"]["amend"].as_str().unwrap()).json(with);
    let answer = amend.send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::OK, "{}", text(answer).await);
}

async fn check_in(lamp: &Lamp, filed: &Value) {
    let checkin = lamp.post(filed["links"]["checkin"].as_str().unwrap()).json(&json!({}));
    assert_eq!(checkin.send().await.unwrap().status(), StatusCode::OK);
}

/// A day later, when all letters have left: what still stands somewhere of these words.
async fn held(lamp: &Lamp, filed: &Value, words: &[&str]) -> Vec<String> {
    let plan_ref = filed["ref"].as_str().unwrap();
    let waits = |state: LetterState| matches!(state, LetterState::Queued | LetterState::Sending);
    for _ in 0..100 {
        let letters = lamp.daemon.store().letters(plan_ref).await.unwrap();
        if !letters.iter().any(|one| waits(one.state)) {
            break;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    let path = lamp.folder.path().join("shorelamp.db");
    let options = SqliteConnectOptions::new().filename(path);
    let mut other = SqliteConnection::connect_with(&options).await.unwrap();
    let mut before = Vec::new();
    let mut after = Vec::new();
    for held in [&mut before, &mut after] {
        for (table, column) in COLUMNS {
            for word in words {
                let like = format!("SELECT COUNT(*) FROM {table} WHERE {column} LIKE '%{word}%'");
                let found: i64 =
                    sqlx::query_scalar(AssertSqlSafe(like)).fetch_one(&mut other).await.unwrap();
                if found > 0 {
                    held.push(format!("{table}.{column}: {word}"));
                }
            }
        }
        lamp.move_clock(26 * 60);
        assert!(lamp.daemon.forget_what_is_over().await.unwrap().plans.is_empty());
    }
    assert!(!before.is_empty());
    let different = lamp.daemon.store().verify().await.unwrap();
    assert!(different.is_empty(), "{different:?}");
    after
}

/// One who said never, one who can't act, and one who only told that the crew is ashore.
#[tokio::test(flavor = "multi_thread")]
async fn a_contact_who_never_answered_is_out_of_what_was_said() {
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let mut with = known(&lamp).await;
    let filed = lamp.file(&with).await;
    for (name, email) in [
        ("Wren Abara", "wren@example.org"),
        ("Sol Dietz", "sol@example.org"),
        ("Kit Moreau", "kit@example.org"),
    ] {
        let stranger = json!({"name": name, "email": email, "phone": "+1 360 555 0118"});
        with["contact"].as_array_mut().unwrap().push(stranger);
    }
    amend(&lamp, &filed, &with).await;
    answer(&lamp, &filed, 2, &[("act", "never"), ("word", "never")]).await;
    answer(&lamp, &filed, 3, &[("act", "cant-act"), ("name", "Sol")]).await;
    let ashore = [("act", "ashore"), ("who", "0"), ("name", "Kit"), ("how", "saw")];
    answer(&lamp, &filed, 4, &ashore).await;
    check_in(&lamp, &filed).await;
    let words = ["Wren", "wren@", "Sol", "sol@", "Kit", "kit@", "0118"];
    assert_eq!(held(&lamp, &filed, &words).await, [""; 0]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_contact_who_never_answered_is_out_of_what_got_worse() {
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let mut with = known(&lamp).await;
    let filed = lamp.file(&with).await;
    let stranger = json!({"name": "Wren Abara", "email": "wren@example.org"});
    with["contact"].as_array_mut().unwrap().push(stranger);
    amend(&lamp, &filed, &with).await;
    check_in(&lamp, &filed).await;
    assert_eq!(held(&lamp, &filed, &["Wren", "wren@"]).await, [""; 0]);
}
