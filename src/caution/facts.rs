//! What the rules look at.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use super::Limits;
use crate::conditions::{Kind, Water, Wind};
use crate::measure::kn_to_m_per_s;
use crate::plan::Plan;

/// So many seconds after it was measured a wind is history: three hours, our own choice.
pub(super) const WIND_OLD_AFTER_S: i64 = 3 * 3600;

/// A plan and what is known of the day it is for.
#[derive(Clone, Debug)]
pub struct Facts<'a> {
    /// The plan.
    pub plan: &'a Plan,
    /// The water.
    pub water: &'a Water,
    /// How far the route goes and how far out.
    pub reach: Reach,
    /// When it is light, from before the launch until after `overdue_at`.
    pub light: Light,
    /// When the crew counts as overdue: the return time and the grace.
    pub overdue_at: DateTime<Utc>,
    /// The highest sea that the wind can raise on the route, where that could be estimated.
    pub sea: Option<Sea>,
}

/// A sea that a wind can raise: an estimate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sea {
    /// Significant height in metres.
    pub height_m: f64,
    /// The wind.
    pub wind: Wind,
    /// Metres of open water on which it blows.
    pub fetch_m: f64,
    /// Whether there may be more of it than was looked for.
    pub is_longer: bool,
    /// What the place is called in a sentence towards which the leg leads where it is highest.
    pub to: String,
}

/// How far a route goes.
#[derive(Clone, Debug, PartialEq)]
pub struct Reach {
    /// Its length in metres.
    pub length_m: f64,
    /// The greatest distance from shore anywhere on it with the data's accuracy added, in metres;
    /// or why that is unknown, as a clause.
    pub at_most_m: Result<f64, String>,
    /// Metres of it on land, by the data; `None` if unknown.
    pub over_land_m: Option<f64>,
    /// How far along the route it is farthest from shore, in metres; `None` if unknown.
    pub farthest_along_m: Option<f64>,
    /// Its legs, in order.
    pub legs: Vec<LegReach>,
}

/// The way from one place of a route to the next.
#[derive(Clone, Debug, PartialEq)]
pub struct LegReach {
    /// What the place where it ends is called in a sentence.
    pub to: String,
    /// Its length in metres.
    pub length_m: f64,
    /// Its initial bearing in degrees from true north.
    pub bearing_deg: f64,
    /// The bearings of the nearest shore from places along it, in degrees; none if unknown.
    pub shores_deg: Vec<f64>,
}

/// When it is light where the route is: in order, and touching where one day's light runs into
/// the next.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Light {
    /// Sunrise to sunset.
    pub sun: Vec<Stretch>,
    /// Civil dawn to civil dusk: light enough to see a person.
    pub civil: Vec<Stretch>,
}

/// A stretch of time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Its first instant.
    pub from: DateTime<Utc>,
    /// Its last.
    pub to: DateTime<Utc>,
}

impl Facts<'_> {
    /// The winds of the trip: the one that blows now, and those forecast for its hours.
    pub(super) fn winds(&self) -> impl Iterator<Item = &Wind> {
        self.water.winds_during(self.plan.times.launch.at, self.overdue_at)
    }

    /// Whether a wind is known that is no older than a reading may be: an older one can raise a
    /// caution and clears nothing.
    pub(super) fn is_wind_known(&self) -> bool {
        let age_s = self.water.wind.as_ref().and_then(|wind| wind.age_s);
        age_s.is_some_and(|age_s| age_s <= WIND_OLD_AFTER_S)
    }

    /// Whether the wind is forecast until the crew counts as overdue.
    pub(super) fn is_wind_foreseen(&self) -> bool {
        self.water.forecast.reaches(self.overdue_at)
    }

    /// The water temperature that the rules go by: the cold end of what is known or expected;
    /// unknown water is as cold as it gets, and no warmer than anything that was ever read of it.
    pub(super) fn water_c(&self, limits: &Limits) -> f64 {
        let coldest_c = self.water.coldest_c().unwrap_or(f64::INFINITY);
        let unknown_c = limits.cold_water.danger_c.min(coldest_c);
        self.water.cold_end_c().unwrap_or(unknown_c)
    }

    /// Whether the water is cold or, being unknown, counts so.
    pub(super) fn is_cold(&self, limits: &Limits) -> bool {
        self.water_c(limits) <= limits.cold_water.warning_c
    }

    /// `water of 9.1 °C (48 °F)`, or that it counts as so cold.
    pub(super) fn water_words(&self, limits: &Limits) -> String {
        let words = limits.units.temperature(self.water_c(limits));
        match (self.water.cold_end_c(), self.water.kind()) {
            (Some(_), Kind::Expected) => format!("water that may be as cold as {words}"),
            (Some(_), _) => format!("water of {words}"),
            (None, _) => format!("unknown water, which counts as {words}"),
        }
    }

    /// The greatest distance from shore, if it is known: a plan that names no place beyond the
    /// launch doesn't tell where it goes.
    pub(super) fn at_most_m(&self) -> Option<f64> {
        if self.goes_nowhere() { None } else { self.reach.at_most_m.as_ref().ok().copied() }
    }

    /// Whether the plan names no place beyond the launch.
    pub(super) fn goes_nowhere(&self) -> bool {
        self.plan.waypoints.is_empty() && self.plan.landing.is_none()
    }

    /// The time that paddling the route takes at a speed, in seconds.
    #[must_use]
    pub fn paddling_s(&self, speed_kn: f64) -> f64 {
        paddling_s(self.reach.length_m, speed_kn)
    }

    /// What the stays add up to, in seconds.
    #[must_use]
    pub fn stays_s(&self) -> f64 {
        let stays = self.plan.waypoints.iter().filter_map(|waypoint| waypoint.stay);
        stays.map(|stay| f64::from(stay.seconds())).sum()
    }

    /// From the launch to the return time, in seconds.
    #[must_use]
    // A trip has less than 2^53 seconds.
    pub fn available_s(&self) -> f64 {
        let times = &self.plan.times;
        (times.return_by.at - times.launch.at).num_seconds() as f64
    }
}

/// The time that paddling a distance takes at a speed, in seconds.
#[must_use]
pub fn paddling_s(length_m: f64, speed_kn: f64) -> f64 {
    length_m / kn_to_m_per_s(speed_kn)
}

/// The first instant from `from` to `to` that no stretch has.
pub(super) fn first_outside(
    stretches: &[Stretch],
    from: DateTime<Utc>,
    to: DateTime<Utc>,
) -> Option<DateTime<Utc>> {
    let mut covered = from;
    for stretch in stretches {
        if stretch.from > covered || covered >= to {
            break;
        }
        covered = covered.max(stretch.to);
    }
    (covered < to).then_some(covered)
}
