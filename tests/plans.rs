//! Plans on their way through TOML, JSON and GPX: nothing is lost, nothing is moved.

#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::Path;

use chrono::DateTime;
use geographiclib_rs::{Geodesic, InverseGeodesic};
use proptest::prelude::*;
use serde_json::{Map, Value, json};
use shorelamp::measure::Position;
use shorelamp::plan::{Plan, Waypoint, read_gpx, read_json, read_toml};

fn no_files(name: &str) -> Result<Vec<Waypoint>, String> {
    Err(format!("{name} is not there"))
}

/// The smallest plan, of invented people, with these times.
fn small_plan(zone: &str, launch: &str, return_by: &str) -> String {
    json!({
        "times": {"zone": zone, "launch": launch, "return_by": return_by},
        "launch": {"position": "48.5608 -123.1755"},
        "crew": [{"name": "Maren Tollefsby"}],
        "contact": [{"name": "Philippa Ashgrove", "email": "philippa@example.org"}],
    })
    .to_string()
}

// ---- TOML and JSON ------------------------------------------------------------------------------

/// One line of text as people write it, in every script and with every quotation mark.
fn line() -> impl Strategy<Value = Value> {
    "[A-Za-zÀ-žΑ-ω가-힣0-9\"'\\\\#=\\[\\]{}<>&.,;:!? -]{0,40}[a-z]"
        .prop_map(|text| json!(text.trim()))
}

fn paragraph() -> impl Strategy<Value = Value> {
    "[a-zé\"'\\\\\n\t ]{0,60}[a-z]".prop_map(|text| json!(text.trim()))
}

/// A number with one decimal.
fn tenths(least: i32, most: i32) -> impl Strategy<Value = Value> {
    (least * 10..=most * 10).prop_map(|tenths| json!(f64::from(tenths) / 10.0))
}

fn position() -> impl Strategy<Value = Value> {
    (-90.0f64..=90.0, -180.0f64..=180.0)
        .prop_map(|(lat, lon)| json!(Position::new(lat, lon).unwrap().to_string()))
}

fn phone() -> impl Strategy<Value = Value> {
    (100u32..200).prop_map(|number| json!(format!("+1 360 555 0{number}")))
}

fn email() -> impl Strategy<Value = Value> {
    "[a-z]{1,12}([.+_-][a-z0-9]{1,8})?@example\\.org".prop_map(|text| json!(text))
}

fn choice(names: &'static [&'static str]) -> impl Strategy<Value = Value> {
    prop::sample::select(names).prop_map(|name| json!(name))
}

fn yes_or_no() -> impl Strategy<Value = Value> {
    any::<bool>().prop_map(|answer| json!(answer))
}

fn span() -> impl Strategy<Value = Value> {
    (1u32..600).prop_map(|minutes| {
        let (hours, rest) = (minutes / 60, minutes % 60);
        let hours = if hours > 0 { format!("{hours}h") } else { String::new() };
        json!(if rest > 0 { format!("{hours}{rest}m") } else { hours })
    })
}

/// A table in which each key stands or not.
fn table(keys: Vec<(&'static str, BoxedStrategy<Value>)>) -> impl Strategy<Value = Value> {
    let entries: Vec<_> = keys
        .into_iter()
        .map(|(key, value)| prop::option::of(value).prop_map(move |value| (key, value)))
        .collect();
    entries.prop_map(|entries| {
        let said = entries.into_iter().filter_map(|(key, value)| Some((key.to_owned(), value?)));
        Value::Object(said.collect())
    })
}

/// `table` and these keys.
fn with(table: Value, keys: Value) -> Value {
    let (Value::Object(mut all), Value::Object(keys)) = (table, keys) else { unreachable!() };
    all.extend(keys);
    Value::Object(all)
}

fn crew() -> impl Strategy<Value = Value> {
    let member = table(vec![
        ("phone", phone().boxed()),
        ("email", email().boxed()),
        ("age", (0u32..=120).prop_map(|age| json!(age)).boxed()),
        ("wearing", line().boxed()),
        ("immersion_wear", choice(&["none", "wetsuit", "drysuit"]).boxed()),
        ("lifejacket", choice(&["worn", "carried", "none"]).boxed()),
        ("medical", paragraph().boxed()),
        ("swims", line().boxed()),
        ("experience", paragraph().boxed()),
        ("beginner", yes_or_no().boxed()),
    ]);
    prop::collection::vec((member, line()), 1..5).prop_map(|crew| {
        // The number makes the names differ.
        let named = |(at, (member, name)): (usize, (Value, Value))| {
            with(member, json!({"name": format!("{} {at}", name.as_str().unwrap())}))
        };
        crew.into_iter().enumerate().map(named).collect()
    })
}

fn contacts() -> impl Strategy<Value = Value> {
    let contact = table(vec![("relation", line().boxed()), ("phone", phone().boxed())]);
    prop::collection::vec((contact, line(), email()), 1..4).prop_map(|contacts| {
        let whole = |(contact, name, email)| with(contact, json!({"name": name, "email": email}));
        contacts.into_iter().map(whole).collect()
    })
}

fn times() -> impl Strategy<Value = Value> {
    const ZONES: &[&str] =
        &["America/Los_Angeles", "Europe/Oslo", "Pacific/Fiji", "Australia/Lord_Howe"];
    let launch_s = 1_767_225_600i64..2_082_758_400; // 2026 to 2035
    (prop::sample::select(ZONES), launch_s, 1i64..5_000_000, prop::option::of(span())).prop_map(
        |(zone, launch_s, trip_s, grace)| {
            let utc = |second| DateTime::from_timestamp(second, 0).unwrap().to_rfc3339();
            let times = json!({"zone": zone, "launch": utc(launch_s),
                "return_by": utc(launch_s + trip_s)});
            match grace {
                Some(grace) => with(times, json!({"grace": grace})),
                None => times,
            }
        },
    )
}

/// A plan's keys as a program would write them.
fn plan() -> impl Strategy<Value = Value> {
    let waypoint = (table(vec![("name", line().boxed()), ("stay", span().boxed())]), position())
        .prop_map(|(rest, position)| with(rest, json!({"position": position})));
    let place = || {
        (table(vec![("name", line().boxed())]), position())
            .prop_map(|(rest, position)| with(rest, json!({"position": position})))
    };
    let craft = table(vec![
        ("name", line().boxed()),
        ("kind", line().boxed()),
        ("length_m", tenths(1, 30).boxed()),
        ("colours", line().boxed()),
        ("marks", line().boxed()),
    ]);
    let gear = table(vec![
        ("vhf", line().boxed()),
        ("mmsi", "[0-9]{9}".prop_map(|text| json!(text)).boxed()),
        ("beacon", "[0-9A-F]{15}".prop_map(|text| json!(text)).boxed()),
        ("night_signals", yes_or_no().boxed()),
        ("light", yes_or_no().boxed()),
        ("sound_signal", yes_or_no().boxed()),
        ("notes", paragraph().boxed()),
    ]);
    let stated = table(vec![
        ("water_c", tenths(-2, 40).boxed()),
        ("air_c", tenths(-60, 60).boxed()),
        ("wind_kn", tenths(0, 150).boxed()),
        ("wind_from_deg", tenths(0, 360).boxed()),
    ]);
    let optional = table(vec![
        ("title", line().boxed()),
        ("pace", tenths(1, 15).prop_map(|speed| json!({"speed_kn": speed})).boxed()),
        ("waypoint", prop::collection::vec(waypoint, 1..6).prop_map(Value::from).boxed()),
        ("landing", place().boxed()),
        ("craft", prop::collection::vec(craft, 1..4).prop_map(Value::from).boxed()),
        ("gear", gear.boxed()),
        ("stated", stated.boxed()),
    ]);
    (optional, times(), place(), crew(), contacts()).prop_map(
        |(optional, times, launch, crew, contacts)| {
            let required =
                json!({"times": times, "launch": launch, "crew": crew, "contact": contacts});
            with(optional, required)
        },
    )
}

/// What was sent, as it must come back: an instant is an instant, whatever its offset, and a table
/// in which nothing is said need not stand.
fn comparable(value: Value) -> Value {
    match value {
        Value::Object(table) => {
            let entries = table.into_iter().map(|(key, value)| match (key.as_str(), value) {
                ("launch" | "return_by", Value::String(time)) => {
                    let at = DateTime::parse_from_rfc3339(&time).unwrap();
                    (key, json!(at.timestamp_millis()))
                }
                (_, value) => (key, comparable(value)),
            });
            Value::Object(entries.filter(|(_, value)| *value != json!({})).collect::<Map<_, _>>())
        }
        Value::Array(list) => list.into_iter().map(comparable).collect(),
        other => other,
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn every_plan_survives_toml_and_json(sent in plan()) {
        let plan = read_json(&sent.to_string(), &no_files).unwrap();
        prop_assert_eq!(comparable(serde_json::to_value(&plan).unwrap()), comparable(sent));
        let toml = toml::to_string(&plan).unwrap();
        prop_assert_eq!(&read_toml(&toml, &no_files).unwrap(), &plan, "{}", toml);
        let json = serde_json::to_string(&plan).unwrap();
        prop_assert_eq!(&read_json(&json, &no_files).unwrap(), &plan);
    }

    #[test]
    fn no_text_makes_the_readers_panic(text in "\\PC{0,200}") {
        let _ = read_toml(&text, &no_files);
        let _ = read_json(&text, &no_files);
        let _ = read_gpx(&text);
    }
}

// ---- Positions ----------------------------------------------------------------------------------

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Every notation, in the launch, a waypoint and the landing at once; the sums are done here
    /// from whole ten-thousandths of a minute, apart from the reader.
    #[test]
    fn a_position_is_the_same_in_every_notation(
        lat in 0i32..=89 * 600_000, lon in 0i32..=179 * 600_000,
        (south, west) in any::<(bool, bool)>(),
    ) {
        let degrees = |angle: i32, minus: bool| {
            f64::from(angle) / 600_000.0 * if minus { -1.0 } else { 1.0 }
        };
        let minutes = |angle: i32, side: char| {
            let (degree, rest) = (angle / 600_000, angle % 600_000);
            (degree, rest / 10_000, rest % 10_000, side)
        };
        let (d, m, f, n) = minutes(lat, if south { 'S' } else { 'N' });
        let (e, k, g, w) = minutes(lon, if west { 'W' } else { 'E' });
        let (minus, less) = (if south { '-' } else { '+' }, if west { '-' } else { '+' });
        let seconds = |tenthousandths: i32| f64::from(tenthousandths) * 60.0 / 10_000.0;
        let written = [
            format!("{} {}", degrees(lat, south), degrees(lon, west)),
            format!("{d}°{m:02}.{f:04}'{n} {e}°{k:02}.{g:04}'{w}"),
            format!("{n}{d} {m}.{f:04}, {w}{e} {k}.{g:04}"),
            format!("{d}°{m}'{:.3}\"{n} {e}°{k}'{:.3}\"{w}", seconds(f), seconds(g)),
            format!("{minus}{d:02}{m:02}.{f:04}{less}{e:03}{k:02}.{g:04}/"),
        ];
        for text in &written {
            let plan = json!({
                "times": {"launch": "2027-05-15T06:15:00Z", "return_by": "2027-05-15T12:00:00Z"},
                "launch": {"position": text}, "landing": {"position": text},
                "waypoint": [{"position": text}],
                "crew": [{"name": "Maren Tollefsby"}],
                "contact": [{"name": "Philippa Ashgrove", "email": "philippa@example.org"}],
            });
            let route = read_json(&plan.to_string(), &no_files).unwrap().route();
            prop_assert_eq!(route.len(), 3);
            for position in route {
                let near = |a: f64, b: f64| (a - b).abs() < 1e-8;
                prop_assert!(near(position.lat_deg(), degrees(lat, south)), "{}", text);
                prop_assert!(near(position.lon_deg(), degrees(lon, west)), "{}", text);
            }
        }
    }
}

#[test]
fn minutes_below_sixty_are_taken_and_sixty_are_not() {
    let plan = |position: &str| {
        small_plan("America/Los_Angeles", "2027-05-15T06:15", "2027-05-15T12:00")
            .replace("48.5608 -123.1755", position)
    };
    let taken = read_json(&plan("48°59.9996'N 123°00.0000'W"), &no_files).unwrap();
    assert_eq!(taken.launch.position.degrees_minutes(), "49°00.000'N 123°00.000'W");
    assert!(read_json(&plan("48°60'N 123°10'W"), &no_files).is_err());
    assert!(read_json(&plan("48°59'60\\\"N 123°10'W"), &no_files).is_err());
}

// ---- GPX ----------------------------------------------------------------------------------------

fn gpx(inner: &str) -> String {
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<gpx version=\"1.1\" creator=\"invented\" \
         xmlns=\"http://www.topografix.com/GPX/1/1\">{inner}</gpx>"
    )
}

fn places(text: &str) -> Vec<(f64, f64)> {
    let waypoints = read_gpx(text).unwrap();
    waypoints.iter().map(|at| (at.position.lat_deg(), at.position.lon_deg())).collect()
}

#[test]
fn a_route_comes_before_a_track_and_a_track_before_waypoints() {
    let wpt = "<wpt lat=\"48.1\" lon=\"-123.1\"><name>One</name></wpt>";
    let rte = "<rte><rtept lat=\"48.2\" lon=\"-123.2\"/><rtept lat=\"48.3\" lon=\"-123.3\"/></rte>";
    let trk = "<trk><trkseg><trkpt lat=\"48.4\" lon=\"-123.4\"><ele>1</ele></trkpt></trkseg>\
               <trkseg><trkpt lat=\"48.5\" lon=\"-123.5\"/></trkseg></trk>";
    assert_eq!(places(&gpx(&[wpt, rte, trk].concat())), [(48.2, -123.2), (48.3, -123.3)]);
    assert_eq!(places(&gpx(&[wpt, "<rte/>", trk].concat())), [(48.4, -123.4), (48.5, -123.5)]);
    assert_eq!(places(&gpx(wpt)), [(48.1, -123.1)]);
    assert_eq!(read_gpx(&gpx(wpt)).unwrap()[0].name.as_deref(), Some("One"));
}

#[test]
fn a_name_in_a_gpx_file_can_be_no_header() {
    let text =
        gpx("<wpt lat=\"48.1\" lon=\"-123.1\"><name>Kelp&#10;Bcc: all@example.org</name></wpt>");
    let name = read_gpx(&text).unwrap().remove(0).name.unwrap();
    assert_eq!(name, "Kelp Bcc: all@example.org");
}

/// Five thousand places as a receiver records them, one each three seconds: a winding way, the
/// noise of the fixes, and a rest of ten minutes.
fn recorded_track() -> Vec<(f64, f64)> {
    let mut noise = 17u32;
    let mut jitter = move || {
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (f64::from(noise >> 8) / f64::from(1 << 24) - 0.5) * 4e-5
    };
    let (mut lat, mut lon, mut heading) = (48.5608f64, -123.1755f64, 4.6f64);
    (0..5000)
        .map(|second| {
            let step_deg = if (2000..2200).contains(&second) { 0.0 } else { 4.0e-5 };
            heading += (f64::from(second) / 90.0).sin() * 0.02;
            lat += step_deg * heading.cos();
            lon += step_deg * heading.sin() / lat.to_radians().cos();
            (((lat + jitter()) * 1e7).round() / 1e7, ((lon + jitter()) * 1e7).round() / 1e7)
        })
        .collect()
}

/// Metres from a place to the stretch between two others, by geodesics on WGS 84 (Karney 2013, as
/// in GeographicLib): along and across the stretch from the azimuths at its start. On stretches of
/// a few kilometres that is right to a few millimetres.
fn distance_to_stretch_m(place: (f64, f64), from: (f64, f64), to: (f64, f64)) -> f64 {
    let wgs84 = Geodesic::wgs84();
    let inverse = |a: (f64, f64), b: (f64, f64)| -> (f64, f64) {
        let (metres, azimuth, _, _) = wgs84.inverse(a.0, a.1, b.0, b.1);
        (metres, azimuth)
    };
    let (length, course) = inverse(from, to);
    let (off, bearing) = inverse(from, place);
    let turned = (bearing - course).to_radians();
    let along = (off * turned.cos()).clamp(0.0, length);
    (off * turned.cos() - along).hypot(off * turned.sin())
}

#[test]
fn a_recorded_track_is_thinned_to_within_five_metres() {
    let track = recorded_track();
    let points: String = track
        .iter()
        .map(|(lat, lon)| format!("<trkpt lat=\"{lat:.7}\" lon=\"{lon:.7}\"/>"))
        .collect();
    let kept = places(&gpx(&format!("<trk><trkseg>{points}</trkseg></trk>")));
    assert!((20..500).contains(&kept.len()), "{} places kept", kept.len());
    assert_eq!((kept.first(), kept.last()), (track.first(), track.last()));

    let mut stretch = 0;
    let mut worst_m = 0.0f64;
    for place in &track {
        worst_m = worst_m.max(distance_to_stretch_m(*place, kept[stretch], kept[stretch + 1]));
        if stretch + 2 < kept.len() && *place == kept[stretch + 1] {
            stretch += 1;
        }
    }
    assert_eq!(stretch + 2, kept.len(), "a place was moved");
    // Degrees are scaled to metres on a sphere when thinning: half of one per cent.
    assert!(worst_m <= 5.0 * 1.005, "{worst_m} m off");
    assert!(worst_m > 2.5, "thinned less than it might: {worst_m} m");
}

// ---- Identities ---------------------------------------------------------------------------------

fn with_gear(gear: &Value) -> Result<Plan, String> {
    let plan = small_plan("America/Los_Angeles", "2027-05-15T06:15", "2027-05-15T12:00");
    let plan: Value = serde_json::from_str(&plan).unwrap();
    read_json(&with(plan, json!({"gear": gear})).to_string(), &no_files)
        .map_err(|faults| faults.to_string())
}

/// Beacon identities of every protocol, 15 digits of the first generation and 23 of the second.
/// The first is the worked example of COSPAS-SARSAT C/S G.005, 3.2.3; the others are printed, with
/// references to that organisation's pages, in the tests of a public decoder.
#[test]
fn beacons_of_every_protocol_are_taken() {
    for beacon in [
        "ADCD0228C500401",
        "A22F03504400001",
        "A22E00027000000",
        "BBAD5EE4A400191",
        "A029C2900D97591",
        "9B7B2059560E9D1",
        "A786492E70174C1",
        "2024F72524FFBFF",
        "1D0EA08C52FFBFF",
        "C00F429578002C1",
        "9C7F4B013595551",
        "9934039823D000000000000",
    ] {
        let gear = with_gear(&json!({"beacon": beacon})).unwrap().gear;
        assert_eq!(gear.beacon.as_deref(), Some(beacon));
        let spaced = format!("{} {}", &beacon[..5], &beacon[5..]).to_lowercase();
        assert_eq!(with_gear(&json!({"beacon": spaced})).unwrap().gear.beacon, gear.beacon);
    }
}

/// The forms of a maritime identity in ITU-R M.585-9: ship, group, coast station, aircraft,
/// handheld with DSC (its Australian example), craft of a parent ship, aid to navigation, AIS-SART,
/// man overboard, EPIRB-AIS.
#[test]
fn maritime_identities_of_every_form_keep_their_leading_zeros() {
    for mmsi in [
        "338555017",
        "036699999",
        "003669999",
        "111366001",
        "850300001",
        "983661234",
        "993661234",
        "970010001",
        "972010001",
        "974010001",
    ] {
        let gear = with_gear(&json!({"mmsi": mmsi})).unwrap().gear;
        assert_eq!(gear.mmsi.as_deref(), Some(mmsi));
    }
    assert!(with_gear(&json!({"mmsi": "03699999"})).is_err(), "eight digits");
}

// ---- The plans that come with the program -------------------------------------------------------

#[test]
fn the_demo_s_plans_are_plans() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data");
    let beside = |name: &str| {
        let text = fs::read_to_string(folder.join(name)).map_err(|error| error.to_string())?;
        read_gpx(&text).map_err(|error| error.to_string())
    };
    for (name, corners) in [("strait", 6), ("bay", 7), ("islands", 25)] {
        let text = fs::read_to_string(folder.join(format!("plan-{name}.toml"))).unwrap();
        let plan = read_toml(&text, &beside).unwrap_or_else(|faults| panic!("{name}: {faults}"));
        assert_eq!(plan.route().len(), corners, "{name}");
        assert_eq!(plan.times.zone.name(), "America/Los_Angeles", "{name}");
    }
}
