//! Wind that blows off the shore.
//!
//! It is weak near the beach and grows with every stroke away from it; cliffs and valleys funnel
//! it; it carries off whoever can't paddle against it, and takes the warm water along. The
//! component counts on every leg, from the bearing of the shore that is nearest there; a wind of
//! unknown direction counts as blowing off. Its edges are our own choice, at Beaufort's forces.

use super::wind::said;
use super::{Ashore, COMMON_PRACTICE, Caution, Facts, LegReach, Level, Limits};
use crate::conditions::{Wind, offshore_kn};

pub(super) const ID: &str = "offshore-wind";

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let legs = facts.reach.legs.iter().filter(|leg| leg.length_m > 0.0);
    let of_legs = legs.flat_map(|leg| {
        facts.winds().filter_map(move |wind| Some((off_kn(wind, leg)?, leg, wind)))
    });
    let worst = of_legs.max_by(|(a, ..), (b, ..)| a.total_cmp(b));
    let Some((worst_kn, leg, wind)) = worst else { return Vec::new() };
    let bounds = &limits.wind;
    let level = match worst_kn {
        kn if kn >= bounds.offshore_danger_kn => Level::Danger,
        kn if kn >= bounds.offshore_warning_kn => Level::Warning,
        kn if kn >= bounds.offshore_caution_kn => Level::Caution,
        _ => return Vec::new(),
    };
    let whence = if wind.from_deg.is_some() { "blows" } else { "may blow" };
    let text = format!(
        "{worst_kn:.0} kn of the wind {whence} off the shore on the way to {} ({}): it grows with \
         every stroke away from shore and carries off whoever can't paddle against it.",
        leg.to,
        said(wind, &facts.plan.times)
    );
    let clears = "A shore towards which the wind blows, or a day without this wind.";
    vec![Caution::new(ID, level, text, Ashore::Whole, COMMON_PRACTICE, clears)]
}

/// The greatest component off the shore along a leg, in knots; `None` where no shore is known.
fn off_kn(wind: &Wind, leg: &LegReach) -> Option<f64> {
    let speed_kn = wind.strongest_kn();
    let component_kn = |shore_deg: f64| match wind.from_deg {
        Some(from_deg) => offshore_kn(speed_kn, from_deg, shore_deg),
        None => speed_kn,
    };
    leg.shores_deg.iter().copied().map(component_kn).reduce(f64::max)
}
