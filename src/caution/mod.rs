//! What we warn of before a trip.
//!
//! Cautions inform: they never refuse a plan, and no caution is no clearance. Each rule is a file:
//! facts and limits in, cautions out, its sources in its head. A new rule is made by copying one
//! and naming it in the list below.

mod alone;
mod ashore;
mod beginner;
mod children;
mod cold_water;
mod contacts;
mod course;
mod daylight;
mod distance;
mod facts;
mod group;
mod headwind;
mod help;
mod identity;
mod immersion_wear;
mod law;
mod lifejacket;
mod limits;
mod missing_data;
mod offshore;
mod pace;
mod turnaround;
mod warned;
mod waves;
mod wind;
pub(crate) mod words;
mod worse;

pub use ashore::Ashore;
pub use contacts::unconfirmed;
pub use course::{core_at_30_c_min, exhaustion_min};
pub use facts::{Facts, LegReach, Light, Reach, Sea, Stretch, paddling_s};
pub use help::on_scene_at;
pub use identity::{BeaconForm, beacon_form, mmsi_fault};
pub use limits::{
    Beginner, ColdWater, Distance, HelpLimits, ImmersionWear, Limits, LimitsError, Pace,
    UpwellingLimits, WaveLimits, WindLimits,
};
pub use missing_data::{TOLD as MISSING_TOLD, missing, unjudged};
pub use turnaround::turn_back_by;
pub use wind::beaufort;
pub use worse::worse;

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

/// How much a caution matters: the signal words of ANSI Z535.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Level {
    /// For what can't hurt: papers, law.
    Notice,
    /// Could hurt.
    Caution,
    /// Could kill.
    Warning,
    /// Will kill, if it comes to it.
    Danger,
}

impl Level {
    /// As it is printed: `WARNING`.
    #[must_use]
    pub fn signal_word(self) -> &'static str {
        match self {
            Level::Notice => "NOTICE",
            Level::Caution => "CAUTION",
            Level::Warning => "WARNING",
            Level::Danger => "DANGER",
        }
    }
}

/// One thing to think about before launching.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Caution {
    /// Which rule raised it; fixed names.
    pub id: Cow<'static, str>,
    /// How much it matters.
    pub level: Level,
    /// What is the matter, with the numbers used: a sentence.
    pub text: String,
    /// What of that those ashore may read.
    #[serde(default)]
    pub ashore: Ashore,
    /// Where the rule is from, as published.
    pub source: Cow<'static, str>,
    /// What would clear it.
    pub clears: String,
}

impl Caution {
    fn new(
        id: &'static str,
        level: Level,
        text: String,
        ashore: Ashore,
        source: impl Into<Cow<'static, str>>,
        clears: impl Into<String>,
    ) -> Self {
        let (source, clears) = (source.into(), clears.into());
        Caution { id: id.into(), level, text, ashore, source, clears }
    }
}

/// What a rule for which nothing is published gives as its source.
const COMMON_PRACTICE: &str = "common practice, no source";

type Rule = fn(&Facts<'_>, &Limits) -> Vec<Caution>;

/// Every rule. Cautions of one level are told in this order.
const RULES: [(&str, Rule); 22] = [
    (cold_water::ID, cold_water::raise),
    (lifejacket::ID, lifejacket::raise),
    (immersion_wear::ID, immersion_wear::raise),
    (warned::ID, warned::raise),
    (distance::ID, distance::raise),
    (offshore::ID, offshore::raise),
    (wind::ID, wind::raise),
    (headwind::ID, headwind::raise),
    (waves::ID, waves::raise),
    (alone::ID, alone::raise),
    (children::ID, children::raise),
    (help::ID, help::raise),
    (daylight::ID, daylight::raise),
    (pace::ID, pace::raise),
    (turnaround::ID, turnaround::raise),
    (beginner::ID, beginner::raise),
    (group::ID, group::raise),
    (course::ID, course::raise),
    (contacts::ID, contacts::raise),
    (identity::ID, identity::raise),
    (missing_data::ID, missing_data::raise),
    (law::ID, law::raise),
];

/// One level worse.
fn raised(level: Level) -> Level {
    match level {
        Level::Notice => Level::Caution,
        Level::Caution => Level::Warning,
        Level::Warning | Level::Danger => Level::Danger,
    }
}

/// One level better, and never as little as a notice.
fn lowered(level: Level) -> Level {
    match level {
        Level::Danger => Level::Warning,
        Level::Warning | Level::Caution => Level::Caution,
        Level::Notice => Level::Notice,
    }
}

/// Every caution that the facts give, the worst first.
#[must_use]
pub fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let mut cautions: Vec<_> = RULES.iter().flat_map(|(_, rule)| rule(facts, limits)).collect();
    cautions.sort_by_key(|caution| std::cmp::Reverse(caution.level));
    cautions
}

/// The names of all rules, in their order: what was checked.
pub fn checked() -> impl Iterator<Item = &'static str> {
    RULES.iter().map(|(id, _)| *id)
}
