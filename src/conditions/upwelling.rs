//! When a reading that was good an hour ago is good no longer: cold water wells up.
//!
//! Off Ludington on Lake Michigan a buoy fell from 72.7 to 45.1 °F in seven hours, off Port Sheldon
//! from 71 to 55 °F in eight; neighbouring stations ranged from 42 to 74 °F on the day. Wind from
//! the shore pushes the warm surface away, and cold water comes up along the coast: the same wind
//! that carries a paddler off.

use chrono::{DateTime, TimeDelta, Utc};

use super::{Water, WindRow};

/// When an ageing reading is doubted: our own choice within what those drops leave room for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Upwelling {
    /// A reading of at most this age is trusted, in seconds.
    pub trusted_s: i64,
    /// Wind off the shore of at least this component, in knots, ...
    pub offshore_kn: f64,
    /// ... on average over so many hours.
    pub hours: u32,
    /// Fresh readings that differ by more, in degrees Celsius.
    pub spread_c: f64,
}

impl Water {
    /// The same, doubted if the water may have turned over since it was measured.
    /// `shore_bearing_deg` is the bearing from the route to its nearest shore.
    #[must_use]
    pub fn mistrusting(
        mut self,
        limits: Upwelling,
        shore_bearing_deg: Option<f64>,
        now: DateTime<Utc>,
    ) -> Self {
        let ageing = |age_s: i64| age_s > limits.trusted_s;
        if self.governs.as_ref().and_then(|reading| reading.age_s).is_some_and(ageing) {
            self.doubt = blown_off(&self.winds, limits, shore_bearing_deg, now)
                .or_else(|| apart(&self, limits));
        }
        self
    }
}

/// The component of a wind that blows off the shore, in knots: all of it when it comes from where
/// the nearest shore lies, less than nothing when it blows ashore.
#[must_use]
pub fn offshore_kn(speed_kn: f64, from_deg: f64, shore_bearing_deg: f64) -> f64 {
    speed_kn * (from_deg - shore_bearing_deg).to_radians().cos()
}

fn blown_off(
    winds: &[WindRow],
    limits: Upwelling,
    shore_bearing_deg: Option<f64>,
    now: DateTime<Utc>,
) -> Option<String> {
    let bearing_deg = shore_bearing_deg?;
    let window = TimeDelta::hours(i64::from(limits.hours));
    // An hour's grace at the end: rows come late.
    let begins = now - window - TimeDelta::hours(1);
    let late: Vec<_> = winds.iter().filter(|wind| wind.taken_at >= begins).collect();
    let (newest, oldest) = (late.first()?.taken_at, late.last()?.taken_at);
    if newest - oldest < window - TimeDelta::hours(1) {
        return None;
    }
    // A table has less than 2^52 rows.
    let count = late.len() as f64;
    let of = |wind: &&WindRow| offshore_kn(wind.speed_kn, wind.from_deg, bearing_deg);
    let mean_kn = late.iter().map(of).sum::<f64>() / count;
    (mean_kn >= limits.offshore_kn).then(|| {
        format!(
            "wind of {mean_kn:.0} kn off the shore has blown for hours, which can bring up cold \
             water within hours"
        )
    })
}

fn apart(water: &Water, limits: Upwelling) -> Option<String> {
    let spread_c = water.spread_c();
    (spread_c > limits.spread_c).then(|| {
        format!("stations near by differ by {spread_c:.1} °C, as they do when cold water comes up")
    })
}
