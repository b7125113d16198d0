//! Waves.
//!
//! Significant height, the mean of the highest third; single waves are up to twice as high. The US
//! weather service names seas of 3 to 5 feet (0.9 to 1.5 m) in its small craft advisories. A buoy
//! off shore tells little of surf, tide rips and what cliffs throw back.
//!
//! Where none were measured, and for the forecast's winds in any case, stands an estimate: what
//! the wind raises on the open water upwind of the route (Coastal Engineering Manual).

use super::{Ashore, Caution, Facts, Level, Limits, Sea, WaveLimits, wind, words};
use crate::conditions::Waves;

pub(super) const ID: &str = "waves";

const SOURCE: &str = "US weather service: seas of 3 to 5 ft in small craft advisories (an \
                      example); below that: common practice, no source";
const ESTIMATE: &str = "an estimate by the Coastal Engineering Manual (EM 1110-2-1100, II-2), deep \
                        water and straight fetch; its edges as for measured waves: 3 to 5 ft in US \
                        small craft advisories, below that common practice";

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let measured = facts.water.waves.as_ref().and_then(|waves| measured(waves, limits));
    let estimated = facts.sea.as_ref().and_then(|sea| estimated(facts, sea, limits));
    measured.into_iter().chain(estimated).collect()
}

fn measured(waves: &Waves, limits: &Limits) -> Option<Caution> {
    let level = level(waves.height_m, &limits.waves)?;
    let age = u32::try_from(waves.age_s).unwrap_or(u32::MAX);
    let text = format!(
        "Waves of {} are measured ({}, {} ago); single ones are up to twice as high.",
        limits.units.height(waves.height_m),
        waves.source,
        words::span(f64::from(age))
    );
    let clears = "A lower sea, or water behind shelter.";
    Some(Caution::new(ID, level, text, Ashore::Whole, SOURCE, clears))
}

fn estimated(facts: &Facts<'_>, sea: &Sea, limits: &Limits) -> Option<Caution> {
    let level = level(sea.height_m, &limits.waves)?;
    let at_least = if sea.is_longer { "at least " } else { "" };
    let text = format!(
        "On the way to {} waves may be {} high, single ones twice that: an estimate from {:.0} kn of \
         wind ({}) on {at_least}{} of open water. Shoals, cliffs and a current against the wind \
         make it worse.",
        sea.to,
        limits.units.height(sea.height_m),
        sea.wind.speed_kn,
        wind::said(&sea.wind, &facts.plan.times),
        limits.units.distance(sea.fetch_m),
    );
    let clears = "Water behind shelter from this wind, or a day without it.";
    Some(Caution::new(ID, level, text, Ashore::Whole, ESTIMATE, clears))
}

fn level(height_m: f64, bounds: &WaveLimits) -> Option<Level> {
    match height_m {
        m if m >= bounds.danger_m => Some(Level::Danger),
        m if m >= bounds.warning_m => Some(Level::Warning),
        m if m >= bounds.caution_m => Some(Level::Caution),
        _ => None,
    }
}
