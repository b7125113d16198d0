//! The letters as they go over the line, with chart and files, for programs outside to look at:
//! `tests/letters/test_outside.py` reads what is written here.

use std::fs;
use std::path::Path;
use std::sync::LazyLock;

use shorelamp::chart;
use shorelamp::letter::{CHART_ID, File, calendar_entry, geojson, gpx};
use shorelamp::plan::Plan;
use shorelamp::post::{Attachment, Invitation, Outgoing, Picture};
use shorelamp::settings::Mailbox;
use shorelamp::shoreline::{Shoreline, Shorelines, judge_route};
use shorelamp::watch::{By, Cause, Event, Kind, Order, Recipient};

use super::awkward::awkward;
use super::story::{self, PLAN, Sent, Story, long_story, shows_a_chart};

const SMALLEST: &str = r#"
    [times]
    launch = "2026-06-14T05:30"
    return_by = "2026-06-14T12:30"
    [launch]
    position = "48.5420 -123.1620"
    [[crew]]
    name = "Ines Halloran"
    email = "ines@example.org"
    [[contact]]
    name = "Dunstan Okafor"
    email = "dunstan@example.org"
    [[contact]]
    name = "Mirela Sandoval"
    email = "mirela@example.org"
"#;

/// Natural Earth's shore, as the demo has it.
static SHORES: LazyLock<Shorelines> = LazyLock::new(|| {
    let text = fs::read_to_string("demo-data/shoreline.geojson").expect("the demo's shore");
    Shorelines::new(vec![Shoreline::from_geojson(&text, 50.0).expect("a shore")])
});

fn png(plan: &Plan) -> Option<Vec<u8>> {
    let route = plan.route();
    let judged = judge_route(&SHORES, &route);
    chart::png(&chart::svg(&SHORES, &route, &judged, "Chart of the planned route")?)
}

fn attachment(file: File) -> Attachment {
    Attachment { name: file.name, content_type: file.content_type.to_owned(), bytes: file.bytes }
}

fn reader(story: &Story, to: Recipient) -> &str {
    match to {
        Recipient::Contact(at) => &story.plan.contacts[at].name,
        Recipient::Crew(at) => &story.plan.crew[at].name,
        Recipient::Keeper => "Keeper",
    }
}

fn outgoing(at: usize, story: &Story, sent: &Sent, png: Option<&Vec<u8>>) -> Outgoing {
    let (kind, letter) = (sent.order.kind, sent.letter.clone());
    let mailbox =
        |name: &str, email: &str| Mailbox { name: Some(name.to_owned()), email: email.to_owned() };
    let files = story.with_facts(&sent.order, |facts| [gpx(facts), Some(geojson(facts))]);
    let shown = png.filter(|_| shows_a_chart(kind));
    let enclosed = files.into_iter().flatten().map(attachment);
    let entry = story
        .with_facts(&sent.order, |facts| calendar_entry(facts, &sent.order, "lamp@example.org"));
    Outgoing {
        message_id: format!("{at}@lamp.example.org"),
        date: story.now,
        from: mailbox("Madrona Point Paddle Anglers", "lamp@example.org"),
        to: mailbox(reader(story, sent.order.to), "reader@example.org"),
        reply_to: None,
        subject: letter.subject,
        kind: kind.to_string(),
        plan_ref: Some("7Q4K-M2".to_owned()),
        thread: Some(format!("{}@lamp.example.org", letter.thread)),
        text: letter.text,
        html: Some(letter.html),
        urgency: letter.urgency,
        picture: shown.map(|png| Picture {
            content_id: CHART_ID.to_owned(),
            content_type: "image/png".to_owned(),
            bytes: png.clone(),
        }),
        invitation: entry
            .map(|entry| Invitation { method: entry.method.to_owned(), text: entry.text }),
        return_path: None,
        attachments: if kind.is_alert() { enclosed.collect() } else { Vec::new() },
    }
}

/// The question and the exercise, which no plan owes.
fn before_a_trip(story: &mut Story) {
    for kind in [Kind::Confirm, Kind::Drill] {
        let (to, cause) = (Recipient::Contact(0), Cause::Event(1));
        let order = Order { round: 1, cause, to, kind, scheduled_at: story.now };
        let letter = story.compose(&order, story.now, story.now);
        story.sent.push(Sent { order, letter });
    }
}

/// One of the crew is ashore; then the service is down for 26 hours.
fn after_an_outage() -> Story {
    let mut story = Story::filed();
    let by = By::Crew(None);
    story.minutes_after_overdue(-60).happens(Event::CheckedIn { who: vec![1], by, how: None });
    story.minutes_after_overdue(26 * 60).tick();
    story
}

/// 150 kB in all, with sixty points (our own measure; Gmail takes 25 MB, telephones on a weak line
/// far less).
#[test]
fn every_letter_goes_over_the_line_and_alerts_stay_small() {
    let folder = Path::new("target/letters");
    fs::create_dir_all(folder).expect("a folder");
    let awkward = awkward();
    write("outage", &after_an_outage(), folder);
    for (name, text, filed_at) in [
        ("full", PLAN, "2026-06-14T12:00:00Z"),
        ("demo", include_str!("../../demo-data/plan-strait.toml"), "2027-05-15T12:30:00Z"),
        ("smallest", SMALLEST, "2026-06-14T12:00:00Z"),
        ("awkward", awkward.as_str(), "2026-06-14T12:00:00Z"),
    ] {
        let mut story = Story::of(text, filed_at);
        // The invented review is of the full plan.
        if ["smallest", "demo"].contains(&name) {
            story.review = None;
        }
        let mut story = long_story(story);
        before_a_trip(&mut story);
        write(name, &story, folder);
    }
}

fn write(name: &str, story: &Story, folder: &Path) {
    let png = png(&story.plan);
    let mut most = 0;
    for (at, sent) in story.sent.iter().enumerate() {
        let mut letter = outgoing(at, story, sent, png.as_ref());
        let bytes = letter.build_within(150_000).expect("a letter");
        if sent.order.kind.is_alert() {
            most = most.max(bytes.len());
        }
        let to = sent.order.to.to_string().replace(':', "-");
        let base = folder.join(format!("{name}-{at:02}-{}-{to}", sent.order.kind));
        fs::write(base.with_extension("eml"), &bytes).expect("a file");
        fs::write(base.with_extension("html"), &sent.letter.html).expect("a file");
    }
    println!("{name}: the largest alert has {most} bytes");
    assert!(most <= 150_000, "{name}: {most} bytes");
    if let Some(png) = png {
        fs::write(folder.join(format!("{name}.png")), png).expect("a file");
    }
}

/// What the files hold is the trip, and nobody's name or health.
#[test]
fn the_files_name_nobody() {
    let mut story = Story::filed();
    let sent = story.minutes_after_overdue(0).tick();
    let files = story.with_facts(&sent[0].order, |facts| [gpx(facts), Some(geojson(facts))]);
    for file in files.into_iter().flatten() {
        let text = String::from_utf8(file.bytes).expect("text");
        for name in ["Ines", "Tomas", "Dunstan", "Mirela", "555", story::MEDICAL] {
            assert!(!text.contains(name), "{name} in {}", file.name);
        }
        assert!(text.contains("Kelp edge") && text.contains("As planned, not as paddled"));
    }
}
