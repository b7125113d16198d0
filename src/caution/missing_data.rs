//! What a searcher would not know.
//!
//! The order is by worth to a searcher, after the questions that a rescue coordinator asks (US
//! National Search and Rescue Manual § 412; US Coast Guard Addendum, chapter 3: ascertain whether
//! life jackets are worn; rules of their own tell of those and of suits). Missing data raises a
//! caution and never clears one.

use super::{Ashore, Caution, Facts, Level, Limits, words};
use crate::plan::{Craft, CrewMember};

pub(super) const ID: &str = "missing-data";

const SOURCE: &str = "US National Search and Rescue Manual § 412 and US Coast Guard Addendum \
                      chapter 3: what a coordinator asks; the order is our own";

/// So many are told in the caution itself.
pub const TOLD: usize = 6;

pub(super) fn raise(facts: &Facts<'_>, _: &Limits) -> Vec<Caution> {
    let unknown = missing(facts);
    if unknown.is_empty() {
        return Vec::new();
    }
    let grave = facts.goes_nowhere() || !can_call(facts);
    let level = if grave { Level::Warning } else { Level::Caution };
    let text =
        format!("Not known, most useful to a search first: {}.", words::list(&unknown, TOLD));
    let clears = "These in the plan; the water and the shoreline from a service or the keeper.";
    vec![Caution::new(ID, level, text, Ashore::Whole, SOURCE, clears)]
}

/// What is unknown, the most useful to a searcher first.
#[must_use]
pub fn missing(facts: &Facts<'_>) -> Vec<String> {
    let plan = facts.plan;
    let no_craft = plan.craft.is_empty();
    let whole = |is_missing: bool, what: &str| is_missing.then(|| what.to_owned());
    [
        whole(facts.goes_nowhere(), "where the crew goes"),
        whole(!can_call(facts), "any way to call from the water (telephone, radio or beacon)"),
        whole(can_call(facts) && no_phone(facts), "a telephone afloat"),
        whole(no_craft, "the craft and its colours"),
        of_craft(facts, "the colours", |craft| craft.colours.is_none()),
        of_crew(facts, "what is worn, and its colours, by", |member| member.wearing.is_none()),
        whole(plan.launch.vehicle.is_none(), "the vehicle left at the launch"),
        of_craft(facts, "the kind", |craft| craft.kind.is_none()),
        of_craft(facts, "name or marks", |craft| craft.marks.is_none() && craft.name.is_none()),
        whole(plan.gear.vhf.is_none(), "whether there is a radio"),
        whole(plan.gear.beacon.is_none(), "whether there is a beacon"),
        whole(plan.gear.night_signals.is_none(), "night signals"),
        whole(plan.gear.light.is_none(), "a light"),
        of_crew(facts, "the age of", |member| member.age.is_none()),
        whole(facts.water.governs.is_none(), "the water temperature"),
        whole(facts.reach.at_most_m.is_err(), "the distance from shore"),
        whole(plan.pace.speed_kn.is_none(), "the speed"),
        whole(plan.gear.sound_signal.is_none(), "a whistle or horn"),
        whole(!facts.is_wind_known(), "the wind at present"),
        whole(!facts.is_wind_foreseen(), "the wind forecast for these hours"),
        whole(are_waves_unknown(facts), "the waves"),
        whole(is_unwarned(facts), "what the weather service warns of"),
        whole(!super::law::is_known(facts), "what the law asks for here"),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// The rules that had nothing to go by, and so are silent without having looked.
#[must_use]
pub fn unjudged(facts: &Facts<'_>) -> Vec<&'static str> {
    let windless = !facts.is_wind_known() && !facts.is_wind_foreseen();
    let shoreless = facts.reach.legs.iter().all(|leg| leg.shores_deg.is_empty());
    let unlit = facts.light.sun.is_empty() && facts.light.civil.is_empty();
    [
        (super::wind::ID, windless),
        (super::headwind::ID, windless || facts.goes_nowhere()),
        (super::offshore::ID, windless || shoreless),
        (super::waves::ID, are_waves_unknown(facts)),
        (super::warned::ID, is_unwarned(facts)),
        (super::daylight::ID, unlit),
        (super::law::ID, !super::law::is_known(facts)),
    ]
    .into_iter()
    .filter_map(|(id, is_unjudged)| is_unjudged.then_some(id))
    .collect()
}

/// Neither measured, nor to be estimated for want of a wind or a shore.
fn are_waves_unknown(facts: &Facts<'_>) -> bool {
    let windy = facts.is_wind_known() || facts.is_wind_foreseen();
    let estimable = facts.reach.at_most_m.is_ok() && windy;
    facts.water.waves.is_none() && !estimable
}

fn is_unwarned(facts: &Facts<'_>) -> bool {
    let warnings = &facts.water.warnings;
    !warnings.asked || warnings.silent.is_some()
}

fn no_phone(facts: &Facts<'_>) -> bool {
    facts.plan.crew.iter().all(|member| member.phone.is_none())
}

fn can_call(facts: &Facts<'_>) -> bool {
    let gear = &facts.plan.gear;
    let radio = gear.vhf.as_deref().is_some_and(|vhf| !["none", "no"].contains(&vhf.trim()));
    !no_phone(facts) || radio || gear.beacon.is_some()
}

fn of_crew(
    facts: &Facts<'_>,
    what: &str,
    is_missing: impl Fn(&CrewMember) -> bool,
) -> Option<String> {
    let members = facts.plan.crew.iter().filter(|member| is_missing(member));
    let names: Vec<_> = members.map(|member| member.name.as_str()).collect();
    (!names.is_empty()).then(|| format!("{what} {}", words::list(&names, 2)))
}

fn of_craft(facts: &Facts<'_>, what: &str, is_missing: impl Fn(&Craft) -> bool) -> Option<String> {
    let craft = &facts.plan.craft;
    match craft.iter().filter(|craft| is_missing(craft)).count() {
        0 => None,
        _ if craft.len() == 1 => Some(format!("{what} of the craft")),
        count => Some(format!("{what} of {count} craft")),
    }
}
