//! Many letters to people who never asked for one: by plans that pile up over days, by one key that
//! names ever new people, by addresses that lead to others, by an address that comes and goes.

use reqwest::StatusCode;
use serde_json::{Value, json};
use shorelamp::watch::{Kind, Recipient};

use super::house::{Lamp, Wish, plan, text};

async fn try_to_file(lamp: &Lamp, key: &str, plan: &Value) -> (StatusCode, Value) {
    let answer = lamp.post("/api/v1/plans").bearer_auth(key).json(plan).send().await.unwrap();
    (answer.status(), answer.json().await.unwrap())
}

async fn unhurried() -> Lamp {
    Lamp::with(Wish { filings_per_key_per_hour: Some(u32::MAX), ..Wish::default() }).await
}

/// A trip of many days, without a word to its crew.
fn long_trip(contact: &str) -> Value {
    let mut plan = plan();
    plan["times"] = json!({"launch": "2026-06-14T05:30", "return_by": "2026-07-14T12:30"});
    plan["crew"][0].as_object_mut().unwrap().remove("email");
    plan["contact"] = json!([{"name": "Victim", "email": contact}]);
    plan
}

const A_DAY: i64 = 24 * 60 + 1;

/// Each of them alerts every ten minutes once it is overdue, and nothing limits that.
#[tokio::test]
async fn plans_that_name_a_stranger_do_not_pile_up_from_day_to_day() {
    let lamp = unhurried().await;
    let mut armed = Vec::new();
    for day in 0..3 {
        for at in 0..11 {
            let email = format!("victim+{day}.{at}@example.org");
            let (status, told) = try_to_file(&lamp, &lamp.key, &long_trip(&email)).await;
            match status {
                StatusCode::CREATED => armed.push(told),
                StatusCode::TOO_MANY_REQUESTS => {
                    assert!(told["detail"].as_str().unwrap().contains("has never answered"));
                }
                other => panic!("{other}: {told}"),
            }
        }
        lamp.move_clock(A_DAY);
    }
    assert_eq!(armed.len(), 10);
    // One is over, and can't be opened again after a day: then there is room for another.
    let end = armed[0]["links"]["checkin"].as_str().unwrap();
    assert_eq!(lamp.post(end).json(&json!({})).send().await.unwrap().status(), StatusCode::OK);
    let another = async || try_to_file(&lamp, &lamp.key, &long_trip("victim@example.org")).await.0;
    assert_eq!(another().await, StatusCode::TOO_MANY_REQUESTS);
    lamp.move_clock(A_DAY);
    assert_eq!(another().await, StatusCode::CREATED);
    assert_eq!(another().await, StatusCode::TOO_MANY_REQUESTS);
}

/// No page of the crew's says yes to letters, and a guide is out several times on both days.
#[tokio::test]
async fn a_crew_that_is_home_is_out_again_the_next_morning() {
    let lamp = unhurried().await;
    for day in 0..3 {
        let mut ends = Vec::new();
        for at in 0..8 {
            let mut plan = long_trip(&format!("friend{day}{at}@example.org"));
            plan["crew"][0]["email"] = json!("guide@example.org");
            let (status, told) = try_to_file(&lamp, &lamp.key, &plan).await;
            assert_eq!(status, StatusCode::CREATED, "{day} {at}: {told}");
            ends.push(told["links"]["checkin"].as_str().unwrap().to_owned());
        }
        lamp.move_clock(12 * 60);
        for end in &ends {
            let end = lamp.post(end).json(&json!({})).send().await.unwrap();
            assert_eq!(end.status(), StatusCode::OK);
        }
        lamp.move_clock(12 * 60 + 1);
    }
}

/// Two hundred are more than a club's whole day of new people.
#[tokio::test]
async fn one_key_names_two_hundred_strangers_a_day_at_most() {
    let lamp = Lamp::lit().await;
    let crowd = |tag: &str, contacts: usize, crew: usize| {
        let one = |role: &str, at: usize| {
            json!({"name": format!("{role} {at}"),
                   "email": format!("{role}{at}@{tag}.example.org")})
        };
        let mut plan = plan();
        plan["contact"] = (0..contacts).map(|at| one("contact", at)).collect();
        plan["crew"] = (0..crew).map(|at| one("crew", at)).collect();
        plan
    };
    let try_by = async |key: &str, plan: &Value| try_to_file(&lamp, key, plan).await;
    let first = crowd("a", 20, 60);
    let (status, filed) = try_by(&lamp.key, &first).await;
    assert_eq!(status, StatusCode::CREATED, "{filed}");
    assert_eq!(try_by(&lamp.key, &crowd("b", 20, 60)).await.0, StatusCode::CREATED);
    let (status, told) = try_by(&lamp.key, &crowd("c", 20, 60)).await;
    assert_eq!(status, StatusCode::TOO_MANY_REQUESTS, "{told}");
    let detail = told["detail"].as_str().unwrap();
    assert!(detail.contains("nothing was filed") && detail.contains("200"), "{detail}");
    assert_eq!(try_by(&lamp.key, &crowd("d", 20, 20)).await.0, StatusCode::CREATED, "200 of them");
    assert_eq!(try_by(&lamp.key, &crowd("e", 1, 1)).await.0, StatusCode::TOO_MANY_REQUESTS);
    // Who was named today already is nobody new, and other keys have their own number.
    assert_eq!(try_by(&lamp.key, &first).await.0, StatusCode::CREATED);
    assert_eq!(try_by(&lamp.keeper, &crowd("f", 2, 2)).await.0, StatusCode::CREATED);
    // No more by amending: whoever is of the crew keeps their place by name, whatever the address.
    let mut others = first.clone();
    others["crew"] = crowd("g", 1, 60)["crew"].clone();
    let amend = lamp.post(filed["links"]["amend"].as_str().unwrap()).json(&others);
    let amended = amend.send().await.unwrap();
    assert_eq!(amended.status(), StatusCode::TOO_MANY_REQUESTS);
    assert!(text(amended).await.contains("nothing was changed"));
    let another = async || try_by(&lamp.key, &long_trip("e@example.org")).await.0;
    lamp.move_clock(A_DAY - 6 * 60);
    assert_eq!(another().await, StatusCode::TOO_MANY_REQUESTS);
    lamp.move_clock(6 * 60);
    assert_eq!(another().await, StatusCode::TOO_MANY_REQUESTS, "they are overdue");
    for row in lamp.daemon.board().await.unwrap() {
        let end = format!("/api/v1/plans/{}/checkin", row.unwrap().plan_ref);
        let ended = lamp.post(&end).bearer_auth(&lamp.keeper).json(&json!({})).send().await;
        assert_eq!(ended.unwrap().status(), StatusCode::OK);
    }
    assert_eq!(another().await, StatusCode::CREATED);
}

/// A mail server may read a way to somebody else in them (Postfix: `allow_percent_hack`,
/// `swap_bangpath` and `resolve_dequoted_address` are on as shipped), whatever they counted as here.
#[tokio::test]
async fn an_address_that_leads_to_another_is_not_filed() {
    let lamp = unhurried().await;
    for email in [
        "victim%elsewhere.example@club.example.org",
        "elsewhere.example!victim@club.example.org",
        "\"victim@elsewhere.example\"@club.example.org",
        "\"vic\\tim\\@elsewhere.example\"@club.example.org",
        "\"victim>\"@club.example.org",
        "\"victim,other\"@club.example.org",
    ] {
        let (status, told) = try_to_file(&lamp, &lamp.key, &long_trip(email)).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{email}");
        assert!(told.to_string().contains("contact[1].email"), "{told}");
        let mut crew = plan();
        crew["crew"][0]["email"] = json!(email);
        let (status, told) = try_to_file(&lamp, &lamp.key, &crew).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{email}");
        assert!(told.to_string().contains("crew[1].email"), "{told}");
    }
    // These are plain, and of one address each.
    for email in ["o'hara@example.org", "a_b-c@example.org", "\"o.hara\"@example.org"] {
        assert_eq!(try_to_file(&lamp, &lamp.key, &long_trip(email)).await.0, StatusCode::CREATED);
    }
}

/// Waits until nothing leaves any more.
async fn quiet(lamp: &Lamp, refs: &[&str]) {
    let mut before = usize::MAX;
    loop {
        let mut waiting = 0;
        for plan_ref in refs {
            let letters = lamp.daemon.store().letters(plan_ref).await.unwrap();
            waiting += letters.iter().filter(|one| one.state.name() == "queued").count();
        }
        if waiting == before {
            return;
        }
        before = waiting;
        tokio::time::sleep(std::time::Duration::from_millis(1500)).await;
    }
}

async fn handed(lamp: &Lamp, plan_ref: &str, to: Recipient, kind: Kind) -> usize {
    let letters = lamp.daemon.store().letters(plan_ref).await.unwrap();
    let those = letters.iter().filter(|one| (one.to, one.kind) == (to, kind));
    those.filter(|one| one.state.name() == "handed over").count()
}

async fn words(lamp: &Lamp, plan_ref: &str, number: usize) {
    let page = lamp.daemon.page_of(plan_ref, Recipient::Crew(0)).unwrap();
    for at in 0..number {
        let (once, note) = (at.to_string(), format!("word {at}"));
        let word = [("act", "still-out"), ("once", &once), ("name", "Mallory"), ("note", &note)];
        let said = lamp.post(&page).form(&word).send().await.unwrap();
        assert_eq!(said.status(), StatusCode::SEE_OTHER, "{}", text(said).await);
    }
}

fn aimed_at_crew(email: &str) -> Value {
    let mut plan = plan();
    plan["crew"][0]["email"] = json!(email);
    plan["contact"] = json!([{"name": "Friend", "email": "friend@example.org"}]);
    plan
}

/// Else their own alarm rings for a crew that is home.
#[tokio::test]
async fn letters_of_other_trips_keep_nobody_from_hearing_that_theirs_is_over() {
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let own = lamp.file(&plan()).await;
    let own_ref = own["ref"].as_str().unwrap();
    let other = lamp.file(&aimed_at_crew("dunstan@example.org")).await;
    let other_ref = other["ref"].as_str().unwrap();
    quiet(&lamp, &[own_ref, other_ref]).await;
    words(&lamp, other_ref, 60).await;
    let extend = other["links"]["extend"].as_str().unwrap();
    for _ in 0..3 {
        let extend = lamp.post(extend).json(&json!({"by": "1m"}));
        assert_eq!(extend.send().await.unwrap().status(), StatusCode::OK);
    }
    quiet(&lamp, &[own_ref, other_ref]).await;
    let news = handed(&lamp, other_ref, Recipient::Crew(0), Kind::News).await;
    let changed = handed(&lamp, other_ref, Recipient::Crew(0), Kind::Changed).await;
    assert_eq!(news + changed, 60);
    let checkin = lamp.post(own["links"]["checkin"].as_str().unwrap()).json(&json!({}));
    assert_eq!(checkin.send().await.unwrap().status(), StatusCode::OK);
    quiet(&lamp, &[own_ref, other_ref]).await;
    assert_eq!(handed(&lamp, own_ref, Recipient::Contact(0), Kind::Home).await, 1);
}

/// What was written to somebody was written to them, whoever's address stands in their place now.
#[tokio::test]
async fn a_stranger_whose_place_another_takes_was_written_to_all_the_same() {
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let mut refs = Vec::new();
    for _ in 0..2 {
        let filed = lamp.file(&aimed_at_crew("victim@example.org")).await;
        let plan_ref = filed["ref"].as_str().unwrap().to_owned();
        quiet(&lamp, &[&plan_ref]).await;
        words(&lamp, &plan_ref, 50).await;
        quiet(&lamp, &[&plan_ref]).await;
        let amend = lamp.post(filed["links"]["amend"].as_str().unwrap());
        let other = aimed_at_crew("mallory@example.org");
        let amended = amend.json(&other).send().await.unwrap();
        assert_eq!(amended.status(), StatusCode::OK, "{}", text(amended).await);
        refs.push(plan_ref);
    }
    let all = [
        handed(&lamp, &refs[0], Recipient::Crew(0), Kind::News).await,
        handed(&lamp, &refs[1], Recipient::Crew(0), Kind::News).await,
    ];
    assert_eq!(all, [50, 10]);
}

/// An alert is over when the crew puts its return off, and whoever had it never asked for what others
/// say to each other from then on.
#[tokio::test]
async fn a_stranger_who_was_alerted_once_hears_sixty_words_of_that_trip_a_day() {
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let mut aimed = plan();
    aimed["crew"][0].as_object_mut().unwrap().remove("email");
    aimed["contact"].as_array_mut().unwrap().extend([
        json!({"name": "Mallory One", "email": "one@example.org"}),
        json!({"name": "Mallory Two", "email": "two@example.org"}),
    ]);
    let filed = lamp.file(&aimed).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let victim = Recipient::Contact(0);
    lamp.pass(7 * 60, plan_ref).await;
    quiet(&lamp, &[plan_ref]).await;
    assert!(lamp.daemon.status(plan_ref).await.unwrap().state.told(victim).alerted);
    let later = lamp.post(filed["links"]["extend"].as_str().unwrap()).json(&json!({"by": "24h"}));
    assert_eq!(later.send().await.unwrap().status(), StatusCode::OK);
    for contact in [2, 3] {
        let page = lamp.contact_page(plan_ref, contact);
        for at in 0..50 {
            let once = format!("{contact}.{at}");
            let act = if at % 2 == 0 { "cant-act" } else { "on-it" };
            let answer = [("act", act), ("once", once.as_str()), ("name", "Mallory")];
            let said = lamp.post(&page).form(&answer).send().await.unwrap();
            assert_eq!(said.status(), StatusCode::SEE_OTHER, "{}", text(said).await);
        }
    }
    quiet(&lamp, &[plan_ref]).await;
    let changed = handed(&lamp, plan_ref, victim, Kind::Changed).await;
    let news = handed(&lamp, plan_ref, victim, Kind::News).await;
    assert_eq!((changed, news + changed), (1, 60));
    let letters = lamp.daemon.store().letters(plan_ref).await.unwrap();
    let of_victim = letters.iter().filter(|one| (one.to, one.kind) == (victim, Kind::News));
    let newest = of_victim.max_by_key(|one| one.queued_at).unwrap();
    assert_eq!(newest.state.name(), "queued", "it waits");
    // What ends the alarm for whoever had it goes all the same, and so does the next alert.
    let checkin = lamp.post(filed["links"]["checkin"].as_str().unwrap()).json(&json!({}));
    assert_eq!(checkin.send().await.unwrap().status(), StatusCode::OK);
    quiet(&lamp, &[plan_ref]).await;
    assert_eq!(handed(&lamp, plan_ref, victim, Kind::StandDown).await, 1);
}

/// Plans that wait for their end pile up no more than those that name one stranger.
#[tokio::test]
async fn one_key_has_two_hundred_strangers_in_open_trips_at_most() {
    let lamp = Lamp::lit().await;
    let crowd = |tag: usize| {
        let one = |at: usize| json!({"name": format!("Crew {at}"), "email": format!("c{at}@p{tag}.example.org")});
        let mut plan = long_trip(&format!("friend@p{tag}.example.org"));
        plan["crew"] = (0..49).map(one).collect();
        plan
    };
    let mut armed = Vec::new();
    for day in 0..6 {
        let (status, told) = try_to_file(&lamp, &lamp.key, &crowd(day)).await;
        if status == StatusCode::CREATED {
            armed.push(told);
        }
        lamp.move_clock(A_DAY);
    }
    assert_eq!(armed.len(), 4, "50 strangers each");
    let end = armed[0]["links"]["checkin"].as_str().unwrap();
    assert_eq!(lamp.post(end).json(&json!({})).send().await.unwrap().status(), StatusCode::OK);
    assert_eq!(try_to_file(&lamp, &lamp.key, &crowd(7)).await.0, StatusCode::CREATED);
}

/// Whoever has answered is no stranger, though dots stand in their address: else a club whose contacts
/// all said yes could name nobody new.
#[tokio::test]
async fn who_has_answered_is_none_of_a_keys_strangers_however_they_are_written() {
    let lamp = Lamp::lit().await;
    let contact = |at: usize| json!({"name": format!("Contact {at}"), "email": format!("First.Last{at}@example.org")});
    let crowd = |tag: usize| {
        let one = |at: usize| json!({"name": format!("Crew {at}"), "email": format!("c{at}@p{tag}.example.org")});
        let mut plan = plan();
        plan["contact"] = (0..20).map(contact).collect();
        plan["crew"] = (0..60).map(one).collect();
        plan
    };
    let mut armed = Vec::new();
    for tag in 0..3 {
        let (status, told) = try_to_file(&lamp, &lamp.key, &crowd(tag)).await;
        assert_eq!(status, StatusCode::CREATED, "{told}");
        armed.push(told["ref"].as_str().unwrap().to_owned());
    }
    let another = async || try_to_file(&lamp, &lamp.key, &long_trip("new@example.org")).await.0;
    assert_eq!(another().await, StatusCode::TOO_MANY_REQUESTS, "180 of crews, 20 contacts");
    for at in 0..20 {
        let once = at.to_string();
        let answer = [("act", "have-it"), ("once", once.as_str()), ("name", "Dunstan")];
        let page = lamp.contact_page(&armed[0], at);
        let said = lamp.post(&page).form(&answer).send().await.unwrap();
        assert_eq!(said.status(), StatusCode::SEE_OTHER, "{}", text(said).await);
    }
    assert_eq!(another().await, StatusCode::CREATED, "they have answered");
}

/// The keeper's box must not be full of one plan when another is in trouble; the newest tells where it
/// stands.
#[tokio::test]
async fn one_plans_troubles_reach_the_keeper_a_dozen_times_and_then_once_an_hour() {
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let page = lamp.contact_page(plan_ref, 0);
    for at in 0..60 {
        let (once, act) = (at.to_string(), if at % 2 == 0 { "cant-act" } else { "on-it" });
        let answer = [("act", act), ("once", once.as_str()), ("name", "Mallory")];
        let said = lamp.post(&page).form(&answer).send().await.unwrap();
        assert_eq!(said.status(), StatusCode::SEE_OTHER, "{}", text(said).await);
    }
    quiet(&lamp, &[plan_ref]).await;
    assert_eq!(handed(&lamp, plan_ref, Recipient::Keeper, Kind::Trouble).await, 12);
    let newest = async || {
        let letters = lamp.daemon.store().letters(plan_ref).await.unwrap();
        let troubles = letters.into_iter().filter(|one| one.kind == Kind::Trouble);
        troubles.max_by_key(|one| one.queued_at).unwrap().state.name()
    };
    assert_eq!(newest().await, "queued");
    lamp.pass(70, plan_ref).await;
    quiet(&lamp, &[plan_ref]).await;
    assert_eq!(handed(&lamp, plan_ref, Recipient::Keeper, Kind::Trouble).await, 13);
    assert_eq!(newest().await, "handed over");
}
