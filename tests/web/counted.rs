//! What is counted is counted however it comes: taken out and in again, in another place, under
//! another name for it, or all at once.

use reqwest::StatusCode;
use serde_json::{Value, json};
use shorelamp::watch::{By, Event, Kind, Recipient};
use sqlx::Connection;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};

use super::browser::form_of;
use super::house::{Lamp, Wish, plan, text};

async fn try_to_file(lamp: &Lamp, plan: &Value) -> (StatusCode, Value) {
    let request = lamp.post("/api/v1/plans").bearer_auth(&lamp.key).json(plan);
    let answer = request.send().await.unwrap();
    (answer.status(), answer.json().await.unwrap())
}

/// One plan that takes somebody out and in again writes to them as often as many plans would.
#[tokio::test]
async fn whoever_is_taken_out_and_in_again_is_named_anew_each_time() {
    let lamp = Lamp::lit().await;
    let mut with = plan();
    with["crew"][0].as_object_mut().unwrap().remove("email");
    with["contact"][1]["email"] = json!("stranger@example.org");
    let mut without = with.clone();
    without["contact"].as_array_mut().unwrap().pop();
    let filed = lamp.file(&with).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let amend = |to: &Value| lamp.post(filed["links"]["amend"].as_str().unwrap()).json(to).send();
    for _ in 0..9 {
        assert_eq!(amend(&without).await.unwrap().status(), StatusCode::OK);
        assert_eq!(amend(&with).await.unwrap().status(), StatusCode::OK);
    }
    // Whoever is in the plan as before is no news.
    let mut other = with.clone();
    other["title"] = json!("Another title");
    assert_eq!(amend(&other).await.unwrap().status(), StatusCode::OK);
    assert_eq!(amend(&without).await.unwrap().status(), StatusCode::OK);
    for _ in 0..2 {
        let back = amend(&with).await.unwrap();
        assert_eq!(back.status(), StatusCode::TOO_MANY_REQUESTS);
        let told = text(back).await;
        assert!(told.contains("Mirela Sandoval has been named 10 times"), "{told}");
    }
    let told = lamp.daemon.store().letters(plan_ref).await.unwrap();
    let to_her = |one: &&shorelamp::store::LetterFate| {
        one.kind == Kind::Filed && one.to == Recipient::Contact(1)
    };
    assert_eq!(told.iter().filter(to_her).count(), 10);
}

/// What is kept for counting goes with whom it counts (`[retention] unconfirmed`).
#[tokio::test]
async fn what_was_counted_of_somebody_who_never_answered_is_forgotten_with_them() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let mut without = plan();
    without["contact"].as_array_mut().unwrap().pop();
    for to in [&without, &plan()] {
        let amend = lamp.post(filed["links"]["amend"].as_str().unwrap()).json(to);
        assert_eq!(amend.send().await.unwrap().status(), StatusCode::OK);
    }
    let named = async || {
        let file = SqliteConnectOptions::new().filename(lamp.folder.path().join("shorelamp.db"));
        let mut other = SqliteConnection::connect_with(&file).await.unwrap();
        // The crew is named below the contacts, and kept for longer.
        let text = "SELECT COUNT(*) FROM named_addresses WHERE contact >= 0 OR contact < -500";
        sqlx::query_scalar::<_, i64>(text).fetch_one(&mut other).await.unwrap()
    };
    assert_eq!(named().await, 3, "one of them twice");
    let checkin = lamp.post(filed["links"]["checkin"].as_str().unwrap()).json(&json!({}));
    assert_eq!(checkin.send().await.unwrap().status(), StatusCode::OK);
    lamp.move_clock(24 * 60 + 1);
    assert_eq!(lamp.daemon.forget_what_is_over().await.unwrap().thinned, 1);
    assert_eq!(named().await, 0);
}

/// Else an address would be named in one plan after the other, each time until a letter has left.
#[tokio::test]
async fn an_address_that_gave_way_to_another_was_named_all_the_same() {
    let lamp =
        Lamp::with(Wish { filings_per_key_per_hour: Some(u32::MAX), ..Wish::default() }).await;
    let to = |email: String, at: usize| {
        let mut plan = plan();
        plan["crew"][0]["email"] = json!(email);
        plan["contact"] = json!([{"name": "Friend", "email": format!("friend{at}@example.org")}]);
        plan
    };
    let mut statuses = Vec::new();
    for at in 0..12 {
        let (status, filed) = try_to_file(&lamp, &to("victim@example.org".to_owned(), at)).await;
        statuses.push(status);
        if status == StatusCode::CREATED {
            let other = to(format!("other{at}@example.org"), at);
            let amend = lamp.post(filed["links"]["amend"].as_str().unwrap()).json(&other);
            assert_eq!(amend.send().await.unwrap().status(), StatusCode::OK);
        }
    }
    assert_eq!(statuses[9], StatusCode::CREATED);
    assert_eq!(statuses[10..], [StatusCode::TOO_MANY_REQUESTS; 2]);
}

/// A "never" is for letters, whatever a plan calls its reader.
#[tokio::test]
async fn whoever_said_never_is_named_as_crew_no_more_than_as_contact() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let page = lamp.daemon.confirm_page(filed["ref"].as_str().unwrap(), 0);
    let form = form_of(&text(lamp.get(&page).send().await.unwrap()).await, "never");
    let said = lamp.post(&form.action).form(&form.typed(&[("word", "never")]).fields);
    assert_eq!(said.send().await.unwrap().status(), StatusCode::OK);
    let mut next = plan();
    next["contact"].as_array_mut().unwrap().remove(0);
    let other = lamp.file(&next).await;
    next["crew"][1]["email"] = json!("Dunstan@example.org");
    let before = lamp.daemon.board().await.unwrap().len();
    let (status, told) = try_to_file(&lamp, &next).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{told}");
    let detail = told["detail"].as_str().unwrap();
    assert!(detail.contains("nothing was filed") && detail.contains("Tomas Bright"), "{detail}");
    let amend = lamp.post(other["links"]["amend"].as_str().unwrap()).json(&next);
    let answer = amend.send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert!(text(answer).await.contains("leave out the email"));
    assert_eq!(lamp.daemon.board().await.unwrap().len(), before);
}

/// Each change is a letter to everybody whom the plan names.
#[tokio::test]
async fn changes_that_come_at_once_are_counted_too() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let (plan_ref, link) = (filed["ref"].as_str().unwrap(), filed["links"]["extend"].as_str());
    let extend = |_| lamp.post(link.unwrap()).json(&json!({"by": "1m"})).send();
    let sent: Vec<_> = (0..120).map(extend).map(tokio::spawn).collect();
    let mut done = 0;
    for one in sent {
        match one.await.unwrap().unwrap().status() {
            StatusCode::OK => done += 1,
            status => assert_eq!(status, StatusCode::TOO_MANY_REQUESTS),
        }
    }
    // One after the other, what is left of the day's number is taken.
    while extend(0).await.unwrap().status() == StatusCode::OK {
        done += 1;
    }
    assert_eq!(done, 24);
    let said = format!("{:?}", lamp.daemon.dossier(plan_ref).await.unwrap().history);
    assert_eq!(said.matches("Extended").count(), 24);
}

/// The limits are for what is asked of the service, never for what it owes (`config/shorelamp.toml`).
#[tokio::test]
async fn a_plan_whose_every_limit_is_used_up_alerts_and_is_ended_as_any_other() {
    let lamp = Lamp::with(Wish { filings_per_key_per_hour: Some(10), ..Wish::default() }).await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    // Its key, its contacts and its crew are named as often as may be, and it is changed so.
    for _ in 0..9 {
        lamp.file(&plan()).await;
    }
    assert_eq!(try_to_file(&lamp, &plan()).await.0, StatusCode::TOO_MANY_REQUESTS);
    let extend =
        || lamp.post(filed["links"]["extend"].as_str().unwrap()).json(&json!({"by": "1m"})).send();
    while extend().await.unwrap().status() == StatusCode::OK {}
    let page = lamp.contact_page(plan_ref, 0);
    for at in 0..70 {
        let form = [("act", "on-it"), ("once", &at.to_string()), ("name", "Dunstan")];
        lamp.post(&page).form(&form).send().await.unwrap();
        lamp.get("/crew/AAAA").send().await.unwrap();
        let code = [("plan", plan_ref), ("digits", "1"), ("name", "Dunstan")];
        lamp.post("/code").form(&code).send().await.unwrap();
    }
    let ordered = async |kind: Kind| {
        let letters = lamp.daemon.store().letters(plan_ref).await.unwrap();
        letters.iter().filter(|one| one.kind == kind).map(|one| one.to).collect::<Vec<_>>()
    };
    lamp.pass(6 * 60 + 45 + 24, plan_ref).await;
    assert_eq!(ordered(Kind::Overdue).await, [Recipient::Contact(0)]);
    lamp.pass(30, plan_ref).await;
    assert!(ordered(Kind::CallRescue).await.contains(&Recipient::Contact(1)));
    let checkin = lamp.post(filed["links"]["checkin"].as_str().unwrap()).json(&json!({}));
    assert_eq!(checkin.send().await.unwrap().status(), StatusCode::OK);
    assert_eq!(lamp.daemon.status(plan_ref).await.unwrap().word(), "closed");
}

/// Else whoever was sent on a contact's letter makes a false alarm certain, before there is any.
#[tokio::test]
async fn what_a_contact_says_and_takes_back_keeps_no_crew_from_checking_in() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let page = lamp.contact_page(plan_ref, 0);
    let say = async |act: &str, once: &str, over: &[(&str, &str)]| {
        let mut form = vec![("act", act), ("once", once), ("name", "Mallory")];
        form.extend(over);
        lamp.post(&page).form(&form).send().await.unwrap().status()
    };
    let ashore = [("who", "all"), ("how", "saw")];
    let mut refused = None;
    for at in 0..13 {
        for (act, over) in [("on-it", &[][..]), ("ashore", &ashore[..])] {
            let once = format!("{act} {at}");
            match say(act, &once, over).await {
                StatusCode::SEE_OTHER => {}
                status => refused = Some((act, at, status)),
            }
            let event = lamp.daemon.status(plan_ref).await.unwrap().state.events.to_string();
            say("undo", &once, &[("event", event.as_str())]).await;
        }
    }
    assert_eq!(refused, Some(("ashore", 12, StatusCode::TOO_MANY_REQUESTS)), "twelve in all");
    let checkin = lamp.post(filed["links"]["checkin"].as_str().unwrap()).json(&json!({}));
    assert_eq!(checkin.send().await.unwrap().status(), StatusCode::OK);
    assert_eq!(lamp.daemon.status(plan_ref).await.unwrap().word(), "closed");
}

/// Nor what a contact takes back of what the crew said; and after twelve times it has to be another.
#[tokio::test]
async fn a_crew_whose_check_in_is_taken_back_by_a_contact_can_say_it_again() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let page = lamp.contact_page(plan_ref, 0);
    for at in 0..14 {
        let checkin = lamp.post(filed["links"]["checkin"].as_str().unwrap()).json(&json!({}));
        assert_eq!(checkin.send().await.unwrap().status(), StatusCode::OK, "the {at}th");
        let state = lamp.daemon.status(plan_ref).await.unwrap().state;
        assert!(state.is_closed());
        let (once, event) = (at.to_string(), state.events.to_string());
        let form = [("act", "undo"), ("once", &*once), ("name", "Mallory"), ("event", &*event)];
        let undone = lamp.post(&page).form(&form).send().await.unwrap().status();
        let refused = StatusCode::TOO_MANY_REQUESTS;
        assert_eq!(undone, if at < 12 { StatusCode::SEE_OTHER } else { refused });
    }
}

/// One person may be of the crew and a contact, and each end and each taking back is a letter to the
/// other contacts. The crew may take back a false end however often, and end its own trip.
#[tokio::test]
async fn a_contact_whose_word_the_crew_takes_back_ends_no_trip_for_ever() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let (contact, crew) =
        (lamp.contact_page(plan_ref, 0), filed["links"]["crew"].as_str().unwrap());
    let say = async |page: &str, form: &[(&str, &str)]| {
        lamp.post(page).form(form).send().await.unwrap().status()
    };
    let ashore = [("act", "ashore"), ("name", "Mallory"), ("who", "all"), ("how", "saw")];
    for at in 0..14 {
        let once = at.to_string();
        let said = say(&contact, &[&ashore[..], &[("once", once.as_str())]].concat()).await;
        let refused = StatusCode::TOO_MANY_REQUESTS;
        assert_eq!(said, if at < 12 { StatusCode::SEE_OTHER } else { refused }, "the {at}th");
        if at < 12 {
            let event = lamp.daemon.status(plan_ref).await.unwrap().state.events.to_string();
            let undo = [("act", "undo"), ("once", &once), ("name", "Ines"), ("event", &event)];
            assert_eq!(say(crew, &undo).await, StatusCode::SEE_OTHER, "the {at}th");
        }
    }
    // Another contact has seen them, perhaps.
    let said =
        say(&lamp.contact_page(plan_ref, 1), &[&ashore[..], &[("once", "b")]].concat()).await;
    assert_eq!(said, StatusCode::SEE_OTHER);
    let event = lamp.daemon.status(plan_ref).await.unwrap().state.events.to_string();
    let undo = [("act", "undo"), ("once", "c"), ("name", "Ines"), ("event", &event)];
    assert_eq!(say(crew, &undo).await, StatusCode::SEE_OTHER);
    let checkin = lamp.post(filed["links"]["checkin"].as_str().unwrap()).json(&json!({}));
    assert_eq!(checkin.send().await.unwrap().status(), StatusCode::OK);
    assert_eq!(lamp.daemon.status(plan_ref).await.unwrap().word(), "closed");
}

/// A machine's clock is days ahead while a crew ends its trip and takes that back, and is then put right.
#[tokio::test]
async fn a_clock_put_right_keeps_no_crew_from_checking_in() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let three_days = 3 * 24 * 60;
    lamp.move_clock(three_days);
    for _ in 0..12 {
        let by = By::Crew(None);
        let ashore = Event::CheckedIn { who: vec![0, 1], by: by.clone(), how: None };
        let event = lamp.daemon.act(plan_ref, &ashore, None).await.unwrap().state.events;
        lamp.daemon.act(plan_ref, &Event::Undone { event, by }, None).await.unwrap();
    }
    let checkin = async || {
        let checkin = lamp.post(filed["links"]["checkin"].as_str().unwrap()).json(&json!({}));
        checkin.send().await.unwrap().status()
    };
    assert_eq!(checkin().await, StatusCode::TOO_MANY_REQUESTS);
    lamp.move_clock(-three_days);
    assert_eq!(checkin().await, StatusCode::OK);
    assert_eq!(lamp.daemon.status(plan_ref).await.unwrap().word(), "closed");
}
