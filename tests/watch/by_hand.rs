//! What the keeper does by hand: closing a plan, and sending a letter again (common practice, no
//! source).

use super::*;

fn keeper() -> By {
    By::Keeper("board".to_owned())
}

fn closed() -> Event {
    Event::ClosedByHand { by: keeper(), reason: "they telephoned".to_owned() }
}

fn again(to: Recipient) -> Event {
    Event::SentAgain { to, by: keeper() }
}

#[test]
fn the_keeper_closes_a_plan_and_it_can_be_undone_for_a_day() {
    let mut world = World::filed();
    world.runs_to(20);
    world.letters();
    world.happens(&closed());
    let event = world.plan.events - 3; // before three letters were handed over
    assert_eq!(world.letters(), "20:crew:1:home 20:contact:1:stand-down 20:contact:2:home");
    assert_eq!(step(&world.plan, &closed(), world.now), Err(Refusal::Closed));
    let undone = Event::Undone { event, by: By::Contact(1, "Mirela".to_owned()) };
    let mut late = world.plan.clone();
    let day = TimeDelta::hours(24);
    assert_eq!(step(&late, &undone, world.now + day + MINUTE), Err(Refusal::TooLate));
    late = step(&late, &undone, world.now + day).expect("within the day").plan;
    assert!(!late.is_closed());
    world.happens(&undone);
    assert!(world.letters().starts_with("20:crew:1:withdrawn 20:contact:1:withdrawn"));
    assert_eq!(world.plan.out(), [0, 1]);
}

#[test]
fn a_letter_sent_again_is_what_its_reader_ought_to_hold() {
    let mut world = World::filed();
    world.letters();
    world.happens(&again(Recipient::Contact(1)));
    assert_eq!(world.letters(), "-60:contact:2:filed");
    let nothing = step(&world.plan, &again(Recipient::Keeper), world.now);
    assert_eq!(nothing, Err(Refusal::NothingToSend));
    let nobody = step(&world.plan, &again(Recipient::Crew(1)), world.now);
    assert_eq!(nobody, Err(Refusal::Nobody), "they have no address");
    world.happens(&Event::Extended { later: Span::from_minutes(10), by: By::Crew(None) });
    world.letters();
    world.happens(&again(Recipient::Contact(1)));
    assert_eq!(world.letters(), "-60:contact:2:changed");
    world.runs_to(26);
    world.letters();
    // The ladder has alerted the first contact only.
    world.happens(&again(Recipient::Contact(0)));
    world.happens(&again(Recipient::Contact(0)));
    world.happens(&again(Recipient::Contact(1)));
    assert_eq!(world.letters(), "26:contact:1:overdue 26:contact:1:overdue 26:contact:2:changed");
    world.runs_to(66);
    world.letters();
    world.happens(&again(Recipient::Contact(1)));
    world.happens(&again(Recipient::Keeper));
    assert_eq!(world.letters(), "66:contact:2:call-rescue 66:keeper:call-rescue");
    world.ashore(&[0, 1]);
    world.letters();
    world.happens(&again(Recipient::Contact(1)));
    assert_eq!(world.letters(), "66:contact:2:stand-down");
}

#[test]
fn a_letter_sent_again_has_a_key_of_its_own_and_is_wanted() {
    let mut world = World::filed();
    world.relay_works = false;
    world.happens(&Event::Extended { later: Span::from_minutes(10), by: By::Crew(None) });
    world.happens(&again(Recipient::Contact(0)));
    let orders: Vec<_> = world.queue.iter().filter(|one| one.to == Recipient::Contact(0)).collect();
    assert_eq!(orders.len(), 2);
    assert_ne!((orders[0].round, orders[0].cause), (orders[1].round, orders[1].cause));
    assert!(orders.iter().all(|order| wanted(&world.plan, order, world.now)));
}

#[test]
fn a_calling_off_taken_back_leaves_closed_what_is_all_ashore() {
    for ending in [Event::CalledOff { by: By::Crew(None) }, closed()] {
        let mut world = World::filed();
        world.runs_to(20);
        world.letters();
        world.happens(&ending);
        let number = world.plan.events - 3; // before three letters were handed over
        world.letters();
        world.runs_to(21);
        let all = Event::CheckedIn { who: vec![0, 1], by: By::Crew(None), how: None };
        world.happens(&all);
        let ashore = world.plan.events;
        assert_eq!(world.letters(), "", "it was over already");
        world.runs_to(25);
        let undone = Event::Undone { event: number, by: By::Crew(None) };
        let next = step(&world.plan, &undone, world.now).expect("within the day").plan;
        let Phase::Closed(closing) = next.phase else { panic!("it reopened with nobody out") };
        assert_eq!((closing.how, closing.event), (How::Ashore, next.events));
        assert_eq!(closing.at, due() + MINUTE * 21, "since they were all ashore");
        assert_eq!(next.round, world.plan.round);
        world.happens(&undone);
        // The reason that they hold was taken back: they hear the true one.
        assert_eq!(world.letters(), "25:crew:1:home 25:contact:1:stand-down 25:contact:2:home");
        // It can't be taken back twice, but the word of those ashore can.
        assert_eq!(step(&world.plan, &undone, world.now), Err(Refusal::NothingToUndo));
        let afloat = Event::Undone { event: ashore, by: By::Crew(None) };
        world.happens(&afloat);
        assert_eq!(world.plan.out(), [0, 1]);
        assert!(world.letters().starts_with("25:crew:1:withdrawn 25:contact:1:withdrawn"));
    }
}

/// Whoever says that they are not ashore after all is out, whatever was called off before: in doubt
/// a plan is open. A word that nobody has taken back still holds.
#[test]
fn a_check_in_after_a_closing_by_word_taken_back_opens_the_plan() {
    for ending in [Event::CalledOff { by: By::Crew(None) }, closed()] {
        for (who, out) in [(vec![0, 1], vec![0, 1]), (vec![1], vec![0, 1])] {
            let mut world = World::filed();
            world.runs_to(20);
            world.happens(&ending);
            world.runs_to(21);
            world.happens(&Event::CheckedIn { who, by: By::Crew(None), how: None });
            let ashore = world.plan.events;
            let by_contact = By::Contact(0, "Dunstan".to_owned());
            world.happens(&Event::CheckedIn { who: vec![1], by: by_contact, how: None });
            let seconded = world.plan.events;
            world.letters();
            world.happens(&Event::Undone { event: seconded, by: By::Crew(None) });
            assert!(world.plan.is_closed(), "the crew's own word still stands");
            world.happens(&Event::Undone { event: ashore, by: By::Crew(None) });
            assert_eq!((world.plan.phase, world.plan.out()), (Phase::Overdue, out));
            assert!(world.letters().contains("21:contact:1:withdrawn"));
        }
    }
}

#[test]
fn a_calling_off_taken_back_reopens_for_whoever_is_still_out() {
    let mut world = World::filed();
    world.runs_to(20);
    world.happens(&Event::CalledOff { by: By::Crew(None) });
    let number = world.plan.events - 3;
    world.ashore(&[1]);
    world.happens(&Event::Undone { event: number, by: By::Crew(None) });
    assert_eq!((world.plan.phase, world.plan.out()), (Phase::Overdue, vec![0]));
}
