//! Six contrasting trips, judged whole: what a careful friend would say of each. People, stations
//! and readings are invented; the shores are those of `tests/data/geo`.
#![allow(clippy::expect_used)]

use std::fs;

use chrono::{DateTime, TimeDelta, Utc};
use shorelamp::caution::{Ashore, Level, Limits};
use shorelamp::conditions::nws::Warnings;
use shorelamp::conditions::{
    Answer, Forecast, Hours, Kind, Observations, Observed, Service, Source, Station, Trust, Wind,
    WindRow, choose, expected,
};
use shorelamp::measure::Span;
use shorelamp::plan::{Plan, read_toml};
use shorelamp::review::{Review, review, text};
use shorelamp::shoreline::{Shoreline, Shorelines};

/// What one station says: water, wind and where it is from, minutes ago.
type Said = (f64, f64, f64, i64);

/// Words that foretell a death: no rule lets them reach those ashore.
const FORETELLS: [&str; 6] =
    ["exhausted", "unconscious", "drown", "the worst", "useful hands", "breath"];

struct Trip {
    plan: Plan,
    review: Review,
    text: String,
}

impl Trip {
    fn judged(plan: &str, shore: Option<&str>, said: Option<Said>) -> Trip {
        let plan = read_toml(plan, &|_| Err("no files here".to_owned())).expect("a plan");
        let now = plan.times.launch.at - TimeDelta::minutes(30);
        let shores = shore.map(|name| {
            let path =
                format!("{}/tests/data/geo/shoreline/{name}.geojson", env!("CARGO_MANIFEST_DIR"));
            Shoreline::from_geojson(&fs::read_to_string(path).expect("a shore"), 250.0)
                .expect("a shore")
        });
        let answers: Vec<_> = said.map(|said| answer(&plan, said, now)).into_iter().collect();
        let day = plan.times.launch.at.with_timezone(&plan.times.zone).date_naive();
        let water = choose(&answers, plan.stated.as_ref(), &plan.route(), Trust::default(), now)
            .expecting(expected(&[], plan.launch.position, day))
            .hearing(Vec::new(), Warnings { asked: true, ..Warnings::default() })
            .foreseeing(forecast(&plan, said));
        let shores = Shorelines::new(shores.into_iter().collect());
        let grace = Span::from_minutes(15);
        let review = review(&plan, &shores, &water, &Limits::default(), grace, now);
        let text = text(&review, &plan);
        Trip { plan, review, text }
    }

    fn level(&self, id: &str) -> Option<Level> {
        let cautions = self.review.cautions.iter().filter(|caution| caution.id == id);
        cautions.map(|caution| caution.level).max()
    }

    /// What holds of every review's text.
    fn check(&self) {
        for line in self.text.lines() {
            assert!(line.chars().count() <= 78, "{line}");
        }
        assert!(!self.text.to_lowercase().contains("safe"), "{}", self.text);
        let more = |line: &str| line.starts_with("More (") || line.starts_with("Checked, ");
        let screen = self.text.lines().position(more).expect("an end of the cautions");
        assert!(screen <= 50, "a screen before more:\n{}", self.text);
        for caution in &self.review.cautions {
            assert!(!caution.source.is_empty() && !caution.clears.is_empty(), "{}", caution.id);
            assert!(caution.text.ends_with('.'), "{}", caution.text);
            let Some(ashore) = caution.told_ashore(&self.plan.contacts) else { continue };
            assert_ne!(caution.ashore, Ashore::Unsaid, "{}", caution.id);
            assert!(ashore.ends_with('.'), "{ashore}");
            for foretells in FORETELLS {
                assert!(!ashore.to_lowercase().contains(foretells), "{foretells} in {ashore}");
            }
            for contact in &self.plan.contacts {
                assert!(!ashore.contains(&contact.name), "{ashore}");
            }
        }
        assert!(self.plan.crew.iter().all(|one| self.text.contains(&one.name)));
    }
}

/// The wind of now for all of the trip's day, where anybody says anything.
fn forecast(plan: &Plan, said: Option<Said>) -> Forecast {
    let from = plan.times.launch.at - TimeDelta::hours(1);
    let hours = said.map(|(_, speed_kn, from_deg, _)| Wind {
        speed_kn,
        gust_kn: None,
        from_deg: Some(from_deg),
        source: Source::Forecast,
        taken_at: None,
        age_s: None,
        forecast_for: Some(Hours { from, to: from + TimeDelta::hours(12) }),
    });
    Forecast { asked: true, hours: hours.into_iter().collect(), silent: None }
}

fn answer(plan: &Plan, said: Said, now: DateTime<Utc>) -> Answer {
    let (water_c, wind_kn, from_deg, minutes) = said;
    let taken_at = now - TimeDelta::minutes(minutes);
    let observed = |value| Some(Observed { value, taken_at });
    let row = |ten: i64| WindRow {
        taken_at: taken_at - TimeDelta::minutes(10 * ten),
        speed_kn: wind_kn,
        from_deg,
    };
    Answer {
        station: Station {
            service: Service::Ndbc,
            id: "46999".to_owned(),
            position: plan.launch.position,
            url: None,
        },
        said: Ok(Observations {
            water_c: observed(water_c),
            wind_kn: observed(wind_kn),
            wind_from_deg: observed(from_deg),
            winds: (0..36).map(row).collect(),
            ..Observations::default()
        }),
    }
}

const CONTACTS: &str = r#"
[[contact]]
name = "Dunstan Okafor"
email = "dunstan@example.org"
phone = "+1 360 555 0177"
[[contact]]
name = "Mirela Sandoval"
email = "mirela@example.org"
phone = "+1 360 555 0118"
"#;

/// The beginner of a picture: cotton shirt, jacket in the boat, half a mile off in spring.
fn spring_lake() -> Trip {
    let plan = r#"
title = "Salmon off the point"
[times]
launch = "2026-05-09T09:00"
return_by = "2026-05-09T14:00"
[pace]
speed_kn = 2.5
[launch]
position = "46.8150 -90.8000"
[[waypoint]]
name = "Off the point"
position = "46.8300 -90.7300"
stay = "90m"
[[crew]]
name = "Perrin Aldous"
age = 27
phone = "+1 715 555 0101"
wearing = "cotton shirt, jeans"
immersion_wear = "none"
lifejacket = "carried"
beginner = true
[[craft]]
kind = "sit-on-top kayak"
length_m = 3.0
colours = "red"
[gear]
sound_signal = true
"#;
    Trip::judged(&format!("{plan}{CONTACTS}"), Some("superior"), Some((5.5, 9.0, 300.0, 20)))
}

#[test]
fn a_spring_lake() {
    let trip = spring_lake();
    trip.check();
    for id in
        ["cold-water", "lifejacket", "immersion-wear", "alone", "beginner", "help", "distance"]
    {
        assert_eq!(trip.level(id), Some(Level::Danger), "{id}\n{}", trip.text);
    }
    assert!(trip.text.contains("5.5 °C (42 °F)"), "{}", trip.text);
}

fn well_kept(title: &str, times: &str, route: &str, wear: &str) -> String {
    format!(
        r#"
title = "{title}"
[times]
{times}
[pace]
speed_kn = 3.0
{route}
[[crew]]
name = "Ines Halloran"
age = 44
phone = "+1 360 555 0142"
wearing = "orange {wear}, yellow life jacket"
immersion_wear = "{wear}"
lifejacket = "worn"
experience = "Twelve seasons"
[[crew]]
name = "Teo Brandvold"
age = 31
phone = "+1 360 555 0143"
wearing = "red {wear}, orange life jacket"
immersion_wear = "{wear}"
lifejacket = "worn"
experience = "Four seasons"
[[craft]]
name = "Petrel"
kind = "kayak"
length_m = 5.2
colours = "lime hull"
[gear]
vhf = "handheld, DSC"
mmsi = "833800001"
beacon = "A22F03504400001"
night_signals = true
light = true
sound_signal = true
{CONTACTS}"#
    )
}

fn summer_lake() -> Trip {
    let times = "launch = \"2026-08-15T10:00\"\nreturn_by = \"2026-08-15T13:00\"";
    let route = "[launch]\nposition = \"44.5070 -73.2690\"\nvehicle = \"Green estate car\"\n[[waypoint]]\nname = \"Along the beach\"\nposition = \"44.5090 -73.2690\"";
    let plan = well_kept("Along the beach", times, route, "wetsuit");
    Trip::judged(&plan, Some("champlain"), Some((23.0, 4.0, 180.0, 20)))
}

#[test]
fn a_summer_lake() {
    let trip = summer_lake();
    trip.check();
    let worst = trip.review.cautions.iter().map(|caution| caution.level).max();
    assert!(worst <= Some(Level::Caution), "{}", trip.text);
    assert_eq!(trip.level("cold-water"), Some(Level::Caution));
    assert!(trip.text.contains("nothing raised within these limits"), "{}", trip.text);
}

/// The same beach with wind along the lake, of which the data has tens of kilometres to the north
/// and to the south: no buoy tells of waves, so they are estimated, and said to be.
#[test]
fn waves_are_estimated_where_none_are_measured() {
    let times = "launch = \"2026-08-15T10:00\"\nreturn_by = \"2026-08-15T13:00\"";
    let route = "[launch]\nposition = \"44.5070 -73.3000\"\n[[waypoint]]\nname = \"Mid-lake\"\nposition = \"44.5090 -73.3100\"";
    let judged = |wind_kn: f64| {
        let plan = well_kept("Mid-lake", times, route, "wetsuit");
        Trip::judged(&plan, Some("champlain"), Some((23.0, wind_kn, 180.0, 20)))
    };
    let trip = judged(24.0);
    let sea = trip.review.water.sea.as_ref().expect("an estimate");
    assert!(sea.fetch_m > 3_000.0 && sea.height_m >= 0.5, "{sea:?}");
    assert!(trip.level("waves") >= Some(Level::Caution), "{}", trip.text);
    assert!(trip.text.contains("an estimate from 24 kn"), "{}", trip.text);
    assert_eq!(judged(4.0).level("waves"), None, "a light air raises nothing");
}

fn strait_at_dusk() -> Trip {
    let times = "launch = \"2026-09-20T16:30\"\nreturn_by = \"2026-09-20T19:45\"";
    let route = "[launch]\nposition = \"48.5420 -123.1620\"\nvehicle = \"Green estate car\"\n[[waypoint]]\nname = \"Tide rip\"\nposition = \"48.5300 -123.2100\"\nstay = \"45m\"";
    let plan = well_kept("The rip at dusk", times, route, "drysuit");
    Trip::judged(&plan, Some("salish"), Some((10.8, 18.0, 70.0, 100)))
}

/// Sunset there 19:10 local time (NOAA's formula, by hand to some minutes).
#[test]
fn a_tidal_strait_at_dusk() {
    let trip = strait_at_dusk();
    trip.check();
    assert!(trip.level("daylight") >= Some(Level::Caution), "{}", trip.text);
    assert!(trip.level("offshore-wind") >= Some(Level::Warning), "{}", trip.text);
    let doubt = trip.review.water.doubt.as_deref().expect("wind off the shore for hours");
    assert!(
        doubt.contains("off the shore") && trip.text.contains(doubt.split(',').next().expect(""))
    );
}

fn winter_fjord() -> Trip {
    let times = "launch = \"2026-01-17T10:00\"\nreturn_by = \"2026-01-17T14:30\"";
    let route = "[launch]\nposition = \"61.1000 6.5000\"\nvehicle = \"Green estate car\"\n[[waypoint]]\nname = \"The far side\"\nposition = \"61.1300 6.5200\"";
    let plan = well_kept("Across the fjord", times, route, "drysuit");
    Trip::judged(&plan, Some("sognefjord"), None)
}

/// Nobody measures there: the sea's mean of January, 6.41 °C, of which the cold end is judged.
#[test]
fn a_fjord_in_winter() {
    let trip = winter_fjord();
    trip.check();
    assert_eq!(trip.review.water.kind, Kind::Expected);
    assert_eq!(trip.review.water.temperature_c, Some(6.41));
    assert_eq!(trip.level("cold-water"), Some(Level::Danger));
    assert!(
        !trip.text.contains("a formula gives about"),
        "colder than it was measured\n{}",
        trip.text
    );
    assert!(trip.review.unknown.iter().any(|what| what.contains("wind")), "{}", trip.text);
    // What had nothing to go by is no quiet rule.
    for id in ["wind", "headwind", "offshore-wind", "waves"] {
        assert!(trip.review.unjudged.iter().any(|one| one == id), "{id}");
        assert!(trip.review.quiet.iter().all(|one| one != id), "{id}");
    }
    assert!(trip.text.contains("Could not be checked, for want of data: wind"), "{}", trip.text);
}

fn tropical_reef() -> Trip {
    let times = "launch = \"2026-02-10T08:00\"\nreturn_by = \"2026-02-10T12:00\"";
    let route = "[launch]\nposition = \"-16.7800 -179.9900\"\nvehicle = \"Green estate car\"\n[[waypoint]]\nname = \"The reef\"\nposition = \"-16.7600 -179.9700\"\nstay = \"1h\"";
    let plan = well_kept("Out to the reef", times, route, "none");
    Trip::judged(&plan, Some("taveuni"), None)
}

#[test]
fn a_tropical_reef() {
    let trip = tropical_reef();
    trip.check();
    assert_eq!(trip.review.water.kind, Kind::Expected);
    assert!(trip.level("cold-water") <= Some(Level::Caution), "{}", trip.text);
    assert_eq!(trip.level("help"), None, "{}", trip.text);
}

fn unknown_lake() -> Trip {
    let times = "launch = \"2026-06-20T09:00\"\nreturn_by = \"2026-06-20T12:00\"";
    let route = "[launch]\nposition = \"39.0800 -120.0500\"\nvehicle = \"Green estate car\"\n[[waypoint]]\nname = \"The island\"\nposition = \"39.1000 -120.0300\"";
    let plan = well_kept("A mountain lake", times, route, "wetsuit");
    Trip::judged(&plan, None, None)
}

#[test]
fn a_lake_without_data() {
    let trip = unknown_lake();
    trip.check();
    assert_eq!((trip.review.water.kind, trip.review.water.temperature_c), (Kind::Unknown, None));
    assert_eq!(trip.level("cold-water"), Some(Level::Danger));
    assert_eq!(trip.level("distance"), Some(Level::Warning), "{}", trip.text);
    assert!(trip.text.contains("no shoreline data"), "{}", trip.text);
}

/// Read with `cargo test --test cautions_plans printed -- --ignored --nocapture`.
#[test]
#[ignore = "prints the six for a reader"]
fn printed() {
    for trip in [
        spring_lake(),
        summer_lake(),
        strait_at_dusk(),
        winter_fjord(),
        tropical_reef(),
        unknown_lake(),
    ] {
        println!("{}\n{}", "=".repeat(78), trip.text);
    }
}
