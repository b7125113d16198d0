//! The contact's page.

use reqwest::StatusCode;
use serde_json::json;

use super::browser::{Form, form_of};
use super::house::{Lamp, Wish, plan, text};

const OVERDUE_IN: i64 = 6 * 60 + 46;

async fn filed(lamp: &Lamp) -> String {
    lamp.file(&plan()).await["ref"].as_str().unwrap().to_owned()
}

async fn page(lamp: &Lamp, plan_ref: &str, contact: usize) -> String {
    text(lamp.get(&lamp.contact_page(plan_ref, contact)).send().await.unwrap()).await
}

async fn send(lamp: &Lamp, form: &Form, typed: &[(&str, &str)]) -> (StatusCode, String) {
    let form = form.typed(typed);
    let answer = lamp.post(&form.action).form(&form.fields).send().await.unwrap();
    let status = answer.status();
    let place = answer.headers().get("location").map(|place| place.to_str().unwrap().to_owned());
    match place {
        Some(place) => (status, text(lamp.get(&place).send().await.unwrap()).await),
        None => (status, text(answer).await),
    }
}

#[tokio::test]
async fn before_overdue_a_stranger_learns_what_to_do_and_when() {
    let lamp = Lamp::lit().await;
    let plan_ref = filed(&lamp).await;
    let shown = page(&lamp, &plan_ref, 0).await;
    assert!(shown.contains("Ines Halloran and Tomas Bright</bdi> are out paddling"));
    assert!(shown.contains("set an alarm"));
    assert!(shown.contains("Sun 14 Jun, 12:45 (12:45 pm PDT)"));
    assert!(shown.contains("tel:+13605550100") && shown.contains("tel:+13605550142"));
    assert!(!shown.contains("CANARY"), "medical only once overdue");
    assert!(!shown.contains("value=\"called\""), "nobody calls yet");

    let form = form_of(&shown, "have-it");
    let (status, again) = send(&lamp, &form, &[]).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(again.contains("Nothing was changed. Type your name."));
    let (status, done) = send(&lamp, &form, &[("name", "Dunstan Okafor")]).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    assert!(done.contains("Written down: you have the letter."));
    let status = lamp.daemon.status(&plan_ref).await.unwrap();
    assert!(status.contacts()[0].confirmed && !status.contacts()[1].confirmed);
}

#[tokio::test]
async fn once_overdue_the_page_tells_whom_to_call_and_everything() {
    let lamp = Lamp::lit().await;
    let plan_ref = filed(&lamp).await;
    lamp.pass(OVERDUE_IN, &plan_ref).await;
    let shown = page(&lamp, &plan_ref, 0).await;
    assert!(shown.contains("<h1>OVERDUE: 2 people</h1>"));
    assert!(shown.contains("We call nobody"));
    assert!(shown.contains("CANARY"), "medical now");
    assert!(shown.contains("I want to report 2 people overdue on the water"));
    let order = ["tel:+13605550142", "tel:+13605550100", "I want to report", "value=\"called\""];
    let places: Vec<_> = order.iter().map(|text| shown.find(text).unwrap()).collect();
    assert!(places.is_sorted(), "their phones, the rescue service, the words, the answer");
    assert!(!shown.to_lowercase().contains("safe"), "nobody knows that");
}

#[tokio::test]
async fn every_answer_asks_for_what_only_a_person_knows() {
    let lamp = Lamp::lit().await;
    let plan_ref = filed(&lamp).await;
    lamp.pass(OVERDUE_IN, &plan_ref).await;
    let shown = page(&lamp, &plan_ref, 0).await;
    let before = lamp.snapshot(&plan_ref).await;
    let me = ("name", "Dunstan");
    for (act, typed) in [
        ("on-it", vec![]),
        ("called", vec![me]),
        ("called", vec![me, ("service", "coast guard")]),
        ("called", vec![("service", "coast guard"), ("when", "18:40")]),
        ("ashore", vec![me]),
        ("ashore", vec![me, ("who", "all")]),
        ("ashore", vec![me, ("how", "saw")]),
        ("ashore", vec![me, ("who", "all"), ("how", "guessed")]),
        ("cant-act", vec![]),
    ] {
        let (status, again) = send(&lamp, &form_of(&shown, act), &typed).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{act} {typed:?}");
        assert!(again.contains("Nothing was changed"));
    }
    assert_eq!(lamp.snapshot(&plan_ref).await, before);
}

#[tokio::test]
async fn answers_are_told_to_the_others_and_can_be_taken_back() {
    let lamp = Lamp::lit().await;
    let plan_ref = filed(&lamp).await;
    lamp.pass(OVERDUE_IN, &plan_ref).await;
    let shown = page(&lamp, &plan_ref, 0).await;
    let (_, on_it) = send(&lamp, &form_of(&shown, "on-it"), &[("name", "Dunstan Okafor")]).await;
    assert!(on_it.contains("Written down: you are on it."));
    let call = [
        ("name", "Dunstan Okafor"),
        ("service", "Coast <b>Guard</b>"),
        ("when", "18:40"),
        ("reference", "R-17"),
    ];
    let (_, called) = send(&lamp, &form_of(&shown, "called"), &call).await;
    assert!(called.contains("Written down: you have called Coast &#60;b&#62;Guard"));

    let other = page(&lamp, &plan_ref, 1).await;
    assert!(other.contains("Dunstan wrote at 12:46"));
    assert!(other.contains("R-17") && other.contains("need not be called again"));
    assert!(!other.contains("<b>Guard"), "what was typed is escaped");
    assert!(!other.contains("Okafor</dt>") && other.contains("Dunstan</bdi></dt>"), "first names");
    assert!(!other.contains("you have called"), "it was somebody else");

    let undo = form_of(&other, "undo");
    let event = other.split("name=\"event\" value=\"").nth(1).unwrap().split('"').next().unwrap();
    let (_, back) = send(&lamp, &undo, &[("event", event), ("name", "Mirela")]).await;
    assert!(back.contains("Taken back."));
    assert!(back.contains("Nobody has told us of a call"));
}

#[tokio::test]
async fn a_contact_who_knows_they_are_ashore_ends_the_watch() {
    let lamp = Lamp::lit().await;
    let plan_ref = filed(&lamp).await;
    lamp.pass(OVERDUE_IN, &plan_ref).await;
    let shown = page(&lamp, &plan_ref, 1).await;
    let ashore = form_of(&shown, "ashore");
    let typed = [("name", "Mirela"), ("who", "0"), ("how", "spoke")];
    let (_, one) = send(&lamp, &ashore, &typed).await;
    assert!(one.contains("Still out: Tomas Bright"));
    assert!(one.contains("OVERDUE: 1 person"));
    let typed = [("name", "Mirela"), ("who", "all"), ("how", "saw")];
    let (_, all) = send(&lamp, &form_of(&one, "ashore"), &typed).await;
    assert!(all.contains("All ashore") && all.contains("tell them now that it is over"));
    assert!(!all.contains("CANARY"), "and the medical notes are gone again");
    let (status, late) = send(&lamp, &form_of(&shown, "on-it"), &[("name", "Mirela")]).await;
    assert_eq!(status, StatusCode::CONFLICT);
    assert!(late.contains("closed already"));
}

#[tokio::test]
async fn who_cant_act_says_so() {
    let lamp = Lamp::lit().await;
    let plan_ref = filed(&lamp).await;
    let shown = page(&lamp, &plan_ref, 0).await;
    let (_, early) = send(&lamp, &form_of(&shown, "cant-act"), &[("name", "Dunstan")]).await;
    assert!(early.contains("The crew and the keeper of this service are told"));
    lamp.pass(OVERDUE_IN, &plan_ref).await;
    let other = page(&lamp, &plan_ref, 1).await;
    let (_, late) = send(&lamp, &form_of(&other, "cant-act"), &[("name", "Mirela")]).await;
    assert!(late.contains("The next letters go out at once"));
}

#[tokio::test]
async fn markup_in_a_plan_and_in_names_stays_text() {
    let lamp = Lamp::lit().await;
    let polyglot = "x\"'><img src=x onerror=alert(1)>{{7*7}}";
    let mut hostile = plan();
    hostile["title"] = json!(polyglot);
    hostile["crew"][0]["name"] = json!(polyglot);
    hostile["crew"][0]["medical"] = json!(polyglot);
    hostile["contact"][0]["name"] = json!(polyglot);
    hostile["launch"]["vehicle"] = json!(polyglot);
    hostile["waypoint"][0]["name"] = json!(polyglot);
    let filed = lamp.file(&hostile).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    lamp.pass(OVERDUE_IN, plan_ref).await;
    let form = form_of(&page(&lamp, plan_ref, 0).await, "called");
    let typed = [("name", polyglot), ("service", polyglot), ("when", polyglot)];
    let (_, contact) = send(&lamp, &form, &typed).await;
    let (_, again) = send(&lamp, &form, &[("name", polyglot)]).await;
    let crew = lamp.get(filed["links"]["crew"].as_str().unwrap()).send().await.unwrap();
    for page in [contact, again, text(crew).await, page(&lamp, plan_ref, 1).await] {
        assert!(page.contains("onerror=alert"), "it is shown");
        assert!(!page.contains("<img") && !page.contains("\"'>"), "and stays text");
    }
}

#[tokio::test]
async fn handed_over_and_seen_are_told_apart() {
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let plan_ref = filed(&lamp).await;
    let mut shown = String::new();
    for _ in 0..100 {
        shown = page(&lamp, &plan_ref, 0).await;
        if shown.matches("the plan was handed over").count() == 2 {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    assert_eq!(shown.matches("they have not said that they have it").count(), 2, "{shown}");
    let (_, done) = send(&lamp, &form_of(&shown, "have-it"), &[("name", "Dunstan")]).await;
    assert_eq!(done.matches("they have not said that they have it").count(), 1);
    assert!(done.contains("has said at 06:00"));
}

/// Else one contact, hours ahead, keeps all the others from calling.
#[tokio::test]
async fn who_says_before_they_are_due_back_that_help_was_called_keeps_nobody_from_calling() {
    let lamp = Lamp::lit().await;
    let plan_ref = filed(&lamp).await;
    let early = [
        ("act", "called"),
        ("once", "1"),
        ("name", "Mirela"),
        ("service", "the coast guard"),
        ("when", "just now"),
    ];
    let own = lamp.contact_page(&plan_ref, 1);
    let sent = lamp.post(&own).form(&early).send().await.unwrap();
    let next = sent.headers()["location"].to_str().unwrap().to_owned();
    let said = text(lamp.get(&next).send().await.unwrap()).await;
    assert!(said.contains("everybody is asked to call all the same"), "{said}");
    lamp.pass(OVERDUE_IN, &plan_ref).await;
    let shown = page(&lamp, &plan_ref, 0).await;
    assert!(shown.contains("the coast guard") && shown.contains("call all the same"), "{shown}");
    assert!(shown.contains("1. Call now") && !shown.contains("need not be called"), "{shown}");
}
