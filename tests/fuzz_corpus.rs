//! What fuzzing found worth keeping, once more: none of it may stop the program (`tests/fuzz`).
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::fs;
use std::path::Path;

use shorelamp::{measure, plan, shoreline};

#[path = "fuzz/src/inputs.rs"]
mod inputs;
#[allow(dead_code, reason = "the service uses the rest")]
#[path = "fuzz/readings/src/post.rs"]
mod post;
#[allow(dead_code, reason = "the service uses the rest")]
#[path = "fuzz/readings/src/web.rs"]
mod web;

fn replay(kind: &str, take: fn(&[u8])) {
    replay_in("corpus", kind, take);
}

fn replay_in(corpus: &str, kind: &str, take: fn(&[u8])) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz").join(corpus).join(kind);
    let inputs: Vec<_> = fs::read_dir(folder).unwrap().map(|it| it.unwrap().path()).collect();
    assert!(inputs.len() > 20, "{kind}: only {}", inputs.len());
    for input in inputs {
        println!("{}", input.display());
        take(&fs::read(&input).unwrap());
    }
}

#[test]
fn geojson() {
    replay("geojson", inputs::geojson);
}

#[test]
fn shapefiles() {
    replay("shapefile", inputs::shapefile);
}

#[test]
fn raw_rings() {
    replay("gshhg", inputs::gshhg);
}

#[test]
fn packs() {
    replay("pack", inputs::pack);
}

#[test]
fn heads_of_requests() {
    replay_in("readings/corpus", "head", web::doors::head);
}

#[test]
fn forms_that_file_a_plan() {
    replay_in("readings/corpus", "form", web::ramp::forms::form);
}

#[test]
fn reports_of_delivery() {
    replay_in("readings/corpus", "bounce", post::mail::bounce);
}

/// The checks themselves would notice a letter that was given up though it arrived.
#[test]
#[should_panic(expected = "delivered")]
fn a_report_that_says_both_would_be_noticed() {
    let said = "delivered, 2.0.0; failed, 5.1.1".to_owned();
    post::mail::sound(&post::report::Report {
        failed: true,
        for_content: true,
        said,
        sent_to: Vec::new(),
    });
}
