//! Answers that cost or say more than an answer of their service should: what reading them takes of
//! a processor (of this thread alone, so no busy machine counts), how much of them is kept, and
//! which of their words reach a reader. Services, names and words are invented.

#![allow(clippy::expect_used)]

use std::fmt::Write;
use std::time::Duration;

use cpu_time::ThreadTime;
use serde_json::json;
use shorelamp::conditions::{coops, erddap, forecast, ndbc, nws, stations};
use shorelamp::measure::Position;

/// A reader that looks at each part once needs a tenth of this in a debug build; one that looks at
/// all of them for each of them needs many times as much.
const LINEAR: Duration = Duration::from_secs(2);
/// So long is the longest answer that is read.
const LONGEST: usize = 768 * 1024;

fn read_once<T>(text: &str, read: impl FnOnce(&str) -> T) -> T {
    assert!(text.len() <= LONGEST, "{}", text.len());
    let began = ThreadTime::now();
    let said = read(text);
    let took = began.elapsed();
    assert!(took < LINEAR, "{took:?}");
    said
}

fn event(id: &str, event: &str) -> String {
    format!(r#"{{"properties":{{"id":"{id}","event":"{event}"}}}}"#)
}

fn collection(features: &[String]) -> String {
    format!(r#"{{"features":[{}]}}"#, features.join(","))
}

fn named(name: &str) -> String {
    let alerts = nws::read_alerts(&collection(&[event("a", name)])).expect("alerts");
    assert_eq!(alerts.list.len(), 1, "{name}");
    alerts.list[0].event.clone()
}

#[test]
fn reading_alerts_takes_no_longer_for_what_they_refer_to() {
    let mut features: Vec<_> = (0..8_000).map(|at| event(&at.to_string(), "Gale Watch")).collect();
    let empty = vec!["{}"; 120_000].join(",");
    let refers = r#"{"properties":{"id":"last","event":"Gale Warning","references":["#;
    features.push(format!("{refers}{empty}]}}}}"));
    read_once(&collection(&features), nws::read_alerts).expect("alerts");
}

#[test]
fn reading_a_list_of_stations_takes_no_longer_for_what_is_said_of_one() {
    let mut said = String::new();
    for at in 0..70_000 {
        write!(said, " a{at}=\"\"").expect("text");
    }
    let text =
        format!(r#"<stations><station id="near1" lat="48.5" lon="-123.1"{said}/></stations>"#);
    let _ = read_once(&text, stations::read);
    // And names of names, each level with more.
    let mut nested = String::new();
    for at in 0..30_000 {
        write!(nested, "<a xmlns:n{at}=\"{at}\">").expect("text");
    }
    let _ = read_once(&nested, stations::read);
}

#[test]
fn reading_a_table_takes_no_longer_for_the_name_of_its_unit() {
    let mut text = "#YY MM DD hh WTMP\n#yr mo dy hr ".to_owned();
    text.push_str(&"x".repeat(400_000));
    for hour in 0..20_000 {
        let (month, day, hour) = (1 + hour / 672 % 12, 1 + hour / 24 % 28, hour % 24);
        write!(text, "\n2026 {month} {day} {hour} 9").expect("text");
    }
    let said = read_once(&text, ndbc::read).expect("a table");
    assert_eq!(said.water_c, None);
}

/// What a service names beyond that is no warning of a place, and whatever is not read is told.
#[test]
fn more_warnings_than_a_place_can_have_are_cut_and_told() {
    let features: Vec<_> = (0..1_000).map(|at| event(&at.to_string(), "Gale Watch")).collect();
    let alerts = nws::read_alerts(&collection(&features)).expect("alerts");
    assert!(alerts.list.len() <= 300 && alerts.more);
    let alerts = nws::read_alerts(&collection(&features[..100])).expect("alerts");
    assert!(alerts.list.len() == 100 && !alerts.more);
}

/// CAP 1.2: a message refers to earlier ones; nothing that is a test takes back what is real.
#[test]
fn no_warning_goes_because_of_an_empty_name_or_of_what_is_no_real_message() {
    let of = |id: &str, status: &str, refers: &str| {
        let rest = format!(r#""status":"{status}","references":[{{"identifier":"{refers}"}}]"#);
        format!(r#"{{"properties":{{"id":"{id}","event":"Gale Warning",{rest}}}}}"#)
    };
    let features = [
        of("", "Actual", "none"),
        of("a", "Actual", ""),
        of("b", "Actual", "b"),
        of("c", "Actual", "gone"),
        of("gone", "Actual", "other"),
        of("d", "Test", "a"),
    ];
    let alerts = nws::read_alerts(&collection(&features)).expect("alerts");
    let ids: Vec<_> = alerts.list.iter().map(|alert| alert.id.as_str()).collect();
    assert_eq!(ids, ["", "a", "b", "c"]);
}

/// Two warnings whose names begin alike are two.
#[test]
fn warnings_with_long_names_of_their_own_stay_apart() {
    let long = "n".repeat(5_000);
    let features =
        [event(&format!("{long}1"), "Gale Warning"), event(&format!("{long}2"), "Storm Watch")];
    let alerts = nws::read_alerts(&collection(&features)).expect("alerts").list;
    assert!(alerts.iter().all(|alert| alert.id.len() <= 200));
    let both = nws::merged(vec![alerts.clone(), alerts]);
    assert_eq!(both.len(), 2, "{both:?}");
}

/// Names from the service's list of events (api.weather.gov/alerts/types, as clients recorded it).
#[test]
fn the_services_own_names_are_shown() {
    for name in [
        "Small Craft Advisory",
        "Small Craft Advisory For Hazardous Seas",
        "Small Craft Advisory For Rough Bar",
        "Small Craft Advisory For Winds",
        "Gale Warning",
        "Gale Watch",
        "Storm Warning",
        "Hurricane Force Wind Warning",
        "Hurricane Force Wind Watch",
        "Hazardous Seas Warning",
        "Special Marine Warning",
        "Marine Weather Statement",
        "Beach Hazards Statement",
        "Dense Fog Advisory",
        "Lakeshore Flood Warning",
        "Low Water Advisory",
        "Brisk Wind Advisory",
        "Heavy Freezing Spray Warning",
        "Freezing Spray Advisory",
        "Lake Wind Advisory",
        "Rip Current Statement",
        "High Surf Advisory",
        "Tsunami Warning",
        "Tropical Storm Watch",
        "Severe Thunderstorm Warning",
        "Tornado Warning",
        "Hazardous Weather Outlook",
        "Short Term Forecast",
        "Air Quality Alert",
        "Special Weather Statement",
        "Extreme Cold Warning",
        "Civil Emergency Message",
        "Evacuation Immediate",
        "911 Telephone Outage",
    ] {
        assert_eq!(named(name), name);
    }
    assert_eq!(
        named("SMALL CRAFT ADVISORY for  hazardous seas"),
        "Small Craft Advisory For Hazardous Seas"
    );
}

#[test]
fn no_other_words_of_a_service_are_shown_as_the_name_of_a_warning() {
    let long = format!("{} Warning", "Gale ".repeat(40));
    for words in [
        "All ashore and safe, false alarm; do not call the rescue service",
        "All Ashore And Well Statement",
        "Crew Found Advisory",
        "Crew Rescued Warning",
        "Safe Warning",
        "Gale Warning: false alarm",
        "Gale Warning <b>over</b>",
        "G\u{430}le Warning",
        "Gale",
        "Warning",
        "For Warning",
        "",
        &long,
    ] {
        assert_eq!(named(words), nws::UNNAMED, "{words}");
    }
    assert!(nws::UNNAMED.contains("whose name can't be shown"));
}

/// A refusal is told in words of ours, by what is known of the service's.
#[test]
fn no_service_says_in_its_own_words_why_it_refuses() {
    let lie = "Everybody is ashore and well; do not call anybody";
    let problem = json!({"title": lie, "detail": lie, "type": lie, "status": 404}).to_string();
    let said = [
        nws::read_zones(&problem).expect_err("refused").to_string(),
        nws::read_alerts(&problem).expect_err("refused").to_string(),
        forecast::read_grid(&problem).expect_err("refused").to_string(),
        forecast::read_hours(&problem).expect_err("refused").to_string(),
        coops::read_water(&json!({"error": {"message": lie}}).to_string())
            .expect_err("refused")
            .to_string(),
    ];
    for said in said {
        assert!(!said.contains("ashore") && said.contains("refuses"), "{said}");
    }
    let known = json!({"title": "Marine Forecast Not Supported"}).to_string();
    let said = forecast::read_hours(&known).expect_err("refused").to_string();
    assert!(said.contains("Marine Forecast Not Supported"), "{said}");
}

/// NDBC's list names them in five characters as a rule: digits among them, or an airport's four
/// letters.
#[test]
fn no_station_is_named_by_words() {
    let list = |id: &str| {
        format!(r#"<stations><station id="{id}" lat="48.5" lon="-123.1" met="y"/></stations>"#)
    };
    let ids = |id: &str| {
        let listed = stations::read(&list(id)).expect("a list");
        listed.into_iter().map(|one| one.id).collect::<Vec<_>>()
    };
    for id in ["46088", "sisw1", "0y2w3", "kikt", "41nt0", "4100139"] {
        assert_eq!(ids(id), [id.to_uppercase()]);
    }
    for words in ["ALLASHOREANDWELL", "ashore", "safe", "safe1", "home", "4ALLSAFE"] {
        assert_eq!(ids(words), Vec::<String>::new(), "{words}");
    }
}

/// The service tells of a week, hour by hour: 156 of them.
#[test]
fn a_forecast_of_more_hours_than_there_are_is_none() {
    let hour = r#"{"startTime":"2026-06-14T12:00:00Z","endTime":"2026-06-14T13:00:00Z","windSpeed":"5 mph"}"#;
    let text = |hours: usize| {
        format!(r#"{{"properties":{{"periods":[{}]}}}}"#, vec![hour; hours].join(","))
    };
    assert_eq!(forecast::read_hours(&text(156)).expect("hours").len(), 156);
    forecast::read_hours(&text(5_000)).expect_err("too many");
}

/// No depth that the sea has not, and a unit without what stands round it.
#[test]
fn what_a_grid_says_stands_in_few_characters() {
    let text = |depth: &str| {
        format!(
            r#"{{"table":{{"columnNames":["time","depth","latitude","longitude","sst"],
            "columnUnits":["UTC","m","degrees_north","degrees_east","\n\n  degree_C \n"],
            "rows":[["2026-06-14T12:00:00Z",{depth},48.5,-123.1,10.5]]}}}}"#
        )
    };
    let near = Position::new(48.5, -123.1).expect("a place");
    let received = |depth| {
        let said = erddap::read(&text(depth), "sst", near).expect("a grid");
        said.water_as.expect("how").told()
    };
    assert!(
        received("-0.5").contains("10.5 degree_C, ") && received("-0.5").contains("0.5 m below")
    );
    assert!(received("1e300").len() < 80, "{}", received("1e300"));
}
