//! A plan changed on the crew's page.

use reqwest::{Response, StatusCode};
use serde_json::{Value, json};
use sqlx::Connection;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};

use super::browser::{Form, form_of, unescaped};
use super::house::{Lamp, plan, text};

/// The usual plan, filed: its ref and the address of the page that changes it.
async fn filed(lamp: &Lamp) -> (String, String, Value) {
    let filed = lamp.file(&plan()).await;
    let page = format!("{}/change", filed["links"]["crew"].as_str().unwrap());
    (filed["ref"].as_str().unwrap().to_owned(), page, filed)
}

async fn form(lamp: &Lamp, page: &str) -> Form {
    form_of(&text(lamp.get(page).send().await.unwrap()).await, "change")
}

async fn send(lamp: &Lamp, form: &Form, button: &str) -> Response {
    let form = form.typed(&[("do", button)]);
    lamp.post(&form.action).form(&form.fields).send().await.unwrap()
}

/// The status and the page of a form that was sent, or the page that it leads to.
async fn sent(lamp: &Lamp, form: &Form, button: &str) -> (StatusCode, String) {
    let answer = send(lamp, form, button).await;
    let status = answer.status();
    match answer.headers().get("location") {
        Some(next) => (status, text(lamp.get(next.to_str().unwrap()).send().await.unwrap()).await),
        None => (status, text(answer).await),
    }
}

async fn standing(lamp: &Lamp, plan_ref: &str) -> shorelamp::plan::Plan {
    lamp.daemon.dossier(plan_ref).await.unwrap().plan
}

const FRIEND: [(&str, &str); 2] = [("crew[3].name", "Pia <i>Lindqvist"), ("crew[3].age", "31")];

#[tokio::test]
async fn the_form_comes_filled_and_says_nothing_of_health_and_opening_it_changes_nothing() {
    let lamp = Lamp::lit().await;
    let (plan_ref, page, filed) = filed(&lamp).await;
    let before = lamp.snapshot(&plan_ref).await;
    let crew = text(lamp.get(filed["links"]["crew"].as_str().unwrap()).send().await.unwrap()).await;
    let path = page.strip_prefix(&lamp.base).unwrap();
    assert!(crew.contains(&format!("<a href=\"{path}\">Change the plan</a>")), "{crew}");
    let shown = text(lamp.get(&page).send().await.unwrap()).await;
    assert!(shown.contains("Nothing is changed until you press"), "{shown}");
    assert!(!shown.contains("CANARY"), "medical is for the alert");
    assert!(shown.contains("is not shown here, and stays as it is"));
    assert!(shown.contains("Shown on the device that filed"), "how contacts are reached");
    assert!(!shown.contains("mirela@") && !shown.contains("dunstan@"), "{shown}");
    let form = form_of(&shown, "change");
    for (name, value) in [
        ("times.return_by.date", "2026-06-14"),
        ("times.return_by.time", "12:30"),
        ("launch.position", "48.542 -123.162"),
        ("crew[1].name", "Ines Halloran"),
        ("crew[1].medical", ""),
        ("crew[2].name", "Tomas Bright"),
        ("crew[3].name", ""),
        ("contact[2].name", "Mirela Sandoval"),
        ("contact[2].email", ""),
        ("contact[2].phone", ""),
        ("waypoint[1].stay", "2h"),
        ("title", "Halibut drift"),
    ] {
        assert_eq!(form.fields[name], value, "{name}");
    }
    assert_eq!(form.buttons[0].1, "judge", "the Enter key presses the first button");
    let (status, same) = sent(&lamp, &form.typed(&[("name", "Ines")]), "change").await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(same.contains("nothing was changed, and nobody is written to"), "{same}");
    assert_eq!(lamp.snapshot(&plan_ref).await, before);
}

#[tokio::test]
async fn what_it_would_do_is_told_first_and_then_it_is_done_once() {
    let lamp = Lamp::with(super::house::Wish { runs: true, ..Default::default() }).await;
    let (plan_ref, page, _) = filed(&lamp).await;
    wait_until_told(&lamp, &plan_ref).await;
    let before = lamp.snapshot(&plan_ref).await;
    let over = [
        ("contact[2].off", "yes"),
        ("contact[3].name", "Anouk Visser"),
        ("contact[3].email", "anouk@example.org"),
        ("times.return_by.time", "22:30"),
        ("name", "Ines"),
    ];
    let form = form(&lamp, &page).await.typed(&FRIEND).typed(&over);
    let (status, judged) = sent(&lamp, &form, "judge").await;
    assert_eq!(status, StatusCode::OK);
    for words in [
        "NOT CHANGED yet",
        "Back by Sun 14 Jun, 22:30 (10:30 pm PDT); it was Sun 14 Jun, 12:30",
        "Now on this trip too: Pia <i>Lindqvist.",
        "Now asked ashore too: Anouk Visser.",
        "No longer asked ashore: Mirela Sandoval.",
        "as for the first time, goes to: Anouk Visser.",
        "says what has changed goes to: Ines Halloran and Dunstan Okafor.",
        "no longer part of this goes to: Mirela Sandoval.",
        "This would get worse",
    ] {
        assert!(unescaped(&judged).contains(words), "no \"{words}\" in {judged}");
    }
    assert!(!judged.contains("<i>Lindqvist"), "what was typed is escaped");
    assert!(!judged.contains("CANARY") && !judged.contains("illness"), "{judged}");
    assert_eq!(lamp.snapshot(&plan_ref).await, before, "judging changes nothing");

    let again = form_of(&judged, "change");
    let first = send(&lamp, &again, "change").await;
    assert_eq!(first.status(), StatusCode::SEE_OTHER);
    let changed = lamp.snapshot(&plan_ref).await;
    let next = first.headers()["location"].to_str().unwrap().to_owned();
    let done = unescaped(&text(lamp.get(&next).send().await.unwrap()).await);
    for words in [
        "Written down: the plan is changed. Back by Sun 14 Jun, 22:30",
        "Now on this trip too: Pia <i>Lindqvist.",
        "as for the first time, goes to: Anouk Visser.",
        "says what has changed goes to: Ines Halloran and Dunstan Okafor.",
        "no longer part of this goes to: Mirela Sandoval.",
        "this got worse",
    ] {
        assert!(done.contains(words), "no \"{words}\" in {done}");
    }
    // A double tap.
    let second = send(&lamp, &again, "change").await;
    assert_eq!(second.headers()["location"].to_str().unwrap(), next);
    let events = |shot: &str| shot.matches("Amended").count();
    assert_eq!(events(&lamp.snapshot(&plan_ref).await), events(&changed));
    let other = again.typed(&[("title", "Another")]);
    let (status, other) = sent(&lamp, &other, "change").await;
    assert_eq!(status, StatusCode::CONFLICT);
    assert!(other.contains("has changed the plan already"), "{other}");

    let plan = standing(&lamp, &plan_ref).await;
    assert_eq!(plan.crew[0].medical.as_deref(), Some("Asthma-CANARY"), "kept unseen");
    assert_eq!(plan.crew[2].age, Some(31));
    assert_eq!(plan.waypoints.len(), 1);
}

async fn wait_until_told(lamp: &Lamp, plan_ref: &str) {
    for _ in 0..600 {
        let letters = lamp.daemon.status(plan_ref).await.unwrap().letters;
        if letters.iter().all(|one| one.state == shorelamp::store::LetterState::Handed) {
            return;
        }
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    panic!("the first letters never left");
}

#[tokio::test]
async fn every_fault_stands_beside_its_field_and_nothing_typed_is_lost() {
    let lamp = Lamp::lit().await;
    let (plan_ref, page, _) = filed(&lamp).await;
    let before = lamp.snapshot(&plan_ref).await;
    let wrong = [
        ("crew[1].medical", "Nuts-TYPED"),
        ("crew[2].name", "Tobias Bright"),
        ("crew[3].age", "old"),
        ("contact[1].email", "dunstan@"),
        ("contact[2].name", ""),
        ("more_waypoints", "nowhere"),
        ("craft[1].length_m", "long"),
        ("times.return_by.time", "04:00"),
    ];
    let form = form(&lamp, &page).await.typed(&wrong);
    for button in ["judge", "change"] {
        let (status, page) = sent(&lamp, &form, button).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(page.contains("NOT CHANGED. 8 things to mend"), "{page}");
        for id in [
            "crew-2--medical",
            "crew-3--name",
            "crew-3--age",
            "contact-1--email",
            "contact-2--name",
            "more-waypoints",
            "craft-1--length-m",
            "times-return-by",
        ] {
            assert!(page.contains(&format!("href=\"#{id}\"")), "no link to {id}");
            assert!(page.contains(&format!("id=\"{id}\"")), "no field {id}");
        }
        assert!(unescaped(&page).contains("another name is another person to us"));
        let again = form_of(&page, "change");
        for (name, value) in wrong {
            assert_eq!(again.fields[name], value, "{name}");
        }
    }
    assert_eq!(lamp.snapshot(&plan_ref).await, before);
}

#[tokio::test]
async fn it_wants_a_name_but_on_the_device_that_filed_and_comes_from_no_other_page() {
    let lamp = Lamp::lit().await;
    let (plan_ref, page, _) = filed(&lamp).await;
    let before = lamp.snapshot(&plan_ref).await;
    let form = form(&lamp, &page).await.typed(&FRIEND);
    for name in ["", "  ", "123"] {
        let (status, page) = sent(&lamp, &form.typed(&[("name", name)]), "change").await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(page.contains("Type your name") && page.contains("href=\"#change-name\""));
    }
    let named = form.typed(&[("name", "Ines"), ("do", "change")]);
    for (header, value) in
        [("origin", "https://elsewhere.example.org"), ("sec-fetch-site", "cross-site")]
    {
        let foreign = lamp.post(&named.action).header(header, value).form(&named.fields);
        assert_eq!(foreign.send().await.unwrap().status(), StatusCode::FORBIDDEN);
    }
    assert_eq!(lamp.snapshot(&plan_ref).await, before);

    let cookie = format!("shorelamp={}", lamp.key);
    let own = lamp.get(&page).header("cookie", &cookie).send().await.unwrap();
    let own = form_of(&text(own).await, "change").typed(&FRIEND).typed(&[("do", "change")]);
    assert!(!own.fields.contains_key("name"), "the device's own form asks for none");
    assert_eq!(own.fields["contact[2].email"], "mirela@example.org");
    let post = |form: Form| lamp.post(&form.action).header("cookie", &cookie).form(&form.fields);
    let stolen = post(own.typed(&[("token", "AAAA")])).send().await.unwrap();
    assert_eq!(stolen.status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(lamp.snapshot(&plan_ref).await, before);
    assert_eq!(post(own).send().await.unwrap().status(), StatusCode::SEE_OTHER);
    assert_eq!(standing(&lamp, &plan_ref).await.crew.len(), 3);
}

#[tokio::test]
async fn of_two_changes_at_once_the_later_is_told_and_overwrites_nothing() {
    let lamp = Lamp::lit().await;
    let (plan_ref, page, filed) = filed(&lamp).await;
    let vehicle = |what| [("launch.vehicle", what), ("name", "Tomas")];
    let later = form(&lamp, &page).await.typed(&vehicle("Blue car")).typed(&FRIEND);
    let first = form(&lamp, &page).await.typed(&vehicle("Red van"));
    assert_eq!(sent(&lamp, &first, "change").await.0, StatusCode::SEE_OTHER);
    let extend = lamp.post(filed["links"]["extend"].as_str().unwrap());
    extend.json(&json!({"by": "1h"})).send().await.unwrap();
    let before = lamp.snapshot(&plan_ref).await;
    for button in ["judge", "change"] {
        let (status, told) = sent(&lamp, &later, button).await;
        assert_eq!(status, StatusCode::CONFLICT);
        for words in [
            "The plan has changed since you opened this form",
            "The crew's device put the return time off by 1 h",
            "The plan now says: <bdi>Red van</bdi>",
        ] {
            assert!(unescaped(&told).contains(words), "no \"{words}\" in {told}");
        }
        assert_eq!(lamp.snapshot(&plan_ref).await, before);
        let again = form_of(&told, "change");
        assert_eq!(again.fields["launch.vehicle"], "Blue car");
        assert_eq!(again.fields["crew[3].name"], "Pia <i>Lindqvist");
        assert_eq!(again.fields["times.return_by.time"], "13:30", "what was not touched is new");
    }
    let (_, told) = sent(&lamp, &later, "change").await;
    let (status, _) = sent(&lamp, &form_of(&told, "change"), "change").await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    let plan = standing(&lamp, &plan_ref).await;
    assert_eq!(plan.launch.vehicle.as_deref(), Some("Blue car"));
    assert_eq!(plan.times.return_by.at.to_rfc3339(), "2026-06-14T20:30:00+00:00");
    assert_eq!(plan.crew.len(), 3);
}

#[tokio::test]
async fn overdue_it_needs_a_return_ahead_and_closed_it_takes_nothing() {
    let lamp = Lamp::lit().await;
    let (plan_ref, page, filed) = filed(&lamp).await;
    lamp.pass(7 * 60, &plan_ref).await;
    let shown = text(lamp.get(&page).send().await.unwrap()).await;
    assert!(shown.contains("You are OVERDUE since Sun 14 Jun, 12:45"), "{shown}");
    let form = form_of(&shown, "change").typed(&FRIEND).typed(&[("name", "Ines")]);
    let (status, late) = sent(&lamp, &form, "change").await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(late.contains("href=\"#times-return-by\"") && late.contains("has passed already"));
    let ahead = form.typed(&[("times.return_by.time", "15:00")]);
    assert_eq!(sent(&lamp, &ahead, "change").await.0, StatusCode::SEE_OTHER);
    let state = lamp.daemon.dossier(&plan_ref).await.unwrap().record.state;
    assert_eq!(state.phase, shorelamp::watch::Phase::Armed);

    let open = self::form(&lamp, &page).await.typed(&[("title", "Other"), ("name", "Ines")]);
    let checkin = lamp.post(filed["links"]["checkin"].as_str().unwrap());
    checkin.json(&json!({})).send().await.unwrap();
    let before = lamp.snapshot(&plan_ref).await;
    for button in ["judge", "change"] {
        let (status, closed) = sent(&lamp, &open, button).await;
        assert_eq!(status, StatusCode::CONFLICT);
        assert!(closed.contains("closed already"), "{closed}");
        assert_eq!(form_of(&closed, "change").fields["title"], "Other", "what was typed is kept");
    }
    let shown = text(lamp.get(&page).send().await.unwrap()).await;
    assert!(shown.contains("nothing to change") && !shown.contains("<form"), "{shown}");
    assert_eq!(lamp.snapshot(&plan_ref).await, before);
}

#[tokio::test]
async fn an_amendment_never_ends_the_watch_and_whoever_is_off_changes_nothing() {
    let lamp = Lamp::lit().await;
    let (plan_ref, page, filed) = filed(&lamp).await;
    let checkin = lamp.post(filed["links"]["checkin"].as_str().unwrap());
    checkin.json(&json!({"who": ["Ines Halloran"]})).send().await.unwrap();
    let form = form(&lamp, &page).await.typed(&[("name", "Ines")]);
    for button in ["judge", "change"] {
        let (status, told) = sent(&lamp, &form.typed(&[("crew[2].off", "yes")]), button).await;
        assert_eq!(status, StatusCode::CONFLICT);
        assert!(told.contains("an amendment never does"), "{told}");
    }
    let tomas = lamp.daemon.page_of(&plan_ref, shorelamp::watch::Recipient::Crew(1)).unwrap();
    let (status, done) =
        sent(&lamp, &form.typed(&[("crew[2].off", "yes"), ("crew[3].name", "Pia")]), "change")
            .await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    assert!(done.contains("NOT on this trip any more, and not watched for: Tomas Bright."));
    assert!(done.contains("tell them yourself: Tomas Bright."), "he has no address: {done}");
    let before = lamp.snapshot(&plan_ref).await;
    let page = format!("{tomas}/change");
    assert_eq!(lamp.get(&page).send().await.unwrap().status(), StatusCode::SEE_OTHER);
    let sent = lamp.post(&page).form(&[("do", "change"), ("name", "Tomas"), ("title", "x")]);
    assert_eq!(sent.send().await.unwrap().status(), StatusCode::FORBIDDEN);
    assert_eq!(lamp.snapshot(&plan_ref).await, before);
}

#[tokio::test]
async fn it_counts_among_the_changes_of_a_day() {
    let lamp = Lamp::lit().await;
    let (plan_ref, page, filed) = filed(&lamp).await;
    for _ in 0..24 {
        let extend = lamp.post(filed["links"]["extend"].as_str().unwrap());
        let answer = extend.json(&json!({"by": "1m"})).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::OK);
    }
    let before = lamp.snapshot(&plan_ref).await;
    let form = form(&lamp, &page).await.typed(&FRIEND).typed(&[("name", "Ines")]);
    let (status, told) = sent(&lamp, &form, "change").await;
    assert_eq!(status, StatusCode::TOO_MANY_REQUESTS);
    assert!(told.contains("NOT CHANGED") && told.contains("24 times within a day"), "{told}");
    assert_eq!(form_of(&told, "change").fields["crew[3].age"], "31");
    assert_eq!(lamp.snapshot(&plan_ref).await, before);
}

#[tokio::test]
async fn the_largest_plan_keeps_all_that_the_form_does_not_show() {
    let lamp = Lamp::lit().await;
    let mut large = plan();
    let point = |at: usize| json!({"position": format!("48.55 -123.{:03}", 100 + at)});
    large["waypoint"] = (0..500).map(point).collect();
    large["crew"] =
        (1..=59).map(|at| json!({"name": format!("Paddler {at}"), "age": 30})).collect();
    let contact = |at| json!({"name": format!("C {at}"), "email": format!("c{at}@example.org")});
    large["contact"] = (1..=20).map(contact).collect();
    large["craft"] = (1..=60).map(|at| json!({"kind": format!("Kayak {at}")})).collect();
    let filed = lamp.file(&large).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let page = format!("{}/change", filed["links"]["crew"].as_str().unwrap());
    let shown = text(lamp.get(&page).send().await.unwrap()).await;
    assert!(shown.len() <= 100_000, "it has {} bytes", shown.len());
    for words in
        ["47 more are in the plan", "8 more are", "48 more are", "The route has 500 points"]
    {
        assert!(shown.contains(words), "no \"{words}\"");
    }
    let before = standing(&lamp, plan_ref).await;
    let over = [("crew[13].name", "Pia"), ("name", "Ines"), ("launch.vehicle", "Blue car")];
    let form = form_of(&shown, "change").typed(&over);
    assert_eq!(sent(&lamp, &form, "change").await.0, StatusCode::SEE_OTHER);
    let mut after = standing(&lamp, plan_ref).await;
    assert_eq!(after.crew.pop().unwrap().name, "Pia");
    after.launch.vehicle = None;
    assert!(after == before, "something else of the plan has changed");
}

/// Whether somebody has an illness is told by no answer: neither which, nor that there is one, nor that
/// there is none. The same of a contact's telephone.
#[tokio::test]
async fn nobody_finds_out_by_trying_what_the_form_does_not_show() {
    let lamp = Lamp::lit().await;
    let mut private = plan();
    private["contact"][1]["phone"] = json!("+1 360 555 0177");
    let filed = lamp.file(&private).await;
    let page = format!("{}/change", filed["links"]["crew"].as_str().unwrap());
    let open = form(&lamp, &page).await;
    let health = "What is told of somebody on the trip.";
    for (over, line) in [
        // She has notes, he has none; hers are these, and not those.
        (("crew[1].medical.none", "yes"), health),
        (("crew[2].medical.none", "yes"), health),
        (("crew[1].medical", "Asthma-CANARY"), health),
        (("crew[1].medical", "Something else"), health),
        (("contact[2].phone", "+1 360 555 0177"), "What is told of a contact."),
        (("contact[2].phone", "+1 360 555 0178"), "What is told of a contact."),
    ] {
        let (status, told) = sent(&lamp, &open.typed(&[over]), "judge").await;
        assert_eq!(status, StatusCode::OK, "{over:?}");
        assert!(unescaped(&told).contains(line), "{over:?}: {told}");
    }
    // Nor by giving it to one of the crew: whoever goes afloat with a contact's telephone is warned of once
    // it is written.
    let afloat = |phone: &'static str| open.typed(&[("crew[2].phone", phone), ("name", "Tomas")]);
    for phone in ["+1 360 555 0177", "+1 360 555 0178"] {
        let (_, told) = sent(&lamp, &afloat(phone), "judge").await;
        assert!(unescaped(&told).contains("What is told of somebody on the trip."), "{phone}");
        assert!(!told.contains("goes afloat"), "{phone}: {told}");
    }
    let plan_ref = filed["ref"].as_str().unwrap();
    let (status, done) = sent(&lamp, &afloat("+1 360 555 0177"), "change").await;
    assert_eq!(status, StatusCode::SEE_OTHER);
    assert!(unescaped(&done).contains("What tells Mirela Sandoval goes afloat"), "{done}");
    let open = form(&lamp, &page).await;
    let none = open.typed(&[("crew[2].medical.none", "yes"), ("name", "Ines")]);
    // What was filed is no guess.
    let (_, told) = sent(&lamp, &none, "judge").await;
    assert!(told.contains("goes afloat"), "{told}");
    assert_eq!(sent(&lamp, &none, "change").await.0, StatusCode::SEE_OTHER);
    assert!(lamp.snapshot(plan_ref).await.contains("Amended"));
}

/// A change that is committed after the form was held against the plan, and before its own is written.
#[tokio::test]
async fn what_changes_between_the_look_and_the_write_is_not_overwritten() {
    let lamp = Lamp::lit().await;
    let (plan_ref, page, filed) = filed(&lamp).await;
    let later = form(&lamp, &page).await.typed(&FRIEND).typed(&[("name", "Ines")]);
    // Another program holds the write lock: whatever is to be written waits, in its order.
    let options = SqliteConnectOptions::new().filename(lamp.folder.path().join("shorelamp.db"));
    let mut other = SqliteConnection::connect_with(&options).await.unwrap();
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut other).await.unwrap();
    let extend = lamp.post(filed["links"]["extend"].as_str().unwrap()).json(&json!({"by": "1h"}));
    let extend = tokio::spawn(extend.send());
    pause().await;
    let change = later.typed(&[("do", "change")]);
    let change = tokio::spawn(lamp.post(&change.action).form(&change.fields).send());
    pause().await;
    assert!(!extend.is_finished() && !change.is_finished());
    sqlx::raw_sql("ROLLBACK").execute(&mut other).await.unwrap();
    assert_eq!(extend.await.unwrap().unwrap().status(), StatusCode::OK);
    let told = change.await.unwrap().unwrap();
    assert_eq!(told.status(), StatusCode::CONFLICT);
    let told = text(told).await;
    assert!(
        unescaped(&told).contains("The crew's device put the return time off by 1 h"),
        "{told}"
    );
    let again = form_of(&told, "change");
    assert_eq!(again.fields["crew[3].name"], "Pia <i>Lindqvist", "what was typed is kept");
    assert_eq!(again.fields["times.return_by.time"], "13:30");
    assert_eq!(standing(&lamp, &plan_ref).await.crew.len(), 2);
    assert_eq!(sent(&lamp, &again, "change").await.0, StatusCode::SEE_OTHER);
    let plan = standing(&lamp, &plan_ref).await;
    assert_eq!(plan.crew.len(), 3);
    assert_eq!(plan.times.return_by.at.to_rfc3339(), "2026-06-14T20:30:00+00:00");
}

/// Long enough for a request to come to the database on a slow machine. On a slower one the change
/// comes after the other, and is refused all the same.
async fn pause() {
    tokio::time::sleep(std::time::Duration::from_millis(1500)).await;
}
