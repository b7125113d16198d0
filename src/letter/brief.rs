//! Everything in a plan, in the order in which a rescue coordinator asks for it.

use chrono::{DateTime, TimeDelta, Utc};

use super::disclosure::Disclosure;
use super::facts::Facts;
use super::not_told::not_told;
use super::warned::{self, Reader};
use super::when::{Clock, utc};
use super::{hours, weather, words};
use crate::measure::{METRES_PER_FOOT, Position, Span, spoken};
use crate::plan::{Craft, CrewMember, Lifejacket, Wear};
use crate::review::Review;
use crate::watch::{Amendment, Event, LastWord};

/// A plan for reading out, or for a page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Brief {
    /// The most important first.
    pub sections: Vec<Section>,
    /// What a coordinator will ask and this plan does not tell.
    pub not_told: Vec<String>,
}

/// A part of a brief.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Section {
    /// Its heading.
    pub title: String,
    /// What it holds.
    pub rows: Vec<Row>,
}

/// A label and its value, cleaned; the value may have several lines.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// What it is.
    pub label: String,
    /// What was told.
    pub value: String,
}

impl Row {
    pub(super) fn new(label: impl Into<String>, value: impl Into<String>) -> Row {
        Row { label: label.into(), value: value.into() }
    }
}

/// How a brief is written.
#[derive(Clone, Copy, Debug)]
pub(super) struct Form<'a> {
    pub(super) reader: Reader,
    pub(super) disclosure: Disclosure,
    /// When it is written, where it tells of the weather then and where wind may have carried them.
    pub(super) now: Option<DateTime<Utc>>,
    /// Where the points of the route stand that are too many for a letter; `None` where all are told.
    pub(super) elsewhere: Option<&'a str>,
}

/// The brief of a plan on a page that those ashore read at `now`: with what is known of the crew's
/// health while it is overdue.
#[must_use]
pub fn brief(facts: &Facts<'_>, now: DateTime<Utc>) -> Brief {
    let disclosure = Disclosure::of_page(facts.watched, now);
    write(facts, Form { reader: Reader::Ashore, disclosure, now: None, elsewhere: None })
}

/// The same for the crew, with every word of what it was warned of. Of health only `by_filer`, for the device
/// that filed: whoever has a link of the crew's can move the time from which it is overdue.
#[must_use]
pub fn crew_brief(facts: &Facts<'_>, by_filer: bool, now: DateTime<Utc>) -> Brief {
    let disclosure = match by_filer {
        true => Disclosure::of_page(facts.watched, now),
        false => Disclosure::WithoutHealth,
    };
    write(facts, Form { reader: Reader::Crew, disclosure, now: None, elsewhere: None })
}

/// The brief for a rescue service: while the crew is overdue with what is known of its health, of the
/// weather now, and where the wind may have carried a craft.
#[must_use]
pub fn rescue_brief(facts: &Facts<'_>, now: DateTime<Utc>) -> Brief {
    let disclosure = Disclosure::of_page(facts.watched, now);
    let now = disclosure.is_for_rescue().then_some(now);
    write(facts, Form { reader: Reader::Ashore, disclosure, now, elsewhere: None })
}

pub(super) fn write(facts: &Facts<'_>, form: Form<'_>) -> Brief {
    let clock = Clock::new(facts.plan.times.zone);
    let mut sections = vec![
        trip(facts, clock, facts.watched.last_word.as_ref()),
        route(facts, form.elsewhere),
        hours::planned(facts),
    ];
    sections.extend(numbered("Craft", &facts.plan.craft, craft));
    sections.extend(people(facts, form.disclosure));
    sections.push(gear(facts));
    sections.push(ashore(facts));
    sections.push(weather::then_section(facts, clock));
    if let Some(now) = form.now {
        sections.extend([weather::now_section(facts, now), hours::drift(facts, now)]);
    }
    sections.extend(warned::section(facts, form.reader));
    sections.retain(|section| !section.rows.is_empty());
    Brief { sections, not_told: not_told(facts, form.disclosure) }
}

/// What of a plan is times, positions, numbers and choices, and nothing that anybody typed.
pub(super) fn figures(facts: &Facts<'_>) -> Vec<Section> {
    let plan = facts.plan.figures();
    let facts = &Facts { plan: &plan, ..*facts };
    let mut sections = vec![
        trip(facts, Clock::new(plan.times.zone), None),
        route(facts, Some("they stand on your page")),
    ];
    sections.extend(numbered("Craft", &plan.craft, craft));
    sections.extend(people(facts, Disclosure::WithoutHealth));
    sections.push(gear(facts));
    sections.retain(|section| !section.rows.is_empty());
    sections
}

/// A section for each of them, numbered when there are several.
fn numbered<T>(title: &str, all: &[T], rows: impl Fn(&T) -> Vec<Row>) -> Vec<Section> {
    let title = |at: usize| {
        if all.len() == 1 {
            title.to_owned()
        } else {
            format!("{title} {} of {}", at + 1, all.len())
        }
    };
    all.iter().enumerate().map(|(at, one)| Section { title: title(at), rows: rows(one) }).collect()
}

fn given(label: &str, value: Option<&String>) -> Option<Row> {
    value.map(|text| Row::new(label, words::clean_lines(text)))
}

fn trip(facts: &Facts<'_>, clock: Clock, last_word: Option<&LastWord>) -> Section {
    let (plan, watched) = (facts.plan, facts.watched);
    let both = |at: DateTime<Utc>| format!("{}, {}", clock.full(at), utc(at));
    let mut rows = Vec::new();
    rows.extend(given("Trip", plan.title.as_ref()));
    rows.push(Row::new("People aboard", aboard(facts)));
    rows.extend(taken_off(facts));
    rows.push(Row::new("Planned launch", both(plan.times.launch.at)));
    rows.push(Row::new("Return by", both(watched.terms.due_at)));
    let grace = watched.terms.grace.spoken();
    rows.push(Row::new(
        "Overdue from",
        format!("{} (the return time and {grace} of grace)", both(watched.overdue_at())),
    ));
    rows.push(Row::new("Plan filed", both(facts.filed_at)));
    let changes = facts.history.iter().filter_map(|past| match &past.event {
        Event::Extended { later, .. } => Some(Row::new(
            "Changed",
            format!("{}: return time put off by {}", both(past.at), later.spoken()),
        )),
        Event::Amended { to, .. } => Some(Row::new(
            "Changed",
            format!("{}: the plan was amended{}", both(past.at), moved(to, clock)),
        )),
        _ => None,
    });
    let mut changes: Vec<Row> = changes.collect();
    if changes.is_empty() && !facts.from_memory {
        changes.push(Row::new("Changed", "no change of the plan has reached this service"));
    }
    rows.extend(changes);
    rows.extend(last_word.map(|word| {
        let told = [word.place.clone(), word.note.as_ref().map(|note| words::clean_lines(note))];
        let told: Vec<String> = told.into_iter().flatten().collect();
        Row::new(
            "Last word of the crew",
            format!("{}: still out, {}", both(word.at), told.join(", ")),
        )
    }));
    rows.push(Row::new("Time zone", plan.times.zone.name()));
    Section { title: "The trip".to_owned(), rows }
}

fn aboard(facts: &Facts<'_>) -> String {
    let on_trip = facts.on_trip();
    let is_ashore =
        |at: &&usize| facts.watched.crew.get(**at).is_some_and(|state| state.ashore().is_some());
    match on_trip.iter().filter(is_ashore).count() {
        0 => on_trip.len().to_string(),
        ashore => {
            format!("{} at the launch, {ashore} of them reported ashore since", on_trip.len())
        }
    }
}

/// So many points of a route stand in a letter; the pages and the files have them all.
const MOST_POINTS: usize = 60;

/// With `elsewhere` the points that are too many for a letter are left out, and it says where they are.
fn route(facts: &Facts<'_>, elsewhere: Option<&str>) -> Section {
    let plan = facts.plan;
    let left_out = match elsewhere {
        Some(elsewhere) if plan.waypoints.len() > MOST_POINTS => {
            let more = plan.waypoints.len() - MOST_POINTS;
            Some((more, format!("{more} more points are left out here: {elsewhere}")))
        }
        _ => None,
    };
    let told = plan.waypoints.len() - left_out.as_ref().map_or(0, |(more, _)| *more);
    let mut rows = vec![place("Launch", plan.launch.name.as_ref(), plan.launch.position)];
    for (at, waypoint) in plan.waypoints.iter().take(told).enumerate() {
        let label = format!("Point {}", at + 1);
        let mut row = place(&label, waypoint.name.as_ref(), waypoint.position);
        if let Some(stay) = waypoint.stay.filter(|stay| *stay != Span::ZERO) {
            row.value.push_str(&format!("; stays {}", stay.spoken()));
        }
        rows.push(row);
    }
    rows.extend(left_out.map(|(_, note)| Row::new("…", note)));
    rows.push(match &plan.landing {
        Some(landing) => place("Landing", landing.name.as_ref(), landing.position),
        None => Row::new("Landing", "back at the launch"),
    });
    if let Some(speed_kn) = plan.pace.speed_kn {
        rows.push(Row::new("Speed", format!("{speed_kn:.1} knots through the water")));
    }
    rows.extend(facts.review.into_iter().flat_map(judged));
    Section { title: "The route".to_owned(), rows }
}

/// What the review made of the route.
fn judged(review: &Review) -> Vec<Row> {
    let (route, timing, units) = (&review.route, &review.timing, review.units);
    let mut rows = vec![Row::new("Length of the route", units.distance(route.length_m))];
    if let Some(farthest) = route.farthest {
        let value = format!(
            "{}, at {:.5} {:.5}",
            units.distance(farthest.at_most_m),
            farthest.lat,
            farthest.lon
        );
        rows.push(Row::new("Farthest from shore", value));
    }
    if let Some(paddling_s) = timing.paddling_s {
        let under_way = spoken(TimeDelta::seconds(paddling_s));
        rows.push(Row::new(
            "Time of paddling",
            format!("{under_way} at that speed, without stays"),
        ));
    }
    rows
}

/// The name stands with the label: where a long value is cut, the position must not be lost.
fn place(label: &str, name: Option<&String>, position: Position) -> Row {
    let name = name.map(|name| format!(", {}", words::clean(name))).unwrap_or_default();
    Row::new(format!("{label}{name}"), words::position(position))
}

fn craft(craft: &Craft) -> Vec<Row> {
    let length = craft.length_m.map(|length_m| {
        Row::new("Length", format!("{length_m:.1} m ({:.0} feet)", length_m / METRES_PER_FOOT))
    });
    [
        given("What it is", craft.kind.as_ref()),
        given("Name", craft.name.as_ref()),
        length,
        given("Colours", craft.colours.as_ref()),
        given("Marks on it", craft.marks.as_ref()),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn moved(to: &Amendment, clock: Clock) -> String {
    if to.due_at == to.was_due_at {
        return String::new();
    }
    format!("; the return time was {} before", clock.full(to.was_due_at))
}

/// Those whom an amendment took off the trip: a searcher must not look for them.
fn taken_off(facts: &Facts<'_>) -> Option<Row> {
    let off: Vec<String> = facts.taken_off().iter().map(|name| words::name(name)).collect();
    (!off.is_empty()).then(|| Row::new("Not on this trip any more", words::list(&off)))
}

fn people(facts: &Facts<'_>, disclosure: Disclosure) -> Vec<Section> {
    let on_trip = facts.on_trip();
    let title = |number: usize| match on_trip.len() {
        1 => "The paddler".to_owned(),
        all => format!("Person {number} of {all}"),
    };
    let crew = on_trip.iter().filter_map(|&at| Some((at, facts.plan.crew.get(at)?))).enumerate();
    crew.map(|(number, (at, one))| Section {
        title: title(number + 1),
        rows: person(facts, at, one, disclosure),
    })
    .collect()
}

fn person(facts: &Facts<'_>, at: usize, one: &CrewMember, disclosure: Disclosure) -> Vec<Row> {
    let ashore = facts.watched.crew.get(at).is_some_and(|state| state.ashore().is_some());
    let now = ashore.then(|| Row::new("Now", "reported ashore"));
    let text = |label: &str, value: Option<&str>| value.map(|value| Row::new(label, value));
    let beginner = one.beginner.filter(|beginner| *beginner).map(|_| "counts as a beginner");
    let rows = [
        given("Name", Some(&one.name)),
        now,
        one.phone.as_ref().map(|phone| Row::new("Telephone with them", words::phone(phone))),
        one.age.map(|age| Row::new("Age", age.to_string())),
        given("Medical", disclosure.medical_of(one)),
        given("Wearing", one.wearing.as_ref()),
        text("Immersion wear", one.immersion_wear.map(wear)),
        text("Life jacket", one.lifejacket.map(lifejacket)),
        given("Swims", one.swims.as_ref()),
        given("Experience", one.experience.as_ref()),
        text("Beginner", beginner),
    ];
    rows.into_iter().flatten().collect()
}

pub(super) fn wear(wear: Wear) -> &'static str {
    match wear {
        Wear::None => "none: ordinary clothes",
        Wear::Wetsuit => "wetsuit",
        Wear::Drysuit => "drysuit",
    }
}

pub(super) fn lifejacket(lifejacket: Lifejacket) -> &'static str {
    match lifejacket {
        Lifejacket::Worn => "worn, by the plan",
        Lifejacket::Carried => "only carried in the craft, not worn",
        Lifejacket::None => "none",
    }
}

fn gear(facts: &Facts<'_>) -> Section {
    let gear = &facts.plan.gear;
    let yes_or_no = |label: &str, value: Option<bool>| {
        value.map(|yes| Row::new(label, if yes { "yes" } else { "no" }))
    };
    let rows = [
        given("VHF radio", gear.vhf.as_ref()),
        given("Radio's MMSI", gear.mmsi.as_ref()),
        given("406 MHz beacon", gear.beacon.as_ref()),
        yes_or_no("Distress signals for the night", gear.night_signals),
        yes_or_no("White light", gear.light),
        yes_or_no("Whistle or horn", gear.sound_signal),
        given("Other gear", gear.notes.as_ref()),
    ];
    Section {
        title: "Radio, beacon, signals".to_owned(),
        rows: rows.into_iter().flatten().collect(),
    }
}

fn ashore(facts: &Facts<'_>) -> Section {
    let vehicle = given("Vehicle left at the launch", facts.plan.launch.vehicle.as_ref());
    let asked = facts.watched.asked().into_iter();
    let contacts = asked.filter_map(|at| facts.plan.contacts.get(at)).map(|contact| {
        let relation = contact.relation.as_ref().map(|relation| words::clean(relation));
        let relation = relation.map(|relation| format!(" ({relation})")).unwrap_or_default();
        format!("{}{relation}", words::first_name(&contact.name))
    });
    let told = words::list(&contacts.collect::<Vec<_>>());
    let rows = vehicle.into_iter().chain([Row::new("Who ashore has this plan", told)]).collect();
    Section { title: "Ashore".to_owned(), rows }
}
