//! Many letters to people who never asked for one: by plans that pile up over days, by one key that
//! names ever new people, by addresses that lead to others, by an address that comes and goes.

use reqwest::StatusCode;
use serde_json::{Value, json};

use super::house::{Lamp, Wish, plan};

async fn try_to_file(lamp: &Lamp, key: &str, plan: &Value) -> (StatusCode, Value) {
    let answer = lamp.post("/api/v1/plans").bearer_auth(key).json(plan).send().await.unwrap();
    (answer.status(), answer.json().await.unwrap())
}

async fn unhurried() -> Lamp {
    Lamp::with(Wish { filings_per_key_per_hour: Some(u32::MAX), ..Wish::default() }).await
}

/// A trip of many days, without a word to its crew.
fn long_trip(contact: &str) -> Value {
    let mut plan = plan();
    plan["times"] = json!({"launch": "2026-06-14T05:30", "return_by": "2026-07-14T12:30"});
    plan["crew"][0].as_object_mut().unwrap().remove("email");
    plan["contact"] = json!([{"name": "Victim", "email": contact}]);
    plan
}

const A_DAY: i64 = 24 * 60 + 1;

/// Each of them alerts every ten minutes once it is overdue, and nothing limits that.
#[tokio::test]
async fn plans_that_name_a_stranger_do_not_pile_up_from_day_to_day() {
    let lamp = unhurried().await;
    let mut armed = Vec::new();
    for day in 0..3 {
        for at in 0..11 {
            let email = format!("victim+{day}.{at}@example.org");
            let (status, told) = try_to_file(&lamp, &lamp.key, &long_trip(&email)).await;
            match status {
                StatusCode::CREATED => armed.push(told),
                StatusCode::TOO_MANY_REQUESTS => {
                    assert!(told["detail"].as_str().unwrap().contains("has never answered"));
                }
                other => panic!("{other}: {told}"),
            }
        }
        lamp.move_clock(A_DAY);
    }
    assert_eq!(armed.len(), 10);
    // One is over, and can't be opened again after a day: then there is room for another.
    let end = armed[0]["links"]["checkin"].as_str().unwrap();
    assert_eq!(lamp.post(end).json(&json!({})).send().await.unwrap().status(), StatusCode::OK);
    let another = async || try_to_file(&lamp, &lamp.key, &long_trip("victim@example.org")).await.0;
    assert_eq!(another().await, StatusCode::TOO_MANY_REQUESTS);
    lamp.move_clock(A_DAY);
    assert_eq!(another().await, StatusCode::CREATED);
    assert_eq!(another().await, StatusCode::TOO_MANY_REQUESTS);
}
