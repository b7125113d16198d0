//! How long an alert takes from its facts to the bytes that go over the line: the words, the route
//! as GPX and GeoJSON, the chart that is at hand, all of it as MIME. 50 ms is wanted.
//!
//! `cargo bench --profile dev --bench compose`
#![allow(clippy::expect_used, missing_docs)]

#[path = "../letters/story.rs"]
mod story;

use std::hint::black_box;
use std::time::Instant;

use chrono::TimeDelta;
use shorelamp::chart;
use shorelamp::letter::{CHART_ID, geojson, gpx};
use shorelamp::post::{Attachment, Outgoing, Picture};
use shorelamp::settings::Mailbox;
use shorelamp::shoreline::{Shoreline, Shorelines, judge_route};
use shorelamp::watch::Urgency;
use story::{PLAN, Story};

const ROUNDS: usize = 300;

fn main() {
    let text = std::fs::read_to_string("demo-data/shoreline.geojson").expect("the demo's shore");
    let shore = Shoreline::from_geojson(&text, 50.0).expect("a shore");
    let shores = Shorelines::new(vec![shore]);
    for (name, text) in [("three points", PLAN.to_owned()), ("sixty points", sixty_points())] {
        let mut story = Story::of(&text, "2026-06-14T12:00:00Z");
        let alert = story.minutes_after_overdue(0).tick().remove(0);
        let route = story.plan.route();
        let began = Instant::now();
        let judged = judge_route(&shores, &route);
        let svg = chart::svg(&shores, &route, &judged, "Chart of the planned route");
        let png = svg.and_then(|svg| chart::png(&svg)).expect("a chart");
        let drawn_ms = began.elapsed().as_secs_f64() * 1e3;
        let mut bytes = 0;
        let mut took_ms: Vec<f64> = (0..ROUNDS)
            .map(|_| {
                let began = Instant::now();
                bytes = black_box(built(&story, &alert, &png)).len();
                began.elapsed().as_secs_f64() * 1e3
            })
            .collect();
        took_ms.sort_by(f64::total_cmp);
        let (median, last) = (took_ms[ROUNDS / 2], took_ms[ROUNDS * 99 / 100]);
        println!(
            "{name}: {bytes} bytes, p50 {median:.1} ms, p99 {last:.1} ms; its chart, drawn ahead, \
             {drawn_ms:.0} ms"
        );
    }
}

fn built(story: &Story, alert: &story::Sent, png: &[u8]) -> Vec<u8> {
    let late = story.now + TimeDelta::seconds(1);
    let letter = story.compose(&alert.order, story.now, late);
    let files = story.with_facts(&alert.order, |facts| [gpx(facts), Some(geojson(facts))]);
    let mailbox = |email: &str| Mailbox { name: None, email: email.to_owned() };
    let outgoing = Outgoing {
        message_id: "1@lamp.example.org".to_owned(),
        date: late,
        from: mailbox("lamp@example.org"),
        to: mailbox("dunstan@example.org"),
        reply_to: None,
        subject: letter.subject,
        kind: "overdue".to_owned(),
        plan_ref: Some("7Q4K-M2".to_owned()),
        thread: None,
        text: letter.text,
        html: Some(letter.html),
        urgency: Urgency::Alert,
        picture: Some(Picture {
            content_id: CHART_ID.to_owned(),
            content_type: "image/png".to_owned(),
            bytes: png.to_vec(),
        }),
        invitation: None,
        return_path: None,
        attachments: files
            .into_iter()
            .flatten()
            .map(|file| Attachment {
                name: file.name,
                content_type: file.content_type.to_owned(),
                bytes: file.bytes,
            })
            .collect(),
    };
    outgoing.build().expect("a letter")
}

fn sixty_points() -> String {
    let points = (1..=60).map(|number| {
        format!(
            "[[waypoint]]\nname = \"Place number {number}\"\nposition = \"48.5{number:02} \
             -123.2{number:02}\"\n"
        )
    });
    let first = "[[waypoint]]\nname = \"Kelp edge\"";
    PLAN.replace(first, &format!("{}{first}", points.collect::<String>()))
}
