//! The entry in a contact's calendar, their second reminder: it comes with `filed`, is moved by
//! `changed`, cancelled by `home` and `stand-down` and put back by `withdrawn`. An alert never
//! carries one: some mail programs turn such a letter into an invitation and hide the rest.
//!
//! iCalendar (RFC 5545) in an exchange by mail (RFC 5546, RFC 6047): one attendee a letter, in UTC.
//! The crate `icalendar` escapes and folds the lines; it would give the alarm a random UID and the
//! clock's time, so the components' few lines are put in order here.

use chrono::{DateTime, TimeDelta, Utc};
use icalendar::Property;

use super::disclosure::Disclosure;
use super::scene::Scene;
use super::{Facts, filed, rescue, script, words};
use crate::plan::Contact;
use crate::watch::{Kind, Order};

/// The entry begins no earlier than this after the return time: programs that ring as long before
/// it as they are set to (0, 15 or 30 minutes) then ring while the crew is due.
const AFTER_DUE: TimeDelta = TimeDelta::minutes(30);
const LASTS: TimeDelta = TimeDelta::minutes(90);
/// The longest title, in characters.
const LONGEST_TITLE: usize = 120;

/// What goes with a letter for the reader's calendar.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// `REQUEST` or `CANCEL` (RFC 5546, 1.4), also for the part's Content-Type.
    pub method: &'static str,
    /// The iCalendar object: lines of at most 75 bytes ending in CR LF.
    pub text: String,
}

/// The entry that goes with this letter; none with most. `organizer` is the address that the letter
/// comes from. The same for every attempt: nothing in it is of the moment at which it is written.
#[must_use]
pub fn entry(facts: &Facts<'_>, order: &Order, organizer: &str) -> Option<Entry> {
    let scene = Scene::new(facts, order, facts.queued_at);
    let (at, reader) = scene.reading_contact()?;
    let what = what(&scene)?;
    let uid = format!("{}.contact-{}@{}", words::clean(facts.plan_ref), at + 1, host(organizer));
    let mut entry = Lines::default();
    entry.put("BEGIN", "VCALENDAR");
    entry.put("VERSION", "2.0");
    entry.put("PRODID", "-//Shorelamp//float plans//EN");
    entry.put("CALSCALE", "GREGORIAN");
    entry.put("METHOD", what.method());
    entry.put("BEGIN", "VEVENT");
    entry.put("UID", &uid);
    entry.put("SEQUENCE", &sequence(order, &what).to_string());
    entry.put("DTSTAMP", &utc(facts.queued_at));
    entry.put("DTSTART", &utc(call_by(&scene)));
    entry.put("DTEND", &utc(call_by(&scene) + LASTS));
    entry.party("ORGANIZER", organizer, &[("CN", facts.service_name)]);
    entry.party("ATTENDEE", &reader.email, &attendee(reader, &what));
    entry.put("SUMMARY", &title(&scene, &what));
    entry.put("DESCRIPTION", &instructions(&scene, &what));
    entry.put("CLASS", "PRIVATE");
    // Else the entry could itself begin a "do not disturb".
    entry.put("TRANSP", "TRANSPARENT");
    entry.put("STATUS", if what == What::Watch { "CONFIRMED" } else { "CANCELLED" });
    if what == What::Watch {
        entry.put("BEGIN", "VALARM");
        entry.put("ACTION", "DISPLAY");
        entry.put("TRIGGER", "PT0S");
        entry.put("DESCRIPTION", &title(&scene, &what));
        entry.put("END", "VALARM");
    }
    entry.put("END", "VEVENT");
    entry.put("END", "VCALENDAR");
    Some(Entry { method: what.method(), text: folded_anew(&entry.text) })
}

/// The crate's lines that go on can have 76 bytes; RFC 5545, 3.1 allows 75.
fn folded_anew(text: &str) -> String {
    const MOST: usize = 75;
    let mut folded = String::with_capacity(text.len());
    for line in text.replace("\r\n ", "").split_inclusive("\r\n") {
        let mut bytes = 0;
        for letter in line.chars() {
            if bytes + letter.len_utf8() > MOST && !matches!(letter, '\r' | '\n') {
                folded.push_str("\r\n ");
                bytes = 1;
            }
            bytes += letter.len_utf8();
            folded.push(letter);
        }
    }
    folded
}

/// What the entry asks of its reader.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum What {
    /// Watch the clock.
    Watch,
    /// It is over.
    Over,
    /// Others are asked now.
    NotAsked,
}

impl What {
    fn method(self) -> &'static str {
        if self == What::Watch { "REQUEST" } else { "CANCEL" }
    }
}

fn what(scene: &Scene<'_>) -> Option<What> {
    let asked = scene.removed_by().is_none();
    let open = !scene.facts.watched.is_closed();
    match scene.order.kind {
        Kind::Filed | Kind::Withdrawn if asked && open => Some(What::Watch),
        Kind::Changed if !asked => Some(What::NotAsked),
        Kind::Changed if open => Some(What::Watch),
        // Whoever was taken out has had theirs cancelled.
        Kind::Home | Kind::StandDown if asked => Some(What::Over),
        _ => None,
    }
}

/// Rises with every change of the entry (RFC 5545, 3.8.7.4), and is made of the order alone: each
/// extension, amendment and reopening begins a round, and a round can be closed once. So a round's
/// entry is even, and what cancels it is the next number.
fn sequence(order: &Order, what: &What) -> u32 {
    let rounds = order.round.saturating_sub(1).saturating_mul(2);
    match what {
        What::Watch => rounds,
        What::Over => rounds.saturating_add(1),
        // Cancels the entry of the round before the amendment.
        What::NotAsked => rounds.saturating_sub(1),
    }
}

/// Whoever was taken out reads nothing of what became of the trip since.
fn call_by(scene: &Scene<'_>) -> DateTime<Utc> {
    let (due, overdue) = scene.times_then();
    overdue.max(due + AFTER_DUE)
}

fn crew(scene: &Scene<'_>, what: &What) -> Vec<String> {
    if *what == What::NotAsked { scene.crew_then() } else { scene.crew() }
}

fn title(scene: &Scene<'_>, what: &What) -> String {
    let who = words::names(&crew(scene, what), 2);
    let title = match what {
        What::Watch => {
            format!("No word from {who}? Call them, then {}", words::clean(&callee(scene)))
        }
        What::Over => format!("Over: the trip of {who}"),
        What::NotAsked => format!("No longer asked: the trip of {who}"),
    };
    words::cut(&title, LONGEST_TITLE)
}

fn callee(scene: &Scene<'_>) -> String {
    scene.rescue().first().map_or("the rescue service".to_owned(), |one| one.name.clone())
}

/// All that a reader needs who has this entry and nothing else: no network, no letter.
fn instructions(scene: &Scene<'_>, what: &What) -> String {
    let crew = words::names(&crew(scene, what), 4);
    match what {
        What::Over => {
            return format!(
                "The trip of {crew} is over, as our letter says. Switch the alarm in your Clock app \
                 off."
            );
        }
        What::NotAsked => {
            return format!(
                "You are no longer asked to act for the trip of {crew}. Switch the alarm in your \
                 Clock app off."
            );
        }
        What::Watch => {}
    }
    let overdue = scene.clock.full(scene.overdue_at());
    let mut parts = vec![format!(
        "{crew}: back by {}. If you have heard nothing by {overdue}, you are the one who acts. No \
         letter is not good news: {} can be down. This entry may stay silent; the alarm in your \
         Clock app rings.",
        scene.clock.full(scene.due_at()),
        scene.service(),
    )];
    parts.extend(
        filed::alarm(scene).into_iter().enumerate().map(|(at, step)| format!("{}. {step}", at + 1)),
    );
    parts.push("SAY THIS (read it aloud):".to_owned());
    // Calendars are kept by others, and shared.
    parts.extend(script::words_of(scene, Disclosure::WithoutHealth));
    parts.push(format!(
        "Whom to call: {}. Float plan {}. {} is no rescue service and has called nobody.",
        rescue::in_a_sentence(&scene.rescue()),
        words::clean(scene.facts.plan_ref),
        scene.service(),
    ));
    parts.join("\n\n").replace(words::NO_BREAK, " ")
}

/// Answers by mail are not asked for: an answer counts on the reader's page alone.
fn attendee<'a>(reader: &'a Contact, what: &What) -> Vec<(&'static str, &'a str)> {
    let mut about = vec![("CN", reader.name.as_str())];
    if *what == What::Watch {
        about.extend([
            ("ROLE", "REQ-PARTICIPANT"),
            ("PARTSTAT", "NEEDS-ACTION"),
            ("RSVP", "FALSE"),
        ]);
    }
    about
}

fn host(email: &str) -> &str {
    email.rsplit('@').next().unwrap_or("localhost")
}

fn utc(at: DateTime<Utc>) -> String {
    at.format("%Y%m%dT%H%M%SZ").to_string()
}

#[derive(Default)]
struct Lines {
    text: String,
}

impl Lines {
    fn put(&mut self, name: &str, value: &str) {
        self.add(Property::new(name, value));
    }

    fn party(&mut self, name: &str, email: &str, about: &[(&str, &str)]) {
        let mut property = Property::new(name, format!("mailto:{email}"));
        for (key, value) in about {
            // No double quote can stand in a parameter (RFC 5545, 3.1).
            property.add_parameter(key, &words::name(value).replace('"', "'"));
        }
        self.add(property);
    }

    fn add(&mut self, property: Property) {
        // Writing into a String has no way to fail.
        let line: String = property.try_into().unwrap_or_default();
        self.text.push_str(&line);
    }
}
