use chrono::TimeDelta;

use super::*;
use crate::measure::Span;
use crate::watch::{Anchor, Kind, Ladder, Rung, RungKind, Step, Terms, To};

fn noon() -> DateTime<Utc> {
    "2026-06-14T12:00:00Z".parse().unwrap()
}

/// Due at noon, overdue a quarter of an hour later.
fn filed() -> Watched {
    let call = Rung {
        anchor: Anchor::Overdue,
        offset_s: 0,
        to: vec![To::Contacts],
        kind: RungKind::CallRescue,
    };
    filed_with(vec![call], 1)
}

fn filed_with(rungs: Vec<Rung>, contacts: usize) -> Watched {
    let span = Span::from_minutes;
    let ladder = Ladder::new(rungs, span(15), span(10), span(15)).unwrap();
    let terms = Terms { due_at: noon(), grace: span(15), ladder, crew: vec![true], contacts };
    Watched::file(terms, noon() - TimeDelta::hours(3)).plan
}

fn record(state: &Watched) -> PlanRecord {
    PlanRecord {
        plan_ref: "A".to_owned(),
        plan_json: String::new(),
        review_json: String::new(),
        state: state.clone(),
        filed_at: noon(),
        key_id: String::new(),
    }
}

fn ashore() -> Event {
    Event::CheckedIn { who: vec![0], by: By::Crew(None), how: None }
}

fn applied(state: &Watched, event: &Event) -> Applied {
    let Step { plan, orders, changed } = step(state, event, noon()).unwrap();
    Applied { state: plan, changed, letters: orders.len(), orders }
}

fn owed(memory: &Memory) -> usize {
    memory.owed(noon() + TimeDelta::minutes(16)).len()
}

#[test]
fn a_plan_that_closes_while_it_is_read_is_not_remembered() {
    let (memory, state) = (Memory::default(), filed());
    assert!(memory.begin_reading("A").remember(record(&state)));
    assert_eq!(owed(&memory), 1, "it stays open");
    let memory = Memory::default();
    let reading = memory.begin_reading("A");
    memory.follow("A", &applied(&state, &ashore()));
    assert!(!reading.remember(record(&state)));
    assert_eq!(owed(&memory), 0, "read before the closing, remembered after it");
    let (reading, other) = (memory.begin_reading("A"), memory.begin_reading("B"));
    memory.follow("B", &applied(&state, &ashore()));
    assert!(reading.remember(record(&state)));
    drop(other);
    assert_eq!(owed(&memory), 1, "another plan's closing is none of its business");
}

/// Neither the crew nor any other contact would hear of it, and take it back.
#[test]
fn no_contact_ends_a_watch_without_a_word_to_anybody() {
    let (memory, state) = (Memory::default(), filed());
    memory.remember(record(&state));
    let by = By::Contact(0, "Dunstan Okafor".to_owned());
    let said = Event::CheckedIn { who: vec![0], by, how: Some("they say so".to_owned()) };
    memory.hear("A", &said, None, noon());
    assert_eq!(owed(&memory), 1);
    memory.hear("A", &ashore(), None, noon());
    assert_eq!(owed(&memory), 0, "the crew's own word counts");
}

#[test]
fn an_alert_on_its_way_is_not_owed_any_more_once_the_crew_is_heard() {
    let (memory, state) = (Memory::default(), filed());
    memory.remember(record(&state));
    let late = noon() + TimeDelta::minutes(16);
    let alert = memory.owed(late).remove(0).1;
    assert!(memory.owes("A", &alert, late));
    memory.hear("A", &ashore(), None, late);
    assert!(!memory.owes("A", &alert, late), "as by the service's own word");
    let memory = Memory::default();
    memory.remember(record(&state));
    let alert = memory.owed(late).remove(0).1;
    memory.follow("A", &applied(&state, &ashore()));
    assert!(!memory.owes("A", &alert, late), "written, and forgotten here");
}

#[test]
fn what_is_heard_while_the_plan_is_read_is_not_forgotten() {
    let (memory, state) = (Memory::default(), filed());
    memory.remember(record(&state));
    let reading = memory.begin_reading("A");
    memory.hear("A", &ashore(), None, noon());
    reading.remember(record(&state));
    assert_eq!(owed(&memory), 0);
}

/// What the database knows nothing of would be done a second time.
#[test]
fn what_has_left_is_not_owed_again_because_the_plan_is_read_before_that_is_written() {
    let (memory, state) = (Memory::default(), filed());
    memory.remember(record(&state));
    let late = noon() + TimeDelta::minutes(16);
    let alert = memory.owed(late).remove(0).1;
    memory.sent("A", &alert, late);
    memory.begin_reading("A").remember(record(&state));
    assert_eq!(owed(&memory), 0);
    let sent = memory.first_sent(Instant::now()).unwrap();
    memory.recorded(&sent);
    memory.begin_reading("A").remember(record(&state));
    assert_eq!(owed(&memory), 1, "what is read is believed again");
}

#[test]
fn what_can_t_be_written_down_lets_others_go_first_and_changes_of_its_plan_be_known() {
    let (memory, state) = (Memory::default(), filed());
    memory.remember(record(&state));
    let late = noon() + TimeDelta::minutes(16);
    let alert = memory.owed(late).remove(0).1;
    memory.sent("A", &alert, late);
    let began = Instant::now();
    let first = |later_s| memory.first_sent(began + Duration::from_secs(later_s));
    let sent = first(0).unwrap();
    let renamed = PlanRecord { key_id: "another".to_owned(), ..record(&state) };
    let is_known = || memory.record("A").is_some_and(|known| known.key_id == "another");
    // The whole database: it may be well in a moment, and knows nothing of what left.
    memory.put_behind(&sent, false, began);
    assert!(first(4).is_none() && first(5).is_some());
    memory.begin_reading("A").remember(renamed.clone());
    assert!(!is_known());
    // This alert alone, each time for longer.
    memory.put_behind(&sent, true, began);
    memory.put_behind(&sent, true, began);
    assert!(first(9).is_none() && first(10).is_some());
    assert_eq!(memory.sent_of("A").len(), 1, "a check-in does not wait for that");
    memory.begin_reading("A").remember(renamed);
    assert!(is_known());
    assert_eq!(owed(&memory), 0, "and it goes no second time");
}

#[test]
fn a_word_that_does_not_hold_is_forgotten_by_what_is_read_and_one_that_may_is_not() {
    let (memory, state) = (Memory::default(), filed());
    memory.remember(record(&state));
    memory.hear("A", &ashore(), None, noon());
    memory.begin_reading("A").remember(record(&state));
    assert_eq!(owed(&memory), 0);
    memory.begin_reading("A").replace(record(&state));
    assert_eq!(owed(&memory), 1);
}

#[test]
fn what_is_sent_again_under_its_key_is_heard_once() {
    let (memory, state) = (Memory::default(), filed());
    memory.remember(record(&state));
    let later = Event::Extended { later: Span::from_minutes(60), by: By::Crew(None) };
    for _ in 0..2 {
        memory.hear("A", &later, Some("once"), noon());
    }
    assert_eq!(memory.owed(noon() + TimeDelta::minutes(74)).len(), 0);
    assert_eq!(memory.owed(noon() + TimeDelta::minutes(76)).len(), 1, "one hour, not two");
}

#[test]
fn an_alert_that_is_refused_goes_no_more_and_hurries_the_next_rung() {
    let rung =
        |offset_s, kind| Rung { anchor: Anchor::Overdue, offset_s, to: vec![To::Contacts], kind };
    let rungs = vec![rung(0, RungKind::Overdue), rung(3600, RungKind::CallRescue)];
    let memory = Memory::default();
    memory.remember(record(&filed_with(rungs, 2)));
    let late = noon() + TimeDelta::minutes(16);
    let first = memory.owed(late);
    assert_eq!(first.len(), 2, "to each of the contacts");
    memory.refused("A", &first[0].1, late);
    let next: Vec<_> = memory.owed(late).into_iter().map(|(_, one)| (one.to, one.kind)).collect();
    assert!(!next.contains(&(first[0].1.to, Kind::Overdue)), "{next:?}");
    assert!(next.contains(&(first[1].1.to, Kind::CallRescue)), "{next:?}");
}
