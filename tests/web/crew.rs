//! The crew's page.

use reqwest::StatusCode;
use serde_json::Value;
use shorelamp::watch::Recipient;

use super::browser::{Form, form_of};
use super::house::{Lamp, plan, text};

async fn filed(lamp: &Lamp) -> (String, String) {
    let filed: Value = lamp.file(&plan()).await;
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    (text(&filed["ref"]), text(&filed["links"]["crew"]))
}

async fn page(lamp: &Lamp, link: &str) -> String {
    text(lamp.get(link).send().await.unwrap()).await
}

/// Sends a form and gives the status and the page that it leads to.
async fn send(lamp: &Lamp, form: &Form) -> (StatusCode, String) {
    let answer = lamp.post(&form.action).form(&form.fields).send().await.unwrap();
    let status = answer.status();
    let place = answer.headers().get("location").map(|place| place.to_str().unwrap().to_owned());
    match place {
        Some(place) => (status, page(lamp, &place).await),
        None => (status, text(answer).await),
    }
}

#[tokio::test]
async fn checking_in_asks_who_and_by_whom() {
    let lamp = Lamp::lit().await;
    let (plan_ref, link) = filed(&lamp).await;
    let shown = page(&lamp, &link).await;
    assert!(shown.contains("Watched. Back by Sun 14 Jun, 12:30 (12:30 pm PDT)"));
    assert!(shown.contains("NOBODY HAS BEEN REACHED YET"));
    assert!(!shown.contains("CANARY"), "medical is for the alert");
    let form = form_of(&shown, "checkin");
    let before = lamp.snapshot(&plan_ref).await;
    for (typed, why) in [
        (vec![], "Type your name"),
        (vec![("name", "Ines")], "Tick who is ashore"),
        (vec![("who", "0")], "Type your name"),
        (vec![("name", "Ines"), ("who", "7")], "names no such person"),
    ] {
        let (status, again) = send(&lamp, &form.typed(&typed)).await;
        assert!(status.is_client_error());
        assert!(again.contains("Nothing was changed") && again.contains(why), "{why}");
    }
    assert_eq!(lamp.snapshot(&plan_ref).await, before);

    let (_, one) = send(&lamp, &form.typed(&[("name", "Ines"), ("who", "0")])).await;
    assert!(one.contains("Written down: Ines Halloran ashore. Still out: Tomas Bright."));
    let all = form_of(&one, "checkin").typed(&[("name", "Ines"), ("who", "1")]);
    let (status, closed) = send(&lamp, &all).await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    assert!(closed.contains("All ashore") && closed.contains("The watch is over"));

    let undo = form_of(&closed, "undo");
    let events: Vec<&str> = closed.split("name=\"event\" value=\"").skip(1).collect();
    let newest = events[0].split('"').next().unwrap();
    let (status, _) = send(&lamp, &undo.typed(&[("event", newest)])).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "no name");
    let (_, open) = send(&lamp, &undo.typed(&[("event", newest), ("name", "Tomas")])).await;
    assert!(
        open.contains("the watch is open again") && open.contains("Still out: <bdi>Tomas Bright")
    );
}

#[tokio::test]
async fn extending_and_calling_off_ask_for_a_word() {
    let lamp = Lamp::lit().await;
    let (plan_ref, link) = filed(&lamp).await;
    let shown = page(&lamp, &link).await;
    let extend = form_of(&shown, "extend").typed(&[("name", "Ines")]);
    for (typed, why) in [
        (vec![], "Choose how much later"),
        (vec![("by", "other"), ("later", "soon")], "not a span of time"),
        (vec![("by", "other"), ("later", "9days")], "more than 7 days"),
    ] {
        let (status, again) = send(&lamp, &extend.typed(&typed)).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(again.contains(why), "{why}");
    }
    let (_, later) = send(&lamp, &extend.typed(&[("by", "1h")])).await;
    assert!(later.contains("Written down: back 1 h later"));
    assert!(later.contains("Back by Sun 14 Jun, 13:30 (1:30 pm PDT)"));
    let (_, more) = send(&lamp, &extend.typed(&[("by", "other"), ("later", "90m")])).await;
    assert!(more.contains("Back by Sun 14 Jun, 15:00 (3:00 pm PDT)"));

    let cancel = form_of(&more, "cancel").typed(&[("name", "Ines")]);
    let before = lamp.snapshot(&plan_ref).await;
    let (status, _) = send(&lamp, &cancel.typed(&[("word", "yes")])).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(lamp.snapshot(&plan_ref).await, before);
    let (_, off) = send(&lamp, &cancel.typed(&[("word", "Call off")])).await;
    assert!(off.contains("Nobody is watching for you"));
    let (status, closed) = send(&lamp, &extend.typed(&[("by", "2h")])).await;
    assert_eq!(status, StatusCode::CONFLICT);
    assert!(closed.contains("closed already"));
}

#[tokio::test]
async fn the_state_comes_first_at_every_stage() {
    let lamp = Lamp::lit().await;
    let (plan_ref, link) = filed(&lamp).await;
    lamp.pass(6 * 60 + 31, &plan_ref).await;
    assert!(page(&lamp, &link).await.contains("<h1>Due back"));
    lamp.pass(15, &plan_ref).await;
    assert!(page(&lamp, &link).await.contains("You are OVERDUE since Sun 14 Jun, 12:45"));
}

/// Whoever holds one of the crew's links can move the return time, and so make the trip overdue.
#[tokio::test]
async fn a_crews_link_alone_never_shows_the_others_health() {
    let lamp = Lamp::lit().await;
    let (plan_ref, link) = filed(&lamp).await;
    let own = |path: &str| lamp.get(path).header("cookie", format!("shorelamp={}", lamp.key));
    assert!(!text(own(&link).send().await.unwrap()).await.contains("CANARY"), "nobody is missing");
    lamp.pass(7 * 60, &plan_ref).await;
    let shown = page(&lamp, &link).await;
    assert!(shown.contains("You are OVERDUE") && !shown.contains("CANARY"), "{shown}");
    assert!(!shown.contains("anything medical"), "nor of whom none was told: {shown}");
    assert!(shown.contains("is not shown by this link"), "{shown}");
    let nameless = form_of(&shown, "checkin").typed(&[("who", "1")]);
    let (_, again) = send(&lamp, &nameless).await;
    assert!(again.contains("Type your name") && !again.contains("CANARY"), "{again}");
    let keeper = lamp.get(&link).header("cookie", format!("shorelamp={}", lamp.keeper));
    assert!(!text(keeper.send().await.unwrap()).await.contains("CANARY"), "another's key");
    // Who searches has it still: the contact's page and that for a rescue service, and the device that filed.
    let contact = lamp.contact_page(&plan_ref, 0);
    let rescue = lamp.daemon.rescue_page_of(&plan_ref, Recipient::Contact(0)).unwrap();
    for read in [own(&link), lamp.get(&contact), lamp.get(&rescue)] {
        let read = text(read.send().await.unwrap()).await;
        assert!(read.contains("CANARY") && !read.contains("is not shown by this link"), "{read}");
    }
}

#[tokio::test]
async fn a_form_sent_twice_is_done_once() {
    let lamp = Lamp::lit().await;
    let (_, link) = filed(&lamp).await;
    let extend = form_of(&page(&lamp, &link).await, "extend");
    let extend = extend.typed(&[("name", "Ines"), ("by", "1h")]);
    send(&lamp, &extend).await;
    let (_, again) = send(&lamp, &extend).await;
    assert!(again.contains("We had that already"));
    assert!(again.contains("Back by Sun 14 Jun, 13:30 (1:30 pm PDT)"));
}
