//! Amending, closing by hand and sending again, over the API and on the pages.

use reqwest::{Response, StatusCode};
use serde_json::{Value, json};
use shorelamp::watch::{Event, Kind, Recipient};

use super::house::{Lamp, Wish, plan, text, token};

/// Two hours later, without Tomas, with Pia instead of Mirela.
fn new_version() -> Value {
    let mut plan = plan();
    plan["times"]["return_by"] = json!("2026-06-14T14:30");
    plan["crew"].as_array_mut().unwrap().pop();
    plan["contact"][1] = json!({"name": "Pia Lindqvist", "email": "pia@example.org"});
    plan
}

async fn json_of(answer: Response, status: StatusCode) -> Value {
    let got = answer.status();
    let body: Value = answer.json().await.unwrap();
    assert_eq!(got, status, "{body}");
    body
}

async fn amend(lamp: &Lamp, link: &Value, plan: &Value, once: &str) -> Response {
    let request = lamp.post(link.as_str().unwrap()).header("Idempotency-Key", once);
    request.json(plan).send().await.unwrap()
}

async fn shown(lamp: &Lamp, plan_ref: &str) -> Value {
    let path = format!("/api/v1/plans/{plan_ref}");
    let answer = lamp.get(&path).bearer_auth(&lamp.key).send().await.unwrap();
    json_of(answer, StatusCode::OK).await
}

#[tokio::test]
async fn a_plan_is_amended_by_its_link_once() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let link = &filed["links"]["amend"];
    let first = json_of(amend(&lamp, link, &new_version(), "a").await, StatusCode::OK).await;
    assert_eq!(first["ref"], filed["ref"]);
    assert_eq!(first["state"], "armed");
    assert_eq!(first["due_at"], "2026-06-14T14:30:00-07:00");
    assert_eq!(first.get("links"), None, "a link opens what it is for: this one ends no trip");
    assert!(first["review"]["cautions"].as_array().unwrap().len() > 1);
    let worse = first["worse"].as_array().unwrap();
    assert!(worse.iter().any(|caution| caution["id"] == "alone"), "{worse:?}");
    assert!(first["notice"].as_str().unwrap().contains("NOBODY HAS BEEN REACHED YET"));
    let again = json_of(amend(&lamp, link, &new_version(), "a").await, StatusCode::OK).await;
    assert_eq!(again, first, "the same answer again");
    let other = amend(&lamp, link, &plan(), "a").await;
    let other = json_of(other, StatusCode::UNPROCESSABLE_ENTITY).await;
    assert!(other["detail"].as_str().unwrap().contains("nothing was changed"), "{other}");

    let shown = shown(&lamp, filed["ref"].as_str().unwrap()).await;
    assert_eq!(shown["out"], json!(["Ines Halloran"]));
    assert_eq!(shown["removed"], json!(["Tomas Bright"]));
    let contacts = shown["contacts"].as_array().unwrap();
    let of = |key: &str| contacts.iter().map(|one| one[key].clone()).collect::<Vec<_>>();
    assert_eq!(of("name"), ["Dunstan Okafor", "Mirela Sandoval", "Pia Lindqvist"]);
    assert_eq!(of("removed"), [false, true, false]);
    assert_eq!(of("state"), ["queued", "queued", "queued"]);
}

#[tokio::test]
async fn a_key_amends_its_own_plans_in_toml_too_and_faults_are_told() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let path = format!("/api/v1/plans/{}/amend", filed["ref"].as_str().unwrap());
    let body = toml::to_string(&new_version()).unwrap();
    let toml = lamp.post(&path).header("content-type", "application/toml").body(body);
    assert_eq!(toml.try_clone().unwrap().send().await.unwrap().status(), StatusCode::UNAUTHORIZED);
    let answer = toml.bearer_auth(&lamp.key).send().await.unwrap();
    assert_eq!(json_of(answer, StatusCode::OK).await["due_at"], "2026-06-14T14:30:00-07:00");

    let mut past = new_version();
    past["times"]["return_by"] = json!("2026-06-14T05:45");
    let answer = lamp.post(&path).bearer_auth(&lamp.key).json(&past).send().await.unwrap();
    let fault = json_of(answer, StatusCode::UNPROCESSABLE_ENTITY).await;
    assert_eq!(fault["faults"][0]["key"], "times.return_by");
    assert!(fault["detail"].as_str().unwrap().starts_with("nothing was changed"), "{fault}");

    // Nothing differs: nobody is written to.
    let before = shown(&lamp, filed["ref"].as_str().unwrap()).await;
    let same = lamp.post(&path).bearer_auth(&lamp.key).json(&new_version()).send().await.unwrap();
    json_of(same, StatusCode::OK).await;
    assert_eq!(shown(&lamp, filed["ref"].as_str().unwrap()).await, before);
}

#[tokio::test]
async fn an_amendment_that_would_end_the_watch_is_refused_with_words() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let checkin = lamp.post(filed["links"]["checkin"].as_str().unwrap());
    checkin.json(&json!({"who": ["Ines Halloran"]})).send().await.unwrap();
    let answer = amend(&lamp, &filed["links"]["amend"], &new_version(), "a").await;
    let refused = json_of(answer, StatusCode::CONFLICT).await;
    assert!(refused["detail"].as_str().unwrap().contains("an amendment never does"), "{refused}");
    let shown = shown(&lamp, filed["ref"].as_str().unwrap()).await;
    assert_eq!(
        (shown["out"].clone(), shown["due_at"].clone()),
        (json!(["Tomas Bright"]), filed["due_at"].clone())
    );
}

#[tokio::test]
async fn whoever_was_taken_out_reads_the_plan_no_more_and_can_still_say_what_they_know() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let mirela = lamp.contact_page(plan_ref, 1);
    // She was alerted before, and may have called or seen them.
    lamp.pass(6 * 60 + 65, plan_ref).await;
    let alerted = Event::Handing { to: Recipient::Contact(1), kind: Kind::Overdue };
    lamp.daemon.act(plan_ref, &alerted, None).await.unwrap();
    amend(&lamp, &filed["links"]["amend"], &new_version(), "a").await;
    lamp.pass(600, plan_ref).await;
    let page = text(lamp.get(&mirela).send().await.unwrap()).await;
    assert!(page.contains("no longer asked to act"), "{page}");
    for private in ["CANARY", "48.5", "555 0142", "Pia"] {
        assert!(!page.contains(private), "{private} in {page}");
    }
    let say = |form: Vec<(&'static str, &'static str)>| lamp.post(&mirela).form(&form).send();
    let offer = vec![("act", "on-it"), ("name", "Mirela"), ("once", "1")];
    assert_eq!(say(offer).await.unwrap().status(), StatusCode::CONFLICT);
    let ashore =
        vec![("act", "ashore"), ("name", "Mirela"), ("once", "2"), ("who", "0"), ("how", "saw")];
    assert_eq!(say(ashore).await.unwrap().status(), StatusCode::SEE_OTHER);
    assert_eq!(shown(&lamp, plan_ref).await["state"], "closed");
    let pia = text(lamp.get(&lamp.contact_page(plan_ref, 2)).send().await.unwrap()).await;
    assert!(pia.contains("All ashore"), "the added contact has a page");
}

/// Whoever is taken off the trip reads no more of it, and can't end the watch over the others.
#[tokio::test]
async fn whoever_was_taken_off_the_trip_neither_reads_nor_ends_it() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let tomas = shorelamp::watch::Recipient::Crew(plan()["crew"].as_array().unwrap().len() - 1);
    let page = lamp.daemon.page_of(plan_ref, tomas).unwrap();
    amend(&lamp, &filed["links"]["amend"], &new_version(), "a").await;
    lamp.pass(600, plan_ref).await;
    let shown_page = text(lamp.get(&page).send().await.unwrap()).await;
    assert!(shown_page.contains("no longer on this trip"), "{shown_page}");
    assert!(shown_page.contains("href=\"tel:"), "whom to call in need: {shown_page}");
    assert!(!shown_page.contains("class=\"full watched"), "nobody watches for them");
    for private in ["CANARY", "48.5", "555 0142", "Pia"] {
        assert!(!shown_page.contains(private), "{private} in {shown_page}");
    }
    let off = [("act", "cancel"), ("word", "call off"), ("name", "Tomas"), ("once", "1")];
    let answer = lamp.post(&page).form(&off).send().await.unwrap();
    assert!(answer.status().is_client_error(), "{}", answer.status());
    assert_ne!(shown(&lamp, plan_ref).await["state"], "closed");
}

#[tokio::test]
async fn an_extension_answers_what_got_worse_and_so_does_the_crews_page() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let extend = |by: &str| {
        lamp.post(filed["links"]["extend"].as_str().unwrap()).json(&json!({ "by": by })).send()
    };
    // Sunset there and then is at 21:13 (the review says so): half an hour changes no light.
    let little = json_of(extend("30m").await.unwrap(), StatusCode::OK).await;
    assert_eq!(little["worse"], json!([]));
    let much = json_of(extend("10h").await.unwrap(), StatusCode::OK).await;
    assert_eq!(much["due_at"], "2026-06-14T23:00:00-07:00", "written first");
    let worse = much["worse"].as_array().unwrap();
    assert!(worse.iter().any(|caution| caution["id"] == "daylight"), "{worse:?}");

    let page = filed["links"]["crew"].as_str().unwrap();
    let form = [("act", "extend"), ("name", "Ines"), ("by", "1h"), ("once", "x")];
    let answer = lamp.post(page).form(&form).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::SEE_OTHER);
    let next = answer.headers()["location"].to_str().unwrap().to_owned();
    let said = text(lamp.get(&next).send().await.unwrap()).await;
    assert!(said.contains("this got worse"), "{said}");
    let later = text(lamp.get(page).send().await.unwrap()).await;
    assert!(!later.contains("this got worse"));
}

/// What comes again changes nothing, and is not judged: it could keep its key from filing. What got worse
/// is told as it was found when something changed.
#[tokio::test]
async fn what_changes_nothing_is_not_judged_again() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let store = lamp.daemon.store();
    let found =
        json!([{"id": "wind", "level": "danger", "text": "As found.", "source": "", "clears": ""}]);
    let found = found.to_string();
    // In place of what was found when the plan was last changed.
    let note = async || {
        let event = lamp.daemon.status(plan_ref).await.unwrap().state.changed_by.unwrap();
        store.note_worse(plan_ref, event, &found).await.unwrap();
        event
    };
    let extend = async || {
        let extend = lamp.post(filed["links"]["extend"].as_str().unwrap());
        let extend = extend.header("Idempotency-Key", "once").json(&json!({"by": "10h"}));
        json_of(extend.send().await.unwrap(), StatusCode::OK).await["worse"].clone()
    };
    assert!(extend().await.to_string().contains("daylight"));
    note().await;
    assert_eq!(extend().await[0]["text"], "As found.", "the same extension");

    let page = filed["links"]["crew"].as_str().unwrap();
    let form = [("act", "extend"), ("name", "Ines"), ("by", "1h"), ("once", "x")];
    let extend = async || lamp.post(page).form(&form).send().await.unwrap().status();
    assert_eq!(extend().await, StatusCode::SEE_OTHER);
    let event = note().await;
    assert_eq!(extend().await, StatusCode::SEE_OTHER, "the same form");
    assert_eq!(lamp.daemon.worse(plan_ref, event).await.unwrap()[0].text, "As found.");

    let link = &filed["links"]["amend"];
    json_of(amend(&lamp, link, &new_version(), "a").await, StatusCode::OK).await;
    let event = note().await;
    let again = json_of(amend(&lamp, link, &new_version(), "b").await, StatusCode::OK).await;
    assert_eq!(again["worse"][0]["text"], "As found.", "the plan as it stands");
    assert_eq!(lamp.daemon.worse(plan_ref, event).await.unwrap()[0].text, "As found.");
}

#[tokio::test]
async fn the_keeper_closes_a_plan_with_a_reason_and_nobody_else_does() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let path = format!("/api/v1/plans/{}/close", filed["ref"].as_str().unwrap());
    let close = |key: &str, body: Value| lamp.post(&path).bearer_auth(key).json(&body).send();
    let reason = json!({"reason": "Ines telephoned: both ashore"});
    let answer = close(&lamp.key, reason.clone()).await.unwrap();
    assert_eq!(answer.status(), StatusCode::FORBIDDEN);
    for empty in [json!({}), json!({"reason": "  "})] {
        let answer = close(&lamp.keeper, empty).await.unwrap();
        let refused = json_of(answer, StatusCode::UNPROCESSABLE_ENTITY).await;
        assert!(refused["detail"].as_str().unwrap().contains("Say why"), "{refused}");
    }
    let closed = json_of(close(&lamp.keeper, reason.clone()).await.unwrap(), StatusCode::OK).await;
    assert_eq!(closed["state"], "closed");
    let again = close(&lamp.keeper, reason).await.unwrap();
    assert_eq!(again.status(), StatusCode::CONFLICT);
    let page = filed["links"]["crew"].as_str().unwrap();
    let said = text(lamp.get(page).send().await.unwrap()).await;
    assert!(said.contains("Closed by this service's keeper") && said.contains("Ines telephoned"));
    let (_, tail) = said.split_once("name=\"event\" value=\"").unwrap();
    let event = tail.split('"').next().unwrap().to_owned();
    let form = [("act", "undo"), ("name", "Ines"), ("once", "u"), ("event", event.as_str())];
    assert_eq!(lamp.post(page).form(&form).send().await.unwrap().status(), StatusCode::SEE_OTHER);
    assert_eq!(shown(&lamp, filed["ref"].as_str().unwrap()).await["state"], "armed");
    assert_eq!(token(page).len(), 27);
}

#[tokio::test]
async fn the_keeper_has_a_letter_sent_again() {
    let lamp = Lamp::with(Wish::default()).await;
    let filed = lamp.file(&plan()).await;
    let path = format!("/api/v1/plans/{}/again", filed["ref"].as_str().unwrap());
    let again = |key: &str, body: Value| lamp.post(&path).bearer_auth(key).json(&body).send();
    assert_eq!(again(&lamp.key, json!({})).await.unwrap().status(), StatusCode::FORBIDDEN);
    let all = json_of(again(&lamp.keeper, json!({})).await.unwrap(), StatusCode::OK).await;
    let expected = json!([
        {"to": "Dunstan Okafor", "kind": "filed"}, {"to": "Mirela Sandoval", "kind": "filed"}
    ]);
    assert_eq!(all["letters"], expected);
    for to in ["contact:2", "mirela sandoval"] {
        let one = again(&lamp.keeper, json!({ "to": to })).await.unwrap();
        let one = json_of(one, StatusCode::OK).await;
        assert_eq!(one["letters"], json!([{"to": "Mirela Sandoval", "kind": "filed"}]));
    }
    for to in ["contact:3", "Nobody", "contact:0"] {
        let none = again(&lamp.keeper, json!({ "to": to })).await.unwrap();
        assert_eq!(none.status(), StatusCode::UNPROCESSABLE_ENTITY, "{to}");
    }
    let keeper = again(&lamp.keeper, json!({"to": "keeper"})).await.unwrap();
    assert_eq!(keeper.status(), StatusCode::CONFLICT, "the keeper was owed nothing so far");
}

/// Else the device that filed could check nobody in from there.
#[tokio::test]
async fn the_filers_page_leads_to_somebody_who_is_on_the_trip() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let mut without = plan();
    without["crew"].as_array_mut().unwrap().remove(0);
    let amend = lamp.post(filed["links"]["amend"].as_str().unwrap()).json(&without);
    assert_eq!(amend.send().await.unwrap().status(), StatusCode::OK);
    let cookie = format!("shorelamp={}", lamp.key);
    let page = format!("/filed/{}", filed["ref"].as_str().unwrap());
    let page = text(lamp.get(&page).header("cookie", &cookie).send().await.unwrap()).await;
    let links = super::browser::links(&page);
    let crew = links.iter().find(|link| link.contains("/crew/")).unwrap();
    let crew = text(lamp.get(crew).send().await.unwrap()).await;
    assert!(crew.contains("value=\"checkin\"") && crew.contains("Tomas Bright"), "{crew}");
}
