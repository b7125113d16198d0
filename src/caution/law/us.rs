//! United States, federal: 33 CFR part 175.
//!
//! A state's own statute on children's life jackets replaces the age of 13 (175.25(b)): some say
//! 12, some 10. Signals at night are asked for on coastal waters: the seas, the Great Lakes, and
//! what joins them by an entrance of more than two nautical miles (175.105). Three flares of some
//! kinds together, or one electric distress light, are enough (175.130(b)).

use super::{FEET_16_M, KAYAKS_AND_CANOES, Row, is_kind, may_reach_m};

pub(super) const ZONES: &[&str] = &[
    "America/New_York",
    "America/Detroit",
    "America/Kentucky",
    "America/Indiana",
    "America/Chicago",
    "America/Menominee",
    "America/North_Dakota",
    "America/Denver",
    "America/Boise",
    "America/Phoenix",
    "America/Los_Angeles",
    "America/Anchorage",
    "America/Juneau",
    "America/Sitka",
    "America/Metlakatla",
    "America/Yakutat",
    "America/Nome",
    "America/Adak",
    "America/Puerto_Rico",
    "America/St_Thomas",
    "Pacific/Honolulu",
    "Pacific/Guam",
    "Pacific/Saipan",
    "Pacific/Pago_Pago",
];

pub(super) const ROWS: &[Row] = &[
    Row {
        section: "33 CFR 175.15(a)",
        known: "seen, text of 2026-04-05",
        lacks: |case| Some(format!("a life jacket aboard for {}", case.without()?)),
    },
    Row {
        section: "33 CFR 175.15(c), 175.25",
        known: "seen 2026; a state's own age goes before it",
        lacks: |case| {
            let children = case.not_wearing(|one| one.age.is_some_and(|age| age < 13))?;
            Some(format!("a life jacket worn by {children}, under 13 (check your state's age)"))
        },
    },
    Row {
        section: "33 CFR 175.15(b), 175.17(a)",
        known: "seen, text of 2026-04-05; kayaks and canoes are exempt",
        lacks: |case| {
            let meant = case.any_craft(|craft| {
                craft.kind.is_some()
                    && !is_kind(craft, &KAYAKS_AND_CANOES)
                    && craft.length_m.is_some()
                    && may_reach_m(craft, FEET_16_M)
            });
            meant.then(|| {
                "a throwable device, for a craft of 16 feet that is no kayak or canoe".to_owned()
            })
        },
    },
    Row {
        section: "33 CFR 175.115(b), 175.130",
        known: "seen, annual text of 2015",
        lacks: |case| {
            let unlit = case.dark && case.facts.plan.gear.night_signals != Some(true);
            unlit.then(|| {
                "signals for the night on coastal waters and the Great Lakes (three red flares, or \
                 an electric distress light)"
                    .to_owned()
            })
        },
    },
];
