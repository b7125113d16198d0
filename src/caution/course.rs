//! The course of an immersion: minutes first, then ranges, each labelled with what it measures.
//!
//! - First minutes, two published sets of edges, the earlier of both: cold shock 1 to 5 min, hands
//!   and swimming fail from 3 to 30 min (Transport Canada TP 13822, Brooks 2003; Cold Water Boot
//!   Camp: 5 to 15 min).
//! - Exhaustion or unconsciousness, by bands of degrees Fahrenheit: a table printed by many, often
//!   with the US search and rescue named as its source; no original was found. Judged in °F.
//! - The formula of Hayward, Eckerson and Collis, Can J Physiol Pharmacol 1975;53:21-32: until the
//!   core of an average adult in light clothing and a life jacket, holding still in calm sea, is at
//!   30 °C. Measured from 4.6 to 18.2 °C, so there is no figure beyond. Singular at 23.09 °C.
//!
//! These measure different things and are nobody's promise; tables for searchers are long on
//! purpose. Drowning mostly comes first.

use super::{Ashore, Caution, Facts, Level, Limits, words};
use crate::measure::celsius_to_fahrenheit;

pub(super) const ID: &str = "immersion";

const SOURCE: &str = "TP 13822 and Cold Water Boot Camp (minutes); a table attributed to US search \
                      and rescue, by °F; Hayward and others 1975, 4.6 to 18.2 °C";

/// Water in which the formula was measured, in degrees Celsius.
const MEASURED_C: std::ops::RangeInclusive<f64> = 4.6..=18.2;

/// A band of the table: up to so many °F, exhaustion or unconsciousness within these minutes.
const BANDS: [(f64, f64, f64); 6] = [
    (32.5, 0.0, 15.0),
    (40.0, 15.0, 30.0),
    (50.0, 30.0, 60.0),
    (60.0, 60.0, 120.0),
    (70.0, 120.0, 420.0),
    (80.0, 120.0, 720.0),
];

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let water_c = facts.water_c(limits);
    if water_c > limits.cold_water.caution_c.min(limits.immersion_wear.recommended_c) {
        return Vec::new();
    }
    let level =
        if water_c <= limits.cold_water.warning_c { Level::Warning } else { Level::Caution };
    let exhausted = exhaustion_min(water_c).map(|(from, to)| match from {
        0.0 => format!("; exhausted or unconscious in under {}", words::span(60.0 * to)),
        from => format!(
            "; exhausted or unconscious in {} to {}",
            words::span(60.0 * from),
            words::span(60.0 * to)
        ),
    });
    let model = core_at_30_c_min(water_c).map(|minutes| {
        format!(
            "; for an average adult in a life jacket, still, in calm water, a formula gives about {} \
             until the core is at 30 °C",
            words::span(60.0 * minutes)
        )
    });
    let text = format!(
        "Falling into {}: the breath can be out of control for 1 to 5 minutes; hands and swimming fail \
         from 3 to 30 minutes{}{}. Most who die drown long before.",
        facts.water_words(limits),
        exhausted.unwrap_or_default(),
        model.unwrap_or_default()
    );
    let clears = "A worn life jacket keeps the mouth out of it, a suit buys time, and a beacon or \
                  radio on the body can still be worked in the first minutes. Only warmer water \
                  clears it.";
    vec![Caution::new(ID, level, text, Ashore::LeftOut, SOURCE, clears)]
}

/// Minutes until exhaustion or unconsciousness, from and to; between two bands the colder. `None`
/// above 80 °F, for which the table says "indefinite".
#[must_use]
pub fn exhaustion_min(water_c: f64) -> Option<(f64, f64)> {
    let water_f = celsius_to_fahrenheit(water_c);
    BANDS.iter().find(|(up_to_f, ..)| water_f <= *up_to_f).map(|(_, from, to)| (*from, *to))
}

/// Minutes until the core is at 30 °C, by the formula of 1975; `None` where it was not measured.
#[must_use]
pub fn core_at_30_c_min(water_c: f64) -> Option<f64> {
    MEASURED_C.contains(&water_c).then(|| 15.0 + 7.2 / (0.0785 - 0.0034 * water_c))
}
