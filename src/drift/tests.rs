//! Drift against the figures of the published table, and against a datum that was worked out by
//! hand on a sphere.

use super::*;

fn near(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found}, expected {expected}");
}

/// OpenDrift's model without noise, on its table (`OBJECTPROP.DAT`): metres a second at 10, 15, 20
/// and 25 knots.
#[test]
fn the_speeds_are_those_of_the_published_classes() {
    let kayak = [(10.0, 0.1709), (15.0, 0.2007), (20.0, 0.2306), (25.0, 0.2604)];
    for (wind_kn, expected) in kayak {
        near(Class::SeaKayak.downwind_m_per_s(wind_kn), expected, 5e-5);
    }
    let board = [(10.0, 0.0993), (15.0, 0.1489), (20.0, 0.1986), (25.0, 0.2482)];
    for (wind_kn, expected) in board {
        near(Class::SurfBoard.downwind_m_per_s(wind_kn), expected, 5e-5);
    }
}

/// One standard deviation downwind at 15 knots: from 0.1642 to 0.2372 m/s for the kayak (the same
/// model and table, eps = sd).
#[test]
fn the_spread_is_that_of_the_trials() {
    let line = Class::SeaKayak.leeway().downwind;
    let wind_m_per_s = kn_to_m_per_s(15.0);
    let (middle, spread) = (line.m_per_s(wind_m_per_s), line.spread_m_per_s(wind_m_per_s));
    near(middle - spread, 0.1642, 6e-5);
    near(middle + spread, 0.2372, 6e-5);
}

/// Worked by hand on a sphere of 3440.065 nautical miles: from 46.85 N 90.7 W, four hours, wind FROM
/// 225 degrees at 15 knots, current 0.3 knots TOWARD 090 degrees, a sea kayak: to the right 2.646
/// nautical miles toward 069.4 degrees, to 46.86547 N 90.63965 W; to the left 2.483 toward 059.0, to
/// 46.87127 N 90.64812 W. The ellipsoid differs by some metres.
#[test]
fn the_worked_datum() {
    let start = Position::new(46.85, -90.7).unwrap();
    let blow = Blow { lasts: TimeDelta::hours(4), wind_kn: 15.0, from_deg: 225.0 };
    let current = Some(Current { speed_kn: 0.3, toward_deg: 90.0 });
    let drifted = drift(Class::SeaKayak, start, &[blow], current).unwrap();
    let check = |place: Place, nm: f64, bearing_deg: f64, lat_deg: f64, lon_deg: f64| {
        near(nautical_miles(place.distance_m), nm, 0.003);
        near(place.bearing_deg, bearing_deg, 0.06);
        near(place.at.lat_deg(), lat_deg, 2e-4);
        near(place.at.lon_deg(), lon_deg, 2e-4);
    };
    check(drifted.right, 2.646, 69.4, 46.86547, -90.63965);
    check(drifted.left, 2.483, 59.0, 46.87127, -90.64812);
}

/// Hours add up to the same as one long blow.
#[test]
fn hour_by_hour_is_the_same_as_at_once() {
    let start = Position::new(46.85, -90.7).unwrap();
    let blow = |hours| Blow { lasts: TimeDelta::hours(hours), wind_kn: 15.0, from_deg: 225.0 };
    let at_once = drift(Class::SeaKayak, start, &[blow(4)], None).unwrap();
    let by_hour = drift(Class::SeaKayak, start, &[blow(1); 4], None).unwrap();
    near(at_once.left.distance_m, by_hour.left.distance_m, 1e-6);
    near(at_once.left.spread_m, by_hour.left.spread_m, 1e-6);
}

#[test]
fn no_figure_in_a_calm_for_no_time_or_for_days() {
    let start = Position::new(46.85, -90.7).unwrap();
    let drift = |wind_kn, hours| {
        let blow = Blow { lasts: TimeDelta::hours(hours), wind_kn, from_deg: 0.0 };
        drift(Class::SeaKayak, start, &[blow], None)
    };
    assert_eq!(drift(5.0, 2), Err(WhyNot::Calm));
    assert_eq!(drift(f64::NAN, 2), Err(WhyNot::Calm));
    assert_eq!(drift(15.0, 0), Err(WhyNot::Time));
    assert_eq!(drift(15.0, 25), Err(WhyNot::Time));
    assert!(drift(6.0, 2).is_ok());
}

#[test]
fn a_craft_of_no_published_class_has_none() {
    for kind in ["sea kayak", "Double sea-kayak", "touring kayak"] {
        assert_eq!(class_of(kind), Some(Class::SeaKayak), "{kind}");
    }
    for kind in ["stand-up paddleboard", "SUP", "inflatable paddle board"] {
        assert_eq!(class_of(kind), Some(Class::SurfBoard), "{kind}");
    }
    for kind in
        ["sit-on-top kayak", "sit-on-top sea kayak", "canoe", "kayak", "rowing boat", "suppe"]
    {
        assert_eq!(class_of(kind), None, "{kind}");
    }
}

#[test]
fn an_hour_without_a_wind_near_it_leaves_all_unknown() {
    let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
    let reading = |time: &str, wind_kn| Reading { at: at(time), wind_kn, from_deg: 270.0 };
    let readings = [reading("2026-06-14T18:00:00Z", 12.0), reading("2026-06-14T21:00:00Z", 20.0)];
    let found = blows(&readings, at("2026-06-14T18:00:00Z"), at("2026-06-14T20:30:00Z")).unwrap();
    let winds: Vec<f64> = found.iter().map(|blow| blow.wind_kn).collect();
    assert_eq!(winds, [12.0, 12.0, 20.0]);
    assert_eq!(found[2].lasts, TimeDelta::minutes(30));
    assert!(blows(&readings, at("2026-06-14T12:00:00Z"), at("2026-06-14T20:00:00Z")).is_none());
    assert!(blows(&[], at("2026-06-14T18:00:00Z"), at("2026-06-14T20:00:00Z")).is_none());
}
