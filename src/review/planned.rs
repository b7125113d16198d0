//! Where the crew is hour by hour if all goes to plan.

use chrono::{DateTime, FixedOffset, TimeDelta};
use serde::{Deserialize, Serialize};

use super::shown::local;
use crate::plan::Plan;
use crate::shoreline::{self, Shorelines};

/// A place at which the plan has the crew.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlannedAt {
    /// When.
    pub at: DateTime<FixedOffset>,
    /// Latitude in degrees, north positive.
    pub lat: f64,
    /// Longitude in degrees, east positive.
    pub lon: f64,
    /// Metres along the route.
    pub along_m: f64,
    /// Metres to the nearest shore, with the data's accuracy added; `None` if unknown.
    pub shore_at_most_m: Option<f64>,
}

/// More are never kept: two days.
const MOST: usize = 49;

/// At the launch, each hour after it, and where the paddling ends; none without a speed.
pub(super) fn planned(plan: &Plan, shorelines: &Shorelines) -> Vec<PlannedAt> {
    let Some(speed_kn) = plan.pace.speed_kn else { return Vec::new() };
    let stays = plan.waypoints.iter().map(|waypoint| waypoint.stay);
    let stays_s: Vec<f64> = std::iter::once(0.0)
        .chain(stays.map(|stay| stay.map_or(0.0, |stay| f64::from(stay.seconds()))))
        .collect();
    let all = shoreline::planned(shorelines, &plan.route(), speed_kn, &stays_s);
    let here = |one: &shoreline::Planned| PlannedAt {
        at: local(plan, plan.times.launch.at + seconds(one.after_s)),
        lat: rounded(one.at.lat_deg(), 1e6),
        lon: rounded(one.at.lon_deg(), 1e6),
        along_m: rounded(one.along_m, 10.0),
        shore_at_most_m: one.shore.map(|shore| match shore.on_land {
            true => 0.0,
            false => rounded(shore.at_most_m(), 10.0),
        }),
    };
    all.iter().take(MOST).map(here).collect()
}

/// To a decimetre: a plan is no more exact, and so it is read back as it was written.
fn rounded(value: f64, per_unit: f64) -> f64 {
    (value * per_unit).round() / per_unit
}

// A month of seconds at most.
fn seconds(seconds: f64) -> TimeDelta {
    TimeDelta::seconds(seconds.round() as i64)
}
