//! The calendar entry through its whole life. What lines it must have: RFC 5545 (3.1 folding,
//! 3.6.1, 3.6.6), RFC 5546 (3.2.2 REQUEST, 3.2.5 CANCEL). Two parsers that are not ours read it in
//! `tests/end_to_end/test_calendar.py`.

use shorelamp::letter::{Entry, calendar_entry};
use shorelamp::measure::Span;
use shorelamp::watch::{By, Event, Kind, Order, Phase, Recipient};

use super::story::{MEDICAL, PLAN, Sent, Story, all_ashore};

const DUNSTAN: Recipient = Recipient::Contact(0);
const ORGANIZER: &str = "lamp@example.org";

fn entry(story: &Story, order: &Order) -> Option<Entry> {
    let facts = story.facts(None, story.now, true);
    calendar_entry(&facts, order, ORGANIZER)
}

/// The entry that went with the letter of this kind.
fn with(story: &Story, sent: &[Sent], to: Recipient, kind: Kind) -> Entry {
    let order = &sent.iter().find(|one| one.order.to == to && one.order.kind == kind);
    let order = &order.unwrap_or_else(|| panic!("no {kind} to {to}")).order;
    let entry = entry(story, order).unwrap_or_else(|| panic!("{kind} carries no entry"));
    is_well_made(&entry);
    entry
}

/// RFC 5545, 3.1: at most 75 bytes a line, CR LF, a space before what goes on.
fn unfolded(entry: &Entry) -> Vec<String> {
    let text = entry.text.strip_suffix("\r\n").expect("an end of line");
    for line in text.split("\r\n") {
        assert!(line.len() <= 75, "{line}");
        assert!(!line.contains(['\r', '\n']), "{line:?}");
    }
    text.replace("\r\n ", "").split("\r\n").map(str::to_owned).collect()
}

fn value(entry: &Entry, name: &str) -> String {
    let lines = unfolded(entry);
    let named = |line: &&String| line.split([':', ';']).next().is_some_and(|found| found == name);
    let line = lines.iter().find(named).unwrap_or_else(|| panic!("no {name} in {lines:?}"));
    let (_, value) = line.split_once(':').expect("a value");
    value.to_owned()
}

fn count(entry: &Entry, line: &str) -> usize {
    unfolded(entry).iter().filter(|found| found.starts_with(line)).count()
}

fn is_well_made(entry: &Entry) {
    assert_eq!(value(entry, "METHOD"), entry.method);
    assert_eq!(value(entry, "TRANSP"), "TRANSPARENT");
    assert_eq!(value(entry, "CLASS"), "PRIVATE");
    assert_eq!((count(entry, "ATTENDEE"), count(entry, "BEGIN:VEVENT")), (1, 1));
    let organizer = "ORGANIZER;CN=Madrona Point Paddle Anglers:mailto:lamp@example.org";
    assert_eq!(count(entry, organizer), 1);
    let (alarms, status) =
        if entry.method == "REQUEST" { (1, "CONFIRMED") } else { (0, "CANCELLED") };
    assert_eq!(count(entry, "BEGIN:VALARM"), alarms);
    assert_eq!(value(entry, "STATUS"), status);
    assert!(!entry.text.contains("Asthma") && !entry.text.contains(MEDICAL));
    assert!(!entry.text.to_lowercase().contains("safe"));
}

/// 12:30 PDT and 15 minutes of grace: less than half an hour, so 13:00 PDT, 20:00 UTC.
#[test]
fn it_begins_at_the_call_by_time_and_holds_all_that_is_to_do() {
    let story = Story::filed();
    let entry = with(&story, &story.sent, DUNSTAN, Kind::Filed);
    assert_eq!((entry.method, &*value(&entry, "SEQUENCE")), ("REQUEST", "0"));
    assert_eq!(value(&entry, "DTSTART"), "20260614T200000Z");
    assert_eq!(value(&entry, "DTEND"), "20260614T213000Z");
    assert_eq!(value(&entry, "DTSTAMP"), "20260614T120000Z");
    assert_eq!(value(&entry, "TRIGGER"), "PT0S");
    assert_eq!(value(&entry, "ACTION"), "DISPLAY");
    assert_eq!(value(&entry, "UID"), "7Q4K-M2.contact-1@example.org");
    assert!(value(&entry, "ATTENDEE").ends_with("mailto:dunstan@example.org"));
    let told = value(&entry, "DESCRIPTION");
    for said in [
        "Ines Halloran and Tomas Bright: back by Sun 14 Jun\\, 12:30 (12:30 pm PDT)",
        "heard nothing by Sun 14 Jun\\, 12:45 (12:45 pm PDT)\\, you are the one who acts",
        "+1 360 555 0142",
        "+1 360 555 0100 (or 911\\, and ask for the coast guard)",
        "48 degrees 32.520 minutes north",
        "No letter is not good news",
        "lime hull",
    ] {
        assert!(told.contains(said), "{said} in {told}");
    }
    let other = with(&story, &story.sent, Recipient::Contact(1), Kind::Filed);
    assert_ne!(value(&other, "UID"), value(&entry, "UID"));
}

/// With a grace of an hour the call-by time is the return time and the grace.
#[test]
fn a_long_grace_puts_it_later() {
    let text = PLAN.replace("[pace]", "grace = \"1h\"\n[pace]");
    let story = Story::of(&text, "2026-06-14T12:00:00Z");
    let entry = with(&story, &story.sent, DUNSTAN, Kind::Filed);
    assert_eq!(value(&entry, "DTSTART"), "20260614T203000Z");
}

#[test]
fn it_is_moved_cancelled_and_put_back_under_one_uid_with_a_rising_sequence() {
    let mut story = Story::filed();
    let filed = with(&story, &story.sent, DUNSTAN, Kind::Filed);
    let later = Event::Extended { later: Span::from_hours(1), by: By::Crew(None) };
    let sent = story.minutes_after_overdue(-60).happens(later);
    let moved = with(&story, &sent, DUNSTAN, Kind::Changed);
    story.minutes_after_overdue(0).tick();
    let ashore = all_ashore(&story.plan);
    let sent = story.minutes_after_overdue(10).happens(ashore);
    let stood_down = with(&story, &sent, DUNSTAN, Kind::StandDown);
    let home = with(&story, &sent, Recipient::Contact(1), Kind::Home);
    let Phase::Closed(closing) = story.watched.phase else { panic!("all are ashore") };
    let undone = Event::Undone { event: closing.event, by: By::Crew(None) };
    let sent = story.minutes_after_overdue(12).happens(undone);
    let back = with(&story, &sent, DUNSTAN, Kind::Withdrawn);
    let sent = story.minutes_after_overdue(20).happens(Event::CalledOff { by: By::Crew(None) });
    let over = with(&story, &sent, DUNSTAN, Kind::StandDown);
    let life = [filed, moved, stood_down, back, over];
    let methods: Vec<_> = life.iter().map(|one| one.method).collect();
    assert_eq!(methods, ["REQUEST", "REQUEST", "CANCEL", "REQUEST", "CANCEL"]);
    assert_eq!(value(&life[1], "DTSTART"), "20260614T210000Z");
    let number = |one: &Entry| value(one, "SEQUENCE").parse::<u32>().expect("a number");
    let numbers: Vec<_> = life.iter().map(number).collect();
    assert!(numbers.is_sorted_by(|one, next| one < next), "{numbers:?}");
    assert_eq!((numbers[2], numbers[4]), (numbers[1] + 1, numbers[3] + 1));
    assert_eq!(number(&home), numbers[2]);
    for one in &life {
        assert_eq!(value(one, "UID"), value(&life[0], "UID"));
    }
}

#[test]
fn no_alert_and_no_letter_to_the_crew_or_the_keeper_carries_one() {
    let mut kinds = 0;
    for sent in super::story::whole_story() {
        let to_contact = matches!(sent.order.to, Recipient::Contact(_));
        if !to_contact || sent.order.kind.is_alert() || sent.order.kind == Kind::News {
            kinds += 1;
            assert_eq!(entry(&Story::filed(), &sent.order), None, "{}", sent.order.kind);
        }
    }
    assert!(kinds > 10);
}

/// A letter is written anew at each attempt; its entry must not be another.
#[test]
fn every_attempt_has_the_same_entry() {
    let story = Story::filed();
    let order = &story.sent.iter().find(|one| one.order.to == DUNSTAN).expect("a letter").order;
    let first = entry(&story, order);
    let mut later = Story::filed();
    later.minutes_after_overdue(-3);
    let facts = later.facts(None, story.now, true);
    assert_eq!(first, calendar_entry(&facts, order, ORGANIZER));
}

/// Markup of iCalendar's own, line breaks and quotes in names stay text.
#[test]
fn what_people_typed_adds_no_line() {
    let text = PLAN
        .replace("\"Ines Halloran\"", "'Ines \"; END:VALARM, \\n'")
        .replace("\"Dunstan Okafor\"", "'Dunstan \";ROLE=CHAIR:mailto:evil@example.org'");
    let story = Story::of(&text, "2026-06-14T12:00:00Z");
    let entry = with(&story, &story.sent, DUNSTAN, Kind::Filed);
    assert_eq!(count(&entry, "END:VALARM"), 1);
    assert!(value(&entry, "SUMMARY").contains("Ines \"\\; END:VALARM\\, \\\\n"));
    let lines = unfolded(&entry);
    let attendee = lines.iter().find(|line| line.starts_with("ATTENDEE")).expect("one");
    assert!(
        attendee.contains("CN=\"Dunstan ';ROLE=CHAIR:mailto:evil@example.org\";")
            && attendee.ends_with(":mailto:dunstan@example.org"),
        "{attendee}"
    );
}
