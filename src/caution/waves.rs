//! Waves.
//!
//! Significant height, the mean of the highest third; single waves are up to twice as high. The US
//! weather service names seas of 3 to 5 feet (0.9 to 1.5 m) in its small craft advisories. A buoy
//! off shore tells little of surf, tide rips and what cliffs throw back.

use super::{Caution, Facts, Level, Limits, words};

pub(super) const ID: &str = "waves";

const SOURCE: &str = "US weather service: seas of 3 to 5 ft in small craft advisories (an \
                      example); below that: common practice, no source";

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let Some(waves) = &facts.water.waves else { return Vec::new() };
    let bounds = &limits.waves;
    let level = match waves.height_m {
        m if m >= bounds.danger_m => Level::Danger,
        m if m >= bounds.warning_m => Level::Warning,
        m if m >= bounds.caution_m => Level::Caution,
        _ => return Vec::new(),
    };
    let age = u32::try_from(waves.age_s).unwrap_or(u32::MAX);
    let text = format!(
        "Waves of {:.1} m ({:.0} ft) are measured ({}, {} ago); single ones are up to twice as high.",
        waves.height_m,
        waves.height_m / 0.3048,
        waves.source,
        words::span(f64::from(age))
    );
    let clears = "A lower sea, or water behind shelter.";
    vec![Caution::new(ID, level, text, SOURCE, clears)]
}
