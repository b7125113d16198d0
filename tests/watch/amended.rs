//! Plans that are replaced by a new version of themselves. Who is told what is the product's own
//! definition (common practice, no source).

use shorelamp::watch::{Amendment, Place};

use super::*;

/// A new version of this plan with the same people, back at so many minutes after the old time.
fn version(world: &World, minutes: i32) -> Amendment {
    Amendment {
        from_round: world.plan.round,
        due_at: due() + MINUTE * minutes,
        grace: Span::from_minutes(15),
        crew: vec![Place::Reached, Place::Unreached],
        contacts: world.plan.contacts.len(),
        asked: world.plan.asked(),
        was_due_at: world.plan.terms.due_at,
        was_overdue_at: world.plan.overdue_at(),
        joined: Vec::new(),
        left: Vec::new(),
        parts: Vec::new(),
    }
}

fn amended(to: Amendment) -> Event {
    Event::Amended { to: Box::new(to), by: By::Crew(None) }
}

fn refusal(world: &World, to: Amendment) -> Refusal {
    step(&world.plan, &amended(to), world.now).expect_err("refused")
}

#[test]
fn a_new_version_tells_those_who_know_and_greets_those_who_join() {
    let mut world = World::filed();
    world.letters();
    let mut to = version(&world, 60);
    to.crew.push(Place::Reached);
    to.contacts = 3;
    to.asked = vec![0, 2];
    world.happens(&amended(to));
    assert_eq!(
        world.letters(),
        "-60:crew:1:changed -60:crew:3:filed -60:contact:1:changed -60:contact:2:changed \
         -60:contact:3:filed"
    );
    assert_eq!(world.plan.out(), [0, 1, 2]);
    // Contact 2 is no longer asked: the second who is asked is now the third.
    world.runs_to(105);
    assert_eq!(
        world.letters(),
        "30:crew:1:reminder 30:crew:3:reminder 60:crew:1:due 60:crew:3:due 75:contact:1:overdue \
         90:contact:1:overdue 90:contact:3:overdue \
         105:contact:1:call-rescue 105:contact:3:call-rescue 105:keeper:call-rescue"
    );
    world.ashore(&[0, 1, 2]);
    assert_eq!(
        world.letters(),
        "105:crew:1:home 105:crew:3:home 105:contact:1:stand-down 105:contact:2:home \
         105:contact:3:stand-down 105:keeper:stand-down",
        "whoever was taken out hears that it is over"
    );
}

#[test]
fn a_rung_counts_the_contacts_who_are_asked_in_the_new_versions_order() {
    let mut world = World::filed();
    world.letters();
    let mut to = version(&world, 0);
    to.asked = vec![1, 0];
    world.happens(&amended(to));
    world.letters();
    world.runs_to(15);
    assert!(world.letters().ends_with("15:contact:2:overdue"));
}

#[test]
fn a_rung_for_a_contact_whom_the_new_version_lacks_goes_to_all_who_are_asked() {
    let to_second = vec![
        rung(Anchor::Overdue, 0, &[To::Contact(2)], RungKind::Overdue),
        rung(Anchor::Overdue, 30, &[To::Contacts], RungKind::CallRescue),
    ];
    let span = Span::from_minutes;
    let ladder = Ladder::new(to_second, span(15), span(10), span(15)).expect("a ladder");
    let mut world = World::filed_with(Terms { ladder, ..terms() });
    let mut to = version(&world, 0);
    to.asked = vec![1];
    world.happens(&amended(to));
    world.letters();
    world.runs_to(15);
    assert_eq!(world.letters(), "15:contact:2:overdue");
}

#[test]
fn after_an_alert_the_alarmed_hear_of_the_new_version_and_are_stood_down_in_the_end() {
    let mut world = World::filed();
    world.runs_to(46);
    world.letters();
    let mut to = version(&world, 120);
    to.asked = vec![1];
    world.happens(&amended(to));
    assert_eq!(
        world.letters(),
        "46:crew:1:changed 46:contact:1:changed 46:contact:2:changed 46:keeper:changed"
    );
    world.runs_to(100);
    world.ashore(&[0, 1]);
    let letters = world.letters();
    for owed in ["contact:1:stand-down", "contact:2:stand-down", "keeper:stand-down"] {
        assert!(letters.contains(owed), "{owed} in {letters}");
    }
}

#[test]
fn whoever_was_taken_out_hears_of_it_once_and_of_no_later_change() {
    let mut world = World::filed();
    let mut to = version(&world, 60);
    to.asked = vec![1];
    world.happens(&amended(to));
    world.letters();
    let later = Span::from_minutes(60);
    world.happens(&Event::Extended { later, by: By::Crew(None) });
    assert_eq!(world.letters(), "-60:crew:1:changed -60:contact:2:changed");
    let answer = Answer::CantAct;
    let offers = Event::Answered { contact: 0, name: "Dunstan".to_owned(), answer };
    assert_eq!(step(&world.plan, &offers, world.now), Err(Refusal::NotAsked));
    let mut to = version(&world, 120);
    to.asked = vec![0, 1];
    world.happens(&amended(to));
    assert_eq!(
        world.letters(),
        "-60:crew:1:changed -60:contact:1:filed -60:contact:2:changed",
        "somebody who comes back is told of the plan as of a new one"
    );
}

#[test]
fn a_letter_of_the_plan_that_waits_is_void_for_whoever_is_taken_out() {
    let mut world = World::filed();
    world.relay_works = false;
    let mut to = version(&world, 60);
    to.contacts = 3;
    to.asked = vec![0, 1, 2];
    world.happens(&amended(to));
    let filed = world.queue.iter().find(|one| one.to == Recipient::Contact(2)).cloned();
    let filed = filed.expect("the letter to the third");
    assert!(wanted(&world.plan, &filed, world.now));
    let mut to = version(&world, 60);
    to.asked = vec![0, 1];
    world.happens(&amended(to));
    assert!(!wanted(&world.plan, &filed, world.now));
    let owed = world.queue.iter().any(|one| one.to == Recipient::Contact(2) && *one != filed);
    assert!(!owed, "nothing to correct for somebody who was told nothing");
}

#[test]
fn an_amendment_never_ends_the_watch() {
    let mut world = World::filed();
    world.runs_to(20);
    world.ashore(&[0]);
    let mut to = version(&world, 60);
    to.crew[1] = Place::Removed;
    assert_eq!(refusal(&world, to.clone()), Refusal::NobodyOut);
    // With somebody else out, the trip goes on without them.
    to.crew.push(Place::Unreached);
    world.happens(&amended(to));
    assert_eq!(world.plan.out(), [2]);
    // A word about somebody who is not on the trip changes nothing, and its undoing neither.
    let before = world.plan.events;
    world.ashore(&[1]);
    assert_eq!(world.plan.events, before);
    world.ashore(&[2]);
    assert!(world.plan.is_closed());
}

#[test]
fn a_version_that_cant_be_is_refused() {
    let mut world = World::filed();
    world.runs_to(20);
    assert_eq!(refusal(&world, version(&world, 20)), Refusal::PastReturn);
    assert_eq!(
        refusal(&world, Amendment { from_round: 9, ..version(&world, 60) }),
        Refusal::MovedOn
    );
    let mut nobody = version(&world, 60);
    nobody.asked.clear();
    assert_eq!(refusal(&world, nobody), Refusal::Nobody);
    let mut nobody = version(&world, 60);
    nobody.crew = vec![Place::Removed, Place::Removed];
    assert_eq!(refusal(&world, nobody), Refusal::Nobody);
    let mut fewer = version(&world, 60);
    fewer.crew.pop();
    assert_eq!(refusal(&world, fewer), Refusal::Nobody, "nobody loses their place");
    world.ashore(&[0, 1]);
    assert_eq!(refusal(&world, version(&world, 60)), Refusal::Closed);
}

#[test]
fn another_address_is_greeted_and_no_longer_counts_as_refused() {
    let mut world = World::filed();
    world.happens(&Event::Refused { to: Recipient::Crew(0), kind: Kind::Filed });
    world.letters();
    let mut to = version(&world, 0);
    to.crew = vec![Place::ReachedAnew, Place::Reached];
    world.happens(&amended(to));
    assert_eq!(
        world.letters(),
        "-60:crew:1:filed -60:crew:2:filed -60:contact:1:changed -60:contact:2:changed"
    );
    assert!(!world.plan.told(Recipient::Crew(0)).refused);
}

#[test]
fn nobody_is_asked_whom_the_new_version_has_no_place_for() {
    let world = World::filed();
    let to = version(&world, 60);
    let asked = vec![0, to.contacts];
    assert_eq!(refusal(&world, Amendment { asked, ..to }), Refusal::Nobody);
}

/// Whoever was taken out is nobody's hope: that they can't be told brings no alert forward.
#[test]
fn the_lost_address_of_somebody_taken_out_hurries_nothing() {
    let mut world = World::filed();
    let mut to = version(&world, 0);
    to.asked = vec![0];
    world.happens(&amended(to));
    world.runs_to(20);
    let letters = world.letters();
    assert!(letters.contains("-60:contact:2:changed") && letters.ends_with("15:contact:1:overdue"));
    world.happens(&Event::Refused { to: Recipient::Contact(1), kind: Kind::Changed });
    assert_eq!(world.letters(), "20:keeper:trouble 20:crew:1:news");
    world.happens(&Event::Refused { to: Recipient::Contact(0), kind: Kind::Overdue });
    assert!(world.letters().contains("20:crew:1:call-rescue"), "nobody who is asked is left");
}

/// A letter is written anew from the plan as it stands when it leaves, and whoever's mail service puts
/// it off may choose when that is.
#[test]
fn whoever_is_taken_out_gets_no_news_that_was_on_its_way() {
    let mut world = World::filed();
    world.runs_to(46);
    let by = By::Contact(1, "Mirela".to_owned());
    let news = step(&world.plan, &Event::CheckedIn { who: vec![1], by, how: None }, world.now);
    let news = news.expect("taken");
    world.plan = news.plan;
    let to = |reader: Recipient| {
        let mut orders = news.orders.iter().filter(|order| order.kind == Kind::News);
        orders.find(|order| order.to == reader).expect("news").clone()
    };
    let (crew, kept, gone) =
        (to(Recipient::Crew(0)), to(Recipient::Contact(1)), to(Recipient::Contact(0)));
    for order in [&crew, &kept, &gone] {
        assert!(wanted(&world.plan, order, world.now));
    }
    let mut version = version(&world, 120);
    version.crew = vec![Place::Removed, Place::Unreached, Place::Reached];
    version.asked = vec![1];
    world.happens(&amended(version));
    assert!(!wanted(&world.plan, &crew, world.now), "taken off the trip");
    assert!(!wanted(&world.plan, &gone, world.now), "asked no longer");
    assert!(wanted(&world.plan, &kept, world.now));
}
