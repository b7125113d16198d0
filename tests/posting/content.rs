//! Letters that are refused, or come back, for what stands in them.

use shorelamp::watch::{Answer, Event};
use sqlx::Connection;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};

use super::*;

/// What a letter with a picture has in it.
const PICTURE: &str = "Content-Type: image/png";

/// A rule against pictures is the letter's fault and not the reader's: the same letter goes again
/// at once without its chart, and nobody counts as out of reach.
#[tokio::test]
async fn a_letter_that_is_refused_for_its_chart_goes_without() {
    let picky = Whims { refuses: PICTURE, ..Whims::NONE };
    let server = Server::start(whims(picky)).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    // A letter does not wait long for its chart, and a busy machine may be late with it.
    let (mut plan, mut letters) = (String::new(), Vec::new());
    for at in 0..5 {
        let before = server.heard().letters.len();
        plan = lamp.file(&format!("{at}@example.org")).await;
        lamp.handed_over(&plan, Kind::Filed).await;
        letters = server.heard().letters.split_off(before);
        if letters.len() > 1 {
            break;
        }
    }
    assert_eq!(letters.len(), 2, "one with its chart, one without");
    assert!(letters[0].contains(PICTURE) && !letters[1].contains(PICTURE));
    let ids = message_ids(&letters);
    assert_eq!(ids[0], ids[1]);
    let fates = lamp.daemon.store().letters(&plan).await.unwrap();
    assert!(fates.iter().all(|fate| fate.kind == Kind::Filed), "nobody is troubled: {fates:?}");
}

/// Else one contact, by what they type on their page, has every filter refuse every alert.
#[tokio::test]
async fn an_alert_that_is_refused_for_what_somebody_typed_goes_without_it() {
    let filter = Whims { refuses: "STANDARD-ANTI-UBE-TEST", ..Whims::NONE };
    let server = Server::start(whims(filter)).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    let plan = lamp.file("one@example.org").await;
    lamp.handed_over(&plan, Kind::Filed).await;
    lamp.pass(UNTIL_OVERDUE - TimeDelta::minutes(1));
    // As spam filters know it (SpamAssassin's GTUBE), in part.
    let (name, answer) = ("GTUBE-STANDARD-ANTI-UBE-TEST-EMAIL".to_owned(), Answer::OnIt);
    let answered = Event::Answered { contact: 0, name, answer };
    lamp.daemon.act(&plan, &answered, None).await.unwrap();
    let before = server.heard().letters.len();
    lamp.pass(TimeDelta::minutes(2));
    lamp.handed_over(&plan, Kind::Overdue).await;
    let letters = server.heard().letters.split_off(before);
    let alerts: Vec<_> =
        letters.iter().filter(|one| one.contains("Shorelamp-Kind: overdue")).collect();
    let (whole, plain) = (alerts[0].replace("=\r\n", ""), alerts[alerts.len() - 1]);
    assert!(whole.contains("STANDARD-ANTI-UBE-TEST"), "the test would show nothing");
    assert!(plain.contains("OVERDUE: act now") && plain.contains("/contact/"), "{plain}");
    assert!(plain.contains("People aboard") && plain.contains("48.54"), "what they ask: {plain}");
    for typed in ["GTUBE", "Ines", "Dunstan"] {
        assert!(!plain.contains(typed), "{typed} in {plain}");
    }
    let state = lamp.daemon.status(&plan).await.unwrap().state;
    assert!(!state.contacts[0].told.refused, "nobody is out of reach for it");
}

/// A filter refuses the letter that the relay took last; what it was.
async fn newest_comes_back(server: &Server, lamp: &Lamp) -> Kind {
    let heard = server.heard().commands;
    let from = heard.iter().rfind(|one| one.starts_with("MAIL FROM:<bounces+")).unwrap();
    let (letter, _) = from.trim_start_matches("MAIL FROM:<bounces+").split_once('.').unwrap();
    let note = "came back: failed, 5.7.1";
    let noted = lamp.daemon.store().came_back(letter, note, true, lamp.daemon.now()).await;
    noted.unwrap().unwrap().kind
}

/// The relay takes it, and a filter behind it does not: that is told hours later as a letter that came
/// back, or in a second.
#[tokio::test]
async fn after_an_alert_that_came_back_the_next_goes_in_words_of_ours_alone() {
    let server = Server::start(Script::default()).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    let plan = lamp.file("one@example.org").await;
    lamp.handed_over(&plan, Kind::Filed).await;
    lamp.pass(UNTIL_OVERDUE);
    lamp.handed_over(&plan, Kind::Overdue).await;
    assert_eq!(newest_comes_back(&server, &lamp).await, Kind::Overdue);
    let alerts = || {
        let mut letters = server.heard().letters;
        letters.retain(|one| one.contains("Shorelamp-Kind: call-rescue"));
        letters.retain(|one| one.contains("To: ") && one.contains("one@example.org"));
        letters
    };
    for so_far in 1..4 {
        lamp.until("the next rung, and its repeats", async || alerts().len() >= so_far).await;
        let last = &alerts()[so_far - 1];
        assert!(!last.contains("Ines") && last.contains("People aboard"), "{so_far}: {last}");
        lamp.pass(TimeDelta::minutes(16));
    }
}

/// Words of ours are of the plan as it now is, which is no longer theirs to read.
#[tokio::test]
async fn whoever_was_taken_out_reads_no_later_time_though_a_letter_to_them_came_back() {
    let server = Server::start(Script::default()).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    let plan = lamp.file("one@example.org").await;
    lamp.handed_over(&plan, Kind::Filed).await;
    assert_eq!(newest_comes_back(&server, &lamp).await, Kind::Filed);
    lamp.names_instead(&plan, "two@example.org", "2026-06-14T14:15:00Z").await;
    lamp.handed_over(&plan, Kind::Changed).await;
    let letters = server.heard().letters;
    let told = letters.iter().find(|one| one.contains("Shorelamp-Kind: changed")).unwrap();
    assert!(told.contains("no longer") && !told.contains("Move your alarm"), "{told}");
}

/// One relay's filter, while the other can't be reached: nobody knows when it will be, and an alert
/// waits for nobody.
#[tokio::test]
async fn an_alert_that_one_relay_refuses_for_what_is_in_it_waits_for_no_other() {
    let filter = Whims { refuses: "STANDARD-ANTI-UBE-TEST", ..Whims::NONE };
    let gone = Server::start(Script { greeting: "421 4.3.2 not now", ..Script::default() }).await;
    let picky = Server::start(whims(filter)).await;
    let lamp = Lamp::with(vec![gone.relay(PLAIN), picky.relay(PLAIN)], 10).await;
    let plan = lamp.file("one@example.org").await;
    lamp.handed_over(&plan, Kind::Filed).await;
    lamp.pass(UNTIL_OVERDUE - TimeDelta::minutes(1));
    let (name, answer) = ("GTUBE-STANDARD-ANTI-UBE-TEST-EMAIL".to_owned(), Answer::OnIt);
    let answered = Event::Answered { contact: 0, name, answer };
    lamp.daemon.act(&plan, &answered, None).await.unwrap();
    lamp.pass(TimeDelta::minutes(2));
    let took = lamp.handed_over(&plan, Kind::Overdue).await;
    assert!(took < ONE_ATTEMPT, "{took:?}");
    let letters = picky.heard().letters;
    let plain = letters.iter().rfind(|one| one.contains("Shorelamp-Kind: overdue")).unwrap();
    assert!(plain.contains("OVERDUE: act now") && !plain.contains("GTUBE"), "{plain}");
}

/// Two relays of which one refuses what a contact typed, and the other never says a word; as shipped.
async fn picky_and_silent() -> (Lamp, Server, Server) {
    let filter = Whims { refuses: "STANDARD-ANTI-UBE-TEST", ..Whims::NONE };
    let picky = Server::start(whims(filter)).await;
    let silent = Server::start(Script { greeting: server::SILENCE, ..Script::default() }).await;
    let lamp = Lamp::with(vec![picky.relay(PLAIN), silent.relay(PLAIN)], 60).await;
    (lamp, picky, silent)
}

/// It waits for nobody who keeps silent either, at none of the steps of leaving out.
#[tokio::test]
async fn an_alert_that_one_relay_refuses_for_what_is_in_it_waits_for_none_that_hangs() {
    let (lamp, picky, _silent) = picky_and_silent().await;
    let plan = lamp.file("one@example.org").await;
    lamp.handed_over(&plan, Kind::Filed).await;
    lamp.pass(UNTIL_OVERDUE - TimeDelta::minutes(1));
    let (name, answer) = ("GTUBE-STANDARD-ANTI-UBE-TEST-EMAIL".to_owned(), Answer::OnIt);
    let answered = Event::Answered { contact: 0, name, answer };
    lamp.daemon.act(&plan, &answered, None).await.unwrap();
    lamp.pass(TimeDelta::minutes(2));
    let took = lamp.handed_over(&plan, Kind::Overdue).await;
    assert!(took < Duration::from_secs(30), "{took:?}");
    let letters = picky.heard().letters;
    assert!(
        letters.iter().any(|one| is_alert(one) && one.contains("GTUBE")),
        "the whole of it first"
    );
}

/// A plan whose contact typed what a filter refuses, a minute before its alert, and a database in
/// which nothing can be written any more while this is kept.
async fn typed_and_locked(lamp: &Lamp) -> SqliteConnection {
    let plan = lamp.file("one@example.org").await;
    lamp.handed_over(&plan, Kind::Filed).await;
    lamp.pass(UNTIL_OVERDUE - TimeDelta::minutes(1));
    let (name, answer) = ("GTUBE-STANDARD-ANTI-UBE-TEST-EMAIL".to_owned(), Answer::OnIt);
    let answered = Event::Answered { contact: 0, name, answer };
    lamp.daemon.act(&plan, &answered, None).await.unwrap();
    let file = lamp.folder.path().join("shorelamp.db");
    let options = SqliteConnectOptions::new().filename(file);
    let mut holder = SqliteConnection::connect_with(&options).await.unwrap();
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holder).await.unwrap();
    lamp.pass(TimeDelta::minutes(2));
    holder
}

fn is_alert(letter: &str) -> bool {
    letter.contains("Shorelamp-Kind: overdue")
}

#[tokio::test]
async fn an_alert_from_memory_that_is_refused_for_what_somebody_typed_goes_without_it() {
    let filter = Whims { refuses: "STANDARD-ANTI-UBE-TEST", ..Whims::NONE };
    let server = Server::start(whims(filter)).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    let _holder = typed_and_locked(&lamp).await;
    let plain = || {
        let letters = server.heard().letters;
        letters.into_iter().rfind(|one| is_alert(one) && !one.contains("GTUBE"))
    };
    lamp.until("the plain alert", async || plain().is_some()).await;
    let plain = plain().unwrap();
    assert!(plain.contains("OVERDUE: act now") && plain.contains("/contact/"), "{plain}");
    let whole = server.heard().letters.iter().any(|one| is_alert(one) && one.contains("GTUBE"));
    assert!(whole, "the test would show nothing");
}

#[tokio::test]
async fn an_alert_from_memory_that_one_relay_refuses_goes_by_another() {
    let filter = Whims { refuses: "STANDARD-ANTI-UBE-TEST", ..Whims::NONE };
    let (lamp, picky, good) = two_relays(whims(filter), 10).await;
    let _holder = typed_and_locked(&lamp).await;
    let took = || good.heard().letters.into_iter().find(|one| is_alert(one));
    lamp.until("the alert", async || took().is_some()).await;
    assert!(took().unwrap().replace("=\r\n", "").contains("GTUBE"), "the whole of it");
    assert!(picky.heard().letters.iter().any(|one| is_alert(one)), "the test would show nothing");
}

#[tokio::test]
async fn an_alert_from_memory_that_one_relay_refuses_waits_for_none_that_hangs() {
    let (lamp, picky, _silent) = picky_and_silent().await;
    let _holder = typed_and_locked(&lamp).await;
    let heard = |typed| {
        let letters = picky.heard().letters;
        letters.iter().any(|one| is_alert(one) && one.contains("GTUBE") == typed)
    };
    lamp.until("the alert", async || heard(true)).await;
    let refused = Instant::now();
    lamp.until("the plain alert", async || heard(false)).await;
    assert!(refused.elapsed() < Duration::from_secs(30), "{:?}", refused.elapsed());
}
