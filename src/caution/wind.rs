//! The wind.
//!
//! Beaufort's forces by the World Meteorological Organization's table in knots. Guides' practice,
//! not a standard: force 3 begins to challenge novices, 4 ends trips with them, 5 is too much for
//! them, and nobody guides them in 6. The worst of what blows, was said, or is forecast for the
//! trip's hours counts.

use super::facts::WIND_OLD_AFTER_S;
use super::{Ashore, Caution, Facts, Level, Limits, WindLimits, raised, words};
use crate::conditions::Wind;
use crate::measure::Units;
use crate::plan::Times;

pub(super) const ID: &str = "wind";

const SOURCE: &str = "Beaufort's scale (WMO, knots); which force ends whose trip: guides' \
                      practice, no standard";

/// Where each force from 1 to 12 begins, in whole knots.
const BEGINS_KN: [f64; 12] = [1.0, 4.0, 7.0, 11.0, 17.0, 22.0, 28.0, 34.0, 41.0, 48.0, 56.0, 64.0];

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let bounds = &limits.wind;
    let winds = facts.winds().map(|wind| (counts_kn(wind, bounds), wind));
    let Some((counts_kn, wind)) = winds.max_by(|(a, _), (b, _)| a.total_cmp(b)) else {
        return Vec::new();
    };
    let level = [
        (bounds.danger_kn, Level::Danger),
        (bounds.warning_kn, Level::Warning),
        (bounds.caution_kn, Level::Caution),
    ]
    .into_iter()
    .find_map(|(from_kn, level)| (counts_kn >= from_kn).then_some(level));
    let novices = facts.plan.crew.iter().any(super::beginner::is_beginner);
    let challenged = counts_kn >= BEGINS_KN[2];
    let level = match (level, novices) {
        (Some(level), true) => raised(level),
        (Some(level), false) => level,
        (None, true) if challenged => Level::Caution,
        (None, _) => return Vec::new(),
    };
    let for_novices = if novices { ", and there are beginners" } else { "" };
    let text = format!("The wind {}{for_novices}.", told(wind, limits.units, &facts.plan.times));
    let clears = format!(
        "A day with less than {} kn (force {}), by the forecast too.",
        bounds.caution_kn,
        beaufort(bounds.caution_kn)
    );
    vec![Caution::new(ID, level, text, Ashore::Whole, SOURCE, clears)]
}

/// The knots of mean wind that it is as bad as.
fn counts_kn(wind: &Wind, bounds: &WindLimits) -> f64 {
    wind.speed_kn.max(wind.gust_kn.unwrap_or(0.0) - bounds.gust_over_kn).round()
}

/// `is 18 kn (force 5, 33 km/h) from 225°, gusts 24 kn (station 46999, 30 min ago)`.
pub(super) fn told(wind: &Wind, units: Units, times: &Times) -> String {
    let is = match (&wind.forecast_for, wind.age_s) {
        (Some(_), _) => "will be",
        (None, Some(age_s)) if age_s > WIND_OLD_AFTER_S => "was, when last heard of,",
        (None, _) => "is",
    };
    let from = wind.from_deg.map_or(String::new(), |deg| format!(" from {deg:03.0}°"));
    let gusts = wind.gust_kn.map_or(String::new(), |kn| format!(", gusts {kn:.0} kn"));
    format!(
        "{is} {:.0} kn (force {}, {}){from}{gusts} ({})",
        wind.speed_kn,
        beaufort(wind.speed_kn),
        units.speed(wind.speed_kn),
        said(wind, times)
    )
}

/// Who says so, and of when: `station 46999, 30 min ago`.
pub(super) fn said(wind: &Wind, times: &Times) -> String {
    let age_s = wind.age_s.and_then(|age_s| u32::try_from(age_s).ok());
    let when = match (wind.forecast_for, age_s) {
        (Some(hours), _) => {
            format!(" for {} to {}", words::clock(times, hours.from), words::clock(times, hours.to))
        }
        (None, None) => ", at an unknown time".to_owned(),
        (None, Some(0..60)) => ", just now".to_owned(),
        (None, Some(age_s)) => format!(", {} ago", words::span(f64::from(age_s))),
    };
    format!("{}{when}", wind.source)
}

/// Beaufort's force of a wind, by its whole knots.
#[must_use]
pub fn beaufort(speed_kn: f64) -> usize {
    BEGINS_KN.iter().filter(|from_kn| speed_kn.round() >= **from_kn).count()
}
