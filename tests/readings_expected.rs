//! What is expected where nothing was measured, and when a reading is doubted.

#![allow(clippy::expect_used)]

use chrono::{DateTime, TimeDelta, Utc};
use proptest::prelude::*;
use shorelamp::caution::Limits;
use shorelamp::conditions::{
    Answer, Expected, Kind, Observations, Observed, Service, Station, Trust, Water, WindRow,
    choose, offshore_kn,
};
use shorelamp::measure::Position;

fn now() -> DateTime<Utc> {
    DateTime::from_timestamp(1_781_440_200, 0).expect("2026-06-14T12:30:00Z")
}

fn place() -> Position {
    Position::new(48.5, -123.1).expect("a place")
}

fn answer(service: Service, water_c: f64, minutes: i64) -> Answer {
    let water_c = Observed { value: water_c, taken_at: now() - TimeDelta::minutes(minutes) };
    let said = Observations { water_c: Some(water_c), ..Observations::default() };
    let station = Station { service, id: "A1".to_owned(), position: place(), url: None };
    Answer { station, said: Ok(said) }
}

fn silent() -> Answer {
    Answer { said: Err("did not answer".to_owned()), ..answer(Service::Ndbc, 0.0, 0) }
}

fn table(temperature_c: f64) -> Option<Expected> {
    Some(Expected { temperature_c, plus_minus_c: 4.0, source: "a table".to_owned() })
}

fn water(answers: &[Answer]) -> Water {
    choose(answers, None, &[place()], Trust::default(), now()).expecting(table(12.0))
}

#[test]
fn a_table_governs_only_where_nothing_was_measured() {
    let nothing = water(&[]);
    assert_eq!((nothing.kind(), nothing.temperature_c()), (Kind::Expected, Some(12.0)));
    assert_eq!(nothing.cold_end_c(), Some(8.0), "the cold end is judged");
    let source = nothing.governs.map(|reading| reading.source.to_string()).expect("it governs");
    assert_eq!(source, "expected, not measured, by a table, give or take 4 °C");
    let fresh = water(&[answer(Service::Ndbc, 14.0, 30)]);
    assert_eq!((fresh.kind(), fresh.cold_end_c()), (Kind::Observed, Some(14.0)));
    // A reading too old or a station that is silent leaves the water unknown, as cold as anything.
    for answers in [vec![answer(Service::Ndbc, 7.0, 600)], vec![silent()]] {
        let unknown = water(&answers);
        assert_eq!((unknown.kind(), unknown.cold_end_c()), (Kind::Unknown, None));
        assert!(unknown.coldest_c().is_some_and(|c| c <= 8.0), "{:?}", unknown.coldest_c());
    }
}

/// A grid of the surface comes once a day: late, it is an expectation, and after two days history.
#[test]
fn a_satellites_grid_is_a_reading_an_expectation_and_then_history() {
    let kind = |hours: i64| water(&[answer(Service::Erddap, 9.0, 60 * hours)]).kind();
    assert_eq!((kind(2), kind(20), kind(50)), (Kind::Observed, Kind::Expected, Kind::Unknown));
    let late = water(&[answer(Service::Erddap, 9.0, 20 * 60)]);
    assert_eq!((late.temperature_c(), late.cold_end_c()), (Some(9.0), Some(5.0)), "the colder");
}

/// Shore bearing 270°: wind from 270° is all offshore, from 225° 0.707, from 180° nothing, from
/// 090° ashore, from 300° 0.866 (worked out by hand).
#[test]
fn the_component_off_the_shore() {
    for (from_deg, part) in
        [(270.0, 1.0), (225.0, 0.707), (180.0, 0.0), (90.0, -1.0), (300.0, 0.866)]
    {
        assert!((offshore_kn(20.0, from_deg, 270.0) - 20.0 * part).abs() < 0.01, "{from_deg}");
    }
}

/// Wind from one direction over the last hours, each ten minutes.
fn winds(speed_kn: f64, from_deg: f64, hours: i64) -> Vec<WindRow> {
    let at = |minutes| now() - TimeDelta::minutes(minutes);
    (1..=6 * hours).map(|row| WindRow { taken_at: at(10 * row), speed_kn, from_deg }).collect()
}

#[test]
fn wind_off_the_shore_for_hours_makes_an_ageing_reading_doubtful() {
    let doubted = |minutes, winds: Vec<WindRow>| {
        let mut answer = answer(Service::Ndbc, 18.0, minutes);
        if let Ok(said) = &mut answer.said {
            said.winds = winds;
        }
        let limits = Limits::default().upwelling.of_conditions();
        water(&[answer]).mistrusting(limits, Some(270.0), now())
    };
    let water = doubted(90, winds(12.0, 270.0, 6));
    assert!(water.doubt.as_ref().is_some_and(|why| why.contains("off the shore")), "{water:?}");
    assert_eq!(
        (water.kind(), water.cold_end_c()),
        (Kind::Observed, None),
        "shown, and not trusted"
    );
    assert!(doubted(30, winds(12.0, 270.0, 6)).doubt.is_none(), "a new reading");
    assert!(doubted(90, winds(12.0, 90.0, 6)).doubt.is_none(), "wind ashore");
    assert!(doubted(90, winds(12.0, 180.0, 6)).doubt.is_none(), "wind along the shore");
    assert!(doubted(90, winds(12.0, 270.0, 2)).doubt.is_none(), "not for hours");
    assert!(doubted(90, winds(5.0, 270.0, 6)).doubt.is_none(), "a breath");
}

#[test]
fn stations_far_apart_make_an_ageing_reading_doubtful() {
    let limits = Limits::default().upwelling.of_conditions();
    let of = |warm_c, minutes| {
        let both = [answer(Service::Ndbc, 11.0, minutes), answer(Service::Ndbc, warm_c, 10)];
        water(&both).mistrusting(limits, None, now())
    };
    assert!(of(17.0, 90).doubt.is_some_and(|why| why.contains("differ by 6.0 °C")));
    assert!(of(14.0, 90).doubt.is_none() && of(17.0, 20).doubt.is_none());
}

proptest! {
    /// A staler reading never lets the water count as warmer, nor does a table.
    #[test]
    fn staler_is_never_warmer(water_c in 0.0_f64..30.0, minutes in 0_i64..900, more in 0_i64..900, expected_c in 0.0_f64..30.0) {
        let counts_as = |minutes| {
            let water = choose(&[answer(Service::Ndbc, water_c, minutes)], None, &[place()], Trust::default(), now())
                .expecting(table(expected_c));
            water.cold_end_c().unwrap_or(10.0_f64.min(water.coldest_c().unwrap_or(10.0)))
        };
        prop_assert!(counts_as(minutes + more) <= counts_as(minutes));
    }
}
