//! NDBC's station text, against its own published examples and every oddity met in its files.

#![allow(clippy::expect_used)]

use chrono::{DateTime, Utc};
use proptest::prelude::*;
use shorelamp::conditions::ndbc::{NdbcError, read};
use shorelamp::conditions::{Observations, Observed};

/// The header of the realtime files (NDBC, measdes.shtml; units line since 2007-04-10).
const HEADER: &str = "\
#YY  MM DD hh mm WDIR WSPD GST  WVHT   DPD   APD MWD   PRES  ATMP  WTMP  DEWP  VIS PTDY  TIDE
#yr  mo dy hr mn degT m/s  m/s     m   sec   sec degT   hPa  degC  degC  degC  nmi  hPa    ft
";

fn table(rows: &[&str]) -> String {
    format!("{HEADER}{}\n", rows.join("\n"))
}

fn utc(text: &str) -> DateTime<Utc> {
    DateTime::parse_from_rfc3339(text).expect("a time of this test").to_utc()
}

fn seen(value: f64, at: &str) -> Option<Observed> {
    Some(Observed { value, taken_at: utc(at) })
}

/// The row that NDBC prints as its example (measdes.shtml): wind 120° at 5.0 m/s gusting 6.0, air
/// 29.3 °C, water 30.5 °C.
#[test]
fn the_published_example_row() {
    let row = "2014 09 11 16 50 120  5.0  6.0   0.6     6   4.2 134 1016.5  29.3  30.5  24.4   MM +0.3    MM";
    let found = read(&table(&[row])).expect("the published row");
    let at = "2014-09-11T16:50:00Z";
    assert_eq!(found.water_c, seen(30.5, at));
    assert_eq!(found.air_c, seen(29.3, at));
    assert_eq!(found.wind_from_deg, seen(120.0, at));
    // 5 m/s and 6 m/s are 9.72 and 11.66 kn (1 kn = 0.514444 m/s, WMO).
    let knots = |speed: Option<Observed>| speed.map(|speed| (speed.value * 100.0).round() / 100.0);
    assert_eq!(knots(found.wind_kn), Some(9.72));
    assert_eq!(knots(found.gust_kn), Some(11.66));
}

/// Rows as recorded from a station whose water and wave sensors report more seldom than its wind;
/// the water column is filled in by us.
#[test]
fn a_missing_value_comes_from_an_older_row_with_that_rows_time() {
    let found = read(&table(&[
        "2026 10 07 22 00  80 11.0 13.0    MM    MM    MM  MM 1008.6  26.4    MM  25.5   MM -0.7    MM",
        "2026 10 07 21 40  80 10.0 12.0   2.0     8   6.0 110 1008.9  26.4  27.1  25.5   MM   MM    MM",
        "2026 10 07 21 20  80 10.0 12.0   2.0     8   6.0 110 1008.9  26.4  27.9  25.5   MM   MM    MM",
    ]))
    .expect("a table");
    assert_eq!(found.water_c, seen(27.1, "2026-10-07T21:40:00Z"));
    assert_eq!(found.air_c, seen(26.4, "2026-10-07T22:00:00Z"));
}

/// The line of units is believed: one that says Fahrenheit is turned into Celsius, one that is not
/// understood costs the water and nothing else. 51.8 °F are 11 °C.
#[test]
fn a_water_temperature_keeps_its_unit() {
    let rows = "2026 10 07 22 00  80 11.0 13.0    MM    MM    MM  MM 1008.6  26.4  51.8  25.5   MM -0.7    MM";
    let of_water = |unit: &str| {
        let (names, units) = HEADER.split_once('\n').expect("two lines");
        let units = units.replacen("degC  degC  degC", &format!("degC  {unit}  degC"), 1);
        read(&format!("{names}\n{units}{rows}\n")).expect("a table")
    };
    let fahrenheit = of_water("degF");
    let water_c = fahrenheit.water_c.expect("a temperature").value;
    assert!((water_c - 11.0).abs() < 1e-9, "{water_c}");
    let received = fahrenheit.water_as.expect("how it came");
    assert_eq!((received.value, received.unit.as_str()), (51.8, "degF"));
    let unknown = of_water("degX");
    assert_eq!((unknown.water_c, unknown.water_as), (None, None));
    assert_eq!(unknown.air_c, seen(26.4, "2026-10-07T22:00:00Z"));
    let celsius = read(&table(&[rows])).expect("a table");
    assert_eq!((celsius.water_c, celsius.water_as), (None, None), "51.8 °C is no water");
}

/// Recorded rows of a shore station: wind and air, never water (`MM`, measdes.shtml).
#[test]
fn a_station_without_water_has_no_water() {
    let found = read(&table(&[
        "2021 07 14 21 40 230  3.0  5.0    MM    MM    MM  MM 1015.6  12.7    MM  11.1   MM   MM    MM",
    ]))
    .expect("a table");
    assert_eq!(found.water_c, None);
    assert_eq!(found.air_c, seen(12.7, "2021-07-14T21:40:00Z"));
}

#[test]
fn comments_stand_anywhere_and_order_is_not_trusted() {
    let found = read(&table(&[
        "2026 06 14 11 00 230  3.0  5.0    MM    MM    MM  MM 1015.6  12.7   9.8  11.1   MM   MM    MM",
        "# 46999 moved on 2026 06 14 11 20 to another place: WTMP 99.9",
        "2026 06 14 12 00 230  3.0  5.0    MM    MM    MM  MM 1015.6  12.7   9.1  11.1   MM   MM    MM",
    ]))
    .expect("a table");
    assert_eq!(found.water_c, seen(9.1, "2026-06-14T12:00:00Z"));
}

/// The header of yearly files before 2007: no `#`, no units, no minutes at first, two digits of the
/// year, and 99.0, 999.0 where a value is missing (NDBC, measdes.shtml; the years from memory).
#[test]
fn old_yearly_files_are_read_and_their_sentinels_are_no_values() {
    let text = "\
YY MM DD hh WD   WSPD GST  WVHT  DPD   APD  MWD  BAR    ATMP  WTMP  DEWP  VIS
98 05 01 13 120  05.0 06.0 99.00 99.00 99.00 999 1016.5 999.0 999.0 999.0 99.0
98 05 01 12 120  99.0 99.0 99.00 99.00 99.00 999 1016.5  12.3  11.4 999.0 99.0
";
    let found = read(text).expect("a table");
    assert_eq!(found.water_c, seen(11.4, "1998-05-01T12:00:00Z"));
    assert_eq!(found.air_c, seen(12.3, "1998-05-01T12:00:00Z"));
    assert_eq!(found.gust_kn.map(|gust| gust.taken_at), Some(utc("1998-05-01T13:00:00Z")));
}

#[test]
fn implausible_values_and_broken_rows_are_passed_over() {
    for water in ["999.0", "-40.0", "NaN", "inf", "1e9", "9,1", "+", "--"] {
        let row = format!("26 06 14 12 00 MM MM MM MM MM MM MM MM MM {water} MM MM MM MM");
        let found = read(&table(&[&row])).expect("a table");
        assert_eq!(found, Observations::default(), "{water}");
    }
    for row in [
        "2026 06 14 12 00 MM MM MM MM MM MM MM MM MM 9.1 MM MM MM",
        "2026 06 14 12 00 MM MM MM MM MM MM MM MM MM 9.1 MM MM MM MM MM",
        "2026 02 30 12 00 MM MM MM MM MM MM MM MM MM 9.1 MM MM MM MM",
        "2026 06 14 24 00 MM MM MM MM MM MM MM MM MM 9.1 MM MM MM MM",
        "2026 06 MM 12 00 MM MM MM MM MM MM MM MM MM 9.1 MM MM MM MM",
        "99999999999 06 14 12 00 MM MM MM MM MM MM MM MM MM 9.1 MM MM MM MM",
    ] {
        assert_eq!(read(&table(&[row])), Err(NdbcError::NoRows), "{row}");
    }
}

/// An error page of a web server, an error text of this one, another encoding, another table.
#[test]
fn other_bodies_are_refused() {
    let utf_16: String = HEADER.chars().flat_map(|c| [c, '\0']).collect();
    for body in [
        "",
        "\n\n",
        "<!DOCTYPE html><html><head><title>404 Not Found</title></head></html>",
        "{\"error\": \"no data\"}",
        &utf_16,
        "#yy  mo dy hr mn degT\n2026 06 14 12 00 120",
        "2026 06 14 12 00 120  5.0  6.0   0.6     6   4.2 134 1016.5  29.3  30.5  24.4   MM +0.3    MM",
    ] {
        assert_eq!(read(body), Err(NdbcError::NoTable), "{body}");
    }
    assert_eq!(read(HEADER), Err(NdbcError::NoRows));
}

proptest! {
    /// Nothing that a service sends can make the reader fall over.
    #[test]
    fn any_text_is_taken(rows in prop::collection::vec("[0-9M +.#a-zé-]{0,80}", 0..20), raw in ".{0,200}") {
        let rows: Vec<_> = rows.iter().map(String::as_str).collect();
        let _ = read(&table(&rows));
        let _ = read(&raw);
    }

    /// Whatever comes out is a plausible number.
    #[test]
    fn what_is_read_is_plausible(water in -1e4_f64..1e4) {
        let row = format!("2026 06 14 12 00 MM MM MM MM MM MM MM MM MM {water:.1} MM MM MM MM");
        let found = read(&table(&[&row])).expect("a table").water_c.map(|water| water.value);
        prop_assert!(found.is_none_or(|water| (-2.5..=40.0).contains(&water)));
    }
}
