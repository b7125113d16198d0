//! What the services' answers are read as: bodies in the form recorded from each, with invented
//! values, and every error they are known to give.

#![allow(clippy::expect_used)]

use proptest::prelude::*;
use shorelamp::conditions::coops::{self, CoopsError};
use shorelamp::conditions::erddap::{self, ErddapError};
use shorelamp::conditions::nws::{self, NwsError};
use shorelamp::conditions::stations::{self, StationsError};
use shorelamp::conditions::{Observed, ndbc};
use shorelamp::measure::Position;

fn place(lat_deg: f64, lon_deg: f64) -> Position {
    Position::new(lat_deg, lon_deg).expect("a place of this test")
}

fn told(observed: Option<Observed>) -> Option<(f64, String)> {
    observed.map(|one| (one.value, one.taken_at.format("%m-%d %H:%M").to_string()))
}

/// NDBC's list in the form recorded in 2018 and 2026; names and places are invented.
const LIST: &str = r#"<?xml version="1.0" encoding="utf-8"?>
<stations created="2026-06-14T12:55:03UTC" count="6">
  <!--Site Elevation (elev attribute), when present, is reported in meters above mean sea level.-->
  <station id="46999" lat="48.332" lon="-123.179" elev="0" name="Invented &quot;East&quot; &amp; Sons" owner="X" pgm="P" type="buoy" met="y" currents="n" waterquality="n" dart="n"/>
  <station id="nwpr9" lat="48.5" lon="-123.1" name="8452999 - Invented" owner="NOS" pgm="P" type="fixed" met="y" currents="n" waterquality="n" dart="n"/>
  <station id="46998" lat="48.54" lon="-123.16" name="Deep" owner="X" pgm="P" type="dart" met="y" currents="n" waterquality="n" dart="y"/>
  <station id="wq001" lat="48.9" lon="-123.0" name="Water" owner="X" pgm="P" type="other" met="n" currents="n" waterquality="y" dart="n"/>
  <station id="asleep" lat="48.55" lon="-123.17" name="Asleep" owner="X" pgm="P" type="buoy" met="n" currents="n" waterquality="n" dart="n"/>
  <station id="off" lat="98.5" lon="-123.1" name="Off the earth" owner="X" pgm="P" type="buoy" met="y" currents="n" waterquality="n" dart="n"/>
  <station id="../x" lat="48.5" lon="-123.1" name="Climber" owner="X" pgm="P" type="buoy" met="y" currents="n" waterquality="n" dart="n"/>
</stations>"#;

#[test]
fn the_list_gives_who_measured_of_late_and_is_near() {
    let all = stations::read(LIST).expect("a list");
    let ids: Vec<_> = all.iter().map(|station| station.id.as_str()).collect();
    assert_eq!(ids, ["46999", "NWPR9", "WQ001"]);
    let route = [place(48.54, -123.16)];
    let near = |within_m, most| -> Vec<_> {
        let near = stations::nearest(&all, &route, within_m, most);
        near.into_iter().map(|station| station.id).collect()
    };
    assert_eq!(near(100_000.0, 9), ["NWPR9", "46999", "WQ001"]);
    assert_eq!(near(100_000.0, 1), ["NWPR9"]);
    assert!(near(1_000.0, 9).is_empty());
}

#[test]
fn a_list_that_defines_things_or_is_none_is_refused() {
    let bomb = r#"<!DOCTYPE stations [<!ENTITY a "b"><!ENTITY c "&a;&a;">]>
        <stations><station id="&c;" lat="1" lon="1" met="y"/></stations>"#;
    assert_eq!(stations::read(bomb), Err(StationsError::NotXml));
    for text in ["", "Not Found", "<html><body>", "<stations><station"] {
        assert_eq!(stations::read(text), Err(StationsError::NotXml), "{text}");
    }
    assert_eq!(stations::read("<stations/>"), Err(StationsError::NoStations));
}

#[test]
fn ndbc_keeps_waves_and_the_winds_of_hours() {
    let text = "\
#YY  MM DD hh mm WDIR WSPD GST  WVHT   DPD   APD MWD   PRES  ATMP  WTMP  DEWP  VIS PTDY  TIDE
#yr  mo dy hr mn degT m/s  m/s     m   sec   sec degT   hPa  degC  degC  degC  nmi  hPa    ft
2026 06 14 12 00  80 11.0 13.0    MM    MM    MM  MM 1008.6  26.4    MM  25.5   MM -0.7    MM
2026 06 14 11 40  80 10.0 12.0   2.0     8   6.0 110 1008.9  26.4  26.0  25.5   MM   MM    MM
2026 06 14 11 20  MM 10.0 12.0   2.1     8   6.0 110 1008.9  26.4  26.0  25.5   MM   MM    MM
2026 06 13 23 30  90 10.0 12.0   2.0     8   6.0 110 1008.9  26.4  26.0  25.5   MM   MM    MM
";
    let said = ndbc::read(text).expect("a table");
    assert_eq!(told(said.waves_m), Some((2.0, "06-14 11:40".to_owned())));
    let winds: Vec<_> = said.winds.iter().map(|wind| wind.from_deg).collect();
    assert_eq!(winds, [80.0, 80.0], "one without direction, and one of yesterday, are none");
}

/// The forms of CO-OPS' response help; numbers are texts. 2.3 m/s are 4.47 kn.
#[test]
fn coops_tells_water_and_wind() {
    let water = r#"{"metadata":{"id":"9999999","name":"Invented","lat":"48.5","lon":"-123.0"},
        "data":[{"t":"2026-06-14 11:54","v":"11.2","f":"0,0,0"},
                {"t":"2026-06-14 12:00","v":"11.4","f":"0,0,0"},
                {"t":"2026-06-14 12:06","v":"19.9","f":"1,0,0"},
                {"t":"2026-06-14 12:12","v":"","f":"0,0,0"},
                {"t":"2026-06-14 12:18","v":"11400","f":"0,0,0"}]}"#;
    let said = coops::read_water(water).expect("water");
    assert_eq!(told(said.water_c), Some((11.4, "06-14 12:00".to_owned())), "flags and gaps");
    let received = said.water_as.expect("how it came");
    assert!(received.value == 11.4 && received.unit.starts_with("°C"), "{received:?}");

    let wind = r#"{"metadata":{"id":"9999999","name":"Invented","lat":"48.5","lon":"-123.0"},
        "data":[{"t":"2026-06-14 05:18","s":"1.0","d":"40.0","dr":"NE","g":"2.0","f":"0,0"},
                {"t":"2026-06-14 05:24","s":"1.2","d":"43.0","dr":"NE","g":"2.3","f":"0,0"}]}"#;
    let said = coops::read_wind(wind).expect("wind");
    let (gust_kn, at) = told(said.gust_kn).expect("a gust");
    assert!((gust_kn - 4.47).abs() < 0.01 && at == "06-14 05:24", "{gust_kn} {at}");
    assert_eq!(said.wind_from_deg.map(|from| from.value), Some(43.0));
    assert_eq!(said.winds.len(), 2);
}

/// Messages as recorded, with their blanks and lines.
#[test]
fn coops_tells_why_it_tells_nothing() {
    let error = |message: &str| {
        coops::read_water(&serde_json::json!({"error": {"message": message}}).to_string())
    };
    let none = " No data was found. This product may not be offered at this station at the \
                requested time.\n\n";
    assert_eq!(error(none), Err(CoopsError::NoData));
    let told = error("\n The station is not a valid station or there is system error.\n")
        .expect_err("refused")
        .to_string();
    assert_eq!(
        told,
        "the service refuses: The station is not a valid station or there is system error"
    );
    assert_eq!(coops::read_water(r#"{"metadata":{},"data":[]}"#), Err(CoopsError::NoData));
    let flagged = r#"{"data":[{"t":"2026-06-14 12:06","v":"19.9","f":"0,1,0"}]}"#;
    assert_eq!(coops::read_water(flagged), Err(CoopsError::NoRows));
    for text in ["", "<html>504</html>", "[]", "{\"data\":7}"] {
        assert_eq!(coops::read_water(text), Err(CoopsError::NotJson), "{text}");
    }
}

fn grid(unit: &str, rows: &str) -> String {
    format!(
        r#"{{"table":{{"columnNames":["time","zlev","latitude","longitude","sst"],
        "columnTypes":["String","float","double","double","float"],
        "columnUnits":["UTC","m","degrees_north","degrees_east","{unit}"],"rows":[{rows}]}}}}"#
    )
}

#[test]
fn erddap_gives_the_nearest_water_by_its_unit() {
    let rows = r#"["2026-06-14T12:00:00Z",0,44.459,-87.509,null],
                  ["2026-06-14T12:00:00Z",0,44.459,272.505,8.5],
                  ["2026-06-14T12:00:00Z",0,44.489,-87.509,9.5],
                  ["2026-06-13T12:00:00Z",0,44.459,-87.509,18.0]"#;
    let near = place(44.459, -87.509);
    for unit in ["degree_C", "degrees C", "Celsius"] {
        let said = erddap::read(&grid(unit, rows), "sst", near).expect("a pixel");
        assert_eq!(told(said.water_c), Some((8.5, "06-14 12:00".to_owned())), "{unit}");
        assert_eq!(said.position, Some(place(44.459, -87.495)), "longitude past 180");
        let received = said.water_as.expect("how it came");
        assert_eq!((received.value, received.unit.as_str()), (8.5, unit));
        assert_eq!(received.depth_m, Some(0.0), "the column zlev");
    }
    let kelvin = r#"["2026-06-14T12:00:00Z",0,44.459,-87.509,281.65]"#;
    let said = erddap::read(&grid("kelvin", kelvin), "sst", near).expect("a pixel");
    assert!(said.water_c.is_some_and(|water| (water.value - 8.5).abs() < 1e-9));
    let told = said.water_as.expect("how it came").told();
    assert!(told.starts_with("received as 281.65 kelvin, the surface"), "{told}");
    // Off by a thousand: the surface of no water.
    let wrong = r#"["2026-06-14T12:00:00Z",0,44.459,-87.509,8500]"#;
    assert_eq!(erddap::read(&grid("degree_C", wrong), "sst", near), Err(ErddapError::NoWater));
    let none = erddap::read(&grid("furlong", rows), "sst", near);
    assert_eq!(none, Err(ErddapError::Unit));
    let land = r#"["2026-06-14T12:00:00Z",0,44.459,-87.509,null]"#;
    assert_eq!(erddap::read(&grid("degree_C", land), "sst", near), Err(ErddapError::NoWater));
}

#[test]
fn erddap_tells_no_data_from_a_wrong_question() {
    let near = place(44.459, -87.509);
    for (text, error) in [
        (
            "Error {\n    code=404;\n    message=\"Not Found: Your query produced no matching \
             results. (time>=2019-03-27T00:00:00Z is outside of the variable's actual_range)\";\n}",
            ErddapError::NoData,
        ),
        ("Error {\n code=404;\n message=\"Not Found: (nRows = 0)\";\n}", ErddapError::NoData),
        (
            "Error {\n code=400;\n message=\"Bad Request: Query error: Unrecognized variable=sst\";\n}",
            ErddapError::BadQuestion,
        ),
        ("<html>Are you human?</html>", ErddapError::NotJson),
        ("{}", ErddapError::NotJson),
    ] {
        assert_eq!(erddap::read(text, "sst", near), Err(error), "{text}");
    }
}

#[test]
fn nws_names_the_zones_of_a_place_or_none() {
    let marine = r#"{"properties":{"type":"marine","gridId":"SEW","county":null,
        "forecastZone":"https://api.weather.gov/zones/forecast/PZZ999"}}"#;
    assert_eq!(nws::read_zones(marine), Ok(vec!["PZZ999".to_owned()]));
    let offshore = r#"{"properties":{"gridId":null,"forecast":null}}"#;
    assert_eq!(nws::read_zones(offshore), Ok(Vec::new()));
    let problem = r#"{"correlationId":"1d604a85","title":"Data Unavailable For Requested Point",
        "type":"https://api.weather.gov/problems/InvalidPoint","status":404,
        "detail":"Unable to provide data","instance":"https://api.weather.gov/requests/1d604a85"}"#;
    let refused = nws::read_zones(problem).expect_err("a refusal").to_string();
    assert!(refused.contains("Data Unavailable For Requested Point"), "{refused}");
    assert_eq!(nws::read_zones("Access Denied Reference #18.c968"), Err(NwsError::NotJson));
}

fn feature(id: &str, rest: &str) -> String {
    format!(
        r#"{{"geometry":null,"properties":{{"id":"{id}","areaDesc":"Invented","sent":
        "2026-06-14T05:00:00-07:00","effective":"2026-06-14T05:00:00-07:00","severity":"Moderate",
        "certainty":"Likely","event":"Small Craft Advisory For Winds","headline":null,{rest}}}}}"#
    )
}

/// CAP 1.2's words: only what is actual, stands, and touches the trip.
#[test]
fn nws_alerts_that_are_real_and_stand() {
    let features = [
        feature(
            "a",
            r#""status":"Actual","messageType":"Alert","onset":"2026-06-14T12:00:00-07:00","ends":null"#,
        ),
        feature("b", r#""status":"Test","messageType":"Alert""#),
        feature("c", r#""status":"Actual","messageType":"Cancel""#),
        feature("d", r#""status":"Actual","messageType":"Alert""#),
        feature(
            "e",
            r#""status":"Actual","messageType":"Update","references":[{"identifier":"d"}],
            "ends":"2026-06-14T11:00:00-07:00""#,
        ),
    ];
    let text = format!(r#"{{"type":"FeatureCollection","features":[{}]}}"#, features.join(","));
    let alerts = nws::read_alerts(&text).expect("alerts").list;
    let ids: Vec<_> = alerts.iter().map(|alert| alert.id.as_str()).collect();
    assert_eq!(ids, ["a", "e"]);
    let at = |text: &str| chrono::DateTime::parse_from_rfc3339(text).expect("a time").to_utc();
    let (ten, noon) = (at("2026-06-14T10:00:00-07:00"), at("2026-06-14T11:30:00-07:00"));
    assert!(!alerts[0].touches(ten, noon) && alerts[0].touches(ten, noon + (noon - ten)));
    assert!(alerts[1].touches(ten, noon) && !alerts[1].touches(noon, noon));
    let twice = nws::merged(vec![alerts.clone(), alerts]);
    assert_eq!(twice.len(), 2);
    let none = nws::Alerts { list: Vec::new(), more: false };
    assert_eq!(nws::read_alerts(r#"{"features":[]}"#), Ok(none));
    assert_eq!(nws::read_alerts("<html>"), Err(NwsError::NotJson));
}

proptest! {
    /// No reader panics, whatever it is given: noise, or a good body with something in it changed.
    #[test]
    fn nothing_panics(noise in ".{0,200}", at in any::<prop::sample::Index>(), with in ".{0,3}", which in 0_usize..4) {
        let rows = r#"["2026-06-14T12:00:00Z",0,44.459,-87.509,8.5]"#;
        let bodies = [
            LIST.to_owned(),
            r#"{"data":[{"t":"2026-06-14 12:00","v":"11.4","s":"1","d":"3","g":"2","f":"0,0,0"}]}"#.to_owned(),
            grid("degree_C", rows),
            format!(r#"{{"features":[{}]}}"#, feature("a", r#""status":"Actual""#)),
        ];
        let body: Vec<char> = bodies[which].chars().collect();
        let cut = at.index(body.len());
        let changed: String =
            body[..cut].iter().copied().chain(with.chars()).chain(body[cut + 1..].iter().copied()).collect();
        for text in [noise, changed] {
            let _ = stations::read(&text);
            let _ = ndbc::read(&text);
            let _ = (coops::read_water(&text), coops::read_wind(&text));
            if let Ok(said) = erddap::read(&text, "sst", place(44.0, -87.0)) {
                prop_assert!(said.water_c.is_some_and(|water| (-2.5..=40.0).contains(&water.value)));
            }
            let _ = (nws::read_zones(&text), nws::read_alerts(&text));
        }
    }
}
