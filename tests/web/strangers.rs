//! People who have not asked to hear of us: they are asked once and by day, can say never, and can't
//! be named without end.

use chrono::TimeDelta;
use reqwest::StatusCode;
use serde_json::{Value, json};
use shorelamp::watch::{Kind, Recipient};

use super::browser::{Form, form_of, forms};
use super::house::{Lamp, Wish, plan, text};

const DUNSTAN: Recipient = Recipient::Contact(0);

async fn filed(lamp: &Lamp, plan: &Value) -> String {
    lamp.file(plan).await["ref"].as_str().unwrap().to_owned()
}

async fn send(lamp: &Lamp, form: &Form, typed: &[(&str, &str)]) -> (StatusCode, String) {
    let form = form.typed(typed);
    let answer = lamp.post(&form.action).form(&form.fields).send().await.unwrap();
    (answer.status(), text(answer).await)
}

async fn get(lamp: &Lamp, page: &str) -> String {
    text(lamp.get(page).send().await.unwrap()).await
}

async fn try_to_file(lamp: &Lamp, plan: &Value) -> (StatusCode, Value) {
    let request = lamp.post("/api/v1/plans").bearer_auth(&lamp.key).json(plan);
    let answer = request.send().await.unwrap();
    (answer.status(), answer.json().await.unwrap())
}

/// How many letters of this kind a plan has ordered.
async fn letters(lamp: &Lamp, plan_ref: &str, kind: Kind) -> Vec<Recipient> {
    let fates = lamp.daemon.store().letters(plan_ref).await.unwrap();
    fates.iter().filter(|fate| fate.kind == kind).map(|fate| fate.to).collect()
}

/// The test's clock begins at six in the morning of the launch.
#[tokio::test]
async fn a_contact_is_asked_once_and_by_day() {
    let lamp = Lamp::lit().await;
    let plan_ref = filed(&lamp, &plan()).await;
    let store = lamp.daemon.store();
    assert_eq!(store.ask_strangers(lamp.daemon.now(), 50).await.unwrap(), 0, "it is six");
    lamp.move_clock(121);
    assert_eq!(store.ask_strangers(lamp.daemon.now(), 50).await.unwrap(), 2);
    assert_eq!(letters(&lamp, &plan_ref, Kind::Confirm).await.len(), 2);
    let other = filed(&lamp, &plan()).await;
    assert_eq!(store.ask_strangers(lamp.daemon.now(), 50).await.unwrap(), 0, "they were asked");
    assert!(letters(&lamp, &other, Kind::Confirm).await.is_empty());
}

#[tokio::test]
async fn saying_yes_confirms_the_address_and_the_page_tells_nothing_of_the_trip() {
    let lamp = Lamp::lit().await;
    let plan_ref = filed(&lamp, &plan()).await;
    let page = lamp.daemon.confirm_page(&plan_ref, 0);
    let shown = get(&lamp, &page).await;
    for private in ["Ines", "Tomas", "Dunstan", "Halibut", "ramp", "CANARY", "48.5"] {
        assert!(!shown.contains(private), "{private} in {shown}");
    }
    let form = form_of(&shown, "willing");
    let (status, again) = send(&lamp, &form, &[]).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(again.contains("Nothing was changed."));
    let (status, done) = send(&lamp, &form, &[("name", "Dunstan O.")]).await;
    assert_eq!(status, StatusCode::OK);
    assert!(done.contains("Thank you"), "{done}");
    let status = lamp.daemon.status(&plan_ref).await.unwrap();
    assert!(status.contacts()[0].confirmed);
    // From now on no caution says that he never answered.
    let (_, next) = try_to_file(&lamp, &plan()).await;
    let told = |filed: &Value| filed["review"]["cautions"].to_string();
    assert!(told(&next).contains("Mirela Sandoval has never answered"), "{next}");
    assert!(!told(&next).contains("have never answered"), "{next}");
}

#[tokio::test]
async fn who_says_never_gets_nothing_more_and_the_crews_hear_of_it() {
    let lamp = Lamp::lit().await;
    let (plan_ref, other) = (filed(&lamp, &plan()).await, filed(&lamp, &plan()).await);
    let page = lamp.daemon.confirm_page(&plan_ref, 0);
    let form = form_of(&get(&lamp, &page).await, "never");
    for word in ["", "no", "nevermore"] {
        let (status, _) = send(&lamp, &form, &[("word", word)]).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    }
    let (status, done) = send(&lamp, &form, &[("word", "Never")]).await;
    assert_eq!(status, StatusCode::OK);
    assert!(
        done.contains("We don&#39;t write to you again") || done.contains("don't write"),
        "{done}"
    );
    // Both open plans that name the address are marked, and their crews are told.
    for plan_ref in [&plan_ref, &other] {
        let dossier = lamp.daemon.dossier(plan_ref).await.unwrap();
        assert!(dossier.record.state.contacts[0].opted_out.is_some());
        assert_eq!(letters(&lamp, plan_ref, Kind::News).await, [Recipient::Crew(0)]);
        assert_eq!(letters(&lamp, plan_ref, Kind::Trouble).await, [Recipient::Keeper]);
    }
    // Overdue: the others are alerted at once, he is not.
    lamp.pass(6 * 60 + 46, &plan_ref).await;
    assert_eq!(letters(&lamp, &plan_ref, Kind::Overdue).await, [Recipient::Contact(1)]);
    // No later plan takes the address, however it is written; nothing of it is armed.
    let before = lamp.daemon.board().await.unwrap().len();
    for email in ["dunstan@example.org", "Dunstan@Example.org", "dunstan+boat@example.org"] {
        let mut again = plan();
        again["times"] = json!({"launch": "2026-06-15T05:30", "return_by": "2026-06-15T12:30"});
        again["contact"][0]["email"] = json!(email);
        let (status, problem) = try_to_file(&lamp, &again).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{problem}");
        let detail = problem["detail"].as_str().unwrap();
        assert!(detail.contains("nothing was filed") && detail.contains("Dunstan Okafor"));
    }
    assert_eq!(lamp.daemon.board().await.unwrap().len(), before);
}

/// Which letters a host puts into which mailbox is the host's to say (RFC 5321, 2.3.11): whoever
/// reads at one address must keep no alert from another.
#[tokio::test]
async fn never_is_said_for_ones_own_mailbox_alone() {
    let lamp = Lamp::lit().await;
    let to = |email: &str| {
        let mut plan = plan();
        plan["contact"][0]["email"] = json!(email);
        plan
    };
    let emails = [
        "dunstan+x@Example.ORG",
        "dunstan+x@example.org",
        "dunstan@example.org",
        "Dunstan+x@example.org",
    ];
    let mut refs = Vec::new();
    for email in emails {
        refs.push(filed(&lamp, &to(email)).await);
    }
    let form = form_of(&get(&lamp, &lamp.daemon.confirm_page(&refs[0], 0)).await, "never");
    assert_eq!(send(&lamp, &form, &[("word", "never")]).await.0, StatusCode::OK);
    let mut marked = Vec::new();
    for plan_ref in &refs {
        let state = lamp.daemon.status(plan_ref).await.unwrap().state;
        marked.push(state.contacts[0].opted_out.is_some());
    }
    assert_eq!(marked, [true, true, false, false]);
    for (email, status) in [
        ("dunstan+x@EXAMPLE.org", StatusCode::UNPROCESSABLE_ENTITY),
        ("dunstan@example.org", StatusCode::CREATED),
    ] {
        assert_eq!(try_to_file(&lamp, &to(email)).await.0, status, "{email}");
    }
    // Whoever reads without a tag reads the tags' letters as well, but no alert that is armed is
    // kept from those.
    let form = form_of(&get(&lamp, &lamp.daemon.confirm_page(&refs[2], 0)).await, "never");
    assert_eq!(send(&lamp, &form, &[("word", "never")]).await.0, StatusCode::OK);
    let state = lamp.daemon.status(&refs[3]).await.unwrap().state;
    assert!(state.contacts[0].opted_out.is_none());
    let (status, _) = try_to_file(&lamp, &to("Dunstan+y@example.org")).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
}

/// Else the mark that one reader left in a place would keep the alert from another, whom the crew
/// believes to be told.
#[tokio::test]
async fn nobody_is_put_into_the_place_of_one_who_said_never() {
    let lamp = Lamp::lit().await;
    let to = |email: &str| {
        let mut plan = plan();
        plan["contact"][0]["email"] = json!(email);
        plan
    };
    let told = lamp.file(&to("dunstan+x@example.org")).await;
    let plan_ref = told["ref"].as_str().unwrap();
    let form = form_of(&get(&lamp, &lamp.daemon.confirm_page(plan_ref, 0)).await, "never");
    assert_eq!(send(&lamp, &form, &[("word", "never")]).await.0, StatusCode::OK);
    let amend = async |email: &str| {
        let link = told["links"]["amend"].as_str().unwrap();
        let answer = lamp.post(link).json(&to(email)).send().await.unwrap();
        (answer.status(), text(answer).await)
    };
    let (status, why) = amend("Dunstan+X@example.org").await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{why}");
    assert!(why.contains("nothing was changed") && why.contains("Dunstan Okafor"), "{why}");
    // Another address has a place of its own, and its alert.
    let (status, why) = amend("dunstan+y@example.org").await;
    assert_eq!(status, StatusCode::OK, "{why}");
    lamp.pass(7 * 60 + 1, plan_ref).await;
    assert!(letters(&lamp, plan_ref, Kind::Overdue).await.contains(&Recipient::Contact(2)));
}

#[tokio::test]
async fn the_contacts_own_page_has_the_same_way_out() {
    let lamp = Lamp::lit().await;
    let plan_ref = filed(&lamp, &plan()).await;
    let page = lamp.contact_page(&plan_ref, 0);
    let form = form_of(&get(&lamp, &page).await, "never");
    let (status, _) = send(&lamp, &form, &[("name", "Dunstan")]).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    let (status, done) = send(&lamp, &form, &[("word", "never")]).await;
    assert_eq!(status, StatusCode::OK);
    assert!(done.contains("switch it off"), "{done}");
    assert!(
        forms(&done).iter().all(|form| form.fields.get("act").is_none_or(|act| act != "never"))
    );
}

/// The page of one purpose opens nothing else, whoever's the token is.
#[tokio::test]
async fn forged_and_foreign_tokens_are_answered_alike() {
    let lamp = Lamp::lit().await;
    let plan_ref = filed(&lamp, &plan()).await;
    let confirm = lamp.daemon.confirm_page(&plan_ref, 0);
    let token = super::house::token(&confirm).to_owned();
    let contact = super::house::token(&lamp.contact_page(&plan_ref, 0)).to_owned();
    let forged = "A".repeat(27);
    let before = lamp.snapshot(&plan_ref).await;
    let mut answers = Vec::new();
    for path in [
        format!("/confirm/{forged}"),
        format!("/confirm/{contact}"),
        format!("/contact/{token}"),
        format!("/crew/{token}"),
        format!("/confirm/{}", &token[1..]),
    ] {
        let fields = [("act", "never"), ("word", "never"), ("name", "Mallory")];
        let sent = lamp.post(&path).form(&fields).send().await.unwrap();
        answers.push((sent.status(), text(sent).await));
        let seen = lamp.get(&path).send().await.unwrap();
        answers.push((seen.status(), text(seen).await));
    }
    assert_eq!(answers[0].0, StatusCode::NOT_FOUND);
    assert!(answers.iter().all(|one| *one == answers[0]), "{answers:?}");
    assert_eq!(lamp.snapshot(&plan_ref).await, before);
}

/// Many keys, many at once: the eleventh plan that names a stranger within a day is not armed, and
/// the stranger was asked once.
#[tokio::test]
async fn ten_thousand_filings_at_one_victim_lead_to_ten_letters_and_one_question() {
    let number: usize =
        std::env::var("FILINGS").ok().and_then(|text| text.parse().ok()).unwrap_or(300);
    let lamp =
        Lamp::with(Wish { filings_per_key_per_hour: Some(u32::MAX), ..Wish::default() }).await;
    lamp.move_clock(3 * 60);
    let (mut armed, mut refused) = (Vec::new(), 0);
    for batch in 0..number.div_ceil(25) {
        let mut sent = tokio::task::JoinSet::new();
        for at in 0..25 {
            let mut plan = plan();
            // The crew's own address is under the same limit.
            plan["crew"][0].as_object_mut().unwrap().remove("email");
            // The attacker writes the address in as many ways as there are.
            plan["contact"] = json!([{"name": format!("Victim {batch}"),
                                      "email": format!("victim+{batch}.{at}@example.org")}]);
            let request = lamp.post("/api/v1/plans").bearer_auth(&lamp.key).json(&plan);
            sent.spawn(request.send());
        }
        while let Some(answer) = sent.join_next().await {
            let answer = answer.unwrap().unwrap();
            match answer.status() {
                StatusCode::CREATED => armed.push(answer.json::<Value>().await.unwrap()),
                StatusCode::TOO_MANY_REQUESTS => {
                    let problem: Value = answer.json().await.unwrap();
                    let detail = problem["detail"].as_str().unwrap();
                    assert!(detail.contains("nothing was filed"), "{detail}");
                    assert!(detail.contains("has never answered"), "{detail}");
                    refused += 1;
                }
                other => panic!("{other}"),
            }
        }
    }
    assert_eq!(armed.len(), 10);
    assert!(refused >= number - 10);
    let store = lamp.daemon.store();
    assert_eq!(store.ask_strangers(lamp.daemon.now(), 50).await.unwrap(), 1);
    lamp.move_clock(60);
    assert_eq!(store.ask_strangers(lamp.daemon.now(), 50).await.unwrap(), 0);
    // An armed plan's alerts know no limit.
    lamp.move_clock(12 * 60);
    for filed in &armed {
        let plan_ref = filed["ref"].as_str().unwrap();
        lamp.pass(0, plan_ref).await;
        let fates = store.letters(plan_ref).await.unwrap();
        assert!(fates.iter().any(|fate| fate.kind.is_alert() && fate.to == DUNSTAN));
    }
    // A day after they are over it may be named again.
    let mut later = plan();
    later["times"] = json!({"launch": "2026-06-20T05:30", "return_by": "2026-06-20T12:30"});
    later["contact"] = json!([{"name": "Victim", "email": "victim@example.org"}]);
    lamp.move_clock(TimeDelta::days(1).num_minutes());
    assert_eq!(try_to_file(&lamp, &later).await.0, StatusCode::TOO_MANY_REQUESTS);
    for filed in &armed {
        let end = filed["links"]["checkin"].as_str().unwrap();
        assert_eq!(lamp.post(end).send().await.unwrap().status(), StatusCode::OK);
    }
    lamp.move_clock(TimeDelta::days(1).num_minutes());
    assert_eq!(try_to_file(&lamp, &later).await.0, StatusCode::CREATED);
}

#[tokio::test]
async fn an_exercise_is_for_a_keepers_key_and_says_what_it_is() {
    let lamp = Lamp::lit().await;
    let plan_ref = filed(&lamp, &plan()).await;
    let path = format!("/api/v1/plans/{plan_ref}/drill");
    let body = json!({"to": "Dunstan Okafor"});
    let answer = lamp.post(&path).bearer_auth(&lamp.key).json(&body).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::FORBIDDEN);
    let answer = lamp.post(&path).bearer_auth(&lamp.keeper).json(&body).send().await.unwrap();
    let told: Value = answer.json().await.unwrap();
    assert_eq!(told["letters"], json!([{"to": "Dunstan Okafor", "kind": "drill"}]));
    assert_eq!(letters(&lamp, &plan_ref, Kind::Drill).await, [DUNSTAN]);
    let keeper = json!({"to": "keeper"});
    let answer = lamp.post(&path).bearer_auth(&lamp.keeper).json(&keeper).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY);
}

/// A plan that is amended asks of strangers what a filing does: whom it adds is limited and asked.
#[tokio::test]
async fn an_amendment_that_adds_a_stranger_is_held_to_the_same() {
    let lamp =
        Lamp::with(Wish { filings_per_key_per_hour: Some(u32::MAX), ..Wish::default() }).await;
    lamp.move_clock(3 * 60);
    let with = |email: &str| {
        let mut plan = plan();
        let list = plan["contact"].as_array_mut().unwrap();
        list.push(json!({"name": "Pia Lindqvist", "email": email}));
        plan
    };
    let mut links = Vec::new();
    for at in 0..12 {
        let mut own = plan();
        own["contact"] = json!([{"name": "Friend", "email": format!("friend{at}@example.org")}]);
        own["crew"][0].as_object_mut().unwrap().remove("email");
        links.push(lamp.file(&own).await["links"]["amend"].as_str().unwrap().to_owned());
    }
    let store = lamp.daemon.store();
    assert_eq!(store.ask_strangers(lamp.daemon.now(), 50).await.unwrap(), 12);
    let mut sent = tokio::task::JoinSet::new();
    for (at, link) in links.iter().enumerate() {
        let mut new = with(&format!("victim+{at}@example.org"));
        let own = json!({"name": "Friend", "email": format!("friend{at}@example.org")});
        new["contact"] = json!([own, new["contact"][2]]);
        new["crew"][0].as_object_mut().unwrap().remove("email");
        sent.spawn(lamp.post(link).header("Idempotency-Key", "a").json(&new).send());
    }
    let mut answers = Vec::new();
    while let Some(answer) = sent.join_next().await {
        let answer = answer.unwrap().unwrap();
        answers.push(answer.status());
        if answer.status() == StatusCode::TOO_MANY_REQUESTS {
            let problem: Value = answer.json().await.unwrap();
            assert!(problem["detail"].as_str().unwrap().contains("nothing was changed"));
        }
    }
    let of = |status| answers.iter().filter(|one| **one == status).count();
    assert_eq!((of(StatusCode::OK), of(StatusCode::TOO_MANY_REQUESTS)), (10, 2), "{answers:?}");
    assert_eq!(store.ask_strangers(lamp.daemon.now(), 50).await.unwrap(), 1, "the victim, once");
}

/// Nor can somebody be written to without end by being called crew.
#[tokio::test]
async fn an_address_of_the_crew_is_named_ten_times_a_day_at_most() {
    let lamp =
        Lamp::with(Wish { filings_per_key_per_hour: Some(u32::MAX), ..Wish::default() }).await;
    let filing = |at: usize, email: Option<String>| {
        let mut plan = plan();
        plan["contact"] = json!([{"name": "Friend", "email": format!("friend{at}@example.org")}]);
        match email {
            Some(email) => plan["crew"][0]["email"] = json!(email),
            None => drop(plan["crew"][0].as_object_mut().unwrap().remove("email")),
        }
        plan
    };
    for at in 0..10 {
        lamp.file(&filing(at, Some(format!("victim+{at}@example.org")))).await;
    }
    let (status, problem) =
        try_to_file(&lamp, &filing(10, Some("victim@example.org".to_owned()))).await;
    assert_eq!(status, StatusCode::TOO_MANY_REQUESTS, "{problem}");
    let detail = problem["detail"].as_str().unwrap();
    assert!(detail.contains("nothing was filed") && detail.contains("Ines Halloran"), "{detail}");
    // Nobody goes unwatched for it, and as a contact the address counts the same.
    assert_eq!(try_to_file(&lamp, &filing(11, None)).await.0, StatusCode::CREATED);
    let mut contact = filing(12, None);
    contact["contact"][0]["email"] = json!("victim@example.org");
    assert_eq!(try_to_file(&lamp, &contact).await.0, StatusCode::TOO_MANY_REQUESTS);
    // By an amendment no more than by a filing.
    let other = lamp.file(&filing(13, None)).await;
    let new = filing(13, Some("victim@example.org".to_owned()));
    let link = other["links"]["amend"].as_str().unwrap();
    let answer = lamp.post(link).header("Idempotency-Key", "a").json(&new).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::TOO_MANY_REQUESTS);
}

/// A plan that is armed writes to everybody it names whenever it changes: whoever holds its links
/// could do that without end.
#[tokio::test]
async fn no_plan_is_changed_so_often_that_its_contacts_drown_in_letters() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let (extend, amend) = (&filed["links"]["extend"], &filed["links"]["amend"]);
    let (extend, amend) = (extend.as_str().unwrap(), amend.as_str().unwrap());
    let mut told = Vec::new();
    for at in 0..40 {
        let sent = match at % 2 {
            0 => lamp.post(extend).json(&json!({"by": "1m"})).send().await.unwrap(),
            _ => {
                let mut new = plan();
                new["times"]["return_by"] = json!(format!("2026-06-14T14:{at:02}"));
                lamp.post(amend).json(&new).send().await.unwrap()
            }
        };
        told.push((sent.status(), text(sent).await));
    }
    let refused: Vec<_> = told.iter().filter(|one| one.0 != StatusCode::OK).collect();
    assert_eq!(refused.len(), 16, "{told:?}");
    for (status, why) in refused {
        assert_eq!(*status, StatusCode::TOO_MANY_REQUESTS);
        assert!(why.contains("nothing was changed") && why.contains("24 times"), "{why}");
    }
    let to_dunstan = letters(&lamp, plan_ref, Kind::Changed).await;
    let to_dunstan = to_dunstan.iter().filter(|to| **to == DUNSTAN).count();
    assert!(to_dunstan <= 24, "{to_dunstan}");
    // It is still watched, and still ends.
    let checkin = filed["links"]["checkin"].as_str().unwrap();
    assert_eq!(lamp.post(checkin).send().await.unwrap().status(), StatusCode::OK);
}

/// The same by ending the trip and taking that back. In the end it stays open, for the keeper.
#[tokio::test]
async fn no_plan_is_ended_and_opened_again_without_end() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let page = lamp.contact_page(plan_ref, 0);
    let mut ended = 0;
    for at in 0..20 {
        let once = format!("once-{at}");
        let ashore = [
            ("act", "ashore"),
            ("once", once.as_str()),
            ("name", "Mallory"),
            ("who", "all"),
            ("how", "saw"),
        ];
        let shown = get(&lamp, &page).await;
        let how = shown.split("name=\"how\" value=\"").nth(1).unwrap();
        let how = how.split('"').next().unwrap();
        let mut ashore = ashore;
        ashore[4].1 = how;
        let sent = lamp.post(&page).form(&ashore).send().await.unwrap();
        if sent.status() == StatusCode::TOO_MANY_REQUESTS {
            break;
        }
        assert_eq!(sent.status(), StatusCode::SEE_OTHER, "{}", text(sent).await);
        ended += 1;
        let number = lamp.daemon.status(plan_ref).await.unwrap().state.events.to_string();
        let undo = [
            ("act", "undo"),
            ("once", once.as_str()),
            ("name", "Mallory"),
            ("event", number.as_str()),
        ];
        let sent = lamp.post(&page).form(&undo).send().await.unwrap();
        assert_eq!(sent.status(), StatusCode::SEE_OTHER, "{}", text(sent).await);
    }
    assert_eq!(ended, 12);
    assert!(!lamp.daemon.status(plan_ref).await.unwrap().state.is_closed());
    assert!(letters(&lamp, plan_ref, Kind::Home).await.len() <= 2 * 12 + 1 + 12);
}
