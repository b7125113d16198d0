//! What letters say while the service can't tell which of its clocks is right.

use chrono::TimeDelta;
use shorelamp::watch::{Kind, Recipient};

use super::story::{Story, flat, whole_story};

#[test]
fn letters_that_the_clock_owes_say_by_how_much_the_clocks_disagree() {
    let mut story = Story::filed();
    story.clocks_apart = Some(TimeDelta::minutes(63));
    let mut kinds = Vec::new();
    for sent in whole_story() {
        let letter = story.compose(&sent.order, story.now, story.now);
        let text = flat(&letter.text);
        let says = text.contains("disagree by 1 h 3 min") && text.contains("up to 1 h 3 min early");
        let clock_s = matches!(
            sent.order.kind,
            Kind::Reminder | Kind::Due | Kind::Overdue | Kind::CallRescue
        );
        assert_eq!(says, clock_s, "{}: {text}", sent.order.kind);
        assert_eq!(letter.html.contains("disagree by 1"), clock_s, "{}", sent.order.kind);
        kinds.push(sent.order.kind);
    }
    assert!(kinds.contains(&Kind::Reminder) && kinds.contains(&Kind::CallRescue));
}

#[test]
fn while_the_clocks_agree_no_letter_speaks_of_them() {
    for sent in whole_story() {
        assert!(!flat(&sent.letter.text).contains("clocks of this service"), "{}", sent.order.kind);
    }
}

/// Twenty minutes after its time, by clocks that are an hour apart, a letter may be punctual.
#[test]
fn by_as_much_as_the_clocks_disagree_no_letter_counts_as_late() {
    let mut story = Story::filed();
    let orders = story.minutes_after_overdue(20).apply(shorelamp::watch::Event::Tick);
    let order = orders.iter().find(|order| order.kind.is_alert()).expect("an alert");
    let late = |story: &Story| {
        let text = flat(&story.compose(order, story.now, story.now).text);
        text.contains("late by") || text.contains("was down")
    };
    assert!(late(&story), "by clocks that agree it is");
    story.clocks_apart = Some(TimeDelta::hours(1));
    assert!(!late(&story));
    story.clocks_apart = Some(TimeDelta::minutes(2));
    assert!(late(&story), "it is late in any case");
}

#[test]
fn ten_years_are_told_in_days() {
    let mut story = Story::filed();
    story.clocks_apart = Some(TimeDelta::days(3652));
    let sent = whole_story();
    let to_contact = |order: &&shorelamp::watch::Order| order.to == Recipient::Contact(0);
    let orders = sent.iter().map(|sent| &sent.order).filter(|order| order.kind.is_alert());
    let order = orders.into_iter().find(to_contact).expect("an alert to the first contact");
    let letter = story.compose(order, story.now, story.now);
    assert!(flat(&letter.text).contains("disagree by 3652 days"), "{}", letter.text);
}
