//! Canada: Small Vessel Regulations, SOR/2010-91, as consolidated in 2026.
//!
//! A visitor's own life jacket that is lawful at home will do (s. 212). A paddleboat, paddleboard
//! or sealed sit-on-top of which everybody wears a life jacket needs no more than a sound signal
//! and, in the dark, a watertight flashlight (s. 220); sit-inside kayaks and canoes are not in it. The
//! duties of guides (s. 303, 305, 308) are not looked at.

use super::{Case, Row, is_kind, may_reach_m};
use crate::plan::Lifejacket;

pub(super) const ZONES: &[&str] = &[
    "America/St_Johns",
    "America/Goose_Bay",
    "America/Halifax",
    "America/Glace_Bay",
    "America/Moncton",
    "America/Blanc-Sablon",
    "America/Toronto",
    "America/Montreal",
    "America/Nipigon",
    "America/Thunder_Bay",
    "America/Atikokan",
    "America/Iqaluit",
    "America/Pangnirtung",
    "America/Winnipeg",
    "America/Rainy_River",
    "America/Rankin_Inlet",
    "America/Resolute",
    "America/Regina",
    "America/Swift_Current",
    "America/Edmonton",
    "America/Yellowknife",
    "America/Inuvik",
    "America/Cambridge_Bay",
    "America/Creston",
    "America/Dawson_Creek",
    "America/Fort_Nelson",
    "America/Dawson",
    "America/Whitehorse",
    "America/Vancouver",
];

const KNOWN: &str = "seen, consolidation of 2026-05-31";

pub(super) const ROWS: &[Row] = &[
    Row {
        section: "SOR/2010-91 s. 209, 10(1)",
        known: KNOWN,
        lacks: |case| {
            let names = case.without()?;
            Some(format!("a life jacket of the right size for {names} (an inflatable one, worn)"))
        },
    },
    Row {
        section: "SOR/2010-91 s. 202",
        known: KNOWN,
        lacks: |case| {
            let young = case.names(|one| one.age.is_some_and(|age| age < 16))?;
            Some(format!("an inherently buoyant life jacket for {young}, under 16"))
        },
    },
    Row {
        section: "SOR/2010-91 s. 210",
        known: KNOWN,
        lacks: |case| {
            (!is_simple(case)).then(|| {
                "a buoyant heaving line of 15 m, and a way back in over a side of 0.5 m".to_owned()
            })
        },
    },
    Row {
        section: "SOR/2010-91 s. 210, 213",
        known: KNOWN,
        lacks: |case| {
            let long = case.any_craft(|craft| {
                craft.length_m.is_some_and(|own_m| own_m > 6.0) && may_reach_m(craft, 6.0)
            });
            (long && !is_simple(case)).then(|| {
                "over 6 m: a watertight flashlight and six pyrotechnics, at most two of smoke (none \
                 on a lake or river within a nautical mile of shore)"
                    .to_owned()
            })
        },
    },
    Row {
        section: "SOR/2010-91 s. 211, 214, 215",
        known: KNOWN,
        lacks: |case| {
            (!is_simple(case)).then(|| {
                "a bailer or pump, and out of sight of seamarks a compass (unless the craft can't \
                 hold water)"
                    .to_owned()
            })
        },
    },
    Row {
        section: "SOR/2010-91 s. 220",
        known: KNOWN,
        lacks: |case| {
            let unlit = case.dark && case.facts.plan.gear.light != Some(true);
            (is_simple(case) && unlit).then(|| "a watertight flashlight".to_owned())
        },
    },
];

/// Whether the craft are such that section 220 asks for little.
fn is_simple(case: &Case<'_>) -> bool {
    let simple = ["paddleboard", "sup", "sit-on-top", "watercycle", "paddleboat"];
    let all_wear = case.crew.iter().all(|one| one.lifejacket == Some(Lifejacket::Worn));
    all_wear && !case.craft.is_empty() && case.craft.iter().all(|craft| is_kind(craft, &simple))
}
