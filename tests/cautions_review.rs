//! The review as a whole: its serialized form, its route against right answers found by other
//! means, its terminal form.
#![allow(clippy::expect_used)]

use std::fs;
use std::path::PathBuf;

use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};
use shorelamp::caution::Limits;
use shorelamp::conditions::{
    Answer, Observations, Observed, Service, Station, Trust, Water, choose,
};
use shorelamp::measure::{Position, Span, Units};
use shorelamp::plan::{Plan, read_json, read_toml};
use shorelamp::review::{Review, review, text};
use shorelamp::shoreline::{Shoreline, Shorelines};

/// Invented people, in the San Juan Islands.
const PLAN: &str = r#"
title = "Halibut drift in the strait"
[times]
launch = "2026-06-14T05:30:00-07:00"
return_by = "2026-06-14T12:30:00-07:00"
[pace]
speed_kn = 3.0
[launch]
name = "Gravel ramp below the county park"
position = "48.5420 -123.1620"
vehicle = "Green estate car, plate TEST-123, lower lot"
[[waypoint]]
name = "Kelp edge"
position = "48.5500 -123.2000"
stay = "2h"
[[waypoint]]
position = "48°31.20'N 123°11.40'W"
stay = "45m"
[[crew]]
name = "Ines Halloran"
phone = "+1 360 555 0142"
age = 44
wearing = "orange drysuit, yellow life jacket"
immersion_wear = "drysuit"
lifejacket = "worn"
experience = "Twelve seasons on this water"
[[craft]]
name = "Petrel"
kind = "sit-on-top kayak"
colours = "lime hull, black hatch covers"
[gear]
vhf = "handheld, DSC"
beacon = "9C7F4B013595551"
night_signals = true
light = true
sound_signal = true
[[contact]]
name = "Dunstan Okafor"
email = "dunstan@example.org"
phone = "+1 360 555 0177"
[[contact]]
name = "Mirela Sandoval"
email = "mirela@example.org"
phone = "+1 360 555 0118"
"#;

const GRACE: Span = Span::ZERO;

fn plan(toml: &str) -> Plan {
    read_toml(toml, &|_| Err("no files here".to_owned())).expect("the plan of these tests")
}

fn now() -> DateTime<Utc> {
    plan(PLAN).times.launch.at - TimeDelta::minutes(30)
}

fn data(name: &str) -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/geo").join(name);
    fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn shorelines(name: &str) -> Shorelines {
    let read = Shoreline::from_geojson(&data(name), 250.0);
    Shorelines::new(vec![read.unwrap_or_else(|error| panic!("{name} {error}"))])
}

/// An invented reading, half an hour old.
fn water(plan: &Plan) -> Water {
    let position = Position::new(48.332, -123.179).expect("a position");
    let station = Station { service: Service::Ndbc, id: "46999".to_owned(), position, url: None };
    let water_c = Observed { value: 9.1, taken_at: now() - TimeDelta::minutes(30) };
    let said = Observations { water_c: Some(water_c), ..Observations::default() };
    let mute = Answer { station: station.clone(), said: Err("did not answer within 3 s".into()) };
    let answers = [Answer { station, said: Ok(said) }, mute];
    choose(&answers, None, &plan.route(), Trust::default(), now())
}

fn judged(plan: &Plan) -> Review {
    let shorelines = shorelines("shoreline/salish.geojson");
    review(plan, &shorelines, &water(plan), &Limits::default(), Span::from_minutes(15), now())
}

fn judged_blind(plan: &Plan) -> Review {
    review(plan, &Shorelines::default(), &Water::default(), &Limits::default(), GRACE, now())
}

fn as_json(review: &Review) -> Value {
    serde_json::to_value(review).expect("a review serializes")
}

/// Whether a value has the keys of the form, and each the type of the form's (null stands for what
/// is unknown).
fn has_form(value: &Value, form: &Value, at: &str) {
    match (value, form) {
        (Value::Object(value), Value::Object(form)) => {
            for (key, form) in form {
                let value = value.get(key).unwrap_or_else(|| panic!("{at}.{key} is missing"));
                has_form(value, form, &format!("{at}.{key}"));
            }
        }
        (Value::Array(values), Value::Array(forms)) => {
            assert!(!values.is_empty(), "{at} is empty");
            values.iter().for_each(|value| has_form(value, &forms[0], at));
        }
        (Value::Number(_), Value::Number(_)) | (Value::String(_), Value::String(_)) => {}
        (value, form) => panic!("{at} is {value}, not like {form}"),
    }
}

#[test]
fn every_part_has_its_name_and_type() {
    let form = json!({
        "route": {
            "length_m": 0.0,
            "farthest": {"distance_m": 0.0, "at_most_m": 0.0, "lat": 0.0, "lon": 0.0,
                         "along_m": 0.0, "shore_lat": 0.0, "shore_lon": 0.0, "bearing_deg": 0.0},
            "over_land_m": 0.0,
            "shoreline_accuracy_m": 0.0
        },
        "timing": {"paddling_s": 0, "stays_s": 0, "available_s": 0, "sunset": "", "civil_dusk": "",
                   "sun": ""},
        "water": {"temperature_c": 0.0, "kind": "", "source": "", "taken_at": "", "age_s": 0},
        "cautions": [{"id": "", "level": "", "text": "", "source": "", "clears": ""}]
    });
    let review = as_json(&judged(&plan(PLAN)));
    has_form(&review, &form, "");
    assert_eq!(review["water"]["kind"], "observed");
    assert_eq!(review["water"]["age_s"], 1800);
    assert_eq!(review["water"]["taken_at"], "2026-06-14T04:30:00-07:00");
    assert_eq!(review["timing"]["stays_s"], 9900);
    assert_eq!(review["timing"]["available_s"], 25_200);
    assert_eq!(review["timing"]["sun"], "rises and sets");
    let farthest = &review["route"]["farthest"];
    let accuracy_m = farthest["at_most_m"].as_f64().zip(farthest["distance_m"].as_f64());
    assert!(accuracy_m.is_some_and(|(at_most_m, m)| (at_most_m - m - 250.0).abs() < 1e-6));
    assert_eq!(review["cautions"][0]["level"], "danger");
}

#[test]
fn what_is_unknown_is_null_and_never_a_number() {
    let mut plan = plan(PLAN);
    plan.pace.speed_kn = None;
    let review = as_json(&judged_blind(&plan));
    for pointer in [
        "/route/farthest/distance_m",
        "/route/farthest/at_most_m",
        "/route/farthest/lat",
        "/route/over_land_m",
        "/route/shoreline_accuracy_m",
        "/timing/paddling_s",
        "/water/temperature_c",
        "/water/source",
        "/water/taken_at",
        "/water/age_s",
    ] {
        assert_eq!(review.pointer(pointer), Some(&Value::Null), "{pointer}");
    }
    assert_eq!(review["water"]["kind"], "unknown");
    let unknown = review["route"]["farthest_unknown"].as_str().expect("a reason");
    assert!(unknown.contains("no shoreline data"), "{unknown}");
    for id in ["cold-water", "distance", "pace", "missing-data"] {
        let cautions = review["cautions"].as_array().expect("a list");
        assert!(cautions.iter().any(|caution| caution["id"] == id), "{id}");
    }
}

#[test]
fn a_stored_review_is_read_back_whole() {
    for review in [judged(&plan(PLAN)), judged_blind(&plan(PLAN))] {
        let stored = serde_json::to_string(&review).expect("a review serializes");
        let mut read: Review = serde_json::from_str(&stored).expect("the same");
        // The reader of JSON may miss the last digit of a number.
        assert!((read.route.length_m - review.route.length_m).abs() < 1e-6);
        read.route = review.route.clone();
        assert_eq!(read, review);
    }
}

/// `tests/data/geo/reference.json`: made with shapely and pyproj (see its README).
#[test]
fn a_review_agrees_with_the_reference_routes() {
    let reference: Value = serde_json::from_str(&data("reference.json")).expect("the reference");
    let routes = reference["routes"].as_array().expect("routes");
    assert_eq!(routes.len(), 13);
    for route in routes {
        let name = &route["name"];
        let near = |found: f64, key: &str| {
            let expected = route[key].as_f64().expect(key);
            assert!((found - expected).abs() <= 1.0, "{name} {key}: {found}, not {expected}");
        };
        let plan = plan_along(&route["coordinates"]);
        let shorelines = shorelines(route["shoreline"].as_str().expect("a file"));
        let water = Water::default();
        let found = review(&plan, &shorelines, &water, &Limits::default(), GRACE, now()).route;
        let farthest = found.farthest.unwrap_or_else(|| panic!("{name} has no farthest point"));
        near(found.length_m, "length_m");
        near(farthest.distance_m, "max_distance_to_shore_m");
        near(found.over_land_m.expect("metres on land"), "metres_on_land");
        let legs_m: f64 = found.legs.iter().map(|leg| leg.length_m).sum();
        near(legs_m, "length_m");
    }
}

/// A plan through these places, longitude first.
fn plan_along(coordinates: &Value) -> Plan {
    let at = |pair: &Value| json!({"position": format!("{} {}", pair[1], pair[0])});
    let places: Vec<_> = coordinates.as_array().expect("places").iter().map(at).collect();
    let (launch, places) = places.split_first().expect("a launch");
    let (landing, waypoints) = places.split_last().expect("a landing");
    let plan = json!({
        "times": {"launch": "2026-06-14T12:00:00Z", "return_by": "2026-06-16T12:00:00Z"},
        "launch": launch, "waypoint": waypoints, "landing": landing,
        "crew": [{"name": "Ines Halloran"}],
        "contact": [{"name": "Dunstan Okafor", "email": "dunstan@example.org"}],
    });
    read_json(&plan.to_string(), &|_| Err("no files here".to_owned())).expect("a plan")
}

/// Sunset and civil dusk computed with the Python package ephem 4.2.1 (refraction 34', upper limb):
/// Bayfield 46.8108 N 90.8182 W, 15 October 2025, and Tromsø's polar day and night. The evening is
/// the local day's, whatever the day is in UTC.
#[test]
fn the_evening_is_that_of_the_returns_local_day() {
    let bayfield = day_at("46.8108 -90.8182", "2025-10-15T08:00", "2025-10-15T17:00");
    near(bayfield["sunset"].as_str(), "2025-10-15T23:15:31Z");
    near(bayfield["civil_dusk"].as_str(), "2025-10-15T23:46:05Z");
    assert!(bayfield["sunset"].as_str().is_some_and(|sunset| sunset.ends_with("-05:00")));

    let duluth = day_at("46.7867 -92.1005", "2025-06-20T20:00", "2025-06-21T12:00");
    near(duluth["sunset"].as_str(), "2025-06-22T02:06:15Z");

    let night = day_at("69.6492 18.9553", "2025-12-21T10:00", "2025-12-21T12:00");
    assert_eq!(night["sunset"], Value::Null);
    assert_eq!(night["sun"], "down all day");
    let day = day_at("69.6492 18.9553", "2025-06-21T10:00", "2025-06-21T23:00");
    assert_eq!((&day["sunset"], &day["civil_dusk"]), (&Value::Null, &Value::Null));
    assert_eq!(day["sun"], "up all day");
}

fn near(found: Option<&str>, expected: &str) {
    let time = |text| DateTime::parse_from_rfc3339(text).expect("a time");
    let off_s = (time(found.expect("a time")) - time(expected)).num_seconds().abs();
    assert!(off_s <= 90, "{found:?} is {off_s} s from {expected}");
}

/// The timing of a trip along the shore from this place.
fn day_at(position: &str, launch: &str, return_by: &str) -> Value {
    let text = PLAN
        .replace("48.5420 -123.1620", position)
        .replace("2026-06-14T05:30:00-07:00", launch)
        .replace("2026-06-14T12:30:00-07:00", return_by);
    as_json(&judged_blind(&plan(&text)))["timing"].clone()
}

/// What the caution makes of the light of a real day.
#[test]
fn the_dark_is_seen_where_the_trip_is() {
    let level = |position: &str, launch: &str, return_by: &str| {
        let text = PLAN
            .replace("48.5420 -123.1620", position)
            .replace("2026-06-14T05:30:00-07:00", launch)
            .replace("2026-06-14T12:30:00-07:00", return_by);
        let review = as_json(&judged_blind(&plan(&text)));
        let cautions = review["cautions"].as_array().expect("a list").clone();
        let of_daylight = cautions.into_iter().find(|caution| caution["id"] == "daylight");
        of_daylight.map(|caution| caution["level"].as_str().unwrap_or_default().to_owned())
    };
    let bayfield = "46.8108 -90.8182";
    // Sunrise 07:22, sunset 18:16, civil dusk 18:46 (ephem, as above).
    assert_eq!(level(bayfield, "2025-10-15T08:00", "2025-10-15T18:00"), None);
    assert_eq!(level(bayfield, "2025-10-15T08:00", "2025-10-15T18:30"), Some("caution".into()));
    assert_eq!(level(bayfield, "2025-10-15T08:00", "2025-10-15T19:00"), Some("warning".into()));
    assert_eq!(level(bayfield, "2025-10-15T07:10", "2025-10-15T12:00"), Some("caution".into()));
    let tromso = "69.6492 18.9553";
    // In June the sun stays up over both nights; in December there is twilight until 13:53.
    assert_eq!(level(tromso, "2025-06-20T10:00", "2025-06-22T10:00"), None);
    assert_eq!(level(tromso, "2025-12-21T10:30", "2025-12-21T13:30"), Some("caution".into()));
    assert_eq!(level(tromso, "2025-12-21T10:30", "2025-12-21T14:30"), Some("warning".into()));
}

/// The least that a plan may say, into the night.
const SMALLEST: &str = r#"
[times]
launch = "2026-06-14T20:30:00-07:00"
return_by = "2026-06-14T23:30:00-07:00"
[launch]
position = "48.5420 -123.1620"
[[crew]]
name = "Ines Halloran"
[[contact]]
name = "Dunstan Okafor"
email = "dunstan@example.org"
"#;

#[test]
fn the_terminal_form_is_a_screen_of_78_columns() {
    let plans = [plan(PLAN), plan(SMALLEST)];
    for (plan, review) in
        plans.iter().flat_map(|plan| [(plan, judged(plan)), (plan, judged_blind(plan))])
    {
        let shown = text(&review, plan);
        for line in shown.lines() {
            assert!(line.chars().count() <= 78, "{line}");
            assert_eq!(line.trim_end(), line);
        }
        let more = |line: &str| line.starts_with("More (") || line.starts_with("Checked, ");
        let screen = shown.lines().position(more).expect("an end of the cautions");
        let whole = shown.lines().count();
        assert!(screen <= 50 && whole <= 150, "{whole} lines\n{shown}");
        assert!(!shown.to_lowercase().contains("safe"), "{shown}");
        assert!(shown.contains("replaces no official service and no forecast"), "{shown}");
        for caution in &review.cautions {
            let level = serde_json::to_value(caution.level).expect("a word");
            let level = level.as_str().unwrap_or_default().to_uppercase();
            assert!(shown.lines().any(|line| line.starts_with(&level)), "{level}\n{shown}");
        }
    }
    let shown = text(&judged(&plan(PLAN)), &plan(PLAN));
    assert!(shown.contains("nothing raised within these limits:"), "{shown}");
    assert!(shown.contains("station 46999 did not answer within 3 s"), "{shown}");
    assert!(shown.contains("1  Kelp edge"), "{shown}");
}

/// 9.1 °C is 48.4 °F by definition; no number of the JSON changes with the keeper's units.
#[test]
fn the_keepers_units_come_first_in_words_and_change_no_number() {
    let plan = plan(PLAN);
    let judged = |units| {
        let limits = Limits { units, ..Limits::default() };
        let shorelines = shorelines("shoreline/salish.geojson");
        review(&plan, &shorelines, &water(&plan), &limits, GRACE, now())
    };
    let (metric, nautical) = (judged(Units::Metric), judged(Units::NauticalUs));
    let (in_metric, in_nautical) = (text(&metric, &plan), text(&nautical, &plan));
    assert!(in_metric.contains("9.1 °C (48 °F)") && !in_metric.contains("48 °F (9.1 °C)"));
    assert!(in_nautical.contains("48 °F (9.1 °C)") && !in_nautical.contains("9.1 °C (48 °F)"));
    assert!(in_nautical.contains(" nm ") && in_nautical.contains("beyond 656 yd"), "{in_nautical}");
    assert_eq!(metric.route, nautical.route);
    assert_eq!(metric.water, nautical.water);
    let levels = |review: &Review| {
        review.cautions.iter().map(|one| (one.id.clone(), one.level)).collect::<Vec<_>>()
    };
    assert_eq!(levels(&metric), levels(&nautical));
}

#[test]
fn every_caution_points_to_its_source() {
    let plan = plan(PLAN);
    let review = judged(&plan);
    let told = text(&review, &plan);
    let listed = told.split("are from:").nth(1).expect("a list of sources");
    let joined = listed.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(!review.cautions.is_empty());
    for caution in &review.cautions {
        let source = caution.source.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(joined.contains(&source), "{source}\n{joined}");
    }
    assert!(told.contains("[1]"));
}
