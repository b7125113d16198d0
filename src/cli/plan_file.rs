//! Reads a plan file, and the route beside it.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use super::exit::{Done, Exit, Failure};
use crate::plan::{Plan, Waypoint, read_gpx, read_json, read_toml};

/// The largest plan file read, in bytes: room for every key of a plan, many times over.
const MOST_BYTES: u64 = 1_000_000;
/// The largest route file read, in bytes; the reader of routes refuses it by itself from there on.
const MOST_ROUTE_BYTES: u64 = 4_000_001;

/// Reads and checks a plan, TOML or JSON by the ending of its name, else by how it begins.
pub(super) fn read(path: &Path) -> Done<Plan> {
    let shown = path.display();
    let bytes = bytes(path, MOST_BYTES + 1).map_err(|error| {
        Failure::new(Exit::NoInput, format!("the plan {shown} can't be read: {error}"))
    })?;
    let bad = |words: String| Failure::new(Exit::BadData, words);
    if bytes.len() as u64 > MOST_BYTES {
        return Err(bad(format!("{shown} is larger than 1 MB, which no plan needs to be")));
    }
    let text = text(&bytes).map_err(|why| bad(format!("{shown} {why}")))?;
    let route_files = |name: &str| route(path, name);
    let plan = match is_json(path, text) {
        true => read_json(text, &route_files),
        false => read_toml(text, &route_files),
    };
    plan.map_err(|faults| {
        let head = match faults.list().len() {
            1 => "one thing in it must be mended".to_owned(),
            number => format!("{number} things in it must be mended"),
        };
        bad(format!("{shown}: {head}:\n{faults}"))
    })
}

fn is_json(path: &Path, text: &str) -> bool {
    match path.extension().and_then(|ending| ending.to_str()) {
        Some("json") => true,
        Some("toml") => false,
        // No TOML begins with a brace.
        _ => text.trim_start().starts_with('{'),
    }
}

/// The places in a route file that lies beside the plan.
fn route(plan: &Path, name: &str) -> Result<Vec<Waypoint>, String> {
    let path = plan.parent().unwrap_or(Path::new("")).join(name);
    let bytes = bytes(&path, MOST_ROUTE_BYTES)
        .map_err(|error| format!("can't be read beside the plan: {error}"))?;
    read_gpx(text(&bytes)?).map_err(|error| error.to_string())
}

/// The file's bytes, `most` of them at most.
fn bytes(path: &Path, most: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    File::open(path)?.take(most).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// The bytes as text. Some editors put a mark (U+FEFF) in front of it, which is no part of it.
fn text(bytes: &[u8]) -> Result<&str, String> {
    let text = std::str::from_utf8(bytes).map_err(|error| {
        let line = 1 + bytes[..error.valid_up_to()].iter().filter(|b| **b == b'\n').count();
        format!("is no text in UTF-8 (line {line} is the first wrong one); save it as UTF-8")
    })?;
    Ok(text.strip_prefix('\u{feff}').unwrap_or(text))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ending_of_the_name_decides_and_else_the_beginning_of_the_text() {
        assert!(is_json(Path::new("a.json"), "title = 1"));
        assert!(!is_json(Path::new("a.toml"), "{}"));
        assert!(is_json(Path::new("plan"), "\n {}"));
        assert!(!is_json(Path::new("plan"), "[times]"));
    }

    #[test]
    fn what_is_no_text_is_told_with_its_line() {
        assert!(text(b"a\nb\xff").is_err_and(|why| why.contains("line 2 ")));
        assert_eq!(text("\u{feff}a".as_bytes()), Ok("a"));
    }
}
