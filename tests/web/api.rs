//! The HTTP API: its answers, its faults, and what it does once.

use reqwest::StatusCode;
use serde_json::{Value, json};

use super::house::{Lamp, Wish, plan};

async fn json_of(answer: reqwest::Response, status: StatusCode) -> Value {
    assert_eq!(answer.status(), status);
    answer.json().await.unwrap()
}

async fn problem(answer: reqwest::Response, status: u16) -> Value {
    let kind = answer.headers()["content-type"].to_str().unwrap().to_owned();
    assert_eq!(kind, "application/problem+json", "RFC 9457, section 3");
    let problem = json_of(answer, StatusCode::from_u16(status).unwrap()).await;
    assert_eq!(problem["status"], status);
    assert!(!problem["title"].as_str().unwrap().is_empty());
    assert!(!problem["detail"].as_str().unwrap().is_empty());
    problem
}

#[tokio::test]
async fn a_filed_plan_is_armed_with_letters_links_and_a_review() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    assert_eq!(filed["state"], "armed");
    assert_eq!(filed["due_at"], "2026-06-14T12:30:00-07:00");
    assert_eq!(filed["overdue_at"], "2026-06-14T12:45:00-07:00");
    let letters = filed["letters"].as_array().unwrap();
    assert_eq!(letters.len(), 3, "one of the crew has an address, and two contacts");
    assert!(letters.iter().all(|letter| letter["kind"] == "filed" && letter["state"] == "queued"));
    assert!(filed["notice"].as_str().unwrap().starts_with("ARMED, BUT NOBODY"));
    for link in ["crew", "checkin", "extend", "cancel", "amend"] {
        assert!(filed["links"][link].as_str().unwrap().starts_with(&lamp.base));
    }
    assert!(filed["review"]["cautions"].as_array().unwrap().len() > 1);
    assert_eq!(filed["review"]["water"]["kind"], "expected");

    let path = format!("/api/v1/plans/{}", filed["ref"].as_str().unwrap());
    let shown = lamp.get(&path).bearer_auth(&lamp.key).send().await.unwrap();
    let shown = json_of(shown, StatusCode::OK).await;
    assert_eq!(shown["ref"], filed["ref"]);
    assert_eq!(shown["out"], json!(["Ines Halloran", "Tomas Bright"]));
    assert_eq!(shown["links"], Value::Null, "the secrets stand in the first answer only");
}

#[tokio::test]
async fn toml_is_filed_too() {
    let lamp = Lamp::lit().await;
    let body = toml::to_string(&plan()).unwrap();
    let request = lamp.post("/api/v1/plans").bearer_auth(&lamp.key);
    let request = request.header("content-type", "application/toml; charset=utf-8").body(body);
    assert_eq!(request.send().await.unwrap().status(), StatusCode::CREATED);
}

#[tokio::test]
async fn who_may_do_what() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let path = format!("/api/v1/plans/{}", filed["ref"].as_str().unwrap());
    for wrong in [lamp.post("/api/v1/plans"), lamp.post("/api/v1/plans").bearer_auth("wrong")] {
        problem(wrong.json(&plan()).send().await.unwrap(), 401).await;
    }
    problem(lamp.post("/api/v1/review").json(&plan()).send().await.unwrap(), 401).await;
    problem(lamp.get(&path).send().await.unwrap(), 401).await;
    problem(lamp.get("/api/v1/plans").bearer_auth(&lamp.key).send().await.unwrap(), 403).await;
    let board = lamp.get("/api/v1/plans").bearer_auth(&lamp.keeper).send().await.unwrap();
    let board = json_of(board, StatusCode::OK).await;
    assert_eq!(board["plans"][0]["ref"], filed["ref"]);
    let shown = lamp.get(&path).bearer_auth(&lamp.keeper).send().await.unwrap();
    assert_eq!(shown.status(), StatusCode::OK, "a keeper sees every plan");

    let theirs = lamp.post("/api/v1/plans").bearer_auth(&lamp.keeper).json(&plan());
    let theirs = json_of(theirs.send().await.unwrap(), StatusCode::CREATED).await;
    let path = format!("/api/v1/plans/{}", theirs["ref"].as_str().unwrap());
    let other = problem(lamp.get(&path).bearer_auth(&lamp.key).send().await.unwrap(), 404).await;
    for what in ["checkin", "extend", "cancel", "erase"] {
        let sent = lamp.post(&format!("{path}/{what}")).bearer_auth(&lamp.key).send().await;
        assert_eq!(problem(sent.unwrap(), 404).await, other, "{what}");
    }
    let amended = lamp.post(&format!("{path}/amend")).bearer_auth(&lamp.key).json(&plan());
    assert_eq!(problem(amended.send().await.unwrap(), 404).await, other);
    let export = lamp.get(&format!("{path}/export")).bearer_auth(&lamp.key);
    assert_eq!(problem(export.send().await.unwrap(), 404).await, other);
    // Nobody learns by this whether a ref is one.
    let none = lamp.get("/api/v1/plans/2222-2222").bearer_auth(&lamp.key);
    assert_eq!(problem(none.send().await.unwrap(), 404).await, other);
}

#[tokio::test]
async fn every_fault_is_told_at_once_and_nothing_is_filed() {
    let lamp = Lamp::lit().await;
    let mut wrong = plan();
    wrong["launch"]["position"] = json!("98 0");
    wrong["crew"][0]["medcal"] = json!("lost?");
    wrong["contact"][1]["email"] = json!("mirela@");
    wrong["times"]["return_by"] = json!("2026-06-14T04:00");
    let request = lamp.post("/api/v1/plans").bearer_auth(&lamp.key).json(&wrong);
    let problem = problem(request.send().await.unwrap(), 422).await;
    let faults = problem["faults"].as_array().unwrap();
    let keys: Vec<_> = faults.iter().map(|fault| fault["key"].as_str().unwrap()).collect();
    for key in ["launch.position", "crew[1].medcal", "contact[2].email", "times.return_by"] {
        assert!(keys.contains(&key), "{key} not among {keys:?}");
    }
    assert!(faults.iter().all(|fault| fault["mend"].is_string() && fault["value"].is_string()));
    assert!(lamp.daemon.board().await.unwrap().is_empty());
}

#[tokio::test]
async fn what_is_no_plan_is_refused_clearly() {
    let lamp = Lamp::lit().await;
    let send = |kind: &'static str, body: Vec<u8>| {
        let request = lamp.post("/api/v1/plans").bearer_auth(&lamp.key);
        request.header("content-type", kind).body(body).send()
    };
    problem(send("text/plain", b"{}".to_vec()).await.unwrap(), 415).await;
    problem(send("application/json", b"{".to_vec()).await.unwrap(), 422).await;
    problem(send("application/json", b"{\"title\": \"\xff\"}".to_vec()).await.unwrap(), 422).await;
    problem(send("application/json", "[".repeat(100_000).into_bytes()).await.unwrap(), 422).await;
    problem(send("application/toml", b"launch = NaN".to_vec()).await.unwrap(), 422).await;
    let past = {
        let mut past = plan();
        past["times"] = json!({"launch": "2026-06-14T04:00", "return_by": "2026-06-14T05:59"});
        past
    };
    let past = send("application/json", past.to_string().into_bytes()).await.unwrap();
    assert!(problem(past, 422).await["detail"].as_str().unwrap().contains("passed already"));
}

#[tokio::test]
async fn a_body_of_twenty_megabytes_hears_why_it_is_refused() {
    let lamp = Lamp::lit().await;
    for path in ["/api/v1/plans", "/api/v1/review"] {
        let request = lamp.post(path).bearer_auth(&lamp.key);
        let request = request.header("content-type", "application/json");
        let answer = request.body(vec![b' '; 20 * 1024 * 1024]).send().await.unwrap();
        problem(answer, 413).await;
    }
}

#[tokio::test]
async fn the_same_key_and_body_file_once() {
    let lamp = Lamp::lit().await;
    let send = |body: Value| {
        let request = lamp.post("/api/v1/plans").bearer_auth(&lamp.key);
        request.header("idempotency-key", "one").json(&body).send()
    };
    let first = json_of(send(plan()).await.unwrap(), StatusCode::CREATED).await;
    let again = json_of(send(plan()).await.unwrap(), StatusCode::CREATED).await;
    assert_eq!(first["ref"], again["ref"]);
    assert_eq!(first["links"], again["links"]);
    assert_eq!(lamp.daemon.board().await.unwrap().len(), 1);
    let mut other = plan();
    other["title"] = json!("Another");
    problem(send(other).await.unwrap(), 422).await;
    assert_eq!(lamp.daemon.board().await.unwrap().len(), 1);
}

#[tokio::test]
async fn too_many_filings_are_told_to_wait() {
    let lamp = Lamp::with(Wish { filings_per_key_per_hour: Some(1), ..Wish::default() }).await;
    lamp.file(&plan()).await;
    let request = lamp.post("/api/v1/plans").bearer_auth(&lamp.key).json(&plan());
    let answer = request.send().await.unwrap();
    assert_eq!(answer.headers()["retry-after"], "3600");
    problem(answer, 429).await;
}

/// Else one key could lay up plans for weeks, all due at one moment, and every other's alerts would wait
/// behind theirs.
#[tokio::test]
async fn a_key_has_no_more_plans_open_than_it_may_file_in_a_day() {
    let lamp = Lamp::with(Wish { filings_per_key_per_hour: Some(1), ..Wish::default() }).await;
    let mut plan = plan();
    plan["times"]["return_by"] = json!("2026-06-20T12:30");
    plan["crew"][0].as_object_mut().unwrap().remove("email");
    // Nobody is named so often that they would be spared.
    let mut named = 0..;
    let mut send = || {
        for one in plan["contact"].as_array_mut().unwrap() {
            one["email"] = json!(format!("{}@example.org", named.next().unwrap()));
        }
        lamp.move_clock(61);
        lamp.post("/api/v1/plans").bearer_auth(&lamp.key).json(&plan).send()
    };
    let mut last = Value::Null;
    for _ in 0..24 {
        last = json_of(send().await.unwrap(), StatusCode::CREATED).await;
    }
    let told = problem(send().await.unwrap(), 429).await;
    assert!(told["detail"].as_str().unwrap().contains("24 plans open"), "{told}");
    // One that is over makes room.
    let home = lamp.post(last["links"]["checkin"].as_str().unwrap()).json(&json!({}));
    json_of(home.send().await.unwrap(), StatusCode::OK).await;
    json_of(send().await.unwrap(), StatusCode::CREATED).await;
}

#[tokio::test]
async fn a_review_files_nothing_and_takes_any_date() {
    let lamp = Lamp::lit().await;
    let mut past = plan();
    past["times"] = json!({"launch": "2020-06-14T05:30", "return_by": "2020-06-14T12:30"});
    let request = lamp.post("/api/v1/review").bearer_auth(&lamp.key).json(&past);
    let review = json_of(request.send().await.unwrap(), StatusCode::OK).await;
    assert!(review["route"]["length_m"].as_f64().unwrap() > 1000.0);
    assert!(lamp.daemon.board().await.unwrap().is_empty());
}

#[tokio::test]
async fn crew_checks_in_by_link_one_by_one() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let link = filed["links"]["checkin"].as_str().unwrap();
    let send = |body: Value| lamp.post(link).json(&body).send();
    let unknown = problem(send(json!({"who": ["Nobody"]})).await.unwrap(), 422).await;
    let detail = unknown["detail"].as_str().unwrap();
    assert!(detail.contains("Ines Halloran") && detail.contains("Tomas Bright"), "{detail}");
    problem(send(json!({"who": []})).await.unwrap(), 422).await;
    problem(send(json!({"whom": ["Ines Halloran"]})).await.unwrap(), 422).await;
    let one = json_of(send(json!({"who": ["ines HALLORAN"]})).await.unwrap(), StatusCode::OK).await;
    assert_eq!(one["state"], "armed");
    assert_eq!(one["ashore"], json!(["Ines Halloran"]));
    assert_eq!(one["out"], json!(["Tomas Bright"]));
    for _ in 0..2 {
        let all = json_of(send(json!({})).await.unwrap(), StatusCode::OK).await;
        assert_eq!(all["state"], "closed", "the second time changes nothing");
        assert_eq!(all["out"], json!([]));
    }
    let extend = lamp.post(filed["links"]["extend"].as_str().unwrap()).json(&json!({"by": "1h"}));
    let closed = problem(extend.send().await.unwrap(), 409).await;
    assert!(closed["detail"].as_str().unwrap().contains("closed already"));
}

#[tokio::test]
async fn extending_and_calling_off_by_key_and_link() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let path = format!("/api/v1/plans/{}", filed["ref"].as_str().unwrap());
    let by_key = |what: &str, body: Value| {
        let request = lamp.post(&format!("{path}/{what}")).bearer_auth(&lamp.key);
        request.header("idempotency-key", "e").json(&body).send()
    };
    for _ in 0..2 {
        let later = by_key("extend", json!({"by": "1h"})).await.unwrap();
        let later = json_of(later, StatusCode::OK).await;
        assert_eq!(later["due_at"], "2026-06-14T13:30:00-07:00", "once, for the same key");
    }
    let more = json_of(by_key("extend", json!({"by": "30m"})).await.unwrap(), StatusCode::OK).await;
    assert_eq!(more["due_at"], "2026-06-14T14:00:00-07:00", "another body is another deed");
    for wrong in [json!({"by": "8days"}), json!({"by": "0s"}), json!({"by": "later"}), json!({})] {
        problem(by_key("extend", wrong).await.unwrap(), 422).await;
    }
    lamp.move_clock(12 * 60);
    let extend = lamp.post(filed["links"]["extend"].as_str().unwrap()).json(&json!({"by": "1m"}));
    let past = problem(extend.send().await.unwrap(), 409).await;
    assert!(past["detail"].as_str().unwrap().contains("extend by more than"));
    let cancel = lamp.post(filed["links"]["cancel"].as_str().unwrap()).send().await.unwrap();
    assert_eq!(json_of(cancel, StatusCode::OK).await["state"], "closed");
}

#[tokio::test]
async fn a_link_opens_its_own_purpose_only_and_expires() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let before = lamp.snapshot(filed["ref"].as_str().unwrap()).await;
    let extend = filed["links"]["extend"].as_str().unwrap();
    let token = super::house::token(extend);
    let mut answers = Vec::new();
    for path in [format!("/api/v1/checkin/{token}"), "/api/v1/checkin/unknown".to_owned()] {
        answers.push(problem(lamp.post(&path).send().await.unwrap(), 404).await);
    }
    assert_eq!(lamp.snapshot(filed["ref"].as_str().unwrap()).await, before);
    let checkin = filed["links"]["checkin"].as_str().unwrap();
    assert_eq!(lamp.post(checkin).send().await.unwrap().status(), StatusCode::OK);
    lamp.move_clock(24 * 60 + 1);
    answers.push(problem(lamp.post(checkin).send().await.unwrap(), 404).await);
    assert!(answers.windows(2).all(|pair| pair[0] == pair[1]), "the same words: {answers:?}");
}

#[tokio::test]
async fn health_is_well_only_while_an_alert_could_go_out() {
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let well = lamp.get("/healthz").send().await.unwrap();
    let quiet = json!({"status": "ok", "oldest_unsent_alert_s": 0});
    assert_eq!(json_of(well, StatusCode::OK).await, quiet);
    drop(lamp);
    let lamp = Lamp::lit().await;
    lamp.move_clock(1);
    let ill = problem(lamp.get("/healthz").send().await.unwrap(), 503).await;
    assert!(!ill["illnesses"].as_array().unwrap().is_empty(), "nothing watches");
    assert!(ill["illnesses"][0]["mend"].is_string());
}

#[tokio::test]
async fn letters_show_their_fate() {
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let filed = lamp.file(&plan()).await;
    let path = format!("/api/v1/plans/{}", filed["ref"].as_str().unwrap());
    for _ in 0..100 {
        let shown = lamp.get(&path).bearer_auth(&lamp.key).send().await.unwrap();
        let shown = json_of(shown, StatusCode::OK).await;
        let states = |part: &str| {
            let part = shown[part].as_array().unwrap().iter();
            part.map(|one| one["state"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
        };
        if states("letters") == ["handed over"; 3] {
            assert_eq!(states("contacts"), ["handed over"; 2]);
            assert_eq!(shown["notice"], Value::Null);
            return;
        }
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    panic!("three letters should have been handed over to the folder");
}
