//! The rules of the road at sea, and the Inland Rules of the United States, which differ in one
//! point: there an all-round white light satisfies Rule 25(d)(ii), where the international text
//! names a torch or lantern ready at hand alone.

use super::{Case, Row};

pub(super) const INLAND: &[Row] = &[
    Row {
        section: "Inland Rule 25(d)(ii), 33 CFR 83.25; COLREGS Rules 20, 25(d)(ii)",
        known: "seen, annual text of 2015",
        lacks: |case| {
            unlit(case).then(|| {
                "a white light: all-round or a torch at hand on inland waters, a torch at hand \
                 outside them"
                    .to_owned()
            })
        },
    },
    Row {
        section: "Inland Rule 33(b), 33 CFR 83.33",
        known: "seen, annual text of 2015",
        lacks: sound,
    },
];

pub(super) const INTERNATIONAL: &[Row] = &[
    Row {
        section: "COLREGS Rules 20, 25(d)(ii)",
        known: "seen in undated copies",
        lacks: |case| {
            unlit(case).then(|| "a torch or lantern showing white, ready at hand".to_owned())
        },
    },
    Row { section: "COLREGS Rule 33(b)", known: "seen in undated copies", lacks: sound },
];

fn unlit(case: &Case<'_>) -> bool {
    case.dark && case.facts.plan.gear.light != Some(true)
}

fn sound(case: &Case<'_>) -> Option<String> {
    let silent = case.facts.plan.gear.sound_signal != Some(true);
    silent.then(|| "a means of making a sound signal".to_owned())
}
