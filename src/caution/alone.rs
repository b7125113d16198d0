//! Going alone.
//!
//! Common practice, no source: no ratio is published for private crews (one operator's guideline
//! in Canada asks one guide for four clients). Alone, cold and far from shore make each other
//! worse: nobody puts you back into the craft, and nobody calls.

use super::{Ashore, COMMON_PRACTICE, Caution, Facts, Level, Limits};

pub(super) const ID: &str = "alone";

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let [member] = facts.plan.crew.as_slice() else { return Vec::new() };
    let far = facts.at_most_m().is_none_or(|at_most_m| at_most_m > limits.distance.novice_swim_m);
    let level = match (facts.is_cold(limits), far) {
        (true, true) => Level::Danger,
        (true, false) | (false, true) => Level::Warning,
        (false, false) => Level::Caution,
    };
    let from_shore = match facts.at_most_m() {
        Some(at_most_m) => format!("up to {} from shore", limits.units.distance(at_most_m)),
        None => "an unknown distance from shore".to_owned(),
    };
    let text = format!(
        "{} goes alone, {from_shore}, in {}: nobody helps back in, and nobody calls.",
        member.name,
        facts.water_words(limits)
    );
    let clears = "A partner who stays within a shout, with practised rescues.";
    vec![Caution::new(ID, level, text, Ashore::Whole, COMMON_PRACTICE, clears)]
}
