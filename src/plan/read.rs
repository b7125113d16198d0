//! Makes a [`Plan`] of a text, or tells everything that is wrong with it.

use chrono_tz::Tz;
use email_address::{EmailAddress, Options};
use serde_json::Value;

use super::Plan;
use super::fault::Faults;
use super::json::Unambiguous;
use super::people::{Contact, CrewMember, Lifejacket, Wear};
use super::table::{Found, Room, Table};
use super::times::{Moment, Times, read_moment, read_zone};
use super::trip::{Craft, Gear, Landing, Launch, Pace, Stated, Waypoint};
use super::zone::zone_at;
use crate::measure::{Position, Span};

/// The most waypoints, crew, craft and contacts of one plan.
const MOST_WAYPOINTS: usize = 500;
pub(crate) const MOST_CREW: usize = 60;
const MOST_CONTACTS: usize = 20;
/// A longer trip than this is a slip of the pen: its alert would come far too late.
const LONGEST_TRIP_DAYS: i64 = 60;
const LONGEST_GRACE: Span = Span::from_hours(48);

/// Fetches the places in the route file of a name, or says why they can't be had: a command reads
/// a file beside the plan, a service reads none.
pub type RouteFiles<'a> = &'a dyn Fn(&str) -> Result<Vec<Waypoint>, String>;

/// Reads a plan from TOML.
///
/// # Errors
/// Every fault at once, or the place where the text stops being TOML.
pub fn read_toml(text: &str, route_files: RouteFiles<'_>) -> Result<Plan, Faults> {
    match toml::from_str::<toml::Table>(text) {
        Ok(table) => check(from_toml(toml::Value::Table(table)), route_files),
        Err(error) => Err(Faults::one("", "", not_toml(text, &error))),
    }
}

/// The error with its line and caret; where that line is too long to show, or could play tricks
/// on a terminal, its place alone.
fn not_toml(text: &str, error: &toml::de::Error) -> String {
    const LONGEST: usize = 600;
    let shown = error.to_string();
    if shown.len() <= LONGEST && !shown.contains(|c: char| c.is_control() && c != '\n') {
        return format!("this is not TOML: {shown}");
    }
    let start = error.span().map_or(0, |span| span.start);
    let line = text.bytes().take(start).filter(|byte| *byte == b'\n').count() + 1;
    format!("this is not TOML, from line {line} on: {}", error.message())
}

/// Reads a plan from JSON.
///
/// # Errors
/// Every fault at once, or the place where the text stops being JSON.
pub fn read_json(text: &str, route_files: RouteFiles<'_>) -> Result<Plan, Faults> {
    match serde_json::from_str(text) {
        Ok(Unambiguous(value)) => check(value, route_files),
        Err(error) => Err(Faults::one("", "", format!("this can't be read as JSON: {error}"))),
    }
}

/// The same tree in JSON's values: dates become texts, and so do the numbers that JSON lacks.
fn from_toml(value: toml::Value) -> Value {
    match value {
        toml::Value::String(text) => Value::String(text),
        toml::Value::Integer(number) => Value::from(number),
        toml::Value::Float(number) => serde_json::Number::from_f64(number)
            .map_or_else(|| Value::String(number.to_string()), Value::Number),
        toml::Value::Boolean(answer) => Value::Bool(answer),
        toml::Value::Datetime(datetime) => Value::String(datetime.to_string()),
        toml::Value::Array(list) => Value::Array(list.into_iter().map(from_toml).collect()),
        toml::Value::Table(table) => {
            Value::Object(table.into_iter().map(|(key, value)| (key, from_toml(value))).collect())
        }
    }
}

fn check(value: Value, route_files: RouteFiles<'_>) -> Result<Plan, Faults> {
    let found = Found::default();
    let plan = plan(Table::new(String::new(), value, &found), route_files);
    match (plan, Faults::some(found.into_inner())) {
        (Some(plan), None) => Ok(plan),
        (_, Some(faults)) => Err(faults),
        (None, None) => Err(Faults::one("", "", "this plan can't be read")),
    }
}

/// Reads every part before it gives up, so that all the faults are found.
fn plan(mut root: Table<'_>, route_files: RouteFiles<'_>) -> Option<Plan> {
    let title = root.text("title", Room::Line);
    let launch = root
        .required("launch", "say where the trip starts: [launch] position", |root| {
            root.table("launch")
        })
        .and_then(launch);
    let zone = launch.as_ref().map(|launch| zone_at(launch.position));
    let times = root
        .required("times", "say when: [times] launch and return_by", |root| root.table("times"))
        .and_then(|table| times(table, zone));
    let zone = times.as_ref().map_or(Tz::UTC, |times| times.zone);
    let pace = root.table("pace").map(pace).unwrap_or_default();
    let waypoints = waypoints(&mut root, route_files);
    let landing = root.table("landing").map(landing);
    let crew = crew(&mut root);
    let craft = root.tables("craft", MOST_CREW).into_iter().flatten().map(craft).collect();
    let gear = root.table("gear").map(gear).unwrap_or_default();
    let stated = root.table("stated").map(|table| stated(table, zone));
    let contacts = contacts(&mut root);
    root.close();
    let landing = match landing {
        Some(landing) => Some(landing?),
        None => None,
    };
    Some(Plan {
        title,
        times: times?,
        pace,
        launch: launch?,
        waypoints: waypoints?,
        landing,
        crew: crew?,
        craft,
        gear,
        stated,
        contacts: contacts?,
    })
}

fn launch(mut table: Table<'_>) -> Option<Launch> {
    let name = table.text("name", Room::Line);
    let position = position(&mut table);
    let vehicle = table.text("vehicle", Room::Line);
    table.close();
    Some(Launch { name, position: position?, vehicle })
}

fn landing(mut table: Table<'_>) -> Option<Landing> {
    let name = table.text("name", Room::Line);
    let position = position(&mut table);
    table.close();
    Some(Landing { name, position: position? })
}

fn position(table: &mut Table<'_>) -> Option<Position> {
    let mend = "say where it is, like 48.5160 -123.1524";
    table.required("position", mend, |table| table.parsed("position"))
}

fn times(mut table: Table<'_>, launch_zone: Option<Tz>) -> Option<Times> {
    let named = table.read("zone", read_zone);
    // Without a launch position there is a fault already; the times are still looked at.
    let zone = named.or(launch_zone).unwrap_or(Tz::UTC);
    let mut moment = |key, mend| {
        let read = |table: &mut Table<'_>| table.read(key, |text| read_moment(text, zone));
        table.required(key, mend, read)
    };
    let launch = moment("launch", "say when the crew launches, like 2026-06-14T05:30");
    let return_by = moment("return_by", "say by when the crew is back, like 2026-06-14T12:30");
    let grace = table.parsed::<Span>("grace");
    if grace.is_some_and(|grace| grace > LONGEST_GRACE) {
        table.fault("grace", grace.unwrap_or_default().to_string(), "must be 48h at most");
    }
    if let (Some(launch), Some(return_by)) = (launch, return_by) {
        check_order(&table, launch, return_by, zone);
    }
    table.close();
    Some(Times { launch: launch?, return_by: return_by?, grace, zone })
}

fn check_order(table: &Table<'_>, launch: Moment, return_by: Moment, zone: Tz) {
    let shown = return_by.at.with_timezone(&zone).to_rfc3339();
    let trip = return_by.at - launch.at;
    if trip.num_seconds() <= 0 {
        table.fault("return_by", shown, "is not after the launch; check both dates and times");
    } else if trip.num_days() > LONGEST_TRIP_DAYS {
        let mend =
            format!("is more than {LONGEST_TRIP_DAYS} days after the launch; check the date");
        table.fault("return_by", shown, mend);
    }
}

fn pace(mut table: Table<'_>) -> Pace {
    let speed_kn = table.number("speed_kn", 0.1, 15.0, "knots");
    table.close();
    Pace { speed_kn }
}

fn waypoints(root: &mut Table<'_>, route_files: RouteFiles<'_>) -> Option<Vec<Waypoint>> {
    let from_file = root.read("route_file", |name| route_files(name));
    let tables = root.tables("waypoint", MOST_WAYPOINTS).unwrap_or_default();
    if from_file.is_some() && !tables.is_empty() {
        root.fault("route_file", "", "stands beside waypoints; keep the file or the waypoints");
    }
    if from_file.as_ref().is_some_and(|points| points.len() > MOST_WAYPOINTS) {
        root.fault("route_file", "", format!("has more than {MOST_WAYPOINTS} places; thin it out"));
    }
    // All are read before one that failed counts, so that each fault is found.
    let typed: Vec<_> = tables.into_iter().map(waypoint).collect();
    let typed: Option<Vec<_>> = typed.into_iter().collect();
    from_file.or(typed)
}

fn waypoint(mut table: Table<'_>) -> Option<Waypoint> {
    let name = table.text("name", Room::Line);
    let position = position(&mut table);
    let stay = table.parsed("stay");
    table.close();
    Some(Waypoint { name, position: position?, stay })
}

fn crew(root: &mut Table<'_>) -> Option<Vec<CrewMember>> {
    let tables = root.tables("crew", MOST_CREW)?;
    if tables.is_empty() {
        root.fault("crew", "", "say who goes: at least one [[crew]] with a name");
        return None;
    }
    let crew: Vec<_> = tables.into_iter().map(crew_member).collect();
    let crew: Vec<_> = crew.into_iter().collect::<Option<_>>()?;
    for (at, member) in crew.iter().enumerate() {
        let same = |other: &CrewMember| other.name.to_lowercase() == member.name.to_lowercase();
        if crew[..at].iter().any(same) {
            let mend = "two of the crew have this name; add a surname or initial, so that each \
                        can check in";
            root.fault(&format!("crew[{}].name", at + 1), member.name.as_str(), mend);
        }
    }
    Some(crew)
}

fn crew_member(mut table: Table<'_>) -> Option<CrewMember> {
    let name = name(&mut table);
    let member = CrewMember {
        name: String::new(),
        phone: table.read("phone", telephone),
        email: table.read("email", email),
        age: table.whole("age", 120, "years"),
        wearing: table.text("wearing", Room::Line),
        immersion_wear: table.choice(
            "immersion_wear",
            &[("none", Wear::None), ("wetsuit", Wear::Wetsuit), ("drysuit", Wear::Drysuit)],
        ),
        lifejacket: table.choice(
            "lifejacket",
            &[
                ("worn", Lifejacket::Worn),
                ("carried", Lifejacket::Carried),
                ("none", Lifejacket::None),
            ],
        ),
        medical: table.text("medical", Room::Paragraph),
        swims: table.text("swims", Room::Line),
        experience: table.text("experience", Room::Paragraph),
        beginner: table.yes_or_no("beginner"),
    };
    table.close();
    Some(CrewMember { name: name?, ..member })
}

fn contacts(root: &mut Table<'_>) -> Option<Vec<Contact>> {
    let tables = root.tables("contact", MOST_CONTACTS)?;
    if tables.is_empty() {
        root.fault(
            "contact",
            "",
            "say who ashore is told: at least one [[contact]] with name, email",
        );
        return None;
    }
    let contacts: Vec<_> = tables.into_iter().map(contact).collect();
    contacts.into_iter().collect()
}

fn contact(mut table: Table<'_>) -> Option<Contact> {
    let name = name(&mut table);
    let relation = table.text("relation", Room::Line);
    let mend = "say where this contact's letters go, like name@example.org";
    let email = table.required("email", mend, |table| table.read("email", email));
    let phone = table.read("phone", telephone);
    table.close();
    Some(Contact { name: name?, relation, email: email?, phone })
}

fn name(table: &mut Table<'_>) -> Option<String> {
    table.required("name", "say their name", |table| table.text("name", Room::Line))
}

fn craft(mut table: Table<'_>) -> Craft {
    let craft = Craft {
        name: table.text("name", Room::Line),
        kind: table.text("kind", Room::Line),
        length_m: table.number("length_m", 0.5, 30.0, "metres"),
        colours: table.text("colours", Room::Line),
        marks: table.text("marks", Room::Line),
    };
    table.close();
    craft
}

fn gear(mut table: Table<'_>) -> Gear {
    let gear = Gear {
        vhf: table.text("vhf", Room::Line),
        mmsi: table.read("mmsi", mmsi),
        beacon: table.read("beacon", beacon),
        night_signals: table.yes_or_no("night_signals"),
        light: table.yes_or_no("light"),
        sound_signal: table.yes_or_no("sound_signal"),
        notes: table.text("notes", Room::Paragraph),
    };
    table.close();
    gear
}

fn stated(mut table: Table<'_>, zone: Tz) -> Stated {
    let stated = Stated {
        water_c: table.number("water_c", -2.5, 40.0, "degrees Celsius"),
        air_c: table.number("air_c", -60.0, 60.0, "degrees Celsius"),
        wind_kn: table.number("wind_kn", 0.0, 150.0, "knots"),
        wind_from_deg: table.number("wind_from_deg", 0.0, 360.0, "degrees the wind comes from"),
        taken_at: table.read("taken_at", |text| read_moment(text, zone)).map(|moment| moment.at),
    };
    table.close();
    stated
}

/// An address that every relay can carry: plain ASCII, no display name, no address literal.
pub(crate) fn email(text: &str) -> Result<String, String> {
    let options = Options::default().with_required_tld().without_domain_literal();
    let address = EmailAddress::parse_with_options(text, options.without_display_text()).map_err(
        |error| format!("is not an email address ({error}); write it like name@example.org"),
    )?;
    if !text.is_ascii() {
        return Err("has letters that not every mail service can carry; use an address in plain \
                    letters a to z"
            .to_owned());
    }
    Ok(address.email().to_owned())
}

/// A telephone number as people write it; at least three digits, so that a short code passes.
fn telephone(text: &str) -> Result<String, String> {
    let digits = text.chars().filter(char::is_ascii_digit).count();
    let written = |c: char| c.is_ascii_digit() || " +-()./".contains(c);
    if text.chars().all(written) && (3..=20).contains(&digits) {
        return Ok(text.to_owned());
    }
    Err("is not a telephone number; write digits, with the country's code: +1 360 555 0142".into())
}

/// Nine digits (ITU-R M.585). Kept as text: leading zeros count.
fn mmsi(text: &str) -> Result<String, String> {
    let digits: String = text.chars().filter(|c| !c.is_whitespace()).collect();
    if digits.len() == 9 && digits.bytes().all(|b| b.is_ascii_digit()) {
        return Ok(digits);
    }
    Err("is not a maritime identity: it has nine digits".to_owned())
}

/// 15 hexadecimal digits, or the 23 of a second-generation beacon (COSPAS-SARSAT G.005).
fn beacon(text: &str) -> Result<String, String> {
    let digits: String =
        text.chars().filter(|c| !c.is_whitespace() && *c != '-').collect::<String>().to_uppercase();
    let hexadecimal = digits.bytes().all(|b| b.is_ascii_hexdigit());
    match digits.chars().count() {
        15 | 23 if hexadecimal => Ok(digits),
        _ if digits.contains(['O', 'I', 'L']) => Err("is not a beacon's identity: its digits go \
            from 0 to 9 and from A to F; is an O meant to be 0, or an I or L to be 1?"
            .to_owned()),
        _ => {
            Err("is not a beacon's identity: 15 hexadecimal digits (23 on the newest), as printed \
                  on its label"
                .to_owned())
        }
    }
}
