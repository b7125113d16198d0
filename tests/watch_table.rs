//! Every event in every phase: what the plan becomes, and which letters it then owes. The table in
//! `DEVELOPERS.md` is printed from the code, and each cell is held against the rules below, which
//! are written down apart from it. `UPDATE=1 cargo test --test watch_table` prints it anew.

#![allow(clippy::expect_used)]

#[path = "watch_table/rules.rs"]
mod rules;
#[path = "watch_table/scenes.rs"]
mod scenes;

use std::collections::BTreeMap;
use std::fmt;
use std::fs;

use shorelamp::watch::{Phase, Refusal, Step, step};

use scenes::{EVENTS, Happening, SCENES, Scene};

/// What stands in one cell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cell {
    /// Nothing is owed, and the phase stays.
    Nothing,
    /// It does not apply; why.
    Refused(&'static str),
    /// The next phase, and the readers of each kind of letter.
    Owes(&'static str, BTreeMap<String, Vec<String>>),
}

impl Cell {
    fn of(before: &str, outcome: &Result<Step, Refusal>) -> Cell {
        let step = match outcome {
            Ok(step) => step,
            Err(refusal) => return Cell::Refused(name_of(refusal)),
        };
        let mut letters: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for order in &step.orders {
            letters.entry(order.kind.to_string()).or_default().push(order.to.to_string());
        }
        let phase = match step.plan.phase {
            Phase::Armed => "armed",
            Phase::Overdue => "overdue",
            Phase::Closed(_) => "closed",
        };
        if letters.is_empty() && phase == before {
            return Cell::Nothing;
        }
        letters.values_mut().for_each(|readers| readers.sort());
        Cell::Owes(phase, letters)
    }
}

impl fmt::Display for Cell {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Cell::Nothing => out.write_str("–"),
            Cell::Refused(why) => write!(out, "refused: {why}"),
            Cell::Owes(phase, letters) => {
                write!(out, "**{phase}**")?;
                for (kind, readers) in letters {
                    write!(out, "; `{kind}` {}", readers.join(" "))?;
                }
                Ok(())
            }
        }
    }
}

fn name_of(refusal: &Refusal) -> &'static str {
    match refusal {
        Refusal::Closed => "closed",
        Refusal::StillPast { .. } => "still past",
        Refusal::PastReturn => "past return",
        Refusal::NobodyOut => "nobody out",
        Refusal::MovedOn => "moved on",
        Refusal::NotAsked => "not asked",
        Refusal::NothingToSend => "nothing to send",
        Refusal::NoLetters => "no letters",
        Refusal::NothingToUndo => "nothing to take back",
        Refusal::TooLate => "too late",
        Refusal::Nobody => "nobody",
    }
}

fn cell(scene: &Scene, happening: &Happening) -> Cell {
    let stage = scene.stage();
    let (event, at) = happening.event(&stage);
    Cell::of(scene.phase, &step(&stage.plan, &event, at))
}

/// The table as Markdown: a row an event, a column a phase.
fn table() -> String {
    let head = SCENES.iter().map(|scene| format!(" {} |", scene.name)).collect::<String>();
    let mut text = format!("| event |{head}\n|{}\n", " --- |".repeat(SCENES.len() + 1));
    for happening in EVENTS {
        let cells = SCENES.iter().map(|scene| format!(" {} |", cell(scene, happening)));
        text.push_str(&format!("| {} |{}\n", happening.name, cells.collect::<String>()));
    }
    text
}

#[test]
fn every_event_in_every_phase_does_what_the_rules_say() {
    let mut wrong = Vec::new();
    for scene in SCENES {
        for happening in EVENTS {
            let (is, ought) = (cell(scene, happening), rules::cell(scene, happening.name));
            if is != ought {
                wrong.push(format!("{}, {}: is {is}, ought {ought}", scene.name, happening.name));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_table_for_developers_is_printed_from_the_code() {
    const BEGIN: &str = "<!-- watch table: begin -->\n";
    const END: &str = "<!-- watch table: end -->";
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/DEVELOPERS.md");
    let page = fs::read_to_string(path).expect("DEVELOPERS.md");
    let (before, rest) = page.split_once(BEGIN).expect("the mark where the table begins");
    let (printed, after) = rest.split_once(END).expect("the mark where the table ends");
    if std::env::var_os("UPDATE").is_some() {
        fs::write(path, format!("{before}{BEGIN}{}{END}{after}", table())).expect("written");
        return;
    }
    assert_eq!(printed, table(), "print it anew: UPDATE=1 cargo test --test watch_table");
}

/// Each event of the watch has a row, and each row is met by every column.
#[test]
fn no_event_lacks_a_row() {
    let stage = SCENES[0].stage();
    let rows: Vec<_> = EVENTS.iter().map(|one| scenes::variant(&one.event(&stage).0)).collect();
    for variant in scenes::VARIANTS {
        assert!(rows.contains(&variant), "{variant} has no row");
    }
}
