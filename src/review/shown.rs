//! The parts of a review, as they are serialized.

use chrono::{DateTime, FixedOffset, SubsecRound, Utc};
use serde::{Deserialize, Serialize};

use super::asked::Asked;
use super::legs::Leg;
use super::planned::PlannedAt;
use crate::caution::{self, Caution, Facts, Limits, Sea};
use crate::conditions::nws::Warnings;
use crate::conditions::{Forecast, Kind, Reading, Received, Silence, Waves, Why, Wind};
use crate::measure::Units;
use crate::plan::Plan;
use crate::shoreline::{self, LegShore, RouteShore};
use crate::sun::Daylight;

/// A plan judged.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Review {
    /// When: readings are as old as they were then.
    pub reviewed_at: DateTime<FixedOffset>,
    /// Where it goes.
    pub route: Route,
    /// How long it takes, and the day's light.
    pub timing: Timing,
    /// The water.
    pub water: WaterShown,
    /// What to think about, the worst first.
    pub cautions: Vec<Caution>,
    /// The rules that looked and raised nothing within these limits.
    pub quiet: Vec<String>,
    /// The rules that had nothing to go by: their silence says nothing.
    #[serde(default)]
    pub unjudged: Vec<String>,
    /// What is unknown, the most useful to a searcher first.
    pub unknown: Vec<String>,
    /// The units that come first in its words; its numbers are SI whatever they are.
    #[serde(default)]
    pub units: Units,
    /// Where the plan has the crew hour by hour; empty without a speed.
    #[serde(default)]
    pub planned: Vec<PlannedAt>,
    /// Which of a rescue coordinator's questions the plan answers.
    #[serde(default)]
    pub asked: Asked,
}

/// Where a trip goes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Route {
    /// Its length along WGS 84 geodesics, in metres.
    pub length_m: f64,
    /// Where it is farthest from shore; written with `null` for each member when unknown.
    #[serde(with = "farthest")]
    pub farthest: Option<Farthest>,
    /// Why that is unknown, as a clause.
    pub farthest_unknown: Option<String>,
    /// Metres of it on land, by the data.
    pub over_land_m: Option<f64>,
    /// How far the data's shore may lie from the true one, in metres.
    pub shoreline_accuracy_m: Option<f64>,
    /// How far counts as too far to swim back, in metres: what `beyond_swim_m` of a leg goes by.
    #[serde(default)]
    pub swim_back_m: Option<f64>,
    /// Its legs, in order.
    pub legs: Vec<Leg>,
}

/// The point of a route that is farthest from shore.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Farthest {
    /// Metres to the nearest shore.
    pub distance_m: f64,
    /// The same with the data's accuracy added: what cautions go by.
    pub at_most_m: f64,
    /// Latitude in degrees, north positive.
    pub lat: f64,
    /// Longitude in degrees, east positive.
    pub lon: f64,
    /// Metres along the route.
    pub along_m: f64,
    /// Latitude of the nearest shore.
    pub shore_lat: f64,
    /// Longitude of the nearest shore.
    pub shore_lon: f64,
    /// Initial geodesic bearing from there to that shore, in degrees from true north.
    pub bearing_deg: f64,
}

/// A farthest point as it is written: there in any case, each of its members `null` when the
/// distance is unknown, so that a reader finds the key it looks for.
pub(super) mod farthest {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};
    use serde_json::{Value, json};

    use super::Farthest;

    pub(in crate::review) fn serialize<S: Serializer>(
        farthest: &Option<Farthest>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        match farthest {
            Some(farthest) => farthest.serialize(serializer),
            None => json!({
                "distance_m": null, "at_most_m": null, "lat": null, "lon": null, "along_m": null,
                "shore_lat": null, "shore_lon": null, "bearing_deg": null,
            })
            .serialize(serializer),
        }
    }

    pub(in crate::review) fn deserialize<'a, D: Deserializer<'a>>(
        deserializer: D,
    ) -> Result<Option<Farthest>, D::Error> {
        let written = Value::deserialize(deserializer)?;
        if written["distance_m"].is_null() {
            return Ok(None);
        }
        serde_json::from_value(written).map(Some).map_err(serde::de::Error::custom)
    }
}

/// How long a trip takes, and the light on the day of the return.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Timing {
    /// Paddling, in seconds; `None` without a speed.
    pub paddling_s: Option<i64>,
    /// Stays, in seconds.
    pub stays_s: i64,
    /// From the launch to the return time, in seconds.
    pub available_s: i64,
    /// Sunset on the return's local day.
    pub sunset: Option<DateTime<FixedOffset>>,
    /// Civil dusk (6° below the horizon) on that day.
    pub civil_dusk: Option<DateTime<FixedOffset>>,
    /// What the sun does on that day: rises and sets, up all day, down all day.
    pub sun: Option<String>,
    /// When the crew counts as overdue.
    pub overdue_at: DateTime<FixedOffset>,
    /// The latest time for turning home with some to spare; `None` without a speed.
    #[serde(default)]
    pub turn_back_by: Option<DateTime<FixedOffset>>,
}

/// What is known of the water.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WaterShown {
    /// Degrees Celsius.
    pub temperature_c: Option<f64>,
    /// How far from it the water may be, in degrees Celsius, where it is merely expected.
    #[serde(default)]
    pub plus_minus_c: Option<f64>,
    /// Who says so.
    pub kind: Kind,
    /// Where it is from, in words.
    pub source: Option<String>,
    /// How a station's was received, and at what depth it is.
    #[serde(default)]
    pub received: Option<Received>,
    /// Metres from the station to the route.
    #[serde(default)]
    pub distance_m: Option<f64>,
    /// Why the reading can't be trusted, as a clause.
    #[serde(default)]
    pub doubt: Option<String>,
    /// When it was taken.
    pub taken_at: Option<DateTime<FixedOffset>>,
    /// Its age in seconds at the review.
    pub age_s: Option<i64>,
    /// The readings that don't govern.
    pub passed: Vec<Passed>,
    /// The stations that gave none.
    pub silent: Vec<Silence>,
    /// The strongest wind known near the route.
    #[serde(default)]
    pub wind: Option<Wind>,
    /// The highest waves known near the route.
    #[serde(default)]
    pub waves: Option<Waves>,
    /// The highest sea that the wind can raise on the route, where that could be estimated.
    #[serde(default)]
    pub sea: Option<Sea>,
    /// Warnings in force.
    #[serde(default)]
    pub warnings: Warnings,
    /// The wind that is forecast for the trip's hours.
    #[serde(default)]
    pub forecast: Forecast,
}

/// A reading that does not govern.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Passed {
    /// Degrees Celsius.
    pub temperature_c: f64,
    /// Where it is from, in words.
    pub source: String,
    /// When it was taken.
    #[serde(default)]
    pub taken_at: Option<DateTime<FixedOffset>>,
    /// Its age in seconds at the review.
    pub age_s: Option<i64>,
    /// Metres from the station to the route.
    pub distance_m: Option<f64>,
    /// How a station's was received, and at what depth it is.
    #[serde(default)]
    pub received: Option<Received>,
    /// Why it does not govern.
    pub why: Why,
}

/// The instant on the crew's clocks, to the second.
pub(super) fn local(plan: &Plan, at: DateTime<Utc>) -> DateTime<FixedOffset> {
    at.trunc_subsecs(0).with_timezone(&plan.times.zone).fixed_offset()
}

impl Route {
    pub(super) fn of(plan: &Plan, shore: &RouteShore, legs: &[LegShore], swim_m: f64) -> Self {
        let farthest = shore.farthest.as_ref();
        Route {
            length_m: shore.length_m,
            farthest: farthest.ok().map(Farthest::of),
            farthest_unknown: farthest.err().map(ToString::to_string),
            over_land_m: shore.over_land_m,
            shoreline_accuracy_m: shore.accuracy_m,
            swim_back_m: Some(swim_m),
            legs: Leg::all(plan, shore, legs),
        }
    }
}

impl Farthest {
    pub(super) fn of(farthest: &shoreline::Farthest) -> Self {
        Farthest {
            distance_m: farthest.distance_m,
            at_most_m: farthest.at_most_m,
            lat: farthest.at.lat_deg(),
            lon: farthest.at.lon_deg(),
            along_m: farthest.along_m,
            shore_lat: farthest.shore.lat_deg(),
            shore_lon: farthest.shore.lon_deg(),
            bearing_deg: farthest.bearing_deg,
        }
    }
}

/// What the place is called where the leg of this number ends.
pub(super) fn end_of(plan: &Plan, at: usize) -> Option<String> {
    let end = plan.landing.as_ref().map_or(&plan.launch.name, |landing| &landing.name);
    plan.waypoints.get(at).map_or(end, |waypoint| &waypoint.name).clone()
}

impl Timing {
    pub(super) fn of(facts: &Facts<'_>, limits: &Limits, day: Option<Daylight>) -> Self {
        let plan = facts.plan;
        let paddling_s = plan.pace.speed_kn.map(|speed_kn| whole(facts.paddling_s(speed_kn)));
        Timing {
            paddling_s,
            stays_s: whole(facts.stays_s()),
            available_s: whole(facts.available_s()),
            sunset: day.and_then(|day| day.sunset).map(|at| local(plan, at)),
            civil_dusk: day.and_then(|day| day.civil_dusk).map(|at| local(plan, at)),
            sun: day.map(|day| day.sun.to_string()),
            overdue_at: local(plan, facts.overdue_at),
            turn_back_by: caution::turn_back_by(facts, limits).map(|at| local(plan, at)),
        }
    }
}

impl WaterShown {
    pub(super) fn of(facts: &Facts<'_>) -> Self {
        let Facts { plan, water, overdue_at, .. } = *facts;
        let hours = water.forecast.during(plan.times.launch.at, overdue_at).cloned().collect();
        let governs = water.governs.as_ref();
        let taken_at = governs.and_then(|reading| reading.taken_at);
        WaterShown {
            temperature_c: water.temperature_c(),
            plus_minus_c: governs.map(|reading| reading.plus_minus_c).filter(|c| *c > 0.0),
            kind: water.kind(),
            source: governs.map(|reading| reading.source.to_string()),
            received: governs.and_then(|reading| reading.received.clone()),
            distance_m: governs.and_then(|reading| reading.distance_m),
            doubt: water.doubt.clone(),
            taken_at: taken_at.map(|at| local(plan, at)),
            age_s: governs.and_then(|reading| reading.age_s),
            passed: water
                .set_aside
                .iter()
                .map(|one| Passed::of(plan, &one.reading, one.why))
                .collect(),
            silent: water.silent.clone(),
            wind: water.wind.clone(),
            waves: water.waves.clone(),
            sea: facts.sea.clone(),
            warnings: water.warnings.clone(),
            forecast: Forecast { hours, ..water.forecast.clone() },
        }
    }
}

impl Passed {
    fn of(plan: &Plan, reading: &Reading, why: Why) -> Self {
        Passed {
            temperature_c: reading.temperature_c,
            source: reading.source.to_string(),
            taken_at: reading.taken_at.map(|at| local(plan, at)),
            age_s: reading.age_s,
            distance_m: reading.distance_m,
            received: reading.received.clone(),
            why,
        }
    }
}

/// Whole seconds; the cast saturates.
pub(super) fn whole(seconds: f64) -> i64 {
    seconds.round() as i64
}
