//! Attempts to get in, to read along, to fill the disk and to hold up an alert, each with the source
//! at hand.

use std::fs;
use std::future::{Future, poll_fn};
use std::path::{Path, PathBuf};
use std::pin::pin;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::sync::{Arc, Mutex};
use std::task::Poll;
use std::time::Duration;

use chrono::TimeDelta;
use futures_util::StreamExt;
use futures_util::stream::FuturesUnordered;
use reqwest::{Response, StatusCode};
use serde_json::json;
use shorelamp::daemon::{Clock, NotErased, Readings};
use shorelamp::plan::read_json;
use shorelamp::store::{Key, LetterState, StoreError};

use super::browser::forms;
use super::house::{Lamp, Wish, plan, text};

fn cookie(secret: &str) -> String {
    format!("shorelamp={secret}")
}

fn sets(answer: &Response, secret: &str) -> bool {
    let cookies = answer.headers().get_all("set-cookie").iter();
    cookies.filter_map(|cookie| cookie.to_str().ok()).any(|cookie| cookie.contains(secret))
}

/// Else whoever sends a link of a key of their own reads what is filed from then on.
#[tokio::test]
async fn a_link_takes_no_device_from_its_key_unasked() {
    let lamp = Lamp::lit().await;
    let link = format!("/key/{}", lamp.keeper);
    let opened = lamp.get(&link).header("cookie", cookie(&lamp.key)).send().await.unwrap();
    assert!(!opened.headers().contains_key("set-cookie"));
    let page = text(opened).await;
    assert!(
        page.contains("Ines Halloran") && page.contains("Pell Marsh"),
        "whose they are: {page}"
    );
    // What the browser keeps of trips is the next holder's to read.
    assert!(page.contains(r#"href="/phone""#), "{page}");
    let swap = forms(&page).remove(0);
    // A page elsewhere knows the key that is in its own link, and not the token of our form.
    for token in ["", "AAAA"] {
        let forged = swap.typed(&[("token", token)]);
        let request = lamp.post("/key").header("cookie", cookie(&lamp.key)).form(&forged.fields);
        assert!(!request.send().await.unwrap().headers().contains_key("set-cookie"));
    }
    let pressed = lamp.post("/key").header("cookie", cookie(&lamp.key)).form(&swap.fields);
    assert!(sets(&pressed.send().await.unwrap(), &lamp.keeper));
    // The same key again, and a device whose key is no key any more, are asked nothing.
    for held in [&lamp.keeper, "revoked"] {
        let opened = lamp.get(&link).header("cookie", cookie(held)).send().await.unwrap();
        assert!(sets(&opened, &lamp.keeper), "{held}");
    }
}

/// What a browser sends for a picture, a frame or a script (W3C Fetch Metadata, `Sec-Fetch-Dest`);
/// and what an old one sends for a form in a sandboxed frame of a foreign page: an origin of `null`,
/// and no cookie.
#[tokio::test]
async fn a_foreign_page_gives_no_device_a_key() {
    let lamp = Lamp::lit().await;
    let link = format!("/key/{}", lamp.key);
    for what in ["image", "iframe", "script", "empty"] {
        let opened = lamp.get(&link).header("sec-fetch-dest", what).send().await.unwrap();
        assert!(!opened.headers().contains_key("set-cookie"), "{what}");
    }
    let opened = lamp.get(&link).header("sec-fetch-dest", "document").send().await.unwrap();
    assert!(sets(&opened, &lamp.key));
    let form = [("key", lamp.key.as_str())];
    let sent = lamp.post("/key").header("origin", "null").form(&form).send().await.unwrap();
    assert!(!sent.headers().contains_key("set-cookie"));
    assert_eq!(sent.headers()["location"], link.as_str(), "where its cookie will come along");
}

#[tokio::test]
async fn a_usual_trip_tells_nobody_of_anothers_plan() {
    let lamp = Lamp::lit().await;
    let theirs = lamp.post("/api/v1/plans").bearer_auth(&lamp.keeper).json(&plan());
    let theirs: serde_json::Value = theirs.send().await.unwrap().json().await.unwrap();
    let home = lamp.get("/").header("cookie", cookie(&lamp.key)).send().await.unwrap();
    let form = forms(&text(home).await).remove(0);
    let mut answers = Vec::new();
    for plan_ref in [theirs["ref"].as_str().unwrap(), "2222-2222"] {
        let fields = [
            ("once", form.fields["once"].as_str()),
            ("token", form.fields["token"].as_str()),
            ("name", "Halibut drift"),
            ("ref", plan_ref),
        ];
        let request = lamp.post("/trips").header("cookie", cookie(&lamp.key)).form(&fields);
        let answer = request.send().await.unwrap();
        answers.push((answer.status(), text(answer).await));
    }
    assert_eq!(answers[0], answers[1]);
    assert_eq!(answers[0].0, StatusCode::NOT_FOUND);
}

/// The longest route keeps a core busy for seconds: were it judged on the threads that send, a few
/// reviews would hold up every alert.
#[tokio::test]
async fn judging_keeps_no_alert_waiting() {
    let lamp = Lamp::lit().await;
    let no_files = |_: &str| Err(String::new());
    let mut judged = read_json(&plan().to_string(), &no_files).unwrap();
    // Then nothing but judging is to be waited for.
    judged.contacts.clear();
    let mut review = pin!(lamp.daemon.review("k-filer", &judged));
    let first = poll_fn(|context| Poll::Ready(review.as_mut().poll(context))).await;
    assert!(first.is_pending(), "judged on the thread that asked");
    assert!(review.await.unwrap().route.length_m > 1000.0);
}

/// One key sends as many as it can, then another asks once; when it is heard, `daemon/judging` shows.
#[tokio::test]
async fn a_keys_line_is_bounded_and_keeps_no_other_key_out() {
    let lamp = Lamp::lit().await;
    let no_files = |_: &str| Err(String::new());
    let mut plan = read_json(&plan().to_string(), &no_files).unwrap();
    // Nothing is asked of the database, in which one may overtake another.
    plan.contacts.clear();
    let waiting = FuturesUnordered::new();
    let mut refused = 0;
    // All have asked before the first of them can have been judged.
    for key in std::iter::repeat_n("greedy", 40).chain(["other"]) {
        let mut review = Box::pin(lamp.daemon.review(key, &plan));
        match poll_fn(|context| Poll::Ready(review.as_mut().poll(context))).await {
            Poll::Ready(judged) => refused += usize::from(judged.is_none()),
            Poll::Pending => waiting.push(async move { (key, review.await.is_some()) }),
        }
    }
    assert_eq!(refused, 30, "ten are in its line");
    let ended: Vec<_> = waiting.collect().await;
    assert!(ended.len() == 11 && ended.iter().all(|one| one.1), "{ended:?}");
    // The line is empty again, and what it says is for a person to read.
    assert!(lamp.daemon.review("greedy", &plan).await.is_some());
    let full: Vec<_> = (0..40)
        .map(|_| {
            let sent = lamp.post("/api/v1/review").bearer_auth(&lamp.key).json(&self::plan());
            tokio::spawn(sent.send())
        })
        .collect();
    let mut told = Vec::new();
    for one in full {
        let answer = one.await.unwrap().unwrap();
        match answer.status() {
            StatusCode::OK => {}
            status => {
                assert_eq!(status, StatusCode::TOO_MANY_REQUESTS);
                assert!(answer.headers().contains_key("retry-after"));
                told.push(text(answer).await);
            }
        }
    }
    assert!(told.iter().all(|one| one.contains("Try again in a moment")), "{told:?}");
}

/// The same for plans that are filed: all of a club's are taken, one after the other, and another
/// key's comes between.
#[tokio::test]
async fn no_keys_filings_hold_up_anothers() {
    let lamp =
        Lamp::with(Wish { filings_per_key_per_hour: Some(u32::MAX), ..Wish::default() }).await;
    let no_files = |_: &str| Err(String::new());
    let ended = Arc::new(Mutex::new(Vec::new()));
    let mut filings = tokio::task::JoinSet::new();
    for (at, id) in std::iter::repeat_n("k-filer", 40).chain(["k-keeper"]).enumerate() {
        let mut own = plan();
        own["contact"] = json!([{"name": "Friend", "email": format!("friend{at}@example.org")}]);
        // Nobody is named ten times.
        own["crew"][0].as_object_mut().unwrap().remove("email");
        let own = read_json(&own.to_string(), &no_files).unwrap();
        let (daemon, ended) = (lamp.daemon.clone(), Arc::clone(&ended));
        filings.spawn(async move {
            let key = Key { id: id.to_owned(), name: "Pell Marsh".to_owned(), keeper: false };
            let filed = daemon.file(&key, &own, None, b"").await;
            ended.lock().unwrap().push((id, filed.is_ok()));
        });
    }
    while filings.join_next().await.is_some() {}
    let ended = ended.lock().unwrap();
    let armed = |id: &str| ended.iter().filter(|one| **one == (id, true)).count();
    assert_eq!(armed("k-keeper"), 1, "{ended:?}");
    assert!(armed("k-filer") >= 32, "a whole line of it is taken: {ended:?}");
}

#[tokio::test]
async fn many_filings_at_once_are_counted_too() {
    let lamp = Lamp::with(Wish { filings_per_key_per_hour: Some(3), ..Wish::default() }).await;
    let file = |_| lamp.post("/api/v1/plans").bearer_auth(&lamp.key).json(&plan()).send();
    let sent: Vec<_> = (0..12).map(file).map(tokio::spawn).collect();
    let mut filed = 0;
    for one in sent {
        match one.await.unwrap().unwrap().status() {
            StatusCode::CREATED => filed += 1,
            status => assert_eq!(status, StatusCode::TOO_MANY_REQUESTS),
        }
    }
    assert_eq!(filed, 3);
}

#[tokio::test]
async fn thrown_away_ids_dont_fill_the_disk() {
    let lamp = &Lamp::lit().await;
    let store = lamp.daemon.store();
    let throw = |at: u32| async move {
        let id = format!("00000000-0000-{at:04}");
        store.throw_away("k-filer", &id, lamp.daemon.now()).await
    };
    for at in 0..200 {
        throw(at).await.unwrap();
    }
    assert!(matches!(throw(200).await, Err(StoreError::ThrownTooOften)));
    throw(7).await.unwrap();
    let request = lamp.client.delete(lamp.url("/api/v1/filings/00000000-0000-0201"));
    let told = request.bearer_auth(&lamp.key).send().await.unwrap();
    assert_eq!(told.status(), StatusCode::TOO_MANY_REQUESTS);
    assert!(text(told).await.contains("NOT thrown away"));
    lamp.move_clock(24 * 60 + 1);
    throw(200).await.unwrap();
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).unwrap().flatten().map(|entry| entry.path());
    entries.flat_map(|path| if path.is_dir() { files(&path) } else { vec![path] }).collect()
}

/// The files in which one of these words stands, in any of its forms.
fn holding(folder: &Path, words: &[&str]) -> Vec<PathBuf> {
    let holds = |path: &PathBuf| {
        let bytes = fs::read(path).unwrap_or_default();
        words.iter().any(|word| bytes.windows(word.len()).any(|part| part == word.as_bytes()))
    };
    files(folder).into_iter().filter(holds).collect()
}

/// Waits until none of a plan's letters waits.
async fn all_left(lamp: &Lamp, plan_ref: &str) {
    let waits = |state| matches!(state, LetterState::Queued | LetterState::Sending);
    for _ in 0..300 {
        let letters = lamp.daemon.store().letters(plan_ref).await.unwrap();
        if !letters.iter().any(|letter| waits(letter.state)) {
            break;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_erased_is_gone() {
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let mut other = plan();
    other["title"] = json!("Zqother");
    other["contact"] = json!([{"name": "Zqkept Sandoval", "email": "zqkept@example.org"}]);
    let other = lamp.file(&other).await;
    let mut erased = plan();
    erased["title"] = json!("Zqtitle");
    erased["crew"][0]["name"] = json!("Zqcrew Halloran");
    erased["contact"] = json!([{"name": "Zqcontact Okafor", "email": "zqcontact@example.org"}]);
    let erased = lamp.file(&erased).await;
    let plan_ref = erased["ref"].as_str().unwrap();
    let folder = lamp.folder.path();
    assert!(folder.join("sealed").join(plan_ref).exists());
    let path = format!("/api/v1/plans/{plan_ref}");
    let send = |what: &str| lamp.post(&format!("{path}/{what}")).bearer_auth(&lamp.key).send();
    assert_eq!(send("erase").await.unwrap().status(), StatusCode::CONFLICT, "it is watched");
    assert_eq!(send("checkin").await.unwrap().status(), StatusCode::OK);
    assert_eq!(send("erase").await.unwrap().status(), StatusCode::CONFLICT, "can be taken back");
    all_left(&lamp, plan_ref).await;
    let words = ["Zqtitle", "Zqcrew", "Zqcontact", "zqcontact@example.org"];
    assert!(!holding(folder, &words).is_empty(), "it was there");
    lamp.move_clock(24 * 60 + 1);
    let answer = send("erase").await.unwrap();
    let status = answer.status();
    assert_eq!(status, StatusCode::OK, "{}", text(answer).await);
    // Whoever reads just then keeps the log from being emptied; the next look does it.
    for _ in 0..50 {
        if holding(folder, &words).is_empty() {
            break;
        }
        lamp.daemon.store().empty_log().await.unwrap();
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    assert_eq!(holding(folder, &words), Vec::<PathBuf>::new(), "database, log and letters");
    assert!(!folder.join("sealed").join(plan_ref).exists(), "the key of what was sealed");
    let shown = lamp.get(&path).bearer_auth(&lamp.key).send().await.unwrap();
    assert_eq!(shown.status(), StatusCode::NOT_FOUND);
    // Nothing else went with it.
    assert!(!holding(folder, &["Zqother"]).is_empty());
    assert!(folder.join("sealed").join(other["ref"].as_str().unwrap()).exists());
}

/// In what is shipped a failed reckoning ends the whole service, and with it every alert.
#[tokio::test]
async fn no_time_in_a_plan_ends_the_service() {
    let lamp = Lamp::lit().await;
    for time in ["+262142-12-31T23:59:59", "-262143-01-01T00:00", "9999-12-31T23:59:59-23:59"] {
        for key in ["launch", "return_by"] {
            for path in ["/api/v1/plans", "/api/v1/review"] {
                let mut odd = plan();
                odd["times"][key] = json!(time);
                let sent = lamp.post(path).bearer_auth(&lamp.key).json(&odd).send().await;
                let status = sent.expect("an answer").status();
                assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{path}: {key} {time}");
            }
        }
    }
    let filed = lamp.file(&plan()).await;
    for span in ["99999999999h", "292277026596y", "-1h", "1e300h"] {
        let extend = lamp.post(filed["links"]["extend"].as_str().unwrap());
        let status = extend.json(&json!({"by": span})).send().await.expect("an answer").status();
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{span}");
    }
}

/// A battery that holds a machine's clock may fail so that it starts years ahead, with no clock of
/// ours to tell. Nothing of this morning may be forgotten by it: the closing may be a mistake, and
/// then whoever was told of it takes it back.
#[tokio::test(flavor = "multi_thread")]
async fn a_clock_that_starts_years_ahead_makes_nobody_forget() {
    let lamp = Lamp::with(Wish { runs: true, ..Wish::default() }).await;
    let open = lamp.file(&plan()).await;
    let closed = lamp.file(&plan()).await;
    let (open, checkin) = (open["ref"].as_str().unwrap(), closed["links"]["checkin"].as_str());
    let closed = closed["ref"].as_str().unwrap();
    assert_eq!(lamp.post(checkin.unwrap()).send().await.unwrap().status(), StatusCode::OK);
    all_left(&lamp, closed).await;

    let alive = lamp.daemon.now();
    let years = TimeDelta::days(3652);
    let (passed_s, synchronised) = (Arc::new(AtomicI64::new(0)), Arc::new(AtomicBool::new(false)));
    let (passed, vouches) = (Arc::clone(&passed_s), Arc::clone(&synchronised));
    let read = move || {
        let since_boot = TimeDelta::seconds(30 + passed.load(Ordering::SeqCst));
        let synchronised = vouches.load(Ordering::SeqCst);
        Readings { wall: alive + years + since_boot, since_boot, synchronised }
    };
    let clock = Clock::of(Box::new(read), "another start".to_owned(), Some(alive), None);
    let again = lamp.started_again(clock).await;
    for _ in 0..3 {
        assert_eq!(again.forget_what_is_over().await.unwrap().plans, Vec::<String>::new());
        passed_s.fetch_add(3600, Ordering::SeqCst);
    }
    let record = again.store().plan(closed).await.unwrap();
    assert!(matches!(again.erase(&record).await, Err(NotErased::NotYet(_))));
    // Once the kernel holds it to be synchronised, for a minute, it is the time.
    synchronised.store(true, Ordering::SeqCst);
    let _ = again.now();
    passed_s.fetch_add(61, Ordering::SeqCst);
    let _ = again.now();
    assert_eq!(again.forget_what_is_over().await.unwrap().plans, [closed]);
    assert!(again.store().plan(open).await.is_ok(), "an open plan is never forgotten");
}

/// UAX #9: after U+202E the rest of the line is shown from right to left, a telephone number too.
#[tokio::test]
async fn no_name_turns_what_stands_behind_it_round() {
    let lamp = Lamp::lit().await;
    let turns =
        |c: char| ('\u{202a}'..='\u{202e}').contains(&c) || ('\u{2066}'..='\u{2069}').contains(&c);
    let mut turned = plan();
    turned["title"] = json!("Halibut\u{202e} drift");
    turned["crew"][0]["name"] = json!("Ines\u{2066} Halloran\u{202e}");
    turned["crew"][0]["phone"] = json!("\u{202a}+1 360 555 0142\u{202c}");
    turned["gear"] = json!({"notes": "red bag\u{202e}\nand a stove"});
    let filed = lamp.file(&turned).await;
    let page = lamp.contact_page(filed["ref"].as_str().unwrap(), 0);
    let fields = [("act", "on-it"), ("once", "x"), ("name", "Dunstan\u{202e} Okafor")];
    let sent = lamp.post(&page).form(&fields).send().await.unwrap();
    assert_eq!(sent.status(), StatusCode::SEE_OTHER);
    let page = text(lamp.get(&page).send().await.unwrap()).await;
    assert!(page.contains("Ines Halloran") && page.contains("+1 360 555 0142"));
    assert!(page.contains("red bag"), "{page}");
    assert!(page.contains("Dunstan"), "{page}");
    assert!(!page.contains(turns));
}

/// A keeper acts for every crew under the keeper's own name. A crew's own links would outlast the key,
/// and speak as the crew.
#[tokio::test]
async fn a_keeper_is_given_no_links_of_a_crew_that_is_not_theirs() {
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let shown = async |key: &str| {
        let page = lamp.get(&format!("/filed/{plan_ref}")).header("cookie", cookie(key));
        let page = text(page.send().await.unwrap()).await;
        assert!(page.contains(plan_ref), "{page}");
        page
    };
    assert!(shown(&lamp.key).await.contains("/crew/"), "whose plan it is");
    assert!(!shown(&lamp.keeper).await.contains("/crew/"));
    let amended = async |key: &str, title: &str| {
        let mut to = plan();
        to["title"] = json!(title);
        let request = lamp.post(&format!("/api/v1/plans/{plan_ref}/amend")).bearer_auth(key);
        let answer = request.json(&to).send().await.unwrap();
        assert_eq!(answer.status(), StatusCode::OK);
        answer.json::<serde_json::Value>().await.unwrap()
    };
    assert_eq!(amended(&lamp.keeper, "One").await.get("links"), None);
    assert_eq!(amended(&lamp.key, "Two").await["links"], filed["links"]);
}
