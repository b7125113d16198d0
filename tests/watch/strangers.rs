//! Contacts who want no letters, and letters that come back.

use super::*;

const ONE: Recipient = Recipient::Contact(0);
const TWO: Recipient = Recipient::Contact(1);

#[test]
fn whoever_wants_no_letters_gets_none_and_the_next_rung_goes_at_once() {
    let mut world = World::filed();
    world.runs_to(16);
    world.letters();
    world.answers(0, Answer::Never);
    assert_eq!(world.letters(), "16:keeper:trouble 16:crew:1:news 16:contact:2:overdue");
    world.answers(0, Answer::Never);
    assert_eq!(world.letters(), "", "said once");
    world.runs_to(31);
    assert!(!world.letters().contains("contact:1"));
    // What corrects the alert that they had still goes to them.
    world.happens(&Event::CalledOff { by: By::Crew(None) });
    assert!(world.letters().contains("31:contact:1:stand-down"));
}

#[test]
fn before_overdue_their_rung_goes_to_the_others() {
    let mut world = World::filed();
    world.letters();
    world.answers(0, Answer::Never);
    assert_eq!(world.letters(), "-60:keeper:trouble -60:crew:1:news");
    world.runs_to(15);
    assert!(world.letters().ends_with("15:contact:2:overdue"));
    world.happens(&Event::CalledOff { by: By::Crew(None) });
    assert!(!world.letters().contains("contact:1"), "they never were alerted");
}

/// A life stands against a letter: the last one who could act is alerted, with the crew and the
/// keeper, who hear that nobody is left.
#[test]
fn the_alert_reaches_them_while_nobody_else_is_left() {
    let mut world = World::filed();
    world.letters();
    world.answers(0, Answer::Never);
    world.answers(1, Answer::CantAct);
    world.letters();
    world.runs_to(15);
    let letters = world.letters();
    for to in ["contact:1", "contact:2", "crew:1", "keeper"] {
        assert!(letters.contains(&format!("15:{to}:call-rescue")), "{to} in {letters}");
    }
}

#[test]
fn an_alert_that_waits_is_dropped_once_they_want_none() {
    let mut world = World::filed();
    world.relay_works = false;
    world.runs_to(15);
    let alert = world.queue.iter().find(|one| one.kind == Kind::Overdue).cloned();
    let alert = alert.expect("an alert");
    assert!(wanted(&world.plan, &alert, world.now));
    world.answers(0, Answer::Never);
    assert!(!wanted(&world.plan, &alert, world.now));
}

#[test]
fn no_taking_back_makes_them_wanted_again() {
    let mut world = World::filed();
    world.answers(0, Answer::Never);
    let number = world.plan.events;
    let undone = Event::Undone { event: number, by: By::Crew(None) };
    assert!(step(&world.plan, &undone, world.now).is_err());
    let again = Event::SentAgain { to: ONE, by: By::Keeper("board".to_owned()) };
    assert_eq!(step(&world.plan, &again, world.now), Err(Refusal::NoLetters));
}

/// What came back for what stands in it goes again at once, in words of ours: once.
#[test]
fn an_alert_that_comes_back_for_what_stands_in_it_goes_again_once() {
    let back = |kind| Event::Bounced { to: TWO, kind, for_content: true };
    let mut world = World::filed();
    world.letters();
    world.happens(&back(Kind::Filed));
    assert_eq!(world.letters(), "-60:keeper:trouble -60:crew:1:news", "a plan is no alert");

    let mut world = World::filed();
    world.runs_to(61);
    world.letters();
    world.happens(&back(Kind::Overdue));
    let told = world.plan.told(TWO);
    assert!(told.words_refused && told.bounced && told.refused, "{told:?}");
    // The ladder goes on at once, and tells them too: not twice.
    let letters = world.letters();
    assert_eq!(letters.matches("contact:2:call-rescue").count(), 1, "{letters}");
    assert!(!letters.contains("contact:2:overdue"), "{letters}");
    world.happens(&back(Kind::CallRescue));
    assert_eq!(world.letters(), "", "nothing new");
    // Whoever answers reads what is in our words: their letters stay so.
    world.answers(1, Answer::OnIt);
    assert!(world.plan.told(TWO).words_refused && !world.plan.told(TWO).bounced);

    // Where the address was known as refused, no step of the ladder comes for it.
    let mut world = World::filed();
    world.runs_to(61);
    world.happens(&Event::Refused { to: TWO, kind: Kind::Overdue });
    let rung = world.letters();
    assert!(rung.contains("contact:2:call-rescue"), "{rung}");
    world.happens(&back(Kind::Overdue));
    assert_eq!(world.letters(), "61:contact:2:call-rescue");

    // And after the end, what takes an alert back.
    world.happens(&Event::CheckedIn { who: vec![0, 1], by: By::Crew(None), how: None });
    world.happens(&Event::Handing { to: TWO, kind: Kind::StandDown });
    world.letters();
    world.happens(&back(Kind::StandDown));
    assert_eq!(world.letters(), "61:keeper:trouble 61:crew:1:news");
}

/// A letter that comes back counts as a refusal, and that the relay takes the next one says
/// nothing: this one was taken too. So each of them coming back hurries the ladder only once.
#[test]
fn a_letter_that_comes_back_brings_the_next_rung_once() {
    let mut world = World::filed();
    world.runs_to(16);
    world.letters();
    let back = Event::Bounced { to: ONE, kind: Kind::Overdue, for_content: false };
    world.happens(&back);
    assert_eq!(
        world.letters(),
        "16:keeper:trouble 16:crew:1:news 16:contact:1:overdue 16:contact:2:overdue"
    );
    world.happens(&Event::TakenAgain { to: ONE });
    assert!(world.plan.told(ONE).refused);
    world.happens(&back);
    assert_eq!(world.letters(), "", "nothing new");
    // Somebody who answers has had a letter.
    world.answers(0, Answer::OnIt);
    assert!(!world.plan.told(ONE).refused);
}
