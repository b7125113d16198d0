//! Which reading governs, and when the water is unknown.

#![allow(clippy::expect_used)]

use chrono::{DateTime, TimeDelta, Utc};
use proptest::prelude::*;
use shorelamp::conditions::{
    Answer, Kind, Observations, Observed, Service, Station, Trust, Water, Why, choose,
};
use shorelamp::measure::{Position, Span};
use shorelamp::plan::Stated;

fn now() -> DateTime<Utc> {
    DateTime::from_timestamp(1_781_440_200, 0).expect("2026-06-14T12:30:00Z")
}

fn place(lat_deg: f64, lon_deg: f64) -> Position {
    Position::new(lat_deg, lon_deg).expect("a place of this test")
}

/// An answer of an invented station, so many minutes old.
fn answer(id: &str, water_c: f64, minutes: i64) -> Answer {
    let taken_at = now() - TimeDelta::minutes(minutes);
    let water_c = Some(Observed { value: water_c, taken_at });
    Answer {
        station: Station {
            service: Service::Ndbc,
            id: id.to_owned(),
            position: place(48.332, -123.179),
            url: None,
        },
        said: Ok(Observations { water_c, ..Observations::default() }),
    }
}

fn stated(water_c: f64, minutes: Option<i64>) -> Stated {
    let taken_at = minutes.map(|minutes| now() - TimeDelta::minutes(minutes));
    Stated { water_c: Some(water_c), taken_at, ..Stated::default() }
}

fn water(answers: &[Answer], stated: Option<&Stated>) -> Water {
    let route = [place(48.542, -123.162), place(48.55, -123.2)];
    choose(answers, stated, &route, Trust::default(), now())
}

fn history(water: &Water) -> Vec<Why> {
    water.set_aside.iter().map(|aside| aside.why).collect()
}

#[test]
fn the_coldest_fresh_reading_governs_and_all_are_shown() {
    let crew = stated(11.0, Some(30));
    let water = water(&[answer("A", 12.5, 5), answer("B", 9.1, 90)], Some(&crew));
    let governs = water.governs.as_ref().expect("a fresh reading");
    assert_eq!((governs.kind, governs.temperature_c), (Kind::Observed, 9.1));
    assert_eq!((governs.source.to_string().as_str(), governs.age_s), ("station B", Some(5400)));
    assert_eq!(history(&water), [Why::Warmer, Why::Warmer]);
    assert!((water.spread_c() - 3.4).abs() < 1e-9);
}

#[test]
fn what_the_crew_states_governs_where_it_is_colder() {
    let crew = stated(8.0, Some(30));
    let water = water(&[answer("A", 9.1, 5)], Some(&crew));
    assert_eq!((water.kind(), water.temperature_c()), (Kind::Stated, Some(8.0)));
}

#[test]
fn a_reading_without_a_present_time_is_history_and_the_water_unknown() {
    for (minutes, why) in [(Some(181), Why::Stale), (Some(-11), Why::Ahead), (None, Why::Untimed)] {
        let water = water(&[], Some(&stated(9.0, minutes)));
        assert_eq!((water.kind(), water.temperature_c()), (Kind::Unknown, None));
        assert_eq!(history(&water), [why]);
    }
    for (minutes, age_s) in [(180, 10_800), (-10, 0)] {
        let water = water(&[answer("A", 9.0, minutes)], None);
        assert_eq!(water.governs.and_then(|reading| reading.age_s), Some(age_s));
    }
}

/// The distance from the buoy's place to the nearer corner: 23 385 m by the haversine formula on a
/// sphere of 6 371 km, worked out apart; the ellipsoid differs by less than half a per cent.
#[test]
fn a_station_says_how_far_it_is_and_one_too_far_away_does_not_govern() {
    let near = water(&[answer("A", 9.0, 5)], None);
    let distance_m = near.governs.and_then(|reading| reading.distance_m).expect("a distance");
    assert!((distance_m - 23_385.0).abs() < 23_385.0 * 0.005, "{distance_m}");

    let route = [place(46.81, -90.82)];
    let far = choose(&[answer("A", 9.0, 5)], None, &route, Trust::default(), now());
    assert_eq!((far.kind(), history(&far)), (Kind::Unknown, vec![Why::Far]));
}

#[test]
fn a_silent_station_is_named_with_its_reason() {
    let mut mute = answer("A", 9.0, 5);
    mute.said = Err("it did not answer within 3 s".to_owned());
    let mut dry = answer("B", 9.0, 5);
    dry.said = Ok(Observations::default());
    let water = water(&[mute, dry], None);
    assert_eq!(water.kind(), Kind::Unknown);
    let names: Vec<_> = water.silent.iter().map(|silent| silent.station.as_str()).collect();
    assert_eq!(names, ["A", "B"]);
    assert!(water.silent[1].why.contains("no water temperature"));
}

proptest! {
    /// Of any readings: no fresh one is colder than the one that governs, none is lost, and the
    /// water is unknown only if none is fresh.
    #[test]
    fn the_coldest_fresh_governs(read in prop::collection::vec((0.0_f64..30.0, -60_i64..600), 0..8)) {
        let answers: Vec<_> = read.iter().map(|(water_c, minutes)| answer("A", *water_c, *minutes)).collect();
        let water = water(&answers, None);
        let fresh = read.iter().filter(|(_, minutes)| (-10..=180).contains(minutes));
        let coldest_c = fresh.map(|(water_c, _)| *water_c).reduce(f64::min);
        prop_assert_eq!(water.temperature_c(), coldest_c);
        prop_assert_eq!(water.set_aside.len() + usize::from(water.governs.is_some()), read.len());
        prop_assert!(water.spread_c() >= 0.0);
    }

    /// Trusting older readings never makes the water warmer.
    #[test]
    fn a_longer_memory_is_never_warmer(read in prop::collection::vec((0.0_f64..30.0, 0_i64..600), 1..8), hours in 1_u16..9) {
        let answers: Vec<_> = read.iter().map(|(water_c, minutes)| answer("A", *water_c, *minutes)).collect();
        let route = [place(48.542, -123.162)];
        let with = |hours| {
            let trust = Trust { stale_after: Span::from_hours(hours), ..Trust::default() };
            choose(&answers, None, &route, trust, now()).temperature_c()
        };
        if let (Some(short_c), Some(long_c)) = (with(hours), with(hours + 1)) {
            prop_assert!(long_c <= short_c);
        }
    }
}

/// A wind of an invented station, so many hours old.
fn windy(id: &str, speed_kn: f64, hours: i64) -> Answer {
    let observed = Observed { value: speed_kn, taken_at: now() - TimeDelta::hours(hours) };
    let said = Observations { wind_kn: Some(observed), ..Observations::default() };
    Answer { said: Ok(said), ..answer(id, 9.0, 0) }
}

#[test]
fn the_last_wind_known_counts_where_there_is_no_newer_one() {
    let wind_kn = |answers: &[Answer]| water(answers, None).wind.map(|wind| wind.speed_kn);
    assert_eq!(wind_kn(&[windy("A", 34.0, 23)]), Some(34.0));
    assert_eq!(wind_kn(&[windy("A", 34.0, 25)]), Some(34.0));
    assert_eq!(wind_kn(&[windy("A", 34.0, 900), windy("B", 12.0, 30)]), Some(12.0));
    assert_eq!(wind_kn(&[windy("A", 34.0, 25), windy("B", 5.0, 1)]), Some(5.0));
    assert_eq!(wind_kn(&[windy("A", 34.0, -30)]), None);
}
