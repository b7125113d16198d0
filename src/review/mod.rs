//! A plan judged: the one value behind the terminal, the API, the pages and the letters.
//!
//! Serialized, it is the answer to a review: what is unknown is `null`, and times are on the crew's
//! clocks.

mod asked;
mod legs;
mod light;
mod planned;
mod sea;
mod shown;
mod text;

pub use asked::{Asked, Missing, asked};
pub use legs::Leg;
pub use planned::PlannedAt;
pub use shown::{Farthest, Passed, Review, Route, Timing, WaterShown};
pub use text::{text, warned, warned_of};

use chrono::{DateTime, Utc};

use crate::caution::{self, Facts, LegReach, Limits, Reach, Sea};
use crate::conditions::Water;
use crate::measure::Span;
use crate::plan::Plan;
use crate::shoreline::{self, RouteShore, Shorelines};

/// Judges a plan. `ladder_grace` is what lies between the return time and the first alert where
/// the plan has no grace of its own.
#[must_use]
pub fn review(
    plan: &Plan,
    shorelines: &Shorelines,
    water: &Water,
    limits: &Limits,
    ladder_grace: Span,
    now: DateTime<Utc>,
) -> Review {
    let shore = shoreline::judge_route(shorelines, &plan.route());
    let swim_m = limits.distance.novice_swim_m;
    let legs = shoreline::judge_legs(shorelines, &plan.route(), swim_m);
    let overdue_at = plan.times.return_by.at + plan.times.grace.unwrap_or(ladder_grace).delta();
    let day = light::of_return(plan);
    let upwelling = limits.upwelling.of_conditions();
    let shore_bearing_deg = shore.farthest.ok().map(|farthest| farthest.bearing_deg);
    let water = &water.clone().mistrusting(upwelling, shore_bearing_deg, now);
    let facts = Facts {
        plan,
        water,
        reach: reach(plan, shorelines, &shore),
        light: light::of_trip(plan, overdue_at),
        overdue_at,
        sea: estimated_sea(plan, shorelines, &shore, water, limits, overdue_at),
    };
    let cautions = caution::raise(&facts, limits);
    let unjudged: Vec<_> = caution::unjudged(&facts)
        .into_iter()
        .filter(|id| !is_raised(&cautions, id))
        .map(str::to_owned)
        .collect();
    Review {
        reviewed_at: shown::local(plan, now),
        route: Route::of(plan, &shore, &legs, swim_m),
        timing: Timing::of(&facts, limits, day),
        water: WaterShown::of(&facts),
        quiet: quiet(&cautions, &unjudged),
        unjudged,
        unknown: caution::missing(&facts),
        units: limits.units,
        planned: planned::planned(plan, shorelines),
        asked: asked(plan, &(0..plan.crew.len()).collect::<Vec<_>>()),
        cautions,
    }
}

fn reach(plan: &Plan, shorelines: &Shorelines, shore: &RouteShore) -> Reach {
    let at_most_m = shore.farthest.map(|farthest| farthest.at_most_m);
    let legs = shore.legs.iter().enumerate().map(|(at, leg)| LegReach {
        to: end_in_words(plan, at),
        length_m: leg.length_m,
        bearing_deg: leg.bearing_deg,
        shores_deg: shores_deg(shorelines, leg),
    });
    Reach {
        length_m: shore.length_m,
        at_most_m: at_most_m.map_err(|why| why.to_string()),
        over_land_m: shore.over_land_m,
        farthest_along_m: shore.farthest.ok().map(|farthest| farthest.along_m),
        legs: legs.collect(),
    }
}

/// What the forecast's winds can raise, and the wind of now where nobody measured the waves.
fn estimated_sea(
    plan: &Plan,
    shorelines: &Shorelines,
    shore: &RouteShore,
    water: &Water,
    limits: &Limits,
    overdue_at: DateTime<Utc>,
) -> Option<Sea> {
    let legs: Vec<_> = shore
        .legs
        .iter()
        .enumerate()
        .filter(|(_, leg)| leg.length_m > 0.0)
        .map(|(at, leg)| (end_in_words(plan, at), *leg))
        .collect();
    let winds = water.winds_during(plan.times.launch.at, overdue_at);
    let winds = winds.filter(|wind| wind.forecast_for.is_some() || water.waves.is_none());
    sea::raised(shorelines, &legs, winds, limits.waves.caution_m)
}

/// What to call the place where the leg of this number ends.
fn end_in_words(plan: &Plan, at: usize) -> String {
    let unnamed = match plan.landing {
        _ if at < plan.waypoints.len() => format!("place {}", at + 1),
        Some(_) => "the landing".to_owned(),
        None => "the launch".to_owned(),
    };
    shown::end_of(plan, at).unwrap_or(unnamed)
}

/// So many places along each leg are asked for their nearest shore.
const ALONG: u32 = 8;

/// Where the nearest shore bears along a leg, at its ends and evenly between them.
fn shores_deg(shorelines: &Shorelines, leg: &shoreline::Leg) -> Vec<f64> {
    let route = shoreline::Route::through(&[leg.from, leg.to]);
    let part_m = leg.length_m / f64::from(ALONG);
    let places = (0..=ALONG).filter_map(|part| route.position_at(part_m * f64::from(part)));
    let nearest = places.filter_map(|place| shorelines.nearest(place));
    nearest
        .filter(|(nearest, _)| !nearest.on_land)
        .map(|(nearest, _)| nearest.bearing_deg)
        .collect()
}

/// The rules that looked and raised nothing within these limits.
fn quiet(cautions: &[caution::Caution], unjudged: &[String]) -> Vec<String> {
    caution::checked()
        .filter(|id| !is_raised(cautions, id) && unjudged.iter().all(|one| one != id))
        .map(str::to_owned)
        .collect()
}

fn is_raised(cautions: &[caution::Caution], id: &str) -> bool {
    cautions.iter().any(|caution| caution.id == id)
}
