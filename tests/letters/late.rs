//! What a late letter says of its delay (the wording is our own; common practice, no source).

use chrono::TimeDelta;
use shorelamp::watch::{By, Event, Kind, Order, Recipient};

use super::story::{PLAN, Story, all_ashore, flat};

/// The first alert of a plan whose clock stands so many minutes after it became overdue.
fn alert(minutes: i64) -> (Story, Order) {
    let mut story = Story::filed();
    let orders = story.minutes_after_overdue(minutes).apply(Event::Tick);
    let order = orders
        .into_iter()
        .find(|order| order.to == Recipient::Contact(0) && order.kind.is_alert())
        .expect("an alert");
    (story, order)
}

fn text(story: &Story, order: &Order, queued_after_s: i64, sent_after_s: i64) -> String {
    let at = |seconds| order.scheduled_at + TimeDelta::seconds(seconds);
    flat(&story.compose(order, at(queued_after_s), at(sent_after_s)).text)
}

#[test]
fn a_punctual_letter_says_nothing_of_it() {
    let (story, order) = alert(0);
    assert!(!text(&story, &order, 0, 0).contains("late by"));
    assert!(!text(&story, &order, 3, 5).contains("late by"));
    assert!(text(&story, &order, 3, 6).contains("late by 6 s"));
}

#[test]
fn after_an_outage_the_crew_could_not_have_checked_in() {
    let (story, order) = alert(42);
    assert_eq!(order.kind, Kind::CallRescue, "the highest rung that is due");
    let late = text(&story, &order, 42 * 60, 42 * 60);
    assert!(late.contains(
        "This letter is late by 42 min: it should have left at Sun 14 Jun, 12:45 (12:45 pm PDT). \
         This service was down or stuck until Sun 14 Jun, 13:27 (1:27 pm PDT), and in that time \
         the crew could not have checked in, even if they are ashore."
    ), "{late}");
    assert!(!late.contains("mail relay"));
}

#[test]
fn a_relay_that_took_nothing_is_named_as_such() {
    let (story, order) = alert(0);
    let late = text(&story, &order, 0, 5 * 60);
    assert!(late.contains(
        "This letter is late by 5 min: it should have left at Sun 14 Jun, 12:45 (12:45 pm PDT). It \
         was written at Sun 14 Jun, 12:45 (12:45 pm PDT), but no mail relay took it before Sun 14 \
         Jun, 12:50 (12:50 pm PDT). The service was running, and the crew could have checked in."
    ), "{late}");
    assert!(!late.contains("down or stuck"));
}

#[test]
fn the_delay_stands_before_whom_to_call() {
    let (story, order) = alert(42);
    let late = text(&story, &order, 12 * 60, 14 * 60);
    let (note, call) = (late.find("This letter is late"), late.find("Whom to call"));
    assert!(note < call, "{late}");
    assert!(late.contains("down or stuck") && late.contains("no mail relay"));
}

#[test]
fn after_a_closing_was_taken_back_the_old_rungs_are_not_late() {
    let mut story = Story::filed();
    let event = all_ashore(&story.plan);
    story.minutes_after_overdue(-30).happens(event);
    let number = story.history.iter().rfind(|past| matches!(past.event, Event::CheckedIn { .. }));
    let event = number.expect("a check-in").number;
    let orders = story.minutes_after_overdue(50).apply(Event::Undone { event, by: By::Crew(None) });
    let alert = orders.iter().find(|order| order.kind.is_alert()).expect("what is due");
    let text = flat(&story.compose(alert, story.now, story.now).text);
    assert!(alert.scheduled_at < story.now);
    assert!(!text.contains("late by"), "{text}");
}

#[test]
fn a_filed_letter_that_comes_too_late_says_what_to_do_now() {
    let story = Story::filed();
    let order =
        &story.sent.iter().find(|sent| sent.order.to == Recipient::Contact(0)).expect("one").order;
    let now = story.watched.overdue_at() + TimeDelta::minutes(3);
    let text = flat(&story.compose(order, story.now, now).text);
    assert!(text.contains("this letter reached you too late to set an alarm"), "{text}");
    assert!(!text.contains("set an alarm for"));
}

#[test]
fn a_plan_that_was_filed_after_the_launch_says_so() {
    let filed = |at: &str, to| {
        let story = Story::of(PLAN, at);
        let sent = story.sent.iter().find(|sent| sent.order.to == to).expect("one");
        flat(&sent.letter.text)
    };
    let (contact, crew) = (Recipient::Contact(0), Recipient::Crew(0));
    // The launch is at 05:30.
    for in_time in ["2026-06-14T12:00:00Z", "2026-06-14T12:39:59Z"] {
        for to in [contact, crew] {
            let text = filed(in_time, to);
            assert!(
                !text.contains("after they launched") && !text.contains("reached us"),
                "{text}"
            );
        }
    }
    let late = "2026-06-14T14:10:00Z";
    let text = filed(late, contact);
    let says = "Filed at Sun 14 Jun, 07:10 (7:10 am PDT), after they launched, by 1 h 40 min: until \
                then nobody watched for them.";
    assert!(text.contains(says), "{text}");
    assert!(text.find(says) < text.find("Do this now"), "before anything else: {text}");
    assert!(filed(late, crew).contains("It reached us 1 h 40 min after your launch"));
}
