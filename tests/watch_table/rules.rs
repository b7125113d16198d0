//! The rules, written down apart from the code (the service's own rules of who is told what; common
//! practice, no source):
//!
//! - On time: a reminder 30 minutes before the return time and `due` at it, to the crew; `overdue`
//!   to contact 1 when return time and grace (15 minutes) have passed, to all contacts 15 minutes
//!   later, `call-rescue` to contacts and keeper 30 minutes later, and again every ten minutes.
//! - All ashore, or called off: `stand-down` to everybody who may have been alerted, `home` to the
//!   others who have been told of the plan. What is closed stays closed.
//! - One ashore, an answer: `news` to the crew and to contacts who may have been alerted.
//! - A later return: `changed` to all who have been told of the plan or alerted; never into the
//!   past, and not once closed.
//! - "I can't act": after overdue the next rung goes at once; before it crew and keeper are told.
//!   A refused address: crew and keeper are told, and after overdue the next rung goes at once. An
//!   alert that came back, maybe for its words, goes again where no rung follows.
//! - An alert that is known to have left only after the trip has closed: its reader, if not alerted
//!   before, is stood down.
//! - Within 24 h a closing may be taken back: `withdrawn` to all who heard of it, and the highest
//!   rung that is due follows at once. Unless all have been checked in since: then it stays closed,
//!   and whoever was told of it is told anew, with the reason that holds.

use std::collections::BTreeMap;

use super::Cell;
use super::scenes::{Closing, Scene};

const CREW: &str = "crew:1";
const ONE: &str = "contact:1";
const TWO: &str = "contact:2";
const KEEPER: &str = "keeper";

/// When each scene's contacts have been alerted: minutes after the return time.
const FIRST_ALERT_MIN: i64 = 15;
const CALL_MIN: i64 = 45;
const UNDO_WITHIN_MIN: i64 = 24 * 60;

type Letters = Vec<(&'static str, Vec<&'static str>)>;

/// Who may have been alerted before the event.
fn alerted(scene: &Scene) -> Vec<&'static str> {
    let until = scene.closed.map_or(scene.at_min, |(_, closed_min)| closed_min);
    match until {
        _ if !scene.relay => vec![],
        CALL_MIN.. => vec![ONE, TWO, KEEPER],
        FIRST_ALERT_MIN.. => vec![ONE],
        _ => vec![],
    }
}

/// `news` goes to the crew and to the contacts who may have been alerted.
fn news(scene: &Scene) -> (&'static str, Vec<&'static str>) {
    let contacts = alerted(scene).into_iter().filter(|reader| *reader != KEEPER);
    ("news", contacts.chain([CREW]).collect())
}

/// The rung after those that have gone; none after the last.
fn next_rung(scene: &Scene) -> Option<(&'static str, Vec<&'static str>)> {
    (scene.at_min < CALL_MIN).then(|| ("overdue", vec![ONE, TWO]))
}

fn over(scene: &Scene) -> Letters {
    let alerted = alerted(scene);
    let others = [CREW, ONE, TWO].into_iter().filter(|reader| !alerted.contains(reader));
    vec![("home", others.collect()), ("stand-down", alerted)]
}

pub fn cell(scene: &Scene, event: &str) -> Cell {
    let open = scene.closed.is_none();
    let same = scene.phase;
    match event {
        "time passes" => Cell::Nothing,
        "the next wake-up" if !open => Cell::Nothing,
        "the next wake-up" => match scene.at_min {
            ..0 => owes("armed", vec![("due", vec![CREW])]),
            0..15 => owes("overdue", vec![("overdue", vec![ONE])]),
            15..30 => owes("overdue", vec![("overdue", vec![ONE, TWO])]),
            _ => owes("overdue", vec![("call-rescue", vec![ONE, TWO, KEEPER])]),
        },
        "one ashore" if open => owes(same, vec![news(scene)]),
        "all ashore" | "called off" if open => owes("closed", over(scene)),
        "one ashore" | "all ashore" | "called off" => Cell::Nothing,
        "still out, with a note" if !open => Cell::Refused("closed"),
        "still out, with a note" => owes(same, vec![news(scene)]),
        "somebody else ashore" => Cell::Refused("nobody"),
        "one hour later" | "one minute later" if !open => Cell::Refused("closed"),
        "one minute later" if scene.at_min >= 1 => Cell::Refused("still past"),
        "one hour later" | "one minute later" => {
            let mut readers = vec![CREW, ONE, TWO];
            readers.extend(alerted(scene).contains(&KEEPER).then_some(KEEPER));
            owes("armed", vec![("changed", readers)])
        }
        "amended: one hour later, contact 3 for 2" | "amended: back a minute ago" if !open => {
            Cell::Refused("closed")
        }
        "amended: back a minute ago" => Cell::Refused("past return"),
        "amended: one hour later, contact 3 for 2" => {
            let mut readers = vec![CREW, ONE, TWO];
            readers.extend(alerted(scene).contains(&KEEPER).then_some(KEEPER));
            owes("armed", vec![("changed", readers), ("filed", vec!["contact:3"])])
        }
        "closed by the keeper" if open => owes("closed", over(scene)),
        "closed by the keeper" => Cell::Refused("closed"),
        "contact 1 is written to again" | "the keeper is written to again"
            if is_long_over(scene) =>
        {
            Cell::Refused("too late")
        }
        "contact 1 is written to again" => owes(same, vec![(held_by_one(scene), vec![ONE])]),
        "the keeper is written to again" if open && alerted(scene).contains(&KEEPER) => {
            owes(same, vec![("call-rescue", vec![KEEPER])])
        }
        "the keeper is written to again" => Cell::Refused("nothing to send"),
        "contact 1 has the letter" => Cell::Nothing,
        "contact 1 is on it" | "contact 1 has called" | "contact 1 can't act" if !open => {
            Cell::Refused("closed")
        }
        "contact 1 is on it" | "contact 1 has called" => owes(same, vec![news(scene)]),
        "contact 1 wants no letters" if !open => Cell::Nothing,
        "contact 1 wants no letters" => wants_none(scene, same),
        "contact 1 can't act" if same == "armed" => {
            owes(same, vec![news(scene), ("trouble", vec![KEEPER])])
        }
        "contact 1 can't act" => {
            owes(same, [news(scene)].into_iter().chain(next_rung(scene)).collect())
        }
        "the closing is taken back" => taken_back(scene),
        "what never was is taken back" => match scene.closed {
            Some(_) if is_long_over(scene) => Cell::Refused("too late"),
            _ => Cell::Refused("nothing to take back"),
        },
        "an alert to contact 1 leaves" | "an alert to contact 1 leaves without what was said"
            if !open && !alerted(scene).contains(&ONE) =>
        {
            owes(same, vec![("stand-down", vec![ONE])])
        }
        "an alert to contact 1 leaves without what was said"
            if open && !alerted(scene).contains(&ONE) =>
        {
            owes(same, vec![("news", vec![ONE])])
        }
        "an alert to contact 1 leaves without what was said" => Cell::Nothing,
        "an alert to contact 1 leaves" | "contact 1's address works again" => Cell::Nothing,
        "contact 1's address is refused" | "a letter to contact 1 comes back" => {
            let told = [("news", vec![CREW]), ("trouble", vec![KEEPER])].into_iter();
            owes(
                same,
                told.chain((same == "overdue").then(|| next_rung(scene)).flatten()).collect(),
            )
        }
        "an alert to contact 1 comes back, maybe for its words" => {
            let told = [("news", vec![CREW]), ("trouble", vec![KEEPER])].into_iter();
            let again = || next_rung(scene).unwrap_or(("call-rescue", vec![ONE]));
            owes(same, told.chain((same == "overdue").then(again)).collect())
        }
        _ => panic!("no rule for `{event}`"),
    }
}

/// As a contact who can't act, but that nothing goes to them: the others take the next rung.
fn wants_none(scene: &Scene, same: &'static str) -> Cell {
    let but_one = |(kind, mut readers): (&'static str, Vec<&'static str>)| {
        readers.retain(|reader| *reader != ONE);
        (kind, readers)
    };
    let rung = (same == "overdue").then(|| next_rung(scene)).flatten();
    let owed = [news(scene)].into_iter().chain(rung).map(but_one);
    owes(same, owed.chain([("trouble", vec![KEEPER])]).collect())
}

fn is_long_over(scene: &Scene) -> bool {
    scene.closed.is_some_and(|(_, closed_min)| scene.at_min > closed_min + UNDO_WITHIN_MIN)
}

/// What the first contact ought to hold.
fn held_by_one(scene: &Scene) -> &'static str {
    match (scene.closed, scene.at_min) {
        (Some(_), _) if alerted(scene).contains(&ONE) => "stand-down",
        (Some(_), _) => "home",
        (None, CALL_MIN..) => "call-rescue",
        (None, FIRST_ALERT_MIN..) => "overdue",
        (None, _) => "filed",
    }
}

fn taken_back(scene: &Scene) -> Cell {
    if scene.closed.is_none() {
        return Cell::Refused("nothing to take back");
    }
    if is_long_over(scene) {
        return Cell::Refused("too late");
    }
    if matches!(scene.closed, Some((Closing::OffAndAshore, _))) {
        return owes("closed", over(scene));
    }
    let withdrawn = ("withdrawn", vec![CREW, ONE, TWO]);
    match scene.at_min {
        // The reminder, half an hour before the return time, is the highest that is due.
        ..0 => owes("armed", vec![withdrawn, ("reminder", vec![CREW])]),
        0..30 => owes("overdue", vec![withdrawn, ("overdue", vec![ONE])]),
        _ => owes("overdue", vec![withdrawn, ("call-rescue", vec![ONE, TWO, KEEPER])]),
    }
}

fn owes(phase: &'static str, letters: Letters) -> Cell {
    let mut owed = BTreeMap::new();
    for (kind, readers) in letters.into_iter().filter(|(_, readers)| !readers.is_empty()) {
        let mut readers: Vec<String> = readers.into_iter().map(str::to_owned).collect();
        readers.sort();
        owed.insert(kind.to_owned(), readers);
    }
    Cell::Owes(phase, owed)
}
