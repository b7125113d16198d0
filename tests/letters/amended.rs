//! What letters say of a plan that was amended. What each reader has to hear is the product's own
//! definition (common practice, no source).

use shorelamp::letter::calendar_entry;
use shorelamp::measure::Span;
use shorelamp::watch::{Amendment, By, Event, Kind, Part, Place, Recipient, wanted};

use super::is_well_made;
use super::story::{MEDICAL, PLAN, Sent, Story, flat, one, plan};

/// Two hours later, without Tomas but with Anouk; Pia is asked instead of Mirela.
fn new_version() -> String {
    PLAN.replace("2026-06-14T12:30:00-07:00", "2026-06-14T14:30:00-07:00")
        .replace("\"Tomas Bright\"", "\"Anouk Feld\"\nemail = \"anouk@example.org\"")
        .replace("Mirela Sandoval", "Pia Lindqvist")
        .replace("mirela@example.org", "pia@example.org")
        .replace("48.5500 -123.2000", "48.5450 -123.1900")
}

/// The plan is amended, and every letter that this owes leaves at once.
fn amend(story: &mut Story, text: &str) -> Vec<Sent> {
    let placed = story.plan.amended_by(&plan(text));
    let event = Event::Amended {
        to: Box::new(Amendment {
            from_round: story.watched.round,
            due_at: placed.plan.times.return_by.at,
            grace: story.watched.terms.grace,
            crew: vec![Place::Reached, Place::Removed, Place::Reached],
            contacts: placed.plan.contacts.len(),
            asked: placed.asked.clone(),
            was_due_at: story.watched.terms.due_at,
            was_overdue_at: story.watched.overdue_at(),
            joined: vec![Recipient::Crew(2), Recipient::Contact(2)],
            left: vec![Recipient::Crew(1), Recipient::Contact(1)],
            parts: vec![Part::Route],
        }),
        by: By::Crew(None),
    };
    story.plan = placed.plan;
    // A new version is judged anew.
    if let Some(review) = &mut story.review {
        review.planned.clear();
    }
    story.happens(event)
}

#[test]
fn the_new_times_come_first_and_then_what_has_changed() {
    let mut story = Story::filed();
    story.minutes_after_overdue(-120);
    let sent = amend(&mut story, &new_version());
    let letter = one(&sent, Recipient::Contact(0), Kind::Changed);
    let text = flat(&letter.text);
    assert!(text.starts_with("New times: back by Sun 14 Jun, 14:30 (2:30 pm PDT)."), "{text}");
    for said in [
        "take the place of the old ones (back by Sun 14 Jun, 12:30 (12:30 pm PDT), overdue from \
         12:45",
        "NOT on this trip any more: Tomas Bright.",
        "Now on this trip too: Anouk Feld.",
        "No longer asked ashore: Mirela.",
        "Now asked ashore too: Pia.",
        "The route:",
        "48.54500 -123.19000",
        "Move the alarm in your Clock app to Sun 14 Jun, 14:45",
    ] {
        assert!(text.contains(said), "{said} in {text}");
    }
    assert!(!text.contains("48.55000 -123.20000, which is"), "the old route is no longer told");
    assert!(text.contains("People aboard 2") || text.contains("People aboard: 2"), "{text}");
    assert_eq!(letter.subject, "New times for Ines Halloran + 1: not heard by 14:45 PDT? You act");
}

#[test]
fn whoever_joins_gets_the_whole_plan_and_whoever_leaves_none_of_it() {
    let mut story = Story::filed();
    story.minutes_after_overdue(-120);
    let sent = amend(&mut story, &new_version());
    let filed = flat(&one(&sent, Recipient::Contact(2), Kind::Filed).text);
    assert!(filed.contains("set an alarm for Sun 14 Jun, 14:45"), "{filed}");
    assert!(filed.contains("This letter went to Dunstan and Pia."), "{filed}");
    assert!(!filed.contains("Tomas Bright are") && filed.contains("Anouk Feld"), "{filed}");
    assert!(sent.iter().any(|one| one.order.to == Recipient::Crew(2)), "an address of her own");
    let gone = one(&sent, Recipient::Contact(1), Kind::Changed);
    let text = flat(&gone.text);
    assert!(text.contains("You are no longer asked to act for this trip"), "{text}");
    assert!(text.contains("Switch off the alarm"), "{text}");
    assert!(!text.contains("48.5") && !text.contains("you are the one who acts"), "{text}");
    assert!(!text.contains("Pia"), "who is asked instead is none of their business: {text}");
}

#[test]
fn after_an_alert_the_letter_begins_with_the_crews_answer() {
    let mut story = Story::filed();
    story.minutes_after_overdue(31).tick();
    let sent = amend(&mut story, &new_version());
    for at in 0..2 {
        let text = flat(&one(&sent, Recipient::Contact(at), Kind::Changed).text);
        let begins = "The crew answered at Sun 14 Jun, 13:16 (1:16 pm PDT). If you called anyone, \
                      tell them now. New times: back by Sun 14 Jun, 14:30";
        assert!(text.starts_with(begins), "{text}");
    }
    let gone = flat(&one(&sent, Recipient::Contact(1), Kind::Changed).text);
    assert!(gone.contains("When it is over we write to you once more"), "{gone}");
    let keeper = flat(&one(&sent, Recipient::Keeper, Kind::Changed).text);
    assert!(keeper.contains("the contacts are written to again"), "{keeper}");
    // The alerts that follow are about those who are on the trip, and go to those who are asked.
    story.minutes_after_overdue(31);
    let alerts = story.tick();
    let alert = flat(&one(&alerts, Recipient::Contact(0), Kind::CallRescue).text);
    assert!(alert.contains("2 people are overdue on the water: Ines Halloran and Anouk Feld"));
    assert!(
        alert.contains("Not on this trip any more") && alert.contains("Tomas Bright"),
        "{alert}"
    );
    assert!(alerts.iter().all(|sent| sent.order.to != Recipient::Contact(1)));
    let over = story.happens(Event::CheckedIn { who: vec![0, 2], by: By::Crew(None), how: None });
    let gone = one(&over, Recipient::Contact(1), Kind::StandDown);
    let gone = flat(&gone.text);
    assert!(gone.contains("Everybody is ashore: Ines Halloran and Anouk Feld"), "{gone}");
    assert!(gone.contains("Not on the trip any more, and not to be searched for: Tomas Bright."));
}

#[test]
fn every_letter_of_an_amended_plan_is_well_made_and_keeps_medical_notes_back() {
    let mut story = Story::filed();
    story.minutes_after_overdue(31).tick();
    amend(&mut story, &new_version());
    story.minutes_after_overdue(31).tick();
    story.happens(Event::CalledOff { by: By::Crew(None) });
    let event = story.watched.events - u32::try_from(story.watched.contacts.len()).expect("few");
    let closing = story.history.iter().rfind(|past| matches!(past.event, Event::CalledOff { .. }));
    let number = closing.map_or(event, |past| past.number);
    story.happens(Event::Undone { event: number, by: By::Crew(None) });
    let withdrawn = one(&story.sent, Recipient::Contact(1), Kind::Withdrawn);
    assert!(flat(&withdrawn.text).contains("You are no longer asked to act"), "{}", withdrawn.text);
    for Sent { order, letter } in &story.sent {
        is_well_made(letter);
        assert_eq!(letter.text.contains(MEDICAL), order.kind.is_alert(), "{}", order.kind);
        assert!(!letter.text.to_lowercase().contains("safe"), "{}", letter.text);
    }
}

#[test]
fn a_change_of_gear_alone_says_that_the_times_stay() {
    let mut story = Story::filed();
    story.minutes_after_overdue(-120);
    let placed = story.plan.amended_by(&plan(&PLAN.replace("handheld, DSC", "none")));
    let event = Event::Amended {
        to: Box::new(Amendment {
            from_round: story.watched.round,
            due_at: story.watched.terms.due_at,
            grace: story.watched.terms.grace,
            crew: vec![Place::Reached, Place::Unreached],
            contacts: 2,
            asked: vec![0, 1],
            was_due_at: story.watched.terms.due_at,
            was_overdue_at: story.watched.overdue_at(),
            joined: Vec::new(),
            left: Vec::new(),
            parts: vec![Part::Gear],
        }),
        by: By::Crew(Some("Ines".to_owned())),
    };
    story.plan = placed.plan;
    let sent = story.happens(event);
    let text = flat(&one(&sent, Recipient::Contact(0), Kind::Changed).text);
    assert!(text.starts_with("Back by Sun 14 Jun, 12:30 (12:30 pm PDT), as before."), "{text}");
    assert!(text.contains("What they carry to call and be found with."), "{text}");
}

/// Whoever is asked no longer, and never was alerted, is sent to no page that would hear them.
#[test]
fn whoever_is_heard_no_more_is_not_sent_to_their_page_to_take_the_end_back() {
    let mut story = Story::filed();
    amend(&mut story, &new_version());
    let over = story.happens(Event::CalledOff { by: By::Crew(None) });
    let page = "take it back on your page";
    let gone = flat(&one(&over, Recipient::Contact(1), Kind::Home).text);
    assert!(!gone.contains(page) && !gone.contains("Your page"), "{gone}");
    assert!(gone.contains("have it taken back"), "{gone}");
    let asked = flat(&one(&over, Recipient::Contact(0), Kind::Home).text);
    assert!(asked.contains(page) && asked.contains("Your page"), "{asked}");
}

/// A letter that was held up is written when it leaves. What became of the plan after they left it is
/// not theirs to read.
#[test]
fn whoever_left_hears_the_times_of_then_however_late_the_letter_leaves() {
    let mut story = Story::filed();
    story.minutes_after_overdue(-120);
    let sent = amend(&mut story, &new_version());
    let to = sent.iter().find(|one| one.order.to == Recipient::Contact(1));
    let order = to.expect("a letter").order.clone();
    let in_time = story.compose(&order, story.now, story.now);
    assert!(in_time.text.contains("14:45"), "{}", in_time.text);
    let later = Span::from_hours(5);
    story.apply(Event::Extended { later, by: By::Crew(None) });
    let late = story.compose(&order, story.now, story.now);
    assert_eq!((late.subject, late.text), (in_time.subject, in_time.text));
}

/// Two hours later again, as whoever left before must not hear: Zelda is on the trip too.
fn zelda_joins(story: &mut Story) -> Vec<Sent> {
    let craft = "[[craft]]\nname = \"Petrel\"";
    let later = new_version()
        .replace("14:30:00-07:00", "16:30:00-07:00")
        .replace(craft, &format!("[[crew]]\nname = \"Zelda Quist\"\n{craft}"));
    let placed = story.plan.amended_by(&plan(&later));
    let event = Event::Amended {
        to: Box::new(Amendment {
            from_round: story.watched.round,
            due_at: placed.plan.times.return_by.at,
            grace: story.watched.terms.grace,
            crew: vec![Place::Reached, Place::Removed, Place::Reached, Place::Unreached],
            contacts: placed.plan.contacts.len(),
            asked: placed.asked.clone(),
            was_due_at: story.watched.terms.due_at,
            was_overdue_at: story.watched.overdue_at(),
            joined: vec![Recipient::Crew(3)],
            left: Vec::new(),
            parts: Vec::new(),
        }),
        by: By::Crew(None),
    };
    story.plan = placed.plan;
    story.happens(event)
}

#[test]
fn whoever_left_hears_who_was_on_the_trip_then_however_late_the_letter_leaves() {
    let mut story = Story::filed();
    story.minutes_after_overdue(-120);
    let sent = amend(&mut story, &new_version());
    let to = sent.iter().find(|one| one.order.to == Recipient::Contact(1));
    let order = to.expect("a letter").order.clone();
    let written = |story: &Story| {
        let letter = story.compose(&order, story.now, story.now);
        let facts = story.facts(None, story.now, true);
        (letter.subject, letter.text, calendar_entry(&facts, &order, "lamp@example.org"))
    };
    let in_time = written(&story);
    assert!(in_time.0.contains("of Ines Halloran + 1 "), "{}", in_time.0);
    assert!(in_time.1.contains("Ines Halloran and Anouk Feld"), "{}", in_time.1);
    assert!(in_time.2.is_some());
    zelda_joins(&mut story);
    assert!(wanted(&story.watched, &order, story.now), "it still goes");
    assert_eq!(written(&story), in_time);
}

/// They know that it was to be watched, so they hear that it is over, or not over after all: nothing of
/// who is on it now, who is out, until when, or who says so.
#[test]
fn whoever_left_without_an_alert_hears_that_it_is_over_and_no_more() {
    let mut story = Story::filed();
    story.minutes_after_overdue(-120);
    amend(&mut story, &new_version());
    story.now += chrono::TimeDelta::minutes(10);
    zelda_joins(&mut story);
    story.now += chrono::TimeDelta::minutes(10);
    let before = story.sent.len();
    let by = By::Contact(2, "Pia".to_owned());
    let how = Some("I see their car".to_owned());
    story.happens(Event::CheckedIn { who: vec![0, 2, 3], by: by.clone(), how });
    let over = story.watched.closing().expect("closed").event;
    story.now += chrono::TimeDelta::minutes(10);
    story.happens(Event::Undone { event: over, by });
    let mut kinds = Vec::new();
    for Sent { order, .. } in &story.sent[before..] {
        if order.to != Recipient::Contact(1) {
            continue;
        }
        kinds.push(order.kind);
        let late = story.now + chrono::TimeDelta::minutes(5);
        let letter = story.compose(order, story.now, late);
        is_well_made(&letter);
        let text = format!("{}\n{}", letter.subject, flat(&letter.text));
        assert!(text.contains("Ines Halloran + 1 "), "as they left it: {text}");
        for word in ["Zelda", "Pia", "car", "ashore:", "still out:", "16:", "11:", "10:", "late by"]
        {
            assert!(!text.contains(word), "{word}: {text}");
        }
        let said = match order.kind {
            Kind::Home => "the trip of Ines Halloran and Anouk Feld is over",
            _ => "The trip of Ines Halloran and Anouk Feld is NOT over after all",
        };
        assert!(text.contains(said), "{text}");
    }
    assert_eq!(kinds, [Kind::Home, Kind::Withdrawn]);
}

/// They may have called a rescue service: it must hear who is ashore, and who is not.
#[test]
fn whoever_left_after_an_alert_hears_all_that_a_rescue_service_asks() {
    let mut story = Story::filed();
    story.minutes_after_overdue(31).tick();
    amend(&mut story, &new_version());
    zelda_joins(&mut story);
    let over =
        story.happens(Event::CheckedIn { who: vec![0, 2, 3], by: By::Crew(None), how: None });
    let text = flat(&one(&over, Recipient::Contact(1), Kind::StandDown).text);
    assert!(text.contains("Ines Halloran, Anouk Feld and Zelda Quist"), "{text}");
    let over = story.watched.closing().expect("closed").event;
    let open = story.happens(Event::Undone { event: over, by: By::Crew(None) });
    let text = flat(&one(&open, Recipient::Contact(1), Kind::Withdrawn).text);
    assert!(text.contains("3 people are still out: Ines Halloran, Anouk Feld and Zelda"), "{text}");
}
