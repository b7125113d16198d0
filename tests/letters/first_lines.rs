//! The subject and the first lines of each kind, word for word.

use shorelamp::letter::Letter;
use shorelamp::measure::Span;
use shorelamp::watch::{Answer, By, Event, Kind, Recipient};

use super::story::{PLAN, Story, all_ashore, flat, one};

const DUNSTAN: Recipient = Recipient::Contact(0);
const INES: Recipient = Recipient::Crew(0);

fn begins(letter: &Letter, subject: &str, lines: &str) {
    assert_eq!(letter.subject, subject);
    let text = flat(&letter.text);
    let lines = flat(lines);
    assert!(text.starts_with(&lines), "expected: {lines}\nfound: {}", letter.text);
}

fn alerted() -> Story {
    let mut story = Story::filed();
    story.minutes_after_overdue(0).tick();
    story
}

#[test]
fn overdue() {
    begins(
        &one(&alerted().sent, DUNSTAN, Kind::Overdue),
        "OVERDUE since 12:45 PDT: 2 people, Ines Halloran + 1 - act now",
        "2 people are overdue on the water: Ines Halloran and Tomas Bright.
         Overdue since Sun 14 Jun, 12:45 (12:45 pm PDT). They meant to be back by 12:30 (12:30 pm
         PDT).
         Madrona Point Paddle Anglers is no rescue service and has called nobody.
         Act now =======
         1. Call the crew, for ten minutes at most: Ines Halloran +1 360 555 0142; Tomas Bright (no
         telephone told). All ashore? Write it on your page (below), and stop. In need of help? Step
         2 at once.
         2. No answer, or in doubt: call the coast guard's centre for these waters: +1 360 555 0100
         (or 911, and ask for the coast guard), and read them \"Say this\" from below.
         3. Write on your page (link below) that you have called, so that the others know.
         Whom to call ============
         Call: the coast guard's centre for these waters
         +1 360 555 0100 works from any phone, anywhere in the world
         911 short code: reaches the emergency centre where YOU are. Ask there for the coast guard
         The keeper of this service checked it on 1 Jun 2026.",
    );
}

#[test]
fn call_rescue() {
    let mut story = alerted();
    let sent = story.minutes_after_overdue(30).tick();
    begins(
        &one(&sent, DUNSTAN, Kind::CallRescue),
        "CALL THE RESCUE SERVICE: 2 people overdue since 12:45 PDT, Ines Halloran + 1",
        "2 people are overdue on the water: Ines Halloran and Tomas Bright.
         Overdue since Sun 14 Jun, 12:45 (12:45 pm PDT). They meant to be back by 12:30 (12:30 pm
         PDT).
         Madrona Point Paddle Anglers is no rescue service and has called nobody.
         Call now: the coast guard's centre for these waters: +1 360 555 0100 (or 911, and ask for the coast guard).",
    );
}

#[test]
fn filed_to_a_contact() {
    begins(
        &one(&Story::filed().sent, DUNSTAN, Kind::Filed),
        "Watch the clock for Ines Halloran + 1: not heard by 12:45 PDT? You act",
        "Ines Halloran and Tomas Bright go paddling: launch Sun 14 Jun, 05:30 (5:30 am PDT).
         Back by Sun 14 Jun, 12:30 (12:30 pm PDT).
         If you have heard nothing by Sun 14 Jun, 12:45 (12:45 pm PDT), you are the one who acts.
         Do this now ===========
         1. Open the Clock app on your telephone and set an alarm for Sun 14 Jun, 12:45 (12:45 pm
         PDT). Name it \"Ines back?\". A clock alarm rings at night; letters and calendar notes
         mostly don't.",
    );
    let text = flat(&one(&Story::filed().sent, DUNSTAN, Kind::Filed).text);
    assert!(text.contains("No letter is not good news. This service can be down"));
}

#[test]
fn filed_to_the_crew() {
    let letter = one(&Story::filed().sent, INES, Kind::Filed);
    begins(
        &letter,
        "Filed: Ines Halloran + 1, back by 12:30 PDT",
        "Your float plan is filed. Be back by Sun 14 Jun, 12:30 (12:30 pm PDT).
         If you have not checked in by Sun 14 Jun, 12:45 (12:45 pm PDT), we write to Dunstan and
         Mirela that you are overdue.
         This service is no rescue service and calls nobody.",
    );
    let text = flat(&letter.text);
    assert!(text.contains("shorelamp checkin 7Q4K-M2"));
    assert!(text.contains("+1 360 555 0100") && text.contains("This service may fail"));
    assert!(text.contains("Sun 14 Jun, 13:15 (1:15 pm PDT): to every contact and to the keeper"));
}

#[test]
fn a_trip_of_tomorrow_says_how_far_away_it_is() {
    let story = Story::of(PLAN, "2026-06-12T12:00:00Z");
    let text = flat(&one(&story.sent, DUNSTAN, Kind::Filed).text);
    assert!(text.contains("Back by Sun 14 Jun, 12:30 (12:30 pm PDT), in 2 days 7 h."));
    assert!(text.contains("A clock alarm may know no date"));
    let subject = one(&story.sent, DUNSTAN, Kind::Filed).subject;
    assert!(subject.contains("not heard by Sun 14 Jun 12:45 PDT?"), "{subject}");
}

#[test]
fn reminder_and_due() {
    let mut story = Story::filed();
    let sent = story.minutes_after_overdue(-45).tick();
    begins(
        &one(&sent, INES, Kind::Reminder),
        "Back by 12:30 PDT: check in when ashore, or put it off",
        "Your return time is Sun 14 Jun, 12:30 (12:30 pm PDT): in 30 min.
         Ashore, all of you? Check in now. Later? Put the return time off now.
         At Sun 14 Jun, 12:45 (12:45 pm PDT) we begin to write to Dunstan and Mirela that you are
         overdue.",
    );
    let sent = story.minutes_after_overdue(-15).tick();
    begins(
        &one(&sent, INES, Kind::Due),
        "Return time 12:30 PDT has come: check in, or your contacts hear at 12:45 PDT",
        "Your return time was Sun 14 Jun, 12:30 (12:30 pm PDT), and you have not checked in.",
    );
}

#[test]
fn changed_before_and_after_an_alert() {
    let later = Event::Extended { later: Span::from_hours(1), by: By::Crew(None) };
    let sent = Story::filed().happens(later.clone());
    begins(
        &one(&sent, DUNSTAN, Kind::Changed),
        "New times for Ines Halloran + 1: not heard by 13:45 PDT? You act",
        "New times: back by Sun 14 Jun, 13:30 (1:30 pm PDT).
         If you have heard nothing by Sun 14 Jun, 13:45 (1:45 pm PDT), you are the one who acts.
         These times take the place of the old ones (back by Sun 14 Jun, 12:30 (12:30 pm PDT),
         overdue from 12:45 (12:45 pm PDT)): later by 1 h.",
    );
    let mut story = alerted();
    let sent = story.minutes_after_overdue(10).happens(later);
    begins(
        &one(&sent, DUNSTAN, Kind::Changed),
        "The crew answered. New times for Ines Halloran + 1: not heard by 13:45 PDT? You act",
        "The crew answered at Sun 14 Jun, 12:55 (12:55 pm PDT). If you called anyone, tell them
         now.
         New times: back by Sun 14 Jun, 13:30 (1:30 pm PDT).",
    );
    // The other contact was not alerted.
    let other = one(&sent, Recipient::Contact(1), Kind::Changed);
    assert!(other.text.starts_with("New times:"), "{}", other.text);
}

#[test]
fn home_and_stand_down() {
    let mut story = alerted();
    let event = all_ashore(&story.plan);
    let sent = story.minutes_after_overdue(10).happens(event);
    begins(
        &one(&sent, DUNSTAN, Kind::StandDown),
        "STAND DOWN: all ashore at 12:55 PDT, Ines Halloran + 1 - tell whom you called",
        "Stop. Everybody is ashore: Ines Halloran and Tomas Bright. We were told so at Sun 14 Jun,
         12:55 (12:55 pm PDT).
         If you called anybody, call them again now and say so.
         Do this now ===========
         1. Whom did you call? Call them again now: the coast guard's centre for these waters:
         +1 360 555 0100 (or 911, and ask for the coast guard), and every other service that you called. Until you do, they may
         go on searching.
         2. Whom else did you tell",
    );
    let letter = one(&sent, Recipient::Contact(1), Kind::Home);
    begins(
        &letter,
        "Home: all ashore at 12:55 PDT, Ines Halloran + 1 - nothing more to do",
        "Everybody is ashore: Ines Halloran and Tomas Bright. We were told so at Sun 14 Jun, 12:55
         (12:55 pm PDT).
         You have nothing more to do. If you set an alarm for this trip, switch it off.
         Who says so: the crew, from their own device or link.",
    );
}

#[test]
fn a_calling_off_is_told_as_one() {
    let mut story = alerted();
    let sent = story.minutes_after_overdue(10).happens(Event::CalledOff { by: By::Crew(None) });
    begins(
        &one(&sent, DUNSTAN, Kind::StandDown),
        "STAND DOWN: trip called off at 12:55 PDT, Ines Halloran + 1 - tell whom you called",
        "Stop. The trip of Ines Halloran and Tomas Bright was called off at Sun 14 Jun, 12:55
         (12:55 pm PDT).",
    );
}

#[test]
fn withdrawn() {
    let mut story = alerted();
    let ashore = all_ashore(&story.plan);
    story.minutes_after_overdue(10).happens(ashore);
    let event = story
        .history
        .iter()
        .find(|past| matches!(past.event, Event::CheckedIn { .. }))
        .expect("a check-in")
        .number;
    let by = By::Contact(1, "Mirela".to_owned());
    let sent = story.minutes_after_overdue(40).happens(Event::Undone { event, by });
    begins(
        &one(&sent, DUNSTAN, Kind::Withdrawn),
        "NOT ALL ASHORE: Ines Halloran + 1 still out - our last letter no longer holds",
        "They are NOT all ashore. 2 people are still out: Ines Halloran and Tomas Bright.
         Our last letter said that it was over. That no longer holds.
         They are overdue since Sun 14 Jun, 12:45 (12:45 pm PDT). The letter that is due follows at
         once; if it does not come, act without it.
         It was taken back at Sun 14 Jun, 13:25 (1:25 pm PDT) by Mirela, a contact.",
    );
}

#[test]
fn news_tells_what_happened() {
    let mut story = alerted();
    let answer = |answer| Event::Answered { contact: 0, name: "Dunstan".to_owned(), answer };
    let news = |sent: &[_], begin: &str| {
        let letter = one(sent, INES, Kind::News);
        let text = flat(&letter.text);
        assert!(text.starts_with(begin), "expected: {begin}\nfound: {text}");
        assert!(text.contains("Where things stand"));
        letter.subject
    };
    let sent = story.minutes_after_overdue(2).happens(answer(Answer::OnIt));
    let subject = news(&sent, "Dunstan is on it. That was at Sun 14 Jun, 12:47 (12:47 pm PDT).");
    assert_eq!(subject, "News of Ines Halloran + 1: Dunstan is on it");
    let on_it = story.history.len();

    let sent = story.minutes_after_overdue(18).tick();
    news(&sent, "Dunstan was on it. That has run out, and we have heard no more.");

    let called = Answer::Called {
        service: "coast guard".to_owned(),
        when: "13:04".to_owned(),
        reference: Some("CG-4711".to_owned()),
    };
    let sent = story.minutes_after_overdue(20).happens(answer(called));
    news(&sent, "Dunstan has called \"coast guard\" at \"13:04\", reference \"CG-4711\".");
    let event = story
        .history
        .iter()
        .find(|past| matches!(&past.event, Event::Answered { answer: Answer::Called { .. }, .. }))
        .expect("the call")
        .number;
    assert!(on_it < story.history.len());

    let undone = Event::Undone { event, by: By::Crew(Some("Ines".to_owned())) };
    let sent = story.minutes_after_overdue(22).happens(undone);
    news(&sent, "Dunstan's \"I have called\" was taken back by Ines, from the crew's own device");

    let sent = story.minutes_after_overdue(23).happens(answer(Answer::CantAct));
    news(&sent, "Dunstan can't act.");

    let sent = story.minutes_after_overdue(24).happens(Event::CheckedIn {
        who: vec![1],
        by: By::Contact(1, "Mirela".to_owned()),
        how: Some("spoke".to_owned()),
    });
    news(&sent, "Ashore: Tomas Bright. Who says so: Mirela");

    let sent = story.happens(Event::Refused { to: Recipient::Contact(1), kind: Kind::Filed });
    news(&sent, "Mirela Sandoval could not be reached: the mail service refuses the address");
}

/// "NOT ashore" of somebody who is, by another's word, would wake people for nothing.
#[test]
fn a_word_taken_back_beside_another_that_stands_makes_nobody_out() {
    let mut story = alerted();
    let says = |at: usize, name: &str, who: &[usize]| Event::CheckedIn {
        who: who.to_vec(),
        by: By::Contact(at, name.to_owned()),
        how: Some("spoke".to_owned()),
    };
    let taken_back = |story: &mut Story, event: u32, at: usize, name: &str| {
        let by = By::Contact(at, name.to_owned());
        flat(&one(&story.happens(Event::Undone { event, by }), INES, Kind::News).text)
    };
    story.minutes_after_overdue(3).happens(says(0, "Dunstan", &[1]));
    let first = story.history[story.history.len() - 1].number;
    story.happens(says(1, "Mirela", &[1]));
    let second = story.history[story.history.len() - 1].number;
    let text = taken_back(&mut story, second, 1, "Mirela");
    assert!(text.starts_with("Taken back: that Tomas Bright is ashore, by Mirela"), "{text}");
    assert!(text.contains("Others have said so too, and that stands."), "{text}");
    assert!(!text.contains("NOT ashore"), "{text}");
    let text = taken_back(&mut story, first, 0, "Dunstan");
    assert!(
        text.starts_with("NOT ashore after all: Tomas Bright. Taken back by Dunstan"),
        "{text}"
    );

    let ashore = all_ashore(&story.plan);
    story.happens(ashore);
    story.happens(says(0, "Dunstan", &[1]));
    let third = story.history[story.history.len() - 1].number;
    let text = taken_back(&mut story, third, 0, "Dunstan");
    assert!(
        text.contains("Others have ended the trip, and that stands.")
            && !text.contains("NOT ashore"),
        "{text}"
    );
}

/// An alert may say that somebody has called who took it back while the alert was on its way.
#[test]
fn what_an_alert_lacks_is_told_after_it() {
    let mut story = Story::filed();
    let sent = story
        .minutes_after_overdue(1)
        .happens(Event::HandingWithout { to: DUNSTAN, kind: Kind::Overdue });
    let letter = one(&sent, DUNSTAN, Kind::News);
    let text = flat(&letter.text);
    let begin = "While our alert was on its way to you, answers came or were taken back.";
    assert!(text.starts_with(begin), "{text}");
    assert!(text.contains("Go by what stands below"), "{text}");
    assert!(text.contains("Nobody has called yet, as far as we know"), "{text}");
    assert!(letter.subject.ends_with(": more was said meanwhile"), "{}", letter.subject);
}

/// Else one contact, hours ahead, keeps all the others from calling.
#[test]
fn a_call_before_they_were_due_back_keeps_nobody_from_calling() {
    let mut story = Story::filed();
    let called = |when: &str| Event::Answered {
        contact: 1,
        name: "Mirela".to_owned(),
        answer: Answer::Called {
            service: "coast guard".to_owned(),
            when: when.to_owned(),
            reference: None,
        },
    };
    story.minutes_after_overdue(-120).happens(called("just now"));
    let sent = story.minutes_after_overdue(0).tick();
    let alert = one(&sent, Recipient::Contact(0), Kind::Overdue);
    let text = flat(&alert.text);
    assert!(!alert.subject.contains("called"), "{}", alert.subject);
    for told in
        ["I have called coast guard", "before they were due back: call all the same", "Act now"]
    {
        assert!(text.contains(told), "{told} in {text}");
    }
    for wrong in ["need not call", "Do not call again"] {
        assert!(!text.contains(wrong), "{wrong} in {text}");
    }
    // One in the grace may be about it.
    let mut story = Story::filed();
    story.minutes_after_overdue(-5).happens(called("12:40"));
    let sent = story.minutes_after_overdue(0).tick();
    let text = flat(&one(&sent, Recipient::Contact(0), Kind::Overdue).text);
    assert!(text.contains("So you need not call again."), "{text}");
}

/// Whoever called before any alert came to them is stood down by no other letter; and the others must see
/// to it.
#[test]
fn a_call_before_any_alert_is_to_be_taken_back_by_whoever_made_it() {
    let mut story = Story::filed();
    story.minutes_after_overdue(-10).happens(Event::Answered {
        contact: 1,
        name: "Mirela".to_owned(),
        answer: Answer::Called {
            service: "coast guard".to_owned(),
            when: "just now".to_owned(),
            reference: Some("CG-4711".to_owned()),
        },
    });
    let ashore = all_ashore(&story.plan);
    let sent = story.minutes_after_overdue(-5).happens(ashore);
    for (reader, who) in [(DUNSTAN, "Mirela"), (Recipient::Contact(1), "You")] {
        let letter = one(&sent, reader, Kind::Home);
        let text = flat(&letter.text);
        assert!(letter.subject.ends_with("call again whom you called"), "{}", letter.subject);
        assert!(!text.contains("nothing more to do") && text.contains("+1 360 555 0100"), "{text}");
        assert!(text.contains(&format!("{who} wrote at ")), "{text}");
        assert!(
            text.contains("I have called coast guard at just now, reference CG-4711"),
            "{text}"
        );
    }
}
