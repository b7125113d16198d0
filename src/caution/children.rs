//! Children.
//!
//! Common practice, no source: a child cools faster than an adult, says so later, and can't put an
//! adult back into a craft. The law on their life jackets is told elsewhere.

use super::{Ashore, COMMON_PRACTICE, Caution, Facts, Level, Limits, words};

pub(super) const ID: &str = "children";

/// Below this age somebody counts as a child: our own choice, as in Canada and Ireland for life
/// jackets.
const GROWN: u32 = 16;

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let is_child = |age: Option<u32>| age.is_some_and(|age| age < GROWN);
    let crew = &facts.plan.crew;
    let children: Vec<_> = crew.iter().filter(|member| is_child(member.age)).collect();
    if children.is_empty() {
        return Vec::new();
    }
    let without_adult = children.len() == crew.len();
    let level = match facts.water_c(limits) {
        _ if without_adult => Level::Danger,
        c if c <= limits.cold_water.danger_c => Level::Danger,
        c if c <= limits.cold_water.warning_c => Level::Warning,
        _ => Level::Caution,
    };
    let names: Vec<_> = children
        .iter()
        .map(|member| format!("{} ({})", member.name, member.age.unwrap_or_default()))
        .collect();
    let alone = if without_adult { " without an adult" } else { "" };
    let text = format!(
        "{} would go{alone}, in {}: a child cools faster than an adult and says so later.",
        words::list(&names, 3),
        facts.water_words(limits)
    );
    let clears = "Warm water near the beach, a fitting life jacket worn, an adult for each child.";
    vec![Caution::new(ID, level, text, Ashore::Whole, COMMON_PRACTICE, clears)]
}
