//! Each remedy in DEVELOPERS.md names what shows it at work, and that is there.

#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::{Path, PathBuf};

/// The files that a name in the table of faults may mean: a file of tests, a part of one, a script, or
/// unit tests in the source.
fn tests_named(name: &str) -> Vec<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let name = name.split(' ').next().unwrap();
    let places = ["tests", "src", "."].map(|place| root.join(place).join(name));
    let with_end = |place: &PathBuf| PathBuf::from(format!("{}.rs", place.display()));
    let files = places.iter().flat_map(|place| [place.clone(), with_end(place)]);
    let inside = |place: PathBuf| match place.is_dir() {
        true => fs::read_dir(place).unwrap().map(|file| file.unwrap().path()).collect(),
        false => vec![place],
    };
    files.filter(|file| file.exists()).flat_map(inside).filter(|file| file.is_file()).collect()
}

/// What is named in a cell of the table and is not there.
fn not_there(cell: &str) -> Vec<&str> {
    let mut files = Vec::new();
    let mut in_brackets = false;
    let mut missing = Vec::new();
    for (at, part) in cell.split('`').enumerate() {
        if at % 2 == 0 {
            in_brackets = part.rfind('(') > part.rfind(')') || (in_brackets && !part.contains(')'));
            continue;
        }
        if !in_brackets {
            files = tests_named(part);
        }
        let has_case = |file: &PathBuf| {
            let text = fs::read_to_string(file).unwrap_or_default();
            ["fn", "def"].iter().any(|word| text.contains(&format!("{word} {part}")))
        };
        let there = if in_brackets { files.iter().any(has_case) } else { !files.is_empty() };
        if !there && !part.contains('=') {
            missing.push(part);
        }
    }
    missing
}

#[test]
fn every_remedy_names_tests_that_are_there() {
    let text = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("DEVELOPERS.md"));
    let text = text.unwrap();
    let (_, table) = text.split_once("| fault | remedy | test |").unwrap();
    let rows = table.lines().skip(2).take_while(|line| line.starts_with('|'));
    let cells: Vec<_> = rows.map(|row| row.rsplit('|').nth(1).unwrap()).collect();
    assert!(cells.len() > 40, "{} rows", cells.len());
    for cell in cells {
        assert_eq!(not_there(cell), [""; 0], "{cell}");
        assert!(cell.contains('`') || cell.starts_with(" none"), "{cell}");
    }
    let wrong = not_there("`store_kiled`, `post/relay` (`a_name_that`, `no_such_case`), `house`");
    assert_eq!(wrong, ["store_kiled", "no_such_case"]);
}
