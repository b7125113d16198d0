//! The real store, driven at random, beside a naive model: a plain list of what happened, from which
//! is worked out afresh what each person must have been told last. The model shares no code with
//! the watch; its rules are those of the ladder (common practice, no source): contact 1 when the
//! crew is overdue, all contacts a quarter of an hour later, a call for rescue after another, and
//! whoever heard something that is no longer so hears what is.
//!
//! `PROPTEST_CASES=10000 cargo test --release --test naive_model` runs long.

#![allow(clippy::expect_used)]

#[path = "naive_model/model.rs"]
mod model;
#[path = "naive_model/stage.rs"]
mod stage;

use proptest::prelude::*;

use model::Deed;
use stage::Stage;

fn deed() -> impl Strategy<Value = Deed> {
    prop_oneof![
        3 => Just(Deed::Nothing),
        2 => (0usize..2).prop_map(Deed::Ashore),
        2 => Just(Deed::AllAshore),
        1 => Just(Deed::CalledOff),
        2 => (10i64..60).prop_map(Deed::Extended),
        3 => Just(Deed::TakenBack),
        1 => (0usize..2).prop_map(Deed::OnIt),
        1 => (0usize..2).prop_map(Deed::Called),
        2 => Just(Deed::RelayDown),
        2 => Just(Deed::RelayUp),
    ]
}

/// So many minutes later, this happens.
fn life() -> impl Strategy<Value = Vec<(i64, Deed)>> {
    prop::collection::vec((0i64..25, deed()), 1..20)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(), ..ProptestConfig::default() })]

    /// Once the relay works and the post is empty, each person's last word is the one that the
    /// model works out from what happened.
    #[test]
    fn everybody_heard_last_what_is_so(life in life()) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        runtime.expect("a runtime").block_on(async {
            let mut stage = Stage::filed().await;
            for (minutes, deed) in &life {
                stage.pass(*minutes).await;
                stage.happens(deed).await;
            }
            stage.happens(&Deed::RelayUp).await;
            stage.check();
        });
    }
}

fn cases() -> u32 {
    std::env::var("PROPTEST_CASES").ok().and_then(|text| text.parse().ok()).unwrap_or(48)
}
