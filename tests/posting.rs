//! The post under faults, as a whole: a real database, the running watch and post, and relays that
//! misbehave. Nothing is lost, nothing goes twice without a fault, and what does go twice bears
//! one Message-ID.

#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "posting/content.rs"]
mod content;
#[path = "posting/house.rs"]
mod house;
#[path = "posting/memory.rs"]
mod memory;
#[path = "posting/rests.rs"]
mod rests;
#[path = "posting/said.rs"]
mod said;
#[path = "post/server.rs"]
#[allow(dead_code)]
mod server;

use std::time::{Duration, Instant};

use chrono::TimeDelta;
use shorelamp::measure::Span;
use shorelamp::settings::Security;
use shorelamp::store::LetterState;
use shorelamp::watch::{Kind, Recipient};

use house::{Lamp, UNTIL_OVERDUE, message_ids};
use server::{CLOSE, SILENCE, Script, Server, Whims};

const PLAIN: Security = Security::None;
/// What one attempt may take, by the settings of these cases; a busy machine needs seconds of its own.
const ONE_ATTEMPT: Duration = Duration::from_secs(60);
/// A letter that could not be handed over goes again after this long (the contract's schedule).
const SECOND_TRY: Duration = Duration::from_secs(5);

fn whims(whims: Whims) -> Script {
    Script { whims, ..Script::default() }
}

/// A first relay that follows the script, and a second that takes everything.
async fn two_relays(first: Script, patience_s: u32) -> (Lamp, Server, Server) {
    let (first, good) = (Server::start(first).await, Server::start(Script::default()).await);
    let lamp = Lamp::with(vec![first.relay(PLAIN), good.relay(PLAIN)], patience_s).await;
    (lamp, first, good)
}

#[tokio::test]
async fn without_a_fault_every_letter_goes_once() {
    let server = Server::start(Script::default()).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    for at in 0..20 {
        let plan = lamp.file(&format!("one@{at}.example.org")).await;
        lamp.handed_over(&plan, Kind::Filed).await;
    }
    lamp.pass(UNTIL_OVERDUE);
    lamp.until("40 letters", async || server.heard().letters.len() >= 40).await;
    tokio::time::sleep(Duration::from_millis(300)).await;
    let letters = server.heard().letters;
    let mut ids = message_ids(&letters);
    ids.sort_unstable();
    ids.dedup();
    assert_eq!((letters.len(), ids.len()), (40, 40));
}

/// A hundred letters to a destination that never answers, and one alert to another.
#[tokio::test]
async fn a_black_hole_for_other_letters_holds_no_alert_back() {
    let server =
        Server::start(whims(Whims { silent_for: "@silent.example.org", ..Whims::NONE })).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 60).await;
    let plan = lamp.file("good@example.org").await;
    lamp.handed_over(&plan, Kind::Filed).await;
    for at in 0..100 {
        lamp.file_until(&format!("{at}@silent.example.org"), "2026-06-14T20:00:00Z").await;
    }
    let hanging = || server.heard().letters.len() > 1;
    lamp.until("letters hang", async || hanging()).await;
    lamp.pass(UNTIL_OVERDUE);
    let took = lamp.handed_over(&plan, Kind::Overdue).await;
    assert!(took < ONE_ATTEMPT, "{took:?}");
}

/// Alerts to a destination that never answers, and one to another, the youngest of them.
#[tokio::test]
async fn a_black_hole_for_alerts_holds_no_other_alert_back() {
    let server =
        Server::start(whims(Whims { silent_for: "@silent.example.org", ..Whims::NONE })).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 60).await;
    for at in 0..100 {
        lamp.file(&format!("{at}@silent.example.org")).await;
    }
    let plan = lamp.file("good@example.org").await;
    lamp.pass(UNTIL_OVERDUE);
    let took = lamp.handed_over(&plan, Kind::Overdue).await;
    assert!(took < ONE_ATTEMPT, "{took:?}");
}

#[tokio::test]
async fn a_relay_that_never_greets_is_left_for_the_next_in_seconds() {
    let (lamp, silent, good) =
        two_relays(Script { greeting: SILENCE, ..Script::default() }, 60).await;
    let plan = lamp.file("one@example.org").await;
    let took = lamp.handed_over(&plan, Kind::Filed).await;
    assert!(took < ONE_ATTEMPT, "{took:?}");
    let asked = silent.heard().connections;
    // The next letter does not wait for it again.
    let plan = lamp.file("two@example.org").await;
    lamp.handed_over(&plan, Kind::Filed).await;
    assert_eq!(silent.heard().connections, asked);
    assert_eq!((silent.heard().letters.len(), good.heard().letters.len()), (0, 2));
}

#[tokio::test]
async fn a_tarpit_is_left_for_the_next_in_seconds() {
    let tarpit = Whims { before_each_byte: Duration::from_millis(400), ..Whims::NONE };
    let (lamp, _tarpit, good) = two_relays(whims(tarpit), 60).await;
    let plan = lamp.file("one@example.org").await;
    let took = lamp.handed_over(&plan, Kind::Filed).await;
    assert!(took < ONE_ATTEMPT, "{took:?}");
    assert_eq!(good.heard().letters.len(), 1);
}

#[tokio::test]
async fn a_letter_whose_answer_is_swallowed_goes_elsewhere_as_the_same_letter() {
    let (lamp, swallows, good) = two_relays(Script { dot: SILENCE, ..Script::default() }, 1).await;
    let plan = lamp.file("one@example.org").await;
    let took = lamp.handed_over(&plan, Kind::Filed).await;
    assert!(took < ONE_ATTEMPT, "{took:?}");
    let (first, second) = (swallows.heard().letters, good.heard().letters);
    assert_eq!((first.len(), second.len()), (1, 1));
    assert_eq!(message_ids(&first), message_ids(&second));
}

#[tokio::test]
async fn with_one_relay_a_swallowed_answer_leads_to_a_fresh_connection() {
    let server = Server::start(whims(Whims { swallowed: 1, ..Whims::NONE })).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 1).await;
    let plan = lamp.file("one@example.org").await;
    lamp.handed_over(&plan, Kind::Filed).await;
    let heard = server.heard();
    assert_eq!((heard.connections, heard.letters.len()), (2, 2));
    let ids = message_ids(&heard.letters);
    assert_eq!(ids[0], ids[1]);
}

#[tokio::test]
async fn a_greylisted_letter_goes_after_five_seconds() {
    let server = Server::start(whims(Whims { greylisted: 1, ..Whims::NONE })).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    let plan = lamp.file("one@example.org").await;
    lamp.until("greylisted", async || lamp.note(&plan).await.is_some()).await;
    assert!(lamp.note(&plan).await.unwrap().contains("450 4.2.0 greylisted"));
    lamp.pass(TimeDelta::seconds(5));
    lamp.handed_over(&plan, Kind::Filed).await;
    let heard = server.heard();
    assert_eq!(heard.letters.len(), 1);
    // Greylisting goes by the sender, too (RFC 6647, 2): both attempts bear the same.
    let senders = heard.commands.iter().filter(|line| line.starts_with("MAIL")).collect::<Vec<_>>();
    assert_eq!(senders.len(), 2);
    assert!(senders[0] == senders[1] && senders[0].contains("<bounces+"), "{senders:?}");
}

#[tokio::test]
async fn a_relay_that_refuses_everything_for_now_is_left_for_the_next() {
    let script = Script { rcpt: "450 4.3.0 not now", ..Script::default() };
    let (lamp, refuses, good) = two_relays(script, 10).await;
    for at in 0..10 {
        let plan = lamp.file(&format!("one@of-{at}.example")).await;
        lamp.handed_over(&plan, Kind::Filed).await;
    }
    assert_eq!(good.heard().letters.len(), 10);
    let asked = refuses.heard().commands.iter().filter(|line| line.starts_with("RCPT")).count();
    assert_eq!(asked, 3, "after three refusals in a row it is passed over");
    let health = lamp.daemon.relay_health();
    assert!(health[0].trouble.as_deref().is_some_and(|said| said.contains("not now")));
    assert_eq!(health[1].trouble, None);
}

/// It may be a word of the recipients' own host, which the relay passes on.
#[tokio::test]
async fn a_relay_that_refuses_letters_to_one_domain_for_now_does_not_ail() {
    let script = Script { rcpt: "450 4.2.1 mailbox busy", ..Script::default() };
    let (lamp, refuses, good) = two_relays(script, 10).await;
    for at in 0..5 {
        let plan = lamp.file(&format!("{at}@example.org")).await;
        lamp.handed_over(&plan, Kind::Filed).await;
    }
    assert_eq!(good.heard().letters.len(), 5);
    let asked = refuses.heard().commands.iter().filter(|line| line.starts_with("RCPT")).count();
    assert_eq!(asked, 5, "it is asked first as ever");
    assert_eq!(lamp.daemon.relay_health()[0].trouble, None);
}

#[tokio::test]
async fn a_refusal_of_the_letter_itself_is_tried_at_the_next_relay() {
    let script = Script { dot: "451 4.3.0 disk full", ..Script::default() };
    let (lamp, _first, good) = two_relays(script, 10).await;
    let plan = lamp.file("one@example.org").await;
    lamp.handed_over(&plan, Kind::Filed).await;
    assert_eq!(good.heard().letters.len(), 1);
}

/// One relay's filter is not the last word about a letter.
#[tokio::test]
async fn a_letter_that_one_relay_refuses_for_good_goes_by_the_next() {
    let script = Script { dot: "554 5.7.1 looks like spam", ..Script::default() };
    let (lamp, first, good) = two_relays(script, 10).await;
    let plan = lamp.file("one@example.org").await;
    lamp.handed_over(&plan, Kind::Filed).await;
    let tries = first.heard().commands.iter().filter(|line| line.starts_with("DATA")).count();
    assert_eq!((tries, good.heard().letters.len()), (1, 1), "in one attempt");
}

/// Where every relay refuses the letter itself, its reader can't be reached: the keeper is
/// told, and once overdue gets the call for rescue, since no contact is left.
#[tokio::test]
async fn a_letter_that_every_relay_refuses_for_good_is_a_refused_contact() {
    let script = Script { dot: "554 5.7.1 looks like spam", ..Script::default() };
    let second = Server::start(script.clone()).await;
    let first = Server::start(script).await;
    let lamp = Lamp::with(vec![first.relay(PLAIN), second.relay(PLAIN)], 10).await;
    let plan = lamp.file("one@example.org").await;
    let refused = async |kind: Kind| {
        let fates = lamp.daemon.store().letters(&plan).await.unwrap();
        fates.iter().any(|fate| fate.kind == kind && fate.state == LetterState::Refused)
    };
    lamp.until("`filed` is refused", async || refused(Kind::Filed).await).await;
    let fates = lamp.daemon.store().letters(&plan).await.unwrap();
    assert!(fates.iter().any(|fate| fate.kind == Kind::Trouble), "the keeper is told: {fates:?}");
    lamp.pass(UNTIL_OVERDUE);
    lamp.until("nobody is left but the keeper, who gets it in full", async || {
        let fates = lamp.daemon.store().letters(&plan).await.unwrap();
        fates.iter().any(|fate| (fate.kind, fate.to) == (Kind::CallRescue, Recipient::Keeper))
    })
    .await;
}

/// Whoever files very many plans for one moment makes nobody else's alert wait behind all of them: no
/// more go before it than were under way already.
#[tokio::test(flavor = "multi_thread")]
async fn one_keys_flood_of_alerts_keeps_no_other_keys_waiting() {
    let server = Server::start(Script::default()).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    for at in 0..24 {
        lamp.file_crowd("flood", at, "2026-06-14T13:15:00Z").await;
    }
    let other = lamp.file_crowd("other", 0, "2026-06-14T13:16:00Z").await;
    lamp.pass(UNTIL_OVERDUE + TimeDelta::hours(2));
    lamp.handed_over(&other, Kind::CallRescue).await;
    let letters = server.heard().letters;
    let alerts = letters.iter().filter(|one| one.contains("Shorelamp-Kind: call-rescue"));
    let before = alerts.take_while(|one| !one.contains("@other0.example.org")).count();
    assert!(before < 256 + 64, "{before} of 480 went first");
}

#[tokio::test]
async fn broken_starttls_gets_no_letter_and_the_next_relay_does() {
    // It offers STARTTLS, and its certificate is nobody's.
    let ehlo = "250-relay.example.org\r\n250 STARTTLS";
    let broken = Server::start(Script { ehlo, ..Script::default() }).await;
    let good = Server::start(Script::default()).await;
    let relays = vec![broken.relay(Security::Starttls), good.relay(PLAIN)];
    let lamp = Lamp::with(relays, 10).await;
    let plan = lamp.file("one@example.org").await;
    lamp.handed_over(&plan, Kind::Filed).await;
    assert_eq!((broken.heard().letters.len(), good.heard().letters.len()), (0, 1));
}

#[tokio::test]
async fn a_relay_that_takes_leave_between_letters_costs_no_letter_and_no_delay() {
    let leaves = Whims { leaves_after: Duration::from_millis(100), ..Whims::NONE };
    let server = Server::start(whims(leaves)).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    let mut first = None;
    for at in 0..3 {
        let plan = lamp.file(&format!("{at}@example.org")).await;
        let took = lamp.handed_over(&plan, Kind::Filed).await;
        // The first finds no connection from before; a busy machine may be slow with it too.
        assert!(took < *first.get_or_insert(took) + SECOND_TRY, "{took:?} after {first:?}");
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    let heard = server.heard();
    assert_eq!((heard.letters.len(), heard.connections), (3, 3));
}

#[tokio::test]
async fn a_connection_reset_in_the_middle_of_a_letter_loses_nothing() {
    let server = Server::start(whims(Whims { resets: 1, ..Whims::NONE })).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    let plan = lamp.file("one@example.org").await;
    lamp.until("the reset", async || lamp.note(&plan).await.is_some()).await;
    lamp.pass(TimeDelta::seconds(5));
    lamp.handed_over(&plan, Kind::Filed).await;
    assert_eq!(server.heard().letters.len(), 1);
}

#[tokio::test]
async fn a_relay_that_closes_at_the_dot_gets_the_same_letter_again() {
    let (lamp, closes, good) = two_relays(Script { dot: CLOSE, ..Script::default() }, 10).await;
    let plan = lamp.file("one@example.org").await;
    lamp.until("the doubt", async || lamp.note(&plan).await.is_some()).await;
    lamp.pass(TimeDelta::seconds(5));
    lamp.handed_over(&plan, Kind::Filed).await;
    let (first, second) = (closes.heard().letters, good.heard().letters);
    assert_eq!(message_ids(&first), message_ids(&second));
}

/// The only relay is the one that fails: the keeper's letter must not wait for it.
#[tokio::test]
async fn the_keeper_is_told_of_an_alert_that_waits_though_no_relay_works() {
    let server = Server::start(Script { greeting: "421 too busy", ..Script::default() }).await;
    let lamp = Lamp::with(vec![server.relay(PLAIN)], 10).await;
    lamp.file("one@example.org").await;
    lamp.pass(UNTIL_OVERDUE);
    lamp.until("the relay is known to fail", async || {
        lamp.daemon.relay_health()[0].trouble.is_some()
    })
    .await;
    lamp.pass(TimeDelta::seconds(40));
    let outgoing = lamp.folder.path().join("var/outgoing");
    let written =
        || std::fs::read_dir(&outgoing).into_iter().flatten().flatten().collect::<Vec<_>>();
    lamp.until("a letter in the folder", async || !written().is_empty()).await;
    tokio::time::sleep(Duration::from_secs(3)).await;
    assert_eq!(written().len(), 1, "one letter, however often it is looked at");
    let letter = std::fs::read_to_string(written()[0].path()).unwrap();
    assert!(letter.contains("Subject: Trouble: an alert waits to be handed over"), "{letter}");
    assert!(letter.contains("keeper@example.org"), "{letter}");
    assert!(!letter.contains("one@example.org"), "nothing of the plan stands in it");
}
