//! The United Kingdom and Ireland.
//!
//! A pleasure vessel of less than 13.7 m in the United Kingdom must carry no safety gear by law
//! (MGN 538, as summarised) but what SOLAS chapter V asks of all: a radar reflector if practicable
//! (19/2.1.7, seen), a plan of the passage (34, from memory). The collision rules hold.
//!
//! Ireland: S.I. 921/2005 with 349/2012 and 400/2018, by summaries; no exemption of kayaks or canoes
//! was found in them.

use super::Row;

pub(super) const UK: &[Row] = &[Row {
    section: "SOLAS V/19.2.1.7",
    known: "seen in an undated summary",
    lacks: |_| Some("a radar reflector, if one can be carried".to_owned()),
}];

pub(super) const IRELAND: &[Row] = &[
    Row {
        section: "S.I. 921/2005, 349/2012, 400/2018",
        known: "seen in summaries of 2012 to 2019",
        lacks: |case| {
            let open = case.craft.is_empty()
                || case.any_craft(|craft| craft.length_m.is_none_or(|own_m| own_m < 7.0));
            let names = open.then(|| case.not_wearing(|_| true))??;
            Some(format!("a life jacket worn by {names}, in an open craft under 7 m"))
        },
    },
    Row {
        section: "S.I. 921/2005, under 16",
        known: "seen in summaries of 2012 to 2019",
        lacks: |case| {
            let young = case.not_wearing(|one| one.age.is_some_and(|age| age < 16))?;
            Some(format!("a life jacket worn by {young}, under 16, on any craft"))
        },
    },
];
