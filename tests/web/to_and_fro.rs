//! Contacts of whoever files who end a trip, answer, and take it back, without end: the letters that this
//! brings a stranger keep the ladder's pace. (All invented.)

use std::collections::BTreeMap;
use std::time::Duration;

use reqwest::StatusCode;
use serde_json::{Value, json};
use shorelamp::store::LetterState;
use shorelamp::watch::{By, Event, Kind, Past, Recipient};

use super::house::{Lamp, Wish, plan};

/// Past the return time, the grace and the first rung.
const OVERDUE_MIN: i64 = 406;

/// A plan of a stranger's address, and of so many contacts who are the filer's own.
async fn overdue(stranger: Recipient, own: usize) -> (Lamp, String) {
    let mut trip = plan();
    trip["crew"] = json!([{"name": "Ines Halloran"}]);
    let mut contacts: Vec<Value> = (0..own)
        .map(|at| json!({"name": format!("Own {at}"), "email": format!("own{at}@example.org")}))
        .collect();
    match stranger {
        Recipient::Contact(at) => {
            contacts.insert(at, json!({"name": "A Stranger", "email": "stranger@example.net"}));
        }
        _ => trip["crew"][0]["email"] = json!("stranger@example.net"),
    }
    trip["contact"] = json!(contacts);
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let filed = lamp.file(&trip).await;
    let plan_ref = filed["ref"].as_str().unwrap().to_owned();
    settled(&lamp, &plan_ref).await;
    lamp.pass(OVERDUE_MIN, &plan_ref).await;
    while !lamp.daemon.status(&plan_ref).await.unwrap().state.told(Recipient::Contact(0)).alerted {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    settled(&lamp, &plan_ref).await;
    (lamp, plan_ref)
}

/// Waits, a while at most, until no letter of this trip is on its way that is due now.
async fn settled(lamp: &Lamp, plan_ref: &str) {
    for _ in 0..25 {
        let letters = lamp.daemon.store().letters(plan_ref).await.unwrap();
        let waits = |state| matches!(state, LetterState::Queued | LetterState::Sending);
        if !letters.iter().any(|one| waits(one.state) && one.kind != Kind::News) {
            break;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

async fn letters(lamp: &Lamp, plan_ref: &str, to: Recipient) -> BTreeMap<&'static str, usize> {
    let mut kinds = BTreeMap::new();
    for one in lamp.daemon.store().letters(plan_ref).await.unwrap() {
        if one.to == to && one.state == LetterState::Handed {
            *kinds.entry(one.kind.name()).or_default() += 1;
        }
    }
    kinds
}

async fn say(lamp: &Lamp, plan_ref: &str, who: usize, form: &[(&str, &str)]) -> StatusCode {
    let once = format!("{who}-{}", lamp.daemon.history(plan_ref).await.len());
    let form = [form, &[("name", "Own"), ("once", once.as_str())]].concat();
    let answer = lamp.post(&lamp.contact_page(plan_ref, who)).form(&form).send().await.unwrap();
    settled(lamp, plan_ref).await;
    answer.status()
}

async fn take_back(lamp: &Lamp, plan_ref: &str, who: usize, event: u32) -> StatusCode {
    say(lamp, plan_ref, who, &[("act", "undo"), ("event", &event.to_string())]).await
}

async fn closing(lamp: &Lamp, plan_ref: &str) -> u32 {
    lamp.daemon.status(plan_ref).await.unwrap().state.closing().unwrap().event
}

#[tokio::test(flavor = "multi_thread")]
async fn ends_that_many_contacts_take_back_bring_a_stranger_few_letters() {
    let stranger = Recipient::Contact(0);
    let (lamp, plan_ref) = overdue(stranger, 3).await;
    let mut times = 0;
    for who in 1..=3 {
        for _ in 0..6 {
            let ashore = [("act", "ashore"), ("who", "all"), ("how", "saw")];
            assert_eq!(say(&lamp, &plan_ref, who, &ashore).await, StatusCode::SEE_OTHER);
            let event = closing(&lamp, &plan_ref).await;
            assert_eq!(take_back(&lamp, &plan_ref, who, event).await, StatusCode::SEE_OTHER);
            times += 1;
        }
    }
    assert_eq!(times, 18);
    let told = letters(&lamp, &plan_ref, stranger).await;
    for kind in ["overdue", "stand-down", "withdrawn"] {
        assert!((1..=5).contains(&told[kind]), "{told:?}");
    }
    // What they are told last is what is so.
    lamp.pass(11, &plan_ref).await;
    let mut later = told.clone();
    for _ in 0..100 {
        later = letters(&lamp, &plan_ref, stranger).await;
        if later["overdue"] > told["overdue"] {
            break;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    assert_eq!(later["overdue"], told["overdue"] + 1, "{later:?}");
    assert_eq!(later["stand-down"], told["stand-down"], "{later:?}");
    assert_eq!(later["withdrawn"], later["stand-down"], "{later:?}");
}

/// With nobody left to act the crew is asked to call, each time anew.
#[tokio::test(flavor = "multi_thread")]
async fn an_answer_that_is_taken_back_again_and_again_brings_few_calls() {
    let stranger = Recipient::Crew(0);
    let (lamp, plan_ref) = overdue(stranger, 2).await;
    let cant = [("act", "cant-act")];
    assert_eq!(say(&lamp, &plan_ref, 0, &cant).await, StatusCode::SEE_OTHER);
    for _ in 0..15 {
        assert_eq!(say(&lamp, &plan_ref, 1, &cant).await, StatusCode::SEE_OTHER);
        let answer = lamp.daemon.status(&plan_ref).await.unwrap().state.contacts[1].cant_act;
        let event = answer.expect("it stands");
        assert_eq!(take_back(&lamp, &plan_ref, 1, event).await, StatusCode::SEE_OTHER);
    }
    let told = letters(&lamp, &plan_ref, stranger).await;
    assert!((1..=7).contains(&told["call-rescue"]), "{told:?}");
}

/// The machine's clock is two hours ahead while its alerts go out, and is then put right: the times at
/// which they went lie in the future.
#[tokio::test(flavor = "multi_thread")]
async fn a_clock_put_right_lets_alerts_go_on_at_their_pace() {
    let reader = Recipient::Contact(0);
    let (lamp, plan_ref) = overdue(reader, 1).await;
    lamp.pass(31, &plan_ref).await;
    for _ in 0..9 {
        lamp.pass(10, &plan_ref).await;
        settled(&lamp, &plan_ref).await;
    }
    let before = letters(&lamp, &plan_ref, reader).await;
    assert!(before["call-rescue"] > 4, "{before:?}");
    lamp.pass(-120, &plan_ref).await;
    for repeat in 1..=6 {
        lamp.pass(10, &plan_ref).await;
        let mut now = before.clone();
        for _ in 0..100 {
            now = letters(&lamp, &plan_ref, reader).await;
            if now["call-rescue"] == before["call-rescue"] + repeat {
                break;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        assert_eq!(now["call-rescue"], before["call-rescue"] + repeat, "{now:?}");
    }
}

/// The keeper knows better in the end; the crew has a say of its own.
#[tokio::test(flavor = "multi_thread")]
async fn what_the_keeper_closes_again_and_again_contacts_open_three_times_at_most() {
    let (lamp, plan_ref) = overdue(Recipient::Contact(0), 3).await;
    let close = Event::ClosedByHand { by: By::Keeper("Pell".into()), reason: "nuisance".into() };
    let mut statuses = Vec::new();
    for who in [1, 2, 3, 1, 2] {
        if !lamp.daemon.status(&plan_ref).await.unwrap().state.is_closed() {
            lamp.daemon.act(&plan_ref, &close, None).await.unwrap();
        }
        let event = closing(&lamp, &plan_ref).await;
        statuses.push(take_back(&lamp, &plan_ref, who, event).await);
    }
    let (taken, refused) = (StatusCode::SEE_OTHER, StatusCode::TOO_MANY_REQUESTS);
    assert_eq!(statuses, [taken, taken, taken, refused, refused]);
    assert!(lamp.daemon.status(&plan_ref).await.unwrap().state.is_closed());
    let event = closing(&lamp, &plan_ref).await.to_string();
    let crew = lamp.daemon.page_of(&plan_ref, Recipient::Crew(0)).unwrap();
    let undo = [("act", "undo"), ("event", &event), ("name", "Ines"), ("once", "crew")];
    let answer = lamp.post(&crew).form(&undo).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::SEE_OTHER);
    assert!(!lamp.daemon.status(&plan_ref).await.unwrap().state.is_closed());
}

/// What contacts say of a trip that is open, and take back, opened nothing: it takes none of their turns.
#[tokio::test(flavor = "multi_thread")]
async fn what_the_crew_opens_again_takes_no_turn_of_the_contacts() {
    let (lamp, plan_ref) = overdue(Recipient::Contact(0), 2).await;
    let close = Event::ClosedByHand { by: By::Keeper("Pell".into()), reason: "nuisance".into() };
    let crew = lamp.daemon.page_of(&plan_ref, Recipient::Crew(0)).unwrap();
    for time in ["1", "2", "3"] {
        lamp.daemon.act(&plan_ref, &close, None).await.unwrap();
        let event = closing(&lamp, &plan_ref).await.to_string();
        let undo = [("act", "undo"), ("event", &event), ("name", "Ines"), ("once", time)];
        let answer = lamp.post(&crew).form(&undo).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::SEE_OTHER);
        assert_eq!(say(&lamp, &plan_ref, 1, &[("act", "on-it")]).await, StatusCode::SEE_OTHER);
        let answer = lamp.daemon.status(&plan_ref).await.unwrap().state.contacts[1].on_it.clone();
        let answer = answer.expect("it stands").event;
        assert_eq!(take_back(&lamp, &plan_ref, 1, answer).await, StatusCode::SEE_OTHER);
    }
    lamp.daemon.act(&plan_ref, &close, None).await.unwrap();
    let event = closing(&lamp, &plan_ref).await;
    assert_eq!(take_back(&lamp, &plan_ref, 2, event).await, StatusCode::SEE_OTHER);
    assert!(!lamp.daemon.status(&plan_ref).await.unwrap().state.is_closed());
}

/// Nothing is taken back: "I am on it" outdates "I can't act".
#[tokio::test(flavor = "multi_thread")]
async fn answers_that_outdate_each_other_bring_few_calls() {
    let stranger = Recipient::Crew(0);
    let (lamp, plan_ref) = overdue(stranger, 2).await;
    let (cant, on_it) = ([("act", "cant-act")], [("act", "on-it")]);
    assert_eq!(say(&lamp, &plan_ref, 0, &cant).await, StatusCode::SEE_OTHER);
    for _ in 0..12 {
        assert_eq!(say(&lamp, &plan_ref, 1, &cant).await, StatusCode::SEE_OTHER);
        assert_eq!(say(&lamp, &plan_ref, 1, &on_it).await, StatusCode::SEE_OTHER);
    }
    let told = letters(&lamp, &plan_ref, stranger).await;
    assert!((1..=5).contains(&told["call-rescue"]), "{told:?}");
}

/// A word that they add to a trip which the keeper has closed, and take back: in doubt the trip is open,
/// but no more often than by the plain way.
#[tokio::test(flavor = "multi_thread")]
async fn a_word_said_after_the_keepers_closing_opens_it_no_more_often() {
    let (lamp, plan_ref) = overdue(Recipient::Contact(0), 3).await;
    let close = Event::ClosedByHand { by: By::Keeper("Pell".into()), reason: "nuisance".into() };
    let ashore = [("act", "ashore"), ("who", "0"), ("how", "saw")];
    let mut statuses = Vec::new();
    for who in [1, 2, 3, 1, 2] {
        if !lamp.daemon.status(&plan_ref).await.unwrap().state.is_closed() {
            lamp.daemon.act(&plan_ref, &close, None).await.unwrap();
        }
        assert_eq!(say(&lamp, &plan_ref, who, &ashore).await, StatusCode::SEE_OTHER);
        let history = lamp.daemon.history(&plan_ref).await;
        let said = |past: &&Past| matches!(&past.event, Event::CheckedIn { by: By::Contact(one, _), .. } if *one == who);
        let word = history.iter().rev().find(said).unwrap().number;
        statuses.push(take_back(&lamp, &plan_ref, who, word).await);
    }
    let (taken, refused) = (StatusCode::SEE_OTHER, StatusCode::TOO_MANY_REQUESTS);
    assert_eq!(statuses, [taken, taken, taken, refused, refused]);
    assert!(lamp.daemon.status(&plan_ref).await.unwrap().state.is_closed());
}
