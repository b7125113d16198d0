//! What fuzzing keeps of the readers of plans, routes, positions and times, read again. How the
//! corpus came about: `tests/fuzz/readings/README.md`.
#![allow(clippy::expect_used)]

use std::fs;
use std::path::Path;

use shorelamp::{measure, plan};

#[path = "fuzz/readings/src/plans.rs"]
mod plans;

fn replay(kind: &str, input: fn(&[u8])) {
    let folder =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/readings/corpus").join(kind);
    let files = fs::read_dir(&folder).expect("the corpus");
    let inputs: Vec<_> = files.map(|file| file.expect("a file").path()).collect();
    assert!(inputs.len() >= 8, "{kind}: {}", inputs.len());
    for path in inputs {
        // The name of the input, should it bring the reader down.
        println!("{}", path.display());
        input(&fs::read(&path).expect("an input"));
    }
}

#[test]
fn what_was_kept_is_refused_or_comes_back() {
    replay("plan", plans::plan);
    replay("gpx", plans::gpx);
    replay("position", plans::position);
    replay("time", plans::time);
}

/// Ours are read too, so that the corpus is no heap of refusals alone.
#[test]
fn the_corpus_holds_what_can_be_read() {
    let at = |name: &str| {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/readings/corpus");
        fs::read_to_string(folder.join(name)).expect("an input")
    };
    let no_files = |_: &str| Err(String::new());
    assert!(plan::read_toml(&at("plan/whole.toml"), &no_files).is_ok());
    assert!(plan::read_gpx(&at("gpx/route.gpx")).is_ok());
    assert!(at("position/iso").parse::<measure::Position>().is_ok());
    assert!(at("time/span").parse::<measure::Span>().is_ok());
}
