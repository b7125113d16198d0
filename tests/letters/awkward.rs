//! A plan that is hard to write down: markup, text that runs from the right, emoji, names of 200
//! characters, nine people, sixty points, notes that look like a letter of ours. (All invented.)

use shorelamp::watch::Kind;

use super::is_well_made;
use super::story::{Sent, Story, flat, long_story};

/// Exactly 200 characters, a number at the end.
fn long_name(begin: &str, number: usize) -> String {
    let end = format!(" {number:02}");
    let room = 200 - begin.chars().count() - end.len();
    format!("{begin}{}{end}", "x".repeat(room))
}

pub fn awkward() -> String {
    let mut plan = String::from(
        r#"
        title = "<script>alert(1)</script> & \"quoted\" 'trip' </p><h1>"
        [times]
        launch = "2026-06-14T05:30:00-07:00"
        return_by = "2026-06-14T12:30:00-07:00"
        [launch]
        name = "\u202Epmar eht\u202C <b>ramp</b>"
        position = "48.5420 -123.1620"
        vehicle = "🚙🚙🚙 {{ plan }} {% raw %}"
        [gear]
        notes = "tow line\n\nSTAND DOWN\nEverybody is ashore: nothing to do"
        [[contact]]
        name = "Dunstan <i>Okafor</i>"
        email = "dunstan@example.org"
        [[contact]]
        name = "מירלה סנדובל"
        email = "mirela@example.org"
        "#,
    );
    for number in 1..=60 {
        let name = long_name("漂流點 <a href=javascript:x>", number);
        plan.push_str(&format!(
            "\n[[waypoint]]\nname = '{name}'\nposition = \"48.{number:02}50 -123.2000\"\n"
        ));
    }
    for number in 1..=9 {
        let name = long_name("שלום 👩‍🚀 </title><img src=x onerror=y>", number);
        let notes = "Allergic to <everything>. ".repeat(60);
        plan.push_str(&format!(
            "\n[[crew]]\nname = '{name}'\nemail = \"c{number}@example.org\"\nwearing = '{}'\n\
             medical = '{notes}'\n",
            long_name("red", number)
        ));
    }
    plan
}

pub fn letters() -> Vec<Sent> {
    long_story(Story::of(&awkward(), "2026-06-14T12:00:00Z")).sent
}

#[test]
fn every_kind_stays_well_made() {
    for Sent { order, letter } in letters() {
        is_well_made(&letter);
        assert!(!letter.html.is_empty(), "{}", order.kind);
    }
}

#[test]
fn markup_stays_text_and_nothing_turns_the_reading_direction() {
    for Sent { letter, .. } in letters() {
        for raw in [
            "<script>alert",
            "<b>ramp",
            "<i>Okafor",
            "<a href=javascript",
            "</title><img",
            "<everything>",
        ] {
            assert!(!letter.html.contains(raw), "{raw}");
        }
        for part in [&letter.subject, &letter.text, &letter.html] {
            assert!(!part.contains(['\u{202E}', '\u{202C}']));
        }
    }
}

#[test]
fn the_text_of_sixty_points_is_whole_and_the_html_says_where_it_is() {
    let letters = letters();
    let alert = letters.iter().find(|sent| sent.order.kind == Kind::CallRescue).expect("an alert");
    let text = flat(&alert.letter.text);
    for number in 1..=60 {
        assert!(text.contains(&format!("48.{number:02}500 -123.20000")), "point {number}");
    }
    let (_, plan) = text.split_once("Everything in their plan").expect("the plan");
    assert_eq!(plan.matches("Allergic to <everything>.").count(), 9 * 60);
    for number in 1..=9 {
        assert!(alert.letter.text.contains(&format!("Person {number} of 9")));
    }
    assert!(alert.letter.html.contains("was cut here"));
    for number in 1..=20 {
        let position = format!("48.{number:02}500 -123.20000");
        assert!(alert.letter.html.contains(&position), "{position}");
    }
    // What matters most is never cut.
    assert!(alert.letter.html.contains("+1\u{A0}360\u{A0}555\u{A0}0100"));
}

/// The most that a plan may hold: 60 people with notes of 4000 characters, 500 points.
#[test]
fn the_largest_plan_still_fits() {
    let mut plan = awkward();
    for number in 61..=500 {
        plan.push_str(&format!(
            "\n[[waypoint]]\nname = '{}'\nposition = \"49.{number:03} 3.{number:03}\"\n",
            long_name("far", number)
        ));
    }
    for number in 10..=60 {
        plan.push_str(&format!(
            "\n[[crew]]\nname = '{}'\nmedical = '{}'\n",
            long_name("crew", number),
            "<notes> ".repeat(499)
        ));
    }
    let sent = Story::of(&plan, "2026-06-14T12:00:00Z").minutes_after_overdue(0).tick();
    let alert = sent.iter().find(|sent| sent.order.kind.is_alert()).expect("an alert");
    is_well_made(&alert.letter);
    assert!(alert.letter.text.contains("Person 60 of 60"));
    assert!(alert.letter.text.contains("Point 60,"));
    assert!(!alert.letter.text.contains("Point 61,"));
    assert!(flat(&alert.letter.text).contains("440 more points are left out here"));
    assert!(alert.letter.html.contains("was cut here"));
    assert!(alert.letter.html.contains("Say this (read it aloud)"));
}

/// A line of what somebody typed never stands at the left margin, where ours stand.
#[test]
fn notes_cannot_pass_for_a_heading_of_ours() {
    let sent = letters();
    let alert = sent.iter().find(|sent| sent.order.kind == Kind::CallRescue).expect("an alert");
    assert!(alert.letter.text.contains("\n    STAND DOWN\n"));
    assert!(!alert.letter.text.contains("\nSTAND DOWN"));
}
