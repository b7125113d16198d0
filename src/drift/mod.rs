//! Where the wind may have carried a craft: an indication for whoever asks, and no search plan.
//! A rescue service plans its own.
//!
//! The figures of the classes are those of `OBJECTPROP.DAT` as it is distributed with OpenDrift
//! ("updated 2011-08-25 by O. Breivik based on the SAROPS list received from Art Allen
//! 2010-11-15"); the formula is that of its `leeway.py`. A craft of no published class has no
//! figure here, and none is made up for it.

mod class;

pub use class::{Class, LEAST_WIND_M_PER_S, class_of};

use chrono::{DateTime, TimeDelta, Utc};
use geographiclib_rs::{DirectGeodesic, Geodesic};

use crate::measure::{METRES_PER_NAUTICAL_MILE, Position, kn_to_m_per_s};
use class::Line;

/// Longer than this nobody can tell: wind and current turn. Our own choice.
pub const LONGEST: TimeDelta = TimeDelta::hours(24);

/// A wind that blows steadily for a while.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Blow {
    /// For how long.
    pub lasts: TimeDelta,
    /// Its speed in knots, ten metres above the water.
    pub wind_kn: f64,
    /// Where it comes FROM, in degrees true.
    pub from_deg: f64,
}

/// Water that flows steadily.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Current {
    /// Its speed in knots.
    pub speed_kn: f64,
    /// Where it flows TO, in degrees true.
    pub toward_deg: f64,
}

/// Where a craft may have drifted to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drifted {
    /// If it lies so that it drifts to the left of downwind.
    pub left: Place,
    /// If it drifts to the right of downwind.
    pub right: Place,
}

/// One of the two places.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Where.
    pub at: Position,
    /// How far from the start, in metres.
    pub distance_m: f64,
    /// In which direction from the start, in degrees true.
    pub bearing_deg: f64,
    /// One standard deviation of the published trials, downwind and across it taken together, in
    /// metres. What is not known of the start, the wind and the water comes on top of it.
    pub spread_m: f64,
}

/// Why there is no figure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WhyNot {
    /// The wind was too light for the class at least once: its figures say a drift even in calm.
    Calm,
    /// No time has passed, or too much.
    Time,
}

/// Where winds in order, and a steady current, carry a craft of this class.
///
/// # Errors
/// [`WhyNot`], where the class says nothing.
pub fn drift(
    class: Class,
    start: Position,
    blows: &[Blow],
    current: Option<Current>,
) -> Result<Drifted, WhyNot> {
    let lasts: TimeDelta = blows.iter().map(|blow| blow.lasts).sum();
    if lasts <= TimeDelta::zero() || lasts > LONGEST {
        return Err(WhyNot::Time);
    }
    let blows_enough = |blow: &Blow| kn_to_m_per_s(blow.wind_kn) >= LEAST_WIND_M_PER_S;
    if !blows.iter().all(blows_enough) {
        return Err(WhyNot::Calm);
    }
    let leeway = class.leeway();
    let place = |across: Line| place(start, [leeway.downwind, across], blows, current);
    Ok(Drifted { left: place(leeway.left), right: place(leeway.right) })
}

/// The sum of all steps as one vector from the start, and the spread of the trials.
fn place(start: Position, lines: [Line; 2], blows: &[Blow], current: Option<Current>) -> Place {
    let (mut north_m, mut east_m) = (0.0, 0.0);
    let mut spreads_m = [0.0; 2];
    let mut step = |toward_deg: f64, metres: f64| {
        north_m += metres * toward_deg.to_radians().cos();
        east_m += metres * toward_deg.to_radians().sin();
    };
    for blow in blows {
        let wind_m_per_s = kn_to_m_per_s(blow.wind_kn);
        let seconds = blow.lasts.as_seconds_f64();
        // Across is counted to the right of downwind; to the left it is negative.
        let directions_deg = [blow.from_deg + 180.0, blow.from_deg + 270.0];
        for ((line, toward_deg), spread_m) in lines.iter().zip(directions_deg).zip(&mut spreads_m) {
            step(toward_deg, line.m_per_s(wind_m_per_s) * seconds);
            *spread_m += line.spread_m_per_s(wind_m_per_s) * seconds;
        }
        if let Some(current) = current {
            step(current.toward_deg, kn_to_m_per_s(current.speed_kn) * seconds);
        }
    }
    let distance_m = north_m.hypot(east_m);
    let bearing_deg = east_m.atan2(north_m).to_degrees().rem_euclid(360.0);
    let (lat, lon): (f64, f64) =
        Geodesic::wgs84().direct(start.lat_deg(), start.lon_deg(), bearing_deg, distance_m);
    let at = Position::new(lat, lon).unwrap_or(start);
    Place { at, distance_m, bearing_deg, spread_m: spreads_m[0].hypot(spreads_m[1]) }
}

/// A wind that somebody read or foretold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// When it blew, or is to blow.
    pub at: DateTime<Utc>,
    /// Its speed in knots.
    pub wind_kn: f64,
    /// Where it comes from, in degrees true.
    pub from_deg: f64,
}

/// The winds between two instants, hour by hour, each from the reading that is nearest in time;
/// `None` where an hour has none within three hours (our own choice).
#[must_use]
pub fn blows(readings: &[Reading], from: DateTime<Utc>, to: DateTime<Utc>) -> Option<Vec<Blow>> {
    const FARTHEST: TimeDelta = TimeDelta::hours(3);
    let mut blows = Vec::new();
    let mut begins = from;
    while begins < to && to - from <= LONGEST {
        let ends = (begins + TimeDelta::hours(1)).min(to);
        let middle = begins + (ends - begins) / 2;
        let away = |reading: &Reading| (reading.at - middle).abs();
        let nearest = readings.iter().min_by_key(|reading| away(reading))?;
        if away(nearest) > FARTHEST {
            return None;
        }
        let (wind_kn, from_deg) = (nearest.wind_kn, nearest.from_deg);
        blows.push(Blow { lasts: ends - begins, wind_kn, from_deg });
        begins = ends;
    }
    (!blows.is_empty()).then_some(blows)
}

/// The distance in nautical miles.
#[must_use]
pub fn nautical_miles(metres: f64) -> f64 {
    metres / METRES_PER_NAUTICAL_MILE
}

#[cfg(test)]
mod tests;
