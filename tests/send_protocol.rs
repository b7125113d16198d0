//! The way a letter is sent, as a model whose every state is visited: two senders, two rungs to one
//! contact and the stand-down, crashes at every step, leases that run out under a sender that is
//! only slow, relays that refuse or swallow their answer, and a check-in at any moment.
//!
//! The model follows `store/sending.rs`: a claim gives out the attempt's number with a lease; the
//! last look and the word that its reader may have it are one transaction; every later word names
//! the attempt. Two mutants, one without that fence and one without the last look, must be caught:
//! a model that can't tell them apart would prove nothing.

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
