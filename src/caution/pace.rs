//! Paddling time and stays against the time there is.
//!
//! Speeds are from paddlers' guides, nothing peer-reviewed: 3 kn is the most common figure for
//! planning, 2 to 3 kn recreational, 4 kn is asked of leaders. The margin is our own choice.

use super::{Ashore, COMMON_PRACTICE, Caution, Facts, Level, Limits, words};

pub(super) const ID: &str = "pace";

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let fastest_kn = fastest_kn(facts, limits);
    match facts.plan.pace.speed_kn {
        _ if facts.goes_nowhere() => vec![nowhere()],
        None => vec![unsaid(facts, limits)],
        Some(speed_kn) => {
            let fast = (speed_kn > fastest_kn).then(|| too_fast(facts, speed_kn, fastest_kn));
            let late = too_late(facts, limits, speed_kn.min(fastest_kn));
            late.into_iter().chain(fast).collect()
        }
    }
}

/// The fastest that such a crew is believed to be, in knots.
pub(super) fn fastest_kn(facts: &Facts<'_>, limits: &Limits) -> f64 {
    match facts.plan.crew.len() {
        1 => limits.pace.solo_kn,
        _ => limits.pace.group_kn,
    }
}

fn nowhere() -> Caution {
    let text = "Whether the time is enough can't be told, for the plan names no place beyond the \
                launch.";
    caution(Level::Caution, text.to_owned(), "The places of the route, in order.")
}

fn unsaid(facts: &Facts<'_>, limits: &Limits) -> Caution {
    let slow_kn = limits.pace.slow_kn;
    let fits = needed_s(facts, slow_kn) <= facts.available_s();
    let level = if fits { Level::Caution } else { Level::Warning };
    let text = format!(
        "The plan gives no speed; at a slow {slow_kn} kn, {}.",
        sum(facts, limits, slow_kn)
    );
    caution(level, text, "The speed that the slowest of the crew holds, as pace.speed_kn.")
}

/// With a speed that is doubted, this goes by the fastest that is believed.
fn too_late(facts: &Facts<'_>, limits: &Limits, speed_kn: f64) -> Option<Caution> {
    let needed_s = needed_s(facts, speed_kn);
    let spare_s = facts.available_s() - needed_s;
    let level = match spare_s {
        spare_s if spare_s < 0.0 => Level::Warning,
        spare_s if spare_s < needed_s * limits.pace.margin_percent / 100.0 => Level::Caution,
        _ => return None,
    };
    let text = format!("At {speed_kn} kn, {}.", sum(facts, limits, speed_kn));
    let clears = format!(
        "A later return, a shorter route or shorter stays, so that {} % are to spare.",
        limits.pace.margin_percent
    );
    Some(caution(level, text, &clears))
}

fn too_fast(facts: &Facts<'_>, speed_kn: f64, fastest_kn: f64) -> Caution {
    let crew = if facts.plan.crew.len() == 1 { "somebody alone" } else { "a group" };
    let text = format!(
        "{speed_kn} kn is faster than the {fastest_kn} kn that {crew} can be expected to hold: the \
         return may be later than planned."
    );
    caution(Level::Caution, text, "The speed that the slowest of the crew holds on this water.")
}

fn needed_s(facts: &Facts<'_>, speed_kn: f64) -> f64 {
    facts.paddling_s(speed_kn) + facts.stays_s()
}

/// `5.2 km take 1 h with 2 h of stays, and 2 h 30 min are there: 30 min too few`.
fn sum(facts: &Facts<'_>, limits: &Limits, speed_kn: f64) -> String {
    let spare_s = facts.available_s() - needed_s(facts, speed_kn);
    let end = if spare_s < 0.0 { "too few" } else { "to spare" };
    let stays = match facts.stays_s() {
        0.0 => String::new(),
        stays_s => format!(" and the stays {}", words::span(stays_s)),
    };
    format!(
        "the {} take {}{stays}, and there are {} until the return: {} {end}",
        limits.units.distance(facts.reach.length_m),
        words::span(facts.paddling_s(speed_kn)),
        words::span(facts.available_s()),
        words::span(spare_s.abs()),
    )
}

fn caution(level: Level, text: String, clears: &str) -> Caution {
    Caution::new(ID, level, text, Ashore::Whole, COMMON_PRACTICE, clears)
}
