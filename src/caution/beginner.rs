//! Beginners wait for late summer.
//!
//! Common practice, no source: beginners should not go out in spring but wait for late summer,
//! when the water has reached the middle, better the upper sixties of degrees Fahrenheit (18 to
//! 20 °C) and the air is warm too, and then go with a partner, protective gear and radios. Warm
//! water raises nothing here, and clears nothing elsewhere.

use super::{Ashore, COMMON_PRACTICE, Caution, Facts, Level, Limits, words};
use crate::plan::CrewMember;

pub(super) const ID: &str = "beginner";

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let beginners: Vec<_> = facts.plan.crew.iter().filter(|member| is_beginner(member)).collect();
    if beginners.is_empty() {
        return Vec::new();
    }
    let bounds = &limits.beginner;
    let water_c = facts.water_c(limits);
    let air_c = facts.plan.stated.as_ref().and_then(|stated| stated.air_c);
    let cool_air = air_c.filter(|air_c| *air_c < bounds.air_c);
    let alone = facts.plan.crew.len() == 1;
    let level = match water_c {
        c if c < bounds.water_c && alone => Level::Danger,
        c if c < bounds.water_c => Level::Warning,
        c if c < bounds.better_water_c || cool_air.is_some() => Level::Caution,
        _ => return Vec::new(),
    };
    let air = match cool_air {
        Some(air_c) => format!(" and air of {}", limits.units.temperature(air_c)),
        None => String::new(),
    };
    let unsaid = match beginners.iter().all(|member| member.beginner.is_none()) {
        true => " (no experience is told)",
        false => "",
    };
    let names: Vec<_> = beginners.iter().map(|member| member.name.as_str()).collect();
    let text = format!(
        "{} would go as a beginner{unsaid} in {}{air}: beginners wait for late summer.",
        words::list(&names, 3),
        facts.water_words(limits)
    );
    let clears = format!(
        "Water of {}, better {}, and warm air; then with a partner, protective gear and a radio. \
         Somebody with experience: say so in the plan.",
        limits.units.temperature(bounds.water_c),
        limits.units.temperature(bounds.better_water_c)
    );
    vec![Caution::new(ID, level, text, Ashore::Whole, COMMON_PRACTICE, clears)]
}

/// Who says nothing of experience counts as a beginner.
pub(super) fn is_beginner(member: &CrewMember) -> bool {
    member.beginner.unwrap_or(member.experience.is_none())
}
