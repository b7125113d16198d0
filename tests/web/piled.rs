//! Trips that are closed, and opened again once more were filed, do not pile up.

use reqwest::StatusCode;
use serde_json::{Value, json};

use super::house::{Lamp, Wish, plan, text};

const A_DAY: i64 = 24 * 60 + 1;

/// A trip of many days, whose crew has no address.
fn long_trip(contact: &str) -> Value {
    let mut plan = plan();
    plan["times"] = json!({"launch": "2026-06-14T05:30", "return_by": "2026-07-14T12:30"});
    plan["crew"][0].as_object_mut().unwrap().remove("email");
    plan["contact"] = json!([{"name": "Friend", "email": contact}]);
    plan
}

/// Its ref, or why it was not taken.
async fn try_to_file(lamp: &Lamp, plan: &Value) -> Result<String, String> {
    let filing = lamp.post("/api/v1/plans").bearer_auth(&lamp.key).json(plan);
    let answer = filing.send().await.unwrap();
    let status = answer.status();
    let told: Value = answer.json().await.unwrap();
    if status == StatusCode::CREATED {
        return Ok(told["ref"].as_str().unwrap().to_owned());
    }
    assert_eq!(status, StatusCode::TOO_MANY_REQUESTS, "{told}");
    Err(told["detail"].as_str().unwrap().to_owned())
}

/// A contact's page closes a trip, and opens it again.
async fn on_contacts_page(lamp: &Lamp, plan_ref: &str, form: &[(&str, &str)]) {
    let answer = lamp.post(&lamp.contact_page(plan_ref, 0)).form(form).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::SEE_OTHER, "{}", text(answer).await);
}

async fn close(lamp: &Lamp, plan_ref: &str) {
    let once = lamp.daemon.history(plan_ref).await.len().to_string();
    let form = [("act", "ashore"), ("who", "all"), ("how", "saw"), ("name", "Friend")];
    on_contacts_page(lamp, plan_ref, &[&form[..], &[("once", &once)]].concat()).await;
}

async fn open_again(lamp: &Lamp, plan_ref: &str) {
    let status = lamp.daemon.status(plan_ref).await.unwrap();
    let event = status.state.closing().unwrap().event.to_string();
    let form = [("act", "undo"), ("event", &event), ("name", "Friend"), ("once", &event)];
    on_contacts_page(lamp, plan_ref, &form).await;
}

/// On each of three days all that is open is closed, as much as may be is filed by `file`, and what was
/// closed is opened again; how many are open in the end.
async fn open_after_three_days(lamp: &Lamp, file: impl AsyncFn(usize) -> Vec<String>) -> usize {
    let mut all: Vec<String> = Vec::new();
    for day in 0..3 {
        for plan_ref in &all {
            close(lamp, plan_ref).await;
        }
        let today = file(day).await;
        for plan_ref in &all {
            open_again(lamp, plan_ref).await;
        }
        all.extend(today);
        lamp.move_clock(A_DAY);
    }
    let mut open = 0;
    for plan_ref in &all {
        open += usize::from(!lamp.daemon.status(plan_ref).await.unwrap().state.is_closed());
    }
    open
}

/// A trip that is over counts at once for no crew, or a guide could not go out again; but all that can
/// be opened again together has a bound.
#[tokio::test]
async fn trips_that_are_closed_and_opened_again_do_not_pile_up_for_a_crew() {
    let lamp =
        Lamp::with(Wish { filings_per_key_per_hour: Some(u32::MAX), ..Wish::default() }).await;
    let file = async |day: usize| {
        let mut filed = Vec::new();
        for at in 0..12 {
            let mut trip = long_trip(&format!("friend{day}.{at}@example.org"));
            trip["crew"][0]["email"] = json!("victim@example.org");
            filed.extend(try_to_file(&lamp, &trip).await);
        }
        filed
    };
    assert_eq!(open_after_three_days(&lamp, file).await, 20);
    let mut more = long_trip("friend@example.org");
    more["crew"][0]["email"] = json!("victim@example.org");
    let refused = try_to_file(&lamp, &more).await.unwrap_err();
    assert!(refused.contains("named 10 times"), "{refused}");
}

#[tokio::test]
async fn trips_that_are_closed_and_opened_again_do_not_pile_up_for_a_keys_strangers() {
    let lamp = Lamp::lit().await;
    let file = async |day: usize| {
        let mut filed = Vec::new();
        for at in 0..5 {
            let tag = format!("d{day}.{at}.example.org");
            let one =
                |at: usize| json!({"name": format!("Crew {at}"), "email": format!("c{at}@{tag}")});
            let mut trip = long_trip(&format!("friend@{tag}"));
            trip["crew"] = (0..49).map(one).collect();
            filed.extend(try_to_file(&lamp, &trip).await);
        }
        filed
    };
    assert_eq!(open_after_three_days(&lamp, file).await, 8, "fifty strangers each");
}

/// As many as may be filed in a day may be open, and twice as many be so or be opened again.
#[tokio::test]
async fn trips_that_are_closed_and_opened_again_do_not_pile_up_for_a_key() {
    let lamp = Lamp::with(Wish { filings_per_key_per_hour: Some(1), ..Wish::default() }).await;
    let file = async |day: usize| {
        let mut filed = Vec::new();
        for at in 0..24 {
            if at > 0 {
                lamp.move_clock(60);
            }
            let trip = long_trip(&format!("friend{day}.{at}@example.org"));
            filed.extend(try_to_file(&lamp, &trip).await);
        }
        filed
    };
    assert_eq!(open_after_three_days(&lamp, file).await, 48);
}
