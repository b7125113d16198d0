//! `conditions near`, asked of stand-ins for the services: one that answers, one that hangs, one
//! that fails, one that floods. Stations and values are invented.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::thread;
use std::time::{Duration, Instant};

use chrono::{TimeDelta, Utc};
use serde_json::Value;

#[path = "commands/world.rs"]
#[allow(dead_code)]
mod world;

use world::World;

const PLACE: [&str; 2] = ["48.5160", "-123.1524"];

/// Four listed stations: two near, one some 45 km off that hangs, and one on another ocean.
const LIST: &str = r#"<stations>
<station id="near1" lat="48.53" lon="-123.15" type="buoy" met="y"/>
<station id="near2" lat="48.60" lon="-123.15" type="fixed" met="y"/>
<station id="hang1" lat="48.20" lon="-122.80" type="buoy" met="y"/>
<station id="far01" lat="30.0" lon="-80.0" type="buoy" met="y"/></stations>"#;

/// Rows so many minutes old, in NDBC's form.
fn table(minutes: i64, water: &str, wind_m_per_s: &str) -> String {
    let at = (Utc::now() - TimeDelta::minutes(minutes)).format("%Y %m %d %H %M");
    format!(
        "#YY  MM DD hh mm WDIR WSPD GST  WVHT   DPD   APD MWD   PRES  ATMP  WTMP  DEWP  VIS PTDY  TIDE\n\
         #yr  mo dy hr mn degT m/s  m/s     m   sec   sec degT   hPa  degC  degC  degC  nmi  hPa    ft\n\
         {at} 230  {wind_m_per_s}  5.0   0.4    MM    MM  MM 1015.6  12.7  {water}  11.1   MM   MM    MM\n"
    )
}

/// A stand-in for every service, on loopback.
fn services() -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            thread::spawn(move || serve(stream));
        }
    });
    url
}

fn serve(mut stream: TcpStream) {
    let mut request = [0; 4096];
    let read = stream.read(&mut request).unwrap_or(0);
    let request = String::from_utf8_lossy(&request[..read]).to_lowercase();
    let path = request.split_whitespace().nth(1).unwrap_or_default();
    let (status, body) = match path {
        path if path.contains("hang1") => {
            thread::sleep(Duration::from_secs(20));
            return;
        }
        path if path.contains("activestations") => ("200 OK", LIST.to_owned()),
        path if path.contains("near1") => ("200 OK", table(20, "9.1", "3.0")),
        path if path.contains("near2") => ("200 OK", table(40, "11.3", "6.0")),
        path if path.contains("/alerts/") => ("200 OK", r#"{"features":[]}"#.to_owned()),
        _ => ("404 Not Found", "no".to_owned()),
    };
    let head =
        format!("HTTP/1.1 {status}\r\nconnection: close\r\ncontent-length: {}\r\n\r\n", body.len());
    let _ = stream.write_all(format!("{head}{body}").as_bytes());
}

/// Settings that ask the stand-in for everything, and a named station where nobody listens.
fn world(url: &str, nearby: bool) -> World {
    let world = World::new();
    let settings = fs::read_to_string(world.path("shorelamp.toml")).unwrap();
    let water = format!(
        "[water]\nnearby = {nearby}\n[water.services]\nndbc = \"{url}\"\ncoops = \"{url}\"\n\
         erddap = \"{url}\"\nnws = \"{url}\"\n[[water.station]]"
    );
    world.write("shorelamp.toml", &settings.replace("[[water.station]]", &water));
    world
}

#[test]
fn the_nearest_are_found_and_the_coldest_governs() {
    let world = world(&services(), true);
    let began = Instant::now();
    let ended = world.run(&["conditions", "near", PLACE[0], PLACE[1], "--json"]);
    assert_eq!(ended.code, 0, "{ended:?}");
    assert!(began.elapsed() < Duration::from_secs(30), "{:?}", began.elapsed());
    let said: Value = serde_json::from_str(&ended.out).unwrap();
    assert_eq!(said["water"]["temperature_c"], 9.1, "{}", ended.out);
    assert_eq!(said["water"]["kind"], "observed");
    assert!(said["water"]["why"].as_str().unwrap().contains("coldest"));

    let water: Vec<_> =
        said["readings"].as_array().unwrap().iter().filter(|one| one["what"] == "water").collect();
    assert_eq!(water.len(), 2, "{}", ended.out);
    let nearest = water[0];
    assert_eq!((&nearest["station"], &nearest["service"]), (&"NEAR1".into(), &"ndbc".into()));
    assert_eq!((&nearest["value"], &nearest["unit"]), (&9.1.into(), &"degC".into()));
    assert_eq!(nearest["received"]["unit"], "degC");
    assert!(nearest["received"]["by"].as_str().unwrap().contains("sensor"));
    // 0.014 degrees of latitude are 1 557 m on WGS 84 (111.2 km a degree at 48.5° N).
    let away_m = nearest["distance_m"].as_f64().unwrap();
    assert!((away_m - 1_557.0).abs() < 40.0, "{away_m}");
    let age_s = nearest["age_s"].as_i64().unwrap();
    assert!((1_200..1_320).contains(&age_s), "{age_s}");
    assert!(nearest["taken_at"].as_str().unwrap().ends_with('Z'));
    assert_eq!((&nearest["governs"], &water[1]["governs"]), (&true.into(), &false.into()));
    assert!(water[1]["why"].as_str().unwrap().contains("warmer"), "{}", water[1]);

    // Of the winds the stronger one governs: 6 m/s are 11.7 kn.
    let wind = said["readings"]
        .as_array()
        .unwrap()
        .iter()
        .find(|one| one["what"] == "wind" && one["governs"] == true);
    assert_eq!(wind.unwrap()["station"], "NEAR2");
}

#[test]
fn who_did_not_answer_is_named_with_the_reason() {
    let world = world(&services(), false);
    let ended = world.run(&["conditions", "near", "48.5160 -123.1524"]);
    assert_eq!(ended.code, 0, "{ended:?}");
    for words in [
        "No answer: NDBC HANG1 did not answer within",
        "No answer: NDBC 46088 could not be reached",
        "9.1 °C (48 °F)",
        "NDBC NEAR1, 1.6 km (0.8 nautical miles) away",
        "received as 9.1 degC",
        "governs: the coldest that is fresh, near and timed",
        "does not govern: fresh too, but warmer",
        "12 kn (22 km/h)",
    ] {
        assert!(ended.out.contains(words), "no `{words}` in\n{}", ended.out);
    }
    assert!(!ended.out.contains("FAR01") && !ended.out.to_lowercase().contains("safe"));
}

#[test]
fn where_nobody_answers_the_water_is_merely_expected() {
    let world = world("http://127.0.0.1:9", true);
    let ended = world.run(&["conditions", "near", PLACE[0], PLACE[1]]);
    assert_eq!(ended.code, 0, "{ended:?}");
    assert!(ended.out.contains("Water: unknown"), "{}", ended.out);
    assert!(ended.out.contains("No answer: list of NDBC could not be reached"), "{}", ended.out);
}

#[test]
fn a_place_that_is_none_is_told_so() {
    let world = World::new();
    let ended = world.run(&["conditions", "near", "98.5", "-123.1"]);
    assert_eq!(ended.code, 64, "{ended:?}");
    // Southern latitudes begin like a flag.
    let south = world.run(&["conditions", "near", "-16.78", "-179.99", "--json"]);
    assert_eq!(south.code, 0, "{south:?}");
    assert!(south.out.starts_with('{'), "{}", south.out);
    let south = world.run(&["conditions", "near", "--json", "-16.78 -179.99"]);
    assert!(south.out.starts_with('{'), "{south:?}");
}
