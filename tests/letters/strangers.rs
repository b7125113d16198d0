//! What goes to contacts before a trip: the question whether they are willing, and the exercise.

use shorelamp::letter::Letter;
use shorelamp::watch::{Cause, Kind, Order, Recipient, Urgency};

use super::is_well_made;
use super::story::{PLAN, Story, flat};

fn letter(story: &Story, kind: Kind) -> Letter {
    let order = Order {
        round: 1,
        cause: Cause::Event(1),
        to: Recipient::Contact(0),
        kind,
        scheduled_at: story.now,
    };
    let letter = story.compose(&order, story.now, story.now);
    is_well_made(&letter);
    assert_eq!(letter.urgency, Urgency::Ordinary, "only an alert is marked");
    letter
}

/// Whatever a filer types, the question says the same: it can carry nobody's message to a stranger.
#[test]
fn the_question_holds_no_word_of_the_filers() {
    let usual = letter(&Story::filed(), Kind::Confirm);
    let mut text = PLAN.to_owned();
    for (typed, other) in [
        ("Ines Halloran", "Buy at evil.example"),
        ("Dunstan Okafor", "You have won"),
        ("Halibut drift in the strait", "Call 555-0199 now"),
        ("brother", "winner"),
        ("lime hull, black hatch covers, red paddle blades", "cheap"),
        ("Gravel ramp below the county park", "evil.example"),
    ] {
        assert!(text.contains(typed));
        text = text.replace(typed, other);
    }
    let other = letter(&Story::of(&text, "2026-06-14T12:00:00Z"), Kind::Confirm);
    assert_eq!(usual, other);
    let said = flat(&usual.text);
    for words in
        ["nobody is missing", "Yes, I am willing", "Never write to me again", "We then tell"]
    {
        assert!(said.contains(words), "{words} in {said}");
    }
}

/// Nobody may take one line of it for an alert.
#[test]
fn an_exercise_says_so_first_last_and_in_its_subject() {
    let drill = letter(&Story::filed(), Kind::Drill);
    assert!(drill.subject.starts_with("EXERCISE, nobody is missing"), "{}", drill.subject);
    assert!(drill.text.starts_with("THIS IS AN EXERCISE. Nobody is missing. Call nobody."));
    assert_eq!(drill.text.matches("THIS IS AN EXERCISE").count(), 2);
    assert!(!drill.text.contains("OVERDUE") && !drill.subject.contains("OVERDUE"));
    assert!(!drill.thread.starts_with("alert-"));
    assert!(!drill.text.contains("Asthma"));
}
