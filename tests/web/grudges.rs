//! Whoever bears a grudge, and was let in once: taken off the trip, asked no longer, or named in a
//! plan only to be written to.

use reqwest::{Response, StatusCode};
use serde_json::{Value, json};
use shorelamp::store::LetterState;
use shorelamp::watch::{Event, Kind, Recipient};

use super::browser::{form_of, forms};
use super::house::{Lamp, Wish, plan, text};

async fn filed(lamp: &Lamp, plan: &Value) -> (String, Value) {
    let filed = lamp.file(plan).await;
    (filed["ref"].as_str().unwrap().to_owned(), filed["links"].clone())
}

async fn amend(lamp: &Lamp, links: &Value, to: &Value) {
    let answer = lamp.post(links["amend"].as_str().unwrap()).json(to).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::OK, "{}", text(answer).await);
}

async fn say(lamp: &Lamp, page: &str, form: &[(&str, &str)]) -> Response {
    lamp.post(page).form(form).send().await.unwrap()
}

async fn state(lamp: &Lamp, plan_ref: &str) -> &'static str {
    lamp.daemon.status(plan_ref).await.unwrap().word()
}

fn crew_page(lamp: &Lamp, plan_ref: &str, at: usize) -> String {
    lamp.daemon.page_of(plan_ref, Recipient::Crew(at)).unwrap()
}

/// The plan with two whom letters reach, and the same without the second of them.
fn two_and_one() -> (Value, Value) {
    let mut two = plan();
    two["crew"][1]["email"] = json!("tomas@example.org");
    let mut one = two.clone();
    one["crew"].as_array_mut().unwrap().pop();
    (two, one)
}

/// Else one of the contacts makes a false alarm last for a day.
#[tokio::test]
async fn a_contact_who_takes_the_crews_word_back_keeps_no_crew_from_checking_in() {
    let lamp = Lamp::lit().await;
    let (plan_ref, links) = filed(&lamp, &plan()).await;
    let page = lamp.contact_page(&plan_ref, 0);
    let mut undone = Vec::new();
    for at in 0..16 {
        let checkin = lamp.post(links["checkin"].as_str().unwrap()).json(&json!({}));
        assert_eq!(checkin.send().await.unwrap().status(), StatusCode::OK, "check-in {at}");
        let event = lamp.daemon.status(&plan_ref).await.unwrap().state.events.to_string();
        let once = at.to_string();
        let undo = [("act", "undo"), ("once", &once), ("name", "Mallory"), ("event", &event)];
        undone.push(say(&lamp, &page, &undo).await.status());
    }
    assert_eq!(undone[11], StatusCode::SEE_OTHER);
    assert_eq!(undone[12..], [StatusCode::TOO_MANY_REQUESTS; 4]);
    assert_eq!(state(&lamp, &plan_ref).await, "closed");
    // Another contact knows better, perhaps.
    let event = lamp.daemon.dossier(&plan_ref).await.unwrap().history;
    let event = event.last().unwrap().number.to_string();
    let undo = [("act", "undo"), ("once", "x"), ("name", "Mirela"), ("event", &event)];
    let answer = say(&lamp, &lamp.contact_page(&plan_ref, 1), &undo).await;
    assert_eq!(answer.status(), StatusCode::SEE_OTHER, "{}", text(answer).await);
    assert_eq!(state(&lamp, &plan_ref).await, "armed");
}

/// The code was on the page that was theirs once.
#[tokio::test]
async fn whoever_was_taken_off_ends_nothing_by_the_code_they_know() {
    let lamp = Lamp::lit().await;
    let (two, one) = two_and_one();
    let (plan_ref, links) = filed(&lamp, &two).await;
    let digits = async |page: String| {
        let shown = text(lamp.get(&page).send().await.unwrap()).await;
        let found = shown.split("class=\"digits\">").skip(1);
        found.map(|rest| rest.split('<').next().unwrap().to_owned()).collect::<Vec<_>>()
    };
    let tomas = digits(crew_page(&lamp, &plan_ref, 1)).await;
    let ines = digits(crew_page(&lamp, &plan_ref, 0)).await;
    amend(&lamp, &links, &one).await;
    let try_code = async |digits: &str| {
        let form = [("plan", plan_ref.as_str()), ("digits", digits), ("name", "Somebody")];
        say(&lamp, "/code", &form).await.status()
    };
    for digits in [tomas[0].clone(), tomas.concat()] {
        assert_eq!(try_code(&digits).await, StatusCode::UNPROCESSABLE_ENTITY);
        assert_eq!(state(&lamp, &plan_ref).await, "armed");
    }
    assert_eq!(digits(crew_page(&lamp, &plan_ref, 0)).await, ines, "who is out keeps theirs");
    assert_eq!(try_code(&ines[0]).await, StatusCode::OK);
    assert_eq!(state(&lamp, &plan_ref).await, "closed");
}

/// Whoever was taken off neither reads on by numbers in the address, nor makes an alarm of a crew
/// that is ashore, nor uses up what the crew may say.
#[tokio::test]
async fn whoever_was_taken_off_reads_nothing_by_number_and_takes_nothing_back() {
    let lamp = Lamp::lit().await;
    let (two, mut one) = two_and_one();
    let (plan_ref, links) = filed(&lamp, &two).await;
    one["contact"][1] = json!({"name": "Pia Lindqvist", "email": "pia@example.org"});
    amend(&lamp, &links, &one).await;
    let extend = lamp.post(links["extend"].as_str().unwrap()).json(&json!({"by": "3h"}));
    assert_eq!(extend.send().await.unwrap().status(), StatusCode::OK);
    let checkin = lamp.post(links["checkin"].as_str().unwrap()).json(&json!({}));
    assert_eq!(checkin.send().await.unwrap().status(), StatusCode::OK);
    let (page, events) = (crew_page(&lamp, &plan_ref, 1), 1..9);
    for number in events {
        let shown = text(lamp.get(&format!("{page}?did={number}")).send().await.unwrap()).await;
        assert!(shown.contains("no longer on this trip"));
        for private in ["Pia", "3 h", "Written down", "Ines"] {
            assert!(!shown.contains(private), "{private} by {number} in {shown}");
        }
        let number = number.to_string();
        let undo = [("act", "undo"), ("once", &number), ("name", "Tomas"), ("event", &number)];
        assert!(say(&lamp, &page, &undo).await.status().is_client_error());
    }
    assert_eq!(state(&lamp, &plan_ref).await, "closed");
}

/// Whoever is asked no longer and never was alerted has nothing to say of it.
#[tokio::test]
async fn whoever_is_asked_no_longer_neither_ends_a_trip_nor_claims_that_help_was_called() {
    let lamp = Lamp::lit().await;
    let (plan_ref, links) = filed(&lamp, &plan()).await;
    let mut without = plan();
    without["contact"].as_array_mut().unwrap().pop();
    let page = lamp.contact_page(&plan_ref, 1);
    // What they said while they were asked is theirs to take back.
    let ines = [("act", "ashore"), ("once", "a"), ("name", "Mirela"), ("who", "0"), ("how", "saw")];
    assert_eq!(say(&lamp, &page, &ines).await.status(), StatusCode::SEE_OTHER);
    let own = lamp.daemon.status(&plan_ref).await.unwrap().state.events.to_string();
    without["crew"][0]["phone"] = json!("+1 360 555 0143");
    amend(&lamp, &links, &without).await;
    let shown = text(lamp.get(&page).send().await.unwrap()).await;
    let acts = forms(&shown).into_iter().filter_map(|form| form.fields.get("act").cloned());
    assert_eq!(acts.collect::<Vec<_>>(), ["undo", "never"], "{shown}");
    let all =
        [("act", "ashore"), ("once", "b"), ("name", "Mirela"), ("who", "all"), ("how", "saw")];
    let called = [
        ("act", "called"),
        ("once", "c"),
        ("name", "Mirela"),
        ("service", "911"),
        ("when", "noon"),
    ];
    for form in [all, called] {
        let answer = say(&lamp, &page, &form).await;
        assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY);
        assert!(text(answer).await.contains("telephone"));
    }
    assert!(!lamp.daemon.status(&plan_ref).await.unwrap().state.somebody_called());
    let undo = |event: &str| {
        [("act", "undo"), ("once", "d"), ("name", "Mirela"), ("event", event)]
            .map(|(key, value)| (key, value.to_owned()))
    };
    let answer = lamp.post(&page).form(&undo(&own)).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::SEE_OTHER, "{}", text(answer).await);
    let checkin = lamp.post(links["checkin"].as_str().unwrap()).json(&json!({}));
    assert_eq!(checkin.send().await.unwrap().status(), StatusCode::OK);
    let theirs = lamp.daemon.status(&plan_ref).await.unwrap().state.events.to_string();
    let answer = lamp.post(&page).form(&undo(&theirs)).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(state(&lamp, &plan_ref).await, "closed");
}

/// What their own answer did was told when they gave it; what becomes of it since is not theirs to read.
#[tokio::test]
async fn whoever_is_asked_no_longer_reads_on_by_none_of_their_answers() {
    let lamp = Lamp::lit().await;
    let (plan_ref, links) = filed(&lamp, &plan()).await;
    let page = lamp.contact_page(&plan_ref, 1);
    let have = [("act", "have-it"), ("once", "a"), ("name", "Mirela")];
    let ines = [("act", "ashore"), ("once", "b"), ("name", "Mirela"), ("who", "0"), ("how", "saw")];
    let mut told = Vec::new();
    for form in [&have[..], &ines[..]] {
        let answer = say(&lamp, &page, form).await;
        assert_eq!(answer.status(), StatusCode::SEE_OTHER);
        told.push(answer.headers()["location"].to_str().unwrap().to_owned());
    }
    let mut without = plan();
    without["contact"].as_array_mut().unwrap().pop();
    without["crew"].as_array_mut().unwrap().push(json!({"name": "Anouk Perrault"}));
    amend(&lamp, &links, &without).await;
    let extend = lamp.post(links["extend"].as_str().unwrap()).json(&json!({"by": "3h"}));
    assert_eq!(extend.send().await.unwrap().status(), StatusCode::OK);
    let pages = told.into_iter().chain((1..9).map(|number| format!("{page}?did={number}")));
    for page in pages {
        let shown = text(lamp.get(&page).send().await.unwrap()).await;
        assert!(shown.contains("no longer asked"));
        for private in ["Anouk", "Tomas", "Until ", "Still out"] {
            assert!(!shown.contains(private), "{private} by {page} in {shown}");
        }
    }
    // That their word was taken back is told.
    let shown = text(lamp.get(&page).send().await.unwrap()).await;
    let form = form_of(&shown, "undo");
    let event = lamp.daemon.dossier(&plan_ref).await.unwrap().history;
    let is_theirs = |event: &Event| matches!(event, Event::CheckedIn { .. });
    let event = event.iter().find(|past| is_theirs(&past.event)).unwrap().number.to_string();
    let undo = form.typed(&[("name", "Mirela"), ("event", &event)]);
    let answer = lamp.post(&form.action).form(&undo.fields).send().await.unwrap();
    assert_eq!(answer.status(), StatusCode::SEE_OTHER, "{}", text(answer).await);
    let next = answer.headers()["location"].to_str().unwrap().to_owned();
    assert!(text(lamp.get(&next).send().await.unwrap()).await.contains("Taken back"));
}

/// One plan may name one address again and again, as contacts and as crew, and each is a letter.
#[tokio::test]
async fn one_plan_names_a_stranger_no_more_often_than_ten_would() {
    let lamp =
        Lamp::with(Wish { filings_per_key_per_hour: Some(u32::MAX), ..Wish::default() }).await;
    let aimed = |at: usize, contacts: usize, crew: usize| {
        let mut plan = plan();
        let victim = |one: usize| {
            let odd = ["victim", "Victim", "victim+x", "\"victim\"", "\"vic\\tim\"", "vic.tim"];
            json!({"name": format!("Victim {at} {one}"),
                   "email": format!("{}@example.org", odd[one % odd.len()])})
        };
        plan["contact"] = (0..contacts).map(victim).collect();
        let mut friend = vec![json!({"name": "Friend", "email": format!("f{at}@example.org")})];
        plan["contact"].as_array_mut().unwrap().append(&mut friend);
        plan["crew"] = (100..100 + crew).map(victim).collect();
        if crew == 0 {
            plan["crew"] = json!([{"name": "Ines Halloran"}]);
        }
        plan
    };
    let mut letters = 0;
    for (at, (contacts, crew)) in
        [(19, 60), (11, 0), (0, 11), (3, 3), (2, 3), (4, 0), (1, 0), (0, 2), (1, 0)]
            .into_iter()
            .enumerate()
    {
        let aimed = aimed(at, contacts, crew);
        let request = lamp.post("/api/v1/plans").bearer_auth(&lamp.key).json(&aimed);
        let answer = request.send().await.unwrap();
        match answer.status() {
            StatusCode::CREATED => letters += contacts + crew,
            StatusCode::TOO_MANY_REQUESTS => {}
            other => panic!("{other} {}", text(answer).await),
        }
    }
    assert_eq!(letters, 10);
}

/// They may be named as both, and never is never.
#[tokio::test]
async fn whoever_says_never_is_written_to_as_crew_no_more_either() {
    let lamp = Lamp::lit().await;
    let mut both = plan();
    both["crew"][0]["email"] = json!("dunstan@example.org");
    both["crew"][1]["email"] = json!("tomas@example.org");
    let (plan_ref, links) = filed(&lamp, &both).await;
    let mut other = both.clone();
    other["contact"].as_array_mut().unwrap().remove(0);
    let (other_ref, other_links) = filed(&lamp, &other).await;
    let page = lamp.daemon.confirm_page(&plan_ref, 0);
    let form = form_of(&text(lamp.get(&page).send().await.unwrap()).await, "never");
    let said = lamp.post(&form.action).form(&form.typed(&[("word", "never")]).fields);
    assert_eq!(said.send().await.unwrap().status(), StatusCode::OK);
    lamp.run();
    for (plan_ref, links) in [(plan_ref, links), (other_ref, other_links)] {
        let settled = async |of: Kind| {
            for _ in 0..200 {
                let letters = lamp.daemon.store().letters(&plan_ref).await.unwrap();
                let waits = |state| matches!(state, LetterState::Queued | LetterState::Sending);
                let crews = || letters.iter().filter(|one| matches!(one.to, Recipient::Crew(_)));
                let has_come = crews().any(|one| one.to == Recipient::Crew(1) && one.kind == of);
                if has_come && !crews().any(|one| waits(one.state)) {
                    return letters;
                }
                tokio::time::sleep(std::time::Duration::from_millis(100)).await;
            }
            panic!("no {of}");
        };
        let extend = lamp.post(links["extend"].as_str().unwrap()).json(&json!({"by": "1h"}));
        assert_eq!(extend.send().await.unwrap().status(), StatusCode::OK);
        let word = [("act", "still-out"), ("once", "w"), ("name", "Tomas"), ("note", "a seal")];
        let page = crew_page(&lamp, &plan_ref, 1);
        assert_eq!(say(&lamp, &page, &word).await.status(), StatusCode::SEE_OTHER);
        let letters = settled(Kind::News).await;
        let left = |who: usize| {
            let one = move |one: &&shorelamp::store::LetterFate| {
                one.to == Recipient::Crew(who) && one.state.name() == "handed over"
            };
            letters.iter().filter(one).count()
        };
        assert_eq!(left(0), 0, "{letters:?}");
        assert!(left(1) >= 2, "{letters:?}");
    }
}

/// Whoever reads at `name+x` need not read what `name` gets.
#[tokio::test]
async fn a_yes_from_one_mailbox_is_not_anothers() {
    let lamp =
        Lamp::with(Wish { filings_per_key_per_hour: Some(u32::MAX), ..Wish::default() }).await;
    let to = |email: &str| {
        let mut plan = plan();
        plan["crew"][0].as_object_mut().unwrap().remove("email");
        plan["contact"] = json!([{"name": "Victim", "email": email}]);
        plan
    };
    let (plan_ref, _) = filed(&lamp, &to("victim+x@example.org")).await;
    let form = text(lamp.get(&lamp.daemon.confirm_page(&plan_ref, 0)).send().await.unwrap()).await;
    let form = form_of(&form, "willing").typed(&[("name", "Mallory")]);
    let said = lamp.post(&form.action).form(&form.fields).send().await.unwrap();
    assert_eq!(said.status(), StatusCode::OK);
    let mut armed = [0, 0];
    for _ in 0..14 {
        for (at, email) in ["victim@example.org", "Victim+X@example.org"].into_iter().enumerate() {
            let request = lamp.post("/api/v1/plans").bearer_auth(&lamp.key).json(&to(email));
            if request.send().await.unwrap().status() == StatusCode::CREATED {
                armed[at] += 1;
            }
        }
    }
    assert!(armed[0] < 10 && armed[0] + armed[1] == 9, "{armed:?}");
    // Their own is theirs, however often.
    for _ in 0..12 {
        lamp.file(&to("victim+x@EXAMPLE.org")).await;
    }
    let (_, told) = {
        let request = lamp.post("/api/v1/review").bearer_auth(&lamp.key);
        let told = request.json(&to("victim@example.org")).send().await.unwrap();
        (told.status(), text(told).await)
    };
    assert!(told.contains("has never answered"), "{told}");
}

/// A dot counts for nothing where letters are counted, and parts mailboxes where somebody says never.
#[tokio::test]
async fn a_mailbox_with_a_dot_says_never_for_itself_however_it_is_written() {
    let lamp = Lamp::lit().await;
    let to = |email: &str| {
        let mut plan = plan();
        plan["contact"][0]["email"] = json!(email);
        plan
    };
    let mut refs = Vec::new();
    for email in ["dun.stan@example.org", "\"dun.stan\"@Example.org", "dunstan@example.org"] {
        refs.push(filed(&lamp, &to(email)).await.0);
    }
    let page = text(lamp.get(&lamp.daemon.confirm_page(&refs[0], 0)).send().await.unwrap()).await;
    let form = form_of(&page, "never").typed(&[("word", "never")]);
    let said = lamp.post(&form.action).form(&form.fields).send().await.unwrap();
    assert_eq!(said.status(), StatusCode::OK);
    let mut marked = Vec::new();
    for plan_ref in &refs {
        let state = lamp.daemon.status(plan_ref).await.unwrap().state;
        marked.push(state.contacts[0].opted_out.is_some());
    }
    assert_eq!(marked, [true, true, false]);
    for (email, status) in [
        ("\"dun\\.stan\"@example.org", StatusCode::UNPROCESSABLE_ENTITY),
        ("Dun.Stan+x@example.org", StatusCode::UNPROCESSABLE_ENTITY),
        ("dunstan@example.org", StatusCode::CREATED),
    ] {
        let request = lamp.post("/api/v1/plans").bearer_auth(&lamp.key).json(&to(email));
        assert_eq!(request.send().await.unwrap().status(), status, "{email}");
    }
}
/// Ten plans may name a stranger within a day, and each of them changes, ends and opens again.
#[tokio::test]
async fn what_becomes_of_trips_reaches_a_stranger_sixty_times_a_day_and_an_alert_always() {
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let mut aimed = plan();
    aimed["crew"][0]["email"] = json!("victim+crew@example.org");
    aimed["contact"] = json!([{"name": "Victim", "email": "vic.tim@example.org"}]);
    let mut plans = Vec::new();
    for _ in 0..2 {
        plans.push(filed(&lamp, &aimed).await);
    }
    let fates = async |state: &str| {
        let mut kinds = Vec::new();
        for (plan_ref, _) in &plans {
            let letters = lamp.daemon.store().letters(plan_ref).await.unwrap();
            let those = letters.iter().filter(|one| one.state.name() == state);
            kinds.extend(those.map(|one| one.kind));
        }
        kinds
    };
    let quiet = async || {
        let mut before = usize::MAX;
        while fates("queued").await.len() != before {
            before = fates("queued").await.len();
            tokio::time::sleep(std::time::Duration::from_millis(1500)).await;
        }
    };
    let told = async |state: &str| {
        let may_wait = [Kind::Changed, Kind::Home, Kind::Withdrawn, Kind::News];
        fates(state).await.into_iter().filter(|kind| may_wait.contains(kind)).count()
    };
    // Both have the plan before it changes.
    quiet().await;
    for (plan_ref, links) in &plans {
        let page = crew_page(&lamp, plan_ref, 0);
        for at in 0..40 {
            let word = [
                ("act", "still-out"),
                ("once", &at.to_string()),
                ("name", "Mallory"),
                ("note", &format!("word {at}")),
            ];
            assert_eq!(say(&lamp, &page, &word).await.status(), StatusCode::SEE_OTHER);
        }
        let extend = lamp.post(links["extend"].as_str().unwrap()).json(&json!({"by": "1m"}));
        assert_eq!(extend.send().await.unwrap().status(), StatusCode::OK);
    }
    quiet().await;
    assert_eq!(told("handed over").await, 60);
    // What waits gives way to the newest of its kind.
    let waiting = told("queued").await;
    assert!((1..=2 * 42 - 60).contains(&waiting), "{waiting}");
    // They are overdue: that goes, and so does its end to whoever had it.
    for (plan_ref, _) in &plans {
        lamp.pass(7 * 60, plan_ref).await;
    }
    quiet().await;
    let alerts = fates("handed over").await.into_iter().filter(|kind| kind.is_alert()).count();
    assert!(alerts >= 2, "{alerts}");
    for (_, links) in &plans {
        let checkin = lamp.post(links["checkin"].as_str().unwrap()).json(&json!({}));
        assert_eq!(checkin.send().await.unwrap().status(), StatusCode::OK);
    }
    quiet().await;
    let ends = fates("handed over").await.into_iter().filter(|kind| *kind == Kind::StandDown);
    assert_eq!(ends.count(), 4, "the contact's and the keeper's");
    assert_eq!(told("handed over").await, 60);
}
