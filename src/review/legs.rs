//! The legs of a route: how long, which way, and how far from shore.

use serde::{Deserialize, Serialize};

use super::shown::{Farthest, end_of, farthest, whole};
use crate::caution;
use crate::measure::Units;
use crate::plan::Plan;
use crate::shoreline::{self, LegShore, RouteShore};

/// The way from one place of a route to the next.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Leg {
    /// What the place where it ends is called.
    pub to: Option<String>,
    /// Latitude of its end.
    pub lat: f64,
    /// Longitude of its end.
    pub lon: f64,
    /// Its length in metres.
    pub length_m: f64,
    /// Its initial bearing in degrees from true north; `None` if it has no length.
    pub bearing_deg: Option<f64>,
    /// How long it takes, in seconds; `None` without a speed.
    pub paddling_s: Option<i64>,
    /// The stay at its end, in seconds.
    pub stay_s: Option<i64>,
    /// Where on it it is farthest from shore, certified as the route's; `along_m` is along the
    /// route. Written with `null` for each member when unknown.
    #[serde(default, with = "farthest")]
    pub farthest: Option<Farthest>,
    /// Metres of it that may lie farther from shore than one swims back; `None` if unknown.
    #[serde(default)]
    pub beyond_swim_m: Option<f64>,
    /// How long it takes to paddle those, in seconds; `None` if unknown, or without a speed.
    #[serde(default)]
    pub beyond_swim_s: Option<i64>,
}

impl Leg {
    /// How far out it goes and how far along the route that is: `1.2 km at 3.4 km`.
    #[must_use]
    pub fn farthest_in_words(&self, units: Units) -> Option<String> {
        let farthest = self.farthest?;
        let [out, along] = [farthest.at_most_m, farthest.along_m].map(|m| units.short_distance(m));
        Some(format!("{out} at {along}"))
    }

    /// How much of it lies farther out than one swims back, in time, or in metres without a
    /// speed: `20 min`.
    #[must_use]
    pub fn beyond_in_words(&self, units: Units) -> Option<String> {
        let beyond_m = self.beyond_swim_m?;
        Some(match self.beyond_swim_s {
            _ if beyond_m <= 0.0 => "none".to_owned(),
            Some(seconds @ 30..) => caution::words::span(seconds as f64),
            Some(_) => "1 min".to_owned(),
            None => units.short_distance(beyond_m),
        })
    }

    pub(super) fn all(plan: &Plan, route: &RouteShore, shores: &[LegShore]) -> Vec<Leg> {
        let legs = route.legs.iter().zip(shores).enumerate();
        legs.map(|(at, (leg, shore))| Leg::of(plan, at, leg, shore)).collect()
    }

    /// The leg that ends at the waypoint of this number, or after the last of them at the landing.
    fn of(plan: &Plan, at: usize, leg: &shoreline::Leg, shore: &LegShore) -> Self {
        let waypoint = plan.waypoints.get(at);
        let stay = waypoint.and_then(|waypoint| waypoint.stay);
        let paddling_s = |length_m: f64| {
            let speed_kn = plan.pace.speed_kn?;
            Some(whole(caution::paddling_s(length_m, speed_kn)))
        };
        let along_route =
            |farthest: Farthest| Farthest { along_m: farthest.along_m + leg.along_m, ..farthest };
        Leg {
            to: end_of(plan, at),
            lat: leg.to.lat_deg(),
            lon: leg.to.lon_deg(),
            length_m: leg.length_m,
            bearing_deg: (leg.length_m > 0.0).then_some(leg.bearing_deg),
            paddling_s: paddling_s(leg.length_m),
            stay_s: stay.map(|stay| i64::from(stay.seconds())),
            farthest: shore.farthest.as_ref().map(Farthest::of).map(along_route),
            beyond_swim_m: shore.beyond_m,
            beyond_swim_s: shore.beyond_m.and_then(paddling_s),
        }
    }
}
