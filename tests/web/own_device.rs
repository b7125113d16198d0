//! What a device that filed a plan does without typing, and what anybody does with a code that was
//! said to them.

use reqwest::{Response, StatusCode};
use serde_json::Value;

use super::browser::{Form, forms};
use super::house::{Lamp, plan, text, token};

async fn filed(lamp: &Lamp) -> (String, String) {
    let filed = lamp.file(&plan()).await;
    let crew = format!("/crew/{}", token(filed["links"]["crew"].as_str().unwrap()));
    (filed["ref"].as_str().unwrap().to_owned(), crew)
}

fn cookie(lamp: &Lamp) -> String {
    format!("shorelamp={}", lamp.key)
}

async fn form(lamp: &Lamp, page: &str, act: &str) -> Form {
    let page = text(lamp.get(page).header("cookie", cookie(lamp)).send().await.unwrap()).await;
    forms(&page)
        .into_iter()
        .rfind(|form| form.fields.get("act").is_some_and(|it| it == act))
        .unwrap()
}

async fn send(lamp: &Lamp, form: &Form) -> Response {
    let request = lamp.post(&form.action).header("cookie", cookie(lamp));
    request.form(&form.fields).send().await.unwrap()
}

async fn state(lamp: &Lamp, plan_ref: &str) -> &'static str {
    lamp.daemon.status(plan_ref).await.unwrap().word()
}

#[tokio::test]
async fn the_device_that_filed_checks_in_with_one_touch_and_no_other_does() {
    let lamp = Lamp::lit().await;
    let (plan_ref, page) = filed(&lamp).await;
    let one_touch = form(&lamp, &page, "checkin").await;
    // Its cookie, its form's token: without either it is as any other.
    let bare = lamp.post(&page).form(&one_touch.fields).send().await.unwrap();
    assert_eq!(bare.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let other = send(&lamp, &one_touch.typed(&[("token", "AAAA")])).await;
    assert_eq!(other.status(), StatusCode::UNPROCESSABLE_ENTITY);
    let keeper = format!("shorelamp={}", lamp.keeper);
    let keeper = lamp.post(&page).header("cookie", keeper).form(&one_touch.fields);
    assert_eq!(keeper.send().await.unwrap().status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(state(&lamp, &plan_ref).await, "armed");
    assert_eq!(send(&lamp, &one_touch).await.status(), StatusCode::SEE_OTHER);
    assert_eq!(state(&lamp, &plan_ref).await, "closed");
}

#[tokio::test]
async fn a_script_is_told_with_the_forms_own_word() {
    let lamp = Lamp::lit().await;
    let (_, page) = filed(&lamp).await;
    let extend = form(&lamp, &page, "extend").await.typed(&[("by", "1h")]);
    let request = lamp.post(&page).header("cookie", cookie(&lamp)).form(&extend.fields);
    let answer = request.header("accept", "application/json").send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::OK);
    let receipt: Value = answer.json().await.unwrap();
    assert_eq!(receipt["once"], extend.fields["once"].as_str());
    assert_eq!(receipt["done"], true);
    let wrong = extend.typed(&[("by", "soon")]);
    let request = lamp.post(&page).header("cookie", cookie(&lamp)).form(&wrong.fields);
    let answer = request.header("accept", "application/json").send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert!(text(answer).await.contains("Nothing was changed"));
}

#[tokio::test]
async fn the_crews_last_word_stands_in_what_a_contact_reads_and_says() {
    let lamp = Lamp::lit().await;
    let (plan_ref, page) = filed(&lamp).await;
    let said = [("place", "48°33.00'N 123°12.00'W"), ("note", "Towing Tomas <b>slowly</b>")];
    let still = form(&lamp, &page, "still-out").await;
    assert_eq!(
        send(&lamp, &still).await.status(),
        StatusCode::UNPROCESSABLE_ENTITY,
        "says nothing"
    );
    let nowhere = still.typed(&[("place", "by the buoy")]);
    assert_eq!(send(&lamp, &nowhere).await.status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(send(&lamp, &still.typed(&said)).await.status(), StatusCode::SEE_OTHER);
    assert_eq!(state(&lamp, &plan_ref).await, "armed", "it moves nothing");
    lamp.pass(7 * 60, &plan_ref).await;
    let contact = text(lamp.get(&lamp.contact_page(&plan_ref, 0)).send().await.unwrap()).await;
    assert!(contact.contains("OVERDUE"), "it holds no alert back");
    assert!(contact.contains("Their last word was sent at"), "in the words to be said");
    assert!(contact.contains("They said: Towing Tomas"));
    assert!(!contact.contains("<b>slowly"), "what was typed stays text");
    assert!(contact.contains("48.55"), "where");
}

#[tokio::test]
async fn a_spoken_code_checks_in_and_cant_be_guessed() {
    let lamp = Lamp::lit().await;
    let (plan_ref, _) = filed(&lamp).await;
    let page = text(lamp.get("/code").send().await.unwrap()).await;
    let right = lamp.daemon.spoken_code(&plan_ref, 0);
    let code = |digits: &str, name: &str| {
        let typed = [
            ("plan", plan_ref.to_lowercase()),
            ("digits", digits.to_owned()),
            ("name", name.to_owned()),
        ];
        let typed: Vec<(&str, &str)> =
            typed.iter().map(|(key, value)| (*key, value.as_str())).collect();
        forms(&page).remove(0).typed(&typed)
    };
    let wrong = if right == "000000" { "000001" } else { "000000" };
    let nameless = lamp.post("/code").form(&code(&right, "").fields).send().await.unwrap();
    assert_eq!(nameless.status(), StatusCode::UNPROCESSABLE_ENTITY);
    for _ in 0..4 {
        let answer =
            lamp.post("/code").form(&code(wrong, "Pell Marsh").fields).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY);
    }
    let spaced = format!("{} {}", &right[..3], &right[3..]);
    let other = filed(&lamp).await.0;
    let answer = lamp.post("/code").form(&code(&spaced, "Pell Marsh").fields).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::OK);
    assert!(text(answer).await.contains("Ines Halloran and Tomas Bright ashore"));
    assert_eq!(state(&lamp, &plan_ref).await, "closed");
    let history = lamp.daemon.dossier(&plan_ref).await.unwrap().history;
    assert!(format!("{history:?}").contains("the crew said its code"));
    // Five wrong codes for a plan, and the right one is not heard either until the hour is over.
    let right = lamp.daemon.spoken_code(&other, 0);
    let code = |digits: &str| {
        forms(&page).remove(0).typed(&[
            ("plan", &other),
            ("digits", digits),
            ("name", "Pell Marsh"),
        ])
    };
    let wrong = if right == "000000" { "000001" } else { "000000" };
    for _ in 0..5 {
        lamp.post("/code").form(&code(wrong).fields).send().await.unwrap();
    }
    let answer = lamp.post("/code").form(&code(&right).fields).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::TOO_MANY_REQUESTS);
    assert_eq!(state(&lamp, &other).await, "armed");
    lamp.move_clock(61);
    let answer = lamp.post("/code").form(&code(&right).fields).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::OK);
}

/// A contact who was taken out knows the ref, and may bear a grudge; a proxy may speak for a town.
#[tokio::test]
async fn whoever_knows_a_ref_keeps_no_crew_from_its_code() {
    let lamp = Lamp::lit().await;
    let (plan_ref, crew) = filed(&lamp).await;
    let page = text(lamp.get("/code").send().await.unwrap()).await;
    let right = lamp.daemon.spoken_code_whole(&plan_ref, 0);
    let say = |digits: String| {
        let typed = [("plan", plan_ref.as_str()), ("digits", &digits), ("name", "Pell Marsh")];
        lamp.post("/code").form(&forms(&page).remove(0).typed(&typed).fields).send()
    };
    let other = |digit: &str| if digit == "0" { "1" } else { "0" };
    let wrong_first = format!("{}{}", other(&right[..1]), &right[1..]);
    let wrong_last = format!("{}{}", &right[..13], other(&right[13..]));
    for _ in 0..12 {
        say(wrong_first[..6].to_owned()).await.unwrap();
    }
    let told = say(right[..6].to_owned()).await.unwrap();
    assert_eq!(told.status(), StatusCode::TOO_MANY_REQUESTS);
    assert!(text(told).await.contains("other eight digits"));
    for wrong in [&wrong_first, &wrong_last, &right[..13], &format!("{right}0"), &right[6..]] {
        let told = say(wrong.to_owned()).await.unwrap();
        assert_eq!(told.status(), StatusCode::UNPROCESSABLE_ENTITY, "{wrong}");
    }
    assert_eq!(state(&lamp, &plan_ref).await, "armed");
    let shown = text(lamp.get(&crew).send().await.unwrap()).await;
    assert!(shown.contains(&right[..6]) && shown.contains(&right[6..]), "{shown}");
    let spaced = format!("{} {} {}", &right[..6], &right[6..10], &right[10..]);
    assert_eq!(say(spaced).await.unwrap().status(), StatusCode::OK);
    assert_eq!(state(&lamp, &plan_ref).await, "closed");
}

/// A browser sends a form again by itself, after a look back or a sleep.
#[tokio::test]
async fn a_form_with_a_code_that_was_taken_back_does_not_say_that_they_are_checked_in() {
    let lamp = Lamp::lit().await;
    let (plan_ref, crew) = filed(&lamp).await;
    let page = text(lamp.get("/code").send().await.unwrap()).await;
    let digits = lamp.daemon.spoken_code(&plan_ref, 1);
    let typed = [("plan", plan_ref.as_str()), ("digits", &digits), ("name", "Pell Marsh")];
    let code = forms(&page).remove(0).typed(&typed);
    assert_eq!(send(&lamp, &code).await.status(), StatusCode::OK);
    let event = lamp.daemon.status(&plan_ref).await.unwrap().state.events.to_string();
    let undo = form(&lamp, &crew, "undo").await.typed(&[("event", &event), ("name", "Ines")]);
    assert_eq!(send(&lamp, &undo).await.status(), StatusCode::SEE_OTHER);
    let again = send(&lamp, &code).await;
    assert_eq!(again.status(), StatusCode::CONFLICT);
    let told = text(again).await;
    assert!(told.contains("Nobody was checked in") && !told.contains("ashore."), "{told}");
    assert_eq!(state(&lamp, &plan_ref).await, "armed");
    // The page that came back asks for something new.
    let anew = forms(&told).remove(0).typed(&typed);
    assert_eq!(send(&lamp, &anew).await.status(), StatusCode::OK);
    assert_eq!(state(&lamp, &plan_ref).await, "closed");
}
