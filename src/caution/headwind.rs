//! Wind against the way home.
//!
//! Two skilled paddlers took 2 to 2.5 hours for a mile against 25 to 30 kn (their report). The way
//! home is the second half of the route; a wind of unknown direction counts as against it. The
//! edges are our own choice, at Beaufort's forces.

use super::wind::said;
use super::{Ashore, COMMON_PRACTICE, Caution, Facts, Level, Limits};
use crate::conditions::Wind;

pub(super) const ID: &str = "headwind";

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let half_m = facts.reach.legs.iter().map(|leg| leg.length_m).sum::<f64>() / 2.0;
    let mut along_m = 0.0;
    let home = facts.reach.legs.iter().filter(|leg| {
        along_m += leg.length_m;
        leg.length_m > 0.0 && along_m > half_m
    });
    let of_legs = home.flat_map(|leg| {
        facts.winds().map(move |wind| (against_kn(wind, leg.bearing_deg), leg, wind))
    });
    let worst = of_legs.max_by(|(a, ..), (b, ..)| a.total_cmp(b));
    let Some((worst_kn, leg, wind)) = worst else { return Vec::new() };
    let bounds = &limits.wind;
    let level = match worst_kn {
        kn if kn >= bounds.head_danger_kn => Level::Danger,
        kn if kn >= bounds.head_warning_kn => Level::Warning,
        kn if kn >= bounds.head_caution_kn => Level::Caution,
        _ => return Vec::new(),
    };
    let text = format!(
        "On the way home, to {}, up to {worst_kn:.0} kn of wind are against the crew ({}): it will \
         be slower than planned, and tired.",
        leg.to,
        said(wind, &facts.plan.times)
    );
    let clears = "Paddle out against the wind and home with it, or stay ashore.";
    vec![Caution::new(ID, level, text, Ashore::Whole, COMMON_PRACTICE, clears)]
}

/// The component against a way, in knots.
fn against_kn(wind: &Wind, bearing_deg: f64) -> f64 {
    match wind.from_deg {
        Some(from_deg) => wind.strongest_kn() * (from_deg - bearing_deg).to_radians().cos(),
        None => wind.strongest_kn(),
    }
}
