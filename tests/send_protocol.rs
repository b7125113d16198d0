//! The way a letter is sent, as a model whose every state is visited: two senders, two rungs to one
//! contact and the stand-down, crashes at every step, leases that run out under a sender that is
//! only slow, relays that refuse or swallow their answer, and a check-in at any moment.
//!
//! The model follows `store/sending.rs`: a claim gives out the attempt's number with a lease; the
//! last look and the word that its reader may have it are one transaction; every later word names
//! the attempt. What contacts say meanwhile has a letter written anew once, and no more. Four mutants,
//! without that fence, without the last look, without the writing anew and without the news of what
//! an alert lacks, must be caught: a model that can't tell them apart would prove nothing.

#![allow(clippy::expect_used)]

#[path = "send_protocol/model.rs"]
mod model;

use stateright::{Checker, Model};

use model::{Protocol, RUNG_ONE, RUNG_TWO, STAND_DOWN};

/// All states of a protocol; the names of the properties that it breaks.
fn broken(protocol: Protocol) -> Vec<&'static str> {
    let checker = protocol.checker().spawn_bfs().join();
    println!("{protocol:?}: {} states", checker.unique_state_count());
    assert!(checker.unique_state_count() > 1000, "hardly anything was visited");
    checker.discoveries().into_keys().filter(|name| !name.starts_with("reach: ")).collect()
}

#[test]
fn with_a_check_in_at_any_moment_no_alert_leaves_late_and_nobody_is_left_searching() {
    assert_eq!(broken(Protocol::default()), [""; 0]);
}

#[test]
fn without_a_check_in_the_highest_rung_always_arrives() {
    assert_eq!(broken(Protocol { check_in: false, ..Protocol::default() }), [""; 0]);
}

#[test]
fn without_the_fence_a_letter_goes_again_for_no_reason() {
    let broken = broken(Protocol { fence: false, ..Protocol::default() });
    assert!(broken.contains(&model::ONCE), "{broken:?}");
}

#[test]
fn without_the_last_look_an_alert_leaves_after_the_check_in() {
    let broken = broken(Protocol { last_look: false, ..Protocol::default() });
    assert!(broken.contains(&model::NOT_AFTER_CHECK_IN), "{broken:?}");
    assert!(broken.contains(&model::STOOD_DOWN), "{broken:?}");
}

/// Beside what is said there is less that goes wrong: each word makes the model many times larger.
fn with_words() -> Protocol {
    Protocol { words: 2, crashes: 1, slow: 0, failures: 0, ..Protocol::default() }
}

#[test]
fn whatever_is_said_meanwhile_a_letter_leaves_and_its_reader_is_told() {
    assert_eq!(broken(with_words()), [""; 0]);
    assert_eq!(broken(Protocol { slow: 1, words: 1, ..with_words() }), [""; 0]);
    assert_eq!(broken(Protocol { check_in: false, ..with_words() }), [""; 0]);
}

#[test]
fn without_the_writing_anew_words_hold_a_letter() {
    let broken = broken(Protocol { anew: false, ..with_words() });
    assert!(broken.contains(&model::HELD), "{broken:?}");
}

#[test]
fn without_the_news_an_alert_leaves_its_reader_with_old_words() {
    let broken = broken(Protocol { news: false, ..with_words() });
    assert!(broken.contains(&model::TOLD), "{broken:?}");
}

/// The model is not true of an empty world: there are ways in which each letter arrives, and in
/// which one arrives twice.
#[test]
fn the_model_reaches_what_it_is_about() {
    let checker = Protocol::default().checker().spawn_bfs().join();
    for name in model::REACHED {
        assert!(checker.discovery(name).is_some(), "never: {name}");
    }
    let _letters = [RUNG_ONE, RUNG_TWO, STAND_DOWN];
}
