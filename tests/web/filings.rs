//! Filing under an id that the device made: the receipt, the look-up, the throwing away.

use reqwest::{Response, StatusCode};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::browser::forms;
use super::house::{Lamp, plan, text};

const ID: &str = "8d3f2c10-5a6b-4c7d-9e8f-000000000001";
const FORM: &str = "times.launch.date=2026-06-14&times.launch.time=06:30&\
    times.return_by.date=2026-06-14&times.return_by.time=12:30&launch.position=48.5420+-123.1620&\
    crew[1].name=Ines+Halloran&contact[1].name=Dunstan&contact[1].email=dunstan@example.org";

async fn put(lamp: &Lamp, id: &str, body: &str) -> Response {
    let request = lamp.client.put(lamp.url(&format!("/api/v1/filings/{id}")));
    let form = "application/x-www-form-urlencoded;charset=UTF-8";
    let cookie = format!("shorelamp={}", lamp.key);
    request
        .header("cookie", cookie)
        .header("content-type", form)
        .body(body.to_owned())
        .send()
        .await
        .unwrap()
}

async fn get(lamp: &Lamp, id: &str, key: &str) -> Response {
    lamp.get(&format!("/api/v1/filings/{id}")).bearer_auth(key).send().await.unwrap()
}

async fn throw(lamp: &Lamp, id: &str) -> Response {
    let request = lamp.client.delete(lamp.url(&format!("/api/v1/filings/{id}")));
    request.bearer_auth(&lamp.key).send().await.unwrap()
}

async fn open(lamp: &Lamp) -> usize {
    lamp.daemon.board().await.unwrap().len()
}

#[tokio::test]
async fn the_receipt_repeats_the_id_and_the_hash_of_what_was_sent() {
    let lamp = Lamp::lit().await;
    let first = put(&lamp, ID, FORM).await;
    assert_eq!(first.status(), StatusCode::CREATED);
    let first: Value = first.json().await.unwrap();
    let sha256: String = Sha256::digest(FORM).iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!((first["id"].as_str(), first["sha256"].as_str()), (Some(ID), Some(&*sha256)));
    assert_eq!(first["due_at"], "2026-06-14T12:30:00-07:00");
    assert_eq!(first["reached"], false);
    let again = put(&lamp, ID, FORM).await;
    assert_eq!(again.status(), StatusCode::OK, "nothing new");
    let again: Value = again.json().await.unwrap();
    let found = get(&lamp, ID, &lamp.key).await;
    let found: Value = found.json().await.unwrap();
    assert_eq!((&again["ref"], &found["ref"]), (&first["ref"], &first["ref"]));
    assert_eq!(found["sha256"], first["sha256"]);
    assert_eq!(open(&lamp).await, 1);
    let other = put(&lamp, ID, &FORM.replace("12:30", "13:30")).await;
    assert_eq!(other.status(), StatusCode::UNPROCESSABLE_ENTITY, "another plan under the same id");
    assert_eq!(
        get(&lamp, ID, &lamp.keeper).await.status(),
        StatusCode::NOT_FOUND,
        "of another key"
    );
}

#[tokio::test]
async fn a_documents_key_is_the_same_by_either_door() {
    let lamp = Lamp::lit().await;
    let request = lamp.post("/api/v1/plans").bearer_auth(&lamp.key).header("idempotency-key", ID);
    let filed: Value = request.json(&plan()).send().await.unwrap().json().await.unwrap();
    let found: Value = get(&lamp, ID, &lamp.key).await.json().await.unwrap();
    assert_eq!(found["ref"], filed["ref"]);
    let request =
        lamp.client.put(lamp.url(&format!("/api/v1/filings/{ID}"))).bearer_auth(&lamp.key);
    assert_eq!(request.json(&plan()).send().await.unwrap().status(), StatusCode::OK);
    assert_eq!(open(&lamp).await, 1);
}

#[tokio::test]
async fn what_is_not_there_is_told_with_its_id() {
    let lamp = Lamp::lit().await;
    let answer = get(&lamp, ID, &lamp.key).await;
    assert_eq!(answer.status(), StatusCode::NOT_FOUND);
    assert_eq!(answer.headers()["content-type"], "application/problem+json");
    assert_eq!(answer.json::<Value>().await.unwrap()["id"], ID);
    for id in ["short", "with%20blanks-in-it-and-more", &"x".repeat(65)] {
        assert_eq!(put(&lamp, id, FORM).await.status(), StatusCode::BAD_REQUEST, "{id}");
    }
    assert_eq!(get(&lamp, ID, "no key").await.status(), StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn what_is_thrown_away_is_never_filed_and_what_is_filed_is_never_thrown_away() {
    let lamp = Lamp::lit().await;
    let thrown: Value = throw(&lamp, ID).await.json().await.unwrap();
    assert_eq!((thrown["id"].as_str(), thrown["thrown_away"].as_bool()), (Some(ID), Some(true)));
    assert_eq!(throw(&lamp, ID).await.status(), StatusCode::OK, "a second time is nothing new");
    assert_eq!(put(&lamp, ID, FORM).await.status(), StatusCode::GONE);
    assert_eq!(get(&lamp, ID, &lamp.key).await.status(), StatusCode::GONE);
    let request = lamp.post("/api/v1/plans").bearer_auth(&lamp.key).header("idempotency-key", ID);
    assert_eq!(request.json(&plan()).send().await.unwrap().status(), StatusCode::GONE);
    assert_eq!(open(&lamp).await, 0);
    let other = ID.replace('1', "2");
    put(&lamp, &other, FORM).await;
    let answer = throw(&lamp, &other).await;
    assert_eq!(answer.status(), StatusCode::CONFLICT);
    assert_eq!(answer.json::<Value>().await.unwrap()["state"], "armed");
    assert_eq!(open(&lamp).await, 1);
}

#[tokio::test]
async fn every_fault_is_told_by_its_field() {
    let lamp = Lamp::lit().await;
    let wrong = FORM.replace("48.5420+-123.1620", "here").replace("dunstan@example.org", "dunstan");
    let answer = put(&lamp, ID, &wrong).await;
    assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let told: Value = answer.json().await.unwrap();
    let fields: Vec<&str> = told["fields"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| one["field"].as_str().unwrap())
        .collect();
    assert_eq!(fields, ["launch-position", "contact-1--email"]);
    lamp.move_clock(7 * 60);
    let late = put(&lamp, ID, FORM).await;
    assert_eq!(late.status(), StatusCode::UNPROCESSABLE_ENTITY, "its return has passed");
    assert!(text(late).await.contains("passed already"));
    assert_eq!(open(&lamp).await, 0);
}

#[tokio::test]
async fn a_plan_that_comes_after_its_launch_is_told_as_late() {
    let lamp = Lamp::lit().await;
    lamp.move_clock(90);
    let late: Value = put(&lamp, ID, FORM).await.json().await.unwrap();
    assert_eq!(late["late"], "1 h");
}

#[tokio::test]
async fn another_sites_page_files_nothing_with_a_devices_cookie() {
    let lamp = Lamp::lit().await;
    let request = lamp.client.put(lamp.url(&format!("/api/v1/filings/{ID}")));
    let request = request.header("cookie", format!("shorelamp={}", lamp.key));
    let request = request.header("origin", "https://evil.example.org").body(FORM);
    let form = "application/x-www-form-urlencoded";
    let answer = request.header("content-type", form).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::FORBIDDEN);
    assert_eq!(open(&lamp).await, 0);
}

/// The form has four rows: nobody must stay out of the next plan unnoticed.
#[tokio::test]
async fn what_the_form_has_no_rows_for_is_kept_as_no_usual_trip() {
    let lamp = Lamp::lit().await;
    let cookie = format!("shorelamp={}", lamp.key);
    let mut many = plan();
    for name in ["Pia Lindqvist", "Anouk Visser", "Pell Marsh"] {
        many["crew"].as_array_mut().unwrap().push(json!({"name": name}));
    }
    let filed = lamp.file(&many).await;
    let page = format!("/filed/{}", filed["ref"].as_str().unwrap());
    let page = text(lamp.get(&page).header("cookie", &cookie).send().await.unwrap()).await;
    let keep = forms(&page).remove(0);
    let kept = lamp.post("/trips").header("cookie", &cookie).form(&keep.fields);
    let kept = kept.send().await.unwrap();
    assert_eq!(kept.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let told = text(kept).await;
    assert!(told.contains("has 5 people on the trip and the form has room for 4"), "{told}");
    let home = text(lamp.get("/").header("cookie", &cookie).send().await.unwrap()).await;
    assert!(!home.contains("?trip="));
}

#[tokio::test]
async fn a_usual_trip_is_kept_offered_chosen_and_forgotten() {
    let lamp = Lamp::lit().await;
    let cookie = format!("shorelamp={}", lamp.key);
    let filed = lamp.file(&plan()).await;
    let page = format!("/filed/{}", filed["ref"].as_str().unwrap());
    let page = text(lamp.get(&page).header("cookie", &cookie).send().await.unwrap()).await;
    let keep = forms(&page).remove(0);
    assert_eq!(keep.fields["name"], "Halibut drift");
    let name = "Drift & \"kelp\"";
    let keep = keep.typed(&[("name", name)]);
    let foreign = lamp.post("/trips").form(&keep.fields).send().await.unwrap();
    assert_eq!(foreign.status(), StatusCode::NOT_FOUND, "no cookie");
    let kept =
        lamp.post("/trips").header("cookie", &cookie).form(&keep.fields).send().await.unwrap();
    assert_eq!(kept.status(), StatusCode::SEE_OTHER);
    let home = text(lamp.get("/").header("cookie", &cookie).send().await.unwrap()).await;
    let (_, rest) = home.split_once("href=\"/?trip=").unwrap();
    let address = format!("/?trip={}", rest.split_once('"').unwrap().0);
    let chosen = text(lamp.get(&address).header("cookie", &cookie).send().await.unwrap()).await;
    let form = forms(&chosen).into_iter().find(|form| form.action == "/file").unwrap();
    assert_eq!(form.fields["crew[2].name"], "Tomas Bright");
    assert_eq!(form.fields["crew[1].medical"], "", "kept for a plan alone");
    assert_eq!(form.fields["waypoint[1].stay"], "2h");
    assert_eq!(form.fields["times.launch.date"], "2026-06-14", "today");
    assert_eq!(form.fields["times.launch.time"], "", "and no time of another day");
    let other = format!("shorelamp={}", lamp.keeper);
    let other = text(lamp.get("/").header("cookie", other).send().await.unwrap()).await;
    assert!(!other.contains("?trip="), "another key's");
    let trips = text(lamp.get("/trips").header("cookie", &cookie).send().await.unwrap()).await;
    let [forget] = &forms(&trips)[..] else { panic!("one trip: {trips}") };
    assert_eq!(forget.fields["name"], name);
    assert_eq!(lamp.get("/trips").send().await.unwrap().status(), StatusCode::NOT_FOUND);
    let forgotten = lamp.post("/trips").header("cookie", &cookie).form(&forget.fields);
    assert_eq!(forgotten.send().await.unwrap().headers()["location"], "/trips?forgotten");
    let home = text(lamp.get("/").header("cookie", &cookie).send().await.unwrap()).await;
    assert!(!home.contains("?trip="));
}
