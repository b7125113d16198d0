//! What a searcher would not know.
//!
//! The order is by worth to a searcher, after the questions that a rescue coordinator asks (US
//! National Search and Rescue Manual § 412; US Coast Guard Addendum, chapter 3: ascertain whether
//! life jackets are worn; rules of their own tell of those and of suits), which stand with their
//! words in `plan::questions`. Missing data raises a caution and never clears one.

use super::{Ashore, Caution, Facts, Level, Limits, words};
use crate::plan::CrewMember;
use crate::plan::questions::{self as q, Open, Question};

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
    let no_craft = facts.plan.craft.is_empty();
    let whole = |is_missing: bool, what: &str| is_missing.then(|| what.to_owned());
    let of_plan = |question: &Question| open(facts, question);
    [
        of_plan(&q::WAY),
        whole(!can_call(facts), "any way to call from the water (telephone, radio or beacon)"),
        whole(can_call(facts) && no_phone(facts), "a telephone afloat"),
        whole(no_craft, "the craft and its colours"),
        of_plan(&q::COLOURS),
        of_plan(&q::CLOTHING),
        of_plan(&q::VEHICLE),
        of_plan(&q::KIND),
        of_plan(&q::MARKS),
        of_plan(&q::RADIO),
        of_plan(&q::BEACON),
        of_plan(&q::NIGHT_SIGNALS),
        of_plan(&q::LIGHT),
        of_plan(&q::AGE),
        whole(facts.water.governs.is_none(), "the water temperature"),
        whole(facts.reach.at_most_m.is_err(), "the distance from shore"),
        of_plan(&q::SPEED),
        of_plan(&q::SOUND_SIGNAL),
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

/// What the plan leaves open of a question, as it is said here.
fn open(facts: &Facts<'_>, question: &Question) -> Option<String> {
    let crew: Vec<&CrewMember> = facts.plan.crew.iter().collect();
    let what = question.unknown?;
    match question.open(facts.plan, &crew)? {
        Open::Trip => Some(what.to_owned()),
        // That is told as one.
        Open::NoCraft => None,
        Open::Craft(_) if facts.plan.craft.len() == 1 => Some(format!("{what} of the craft")),
        Open::Craft(count) => Some(format!("{what} of {count} craft")),
        Open::Crew(of) => {
            let names: Vec<_> = of.iter().map(|member| member.name.as_str()).collect();
            Some(format!("{what} {}", words::list(&names, 2)))
        }
    }
}
