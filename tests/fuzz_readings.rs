//! What fuzzing kept of the readers of services and limits, read again: each input is refused, or
//! what it says can be believed. How the corpus came about: `tests/fuzz/readings/README.md`.
#![allow(clippy::expect_used)]

use std::fs;
use std::path::Path;

use shorelamp::{caution, conditions, measure};

#[path = "fuzz/readings/src/inputs.rs"]
mod inputs;

/// So many inputs at least are kept of each kind: fewer would mean that the corpus got lost.
const LEAST: usize = 5;

fn replay(kind: &str, input: fn(&[u8])) {
    let folder =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/readings/corpus").join(kind);
    let files = fs::read_dir(&folder).expect("the corpus");
    let inputs: Vec<_> = files.map(|file| file.expect("a file").path()).collect();
    assert!(inputs.len() >= LEAST, "{kind}: {}", inputs.len());
    for path in inputs {
        // The name of the input, should it bring the reader down.
        println!("{}", path.display());
        input(&fs::read(&path).expect("an input"));
    }
}

#[test]
fn what_was_kept_is_refused_or_believable() {
    replay("ndbc", inputs::ndbc);
    replay("stations", inputs::stations);
    replay("coops", inputs::coops);
    replay("erddap", inputs::erddap);
    replay("nws", inputs::nws);
    replay("cautions", inputs::cautions);
}

/// The check itself would notice a number that no water has.
#[test]
#[should_panic(expected = "water_c")]
fn an_unbelievable_number_would_be_noticed() {
    let at = chrono::DateTime::UNIX_EPOCH;
    let water_c = Some(conditions::Observed { value: 9_100.0, taken_at: at });
    inputs::believable(&conditions::Observations { water_c, ..Default::default() });
}
