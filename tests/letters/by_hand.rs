//! What letters say when the keeper acts by hand (common practice, no source).

use shorelamp::measure::Span;
use shorelamp::watch::{By, Event, Kind, Recipient};

use super::is_well_made;
use super::story::{Story, flat, one};

fn keeper() -> By {
    By::Keeper("harbour office".to_owned())
}

#[test]
fn a_closing_by_the_keeper_says_who_when_why_and_that_it_can_be_undone() {
    let mut story = Story::filed();
    story.minutes_after_overdue(1).tick();
    let reason = "Ines telephoned from the ramp: both ashore".to_owned();
    let sent = story
        .minutes_after_overdue(9)
        .happens(Event::ClosedByHand { by: keeper(), reason: reason.clone() });
    let alerted = one(&sent, Recipient::Contact(0), Kind::StandDown);
    let other = one(&sent, Recipient::Contact(1), Kind::Home);
    for letter in [&alerted, &other] {
        is_well_made(letter);
        let text = flat(&letter.text);
        for said in [
            "The keeper of this service closed the watch over Ines Halloran and Tomas Bright at \
             Sun 14 Jun, 12:54 (12:54 pm PDT).",
            &format!("\"{reason}\""),
            "the keeper of this service (key \"harbour office\")",
            "Nobody has checked the crew in",
            "take it back on your page (link below) within 24 hours",
        ] {
            assert!(text.contains(said), "{said} in {text}");
        }
        assert!(!text.contains("ashore. We were told") && !text.contains("Everybody is ashore"));
    }
    assert!(flat(&alerted.text).starts_with("Stop. "));
    assert!(
        alerted.subject.starts_with("STAND DOWN: closed by this service's keeper at 12:54 PDT")
    );
    assert!(other.subject.starts_with("Over: closed by this service's keeper"));
}

#[test]
fn a_letter_sent_again_tells_the_change_with_its_own_time() {
    let mut story = Story::filed();
    story.minutes_after_overdue(1).tick();
    let later = Span::from_hours(2);
    story.minutes_after_overdue(5).happens(Event::Extended { later, by: By::Crew(None) });
    story.now += chrono::TimeDelta::minutes(30);
    let again = Event::SentAgain { to: Recipient::Contact(0), by: keeper() };
    let sent = story.happens(again);
    let text = flat(&one(&sent, Recipient::Contact(0), Kind::Changed).text);
    assert!(text.starts_with("The crew answered at Sun 14 Jun, 12:50"), "{text}");
    assert!(text.contains("later by 2 h"), "{text}");
}
