//! Every file of `tests/bad-plans` is refused, with the words that stand beside it: what is
//! wrong, where, and how to mend it. Plans of sizes that no file should have are made here.

#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::{Path, PathBuf};

use shorelamp::measure::Position;
use shorelamp::plan::{Fault, Waypoint, read_gpx, read_json, read_toml};

/// A whole plan of invented people, to be spoiled.
const PLAN: &str = r#"
[times]
launch = "2027-05-15T06:15"
return_by = "2027-05-15T12:00"
[launch]
position = "48.5608 -123.1755"
[[crew]]
name = "Maren Tollefsby"
[[contact]]
name = "Philippa Ashgrove"
email = "philippa@example.org"
"#;

/// Stands for a folder that holds `route.gpx` alone.
fn route_files(name: &str) -> Result<Vec<Waypoint>, String> {
    if name == "route.gpx" {
        let position = Position::new(48.544, -123.202).unwrap();
        return Ok(vec![Waypoint { name: None, position, stay: None }]);
    }
    Err(format!("{name} is not there"))
}

/// The faults of a file, by the ending of its name.
fn faults(path: &Path) -> Vec<Fault> {
    let text = fs::read_to_string(path).unwrap();
    let faults = match path.extension().and_then(|ending| ending.to_str()) {
        Some("toml") => read_toml(&text, &route_files).map(drop),
        Some("json") => read_json(&text, &route_files).map(drop),
        Some("gpx") => {
            let Err(error) = read_gpx(&text) else { return Vec::new() };
            return vec![Fault::new("route_file", "route.gpx", error.to_string())];
        }
        other => panic!("{}: what is a {other:?}?", path.display()),
    };
    faults.err().map(|faults| faults.list().to_vec()).unwrap_or_default()
}

fn toml_faults(text: &str) -> Vec<Fault> {
    read_toml(text, &route_files).err().map(|faults| faults.list().to_vec()).unwrap_or_default()
}

fn bad_plans() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bad-plans");
    let entries = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let mut plans: Vec<_> =
        entries.filter(|path| path.extension().is_some_and(|ending| ending != "txt")).collect();
    plans.sort();
    plans
}

/// The number of faults in the first line, `faults: N`, then the words, one a line.
fn expected(plan: &Path) -> (usize, Vec<String>) {
    let path = plan.with_extension("txt");
    let text = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let mut lines = text.lines().map(str::to_owned);
    let first = lines.next().unwrap_or_default();
    let count = first.strip_prefix("faults: ").and_then(|count| count.parse().ok());
    (count.unwrap_or_else(|| panic!("{}: begins `faults: N`", path.display())), lines.collect())
}

#[test]
fn the_plan_that_the_others_spoil_is_good() {
    assert!(toml_faults(PLAN).is_empty(), "{:?}", toml_faults(PLAN));
}

#[test]
fn every_bad_plan_is_refused_with_the_words_beside_it() {
    let plans = bad_plans();
    assert!(plans.len() > 60, "only {} bad plans found", plans.len());
    let mut wrong = Vec::new();
    for plan in &plans {
        let (count, words) = expected(plan);
        let found = faults(plan);
        let told: String = found.iter().map(|fault| format!("{fault}\n")).collect();
        let missing: Vec<_> = words.iter().filter(|words| !told.contains(*words)).collect();
        if count == 0 || found.len() != count || words.is_empty() || !missing.is_empty() {
            let name = plan.file_name().unwrap().display();
            wrong.push(format!("{name}: {count} faults with {missing:?} expected, told:\n{told}"));
        }
    }
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

/// What is told goes to a terminal, a page and a log: one short line a fault, nothing in it that
/// could forge another.
#[test]
fn what_is_told_of_a_value_is_one_short_line() {
    for plan in bad_plans() {
        for fault in faults(&plan) {
            let forged = fault
                .value
                .contains(|c: char| c.is_control() || matches!(c, '\u{2028}' | '\u{2029}'));
            assert!(!forged && fault.value.chars().count() <= 61, "{}: {fault:?}", plan.display());
            assert!(fault.mend.len() < 1000, "{}: a mend of {}", plan.display(), fault.mend.len());
        }
    }
}

#[test]
fn too_many_waypoints_are_one_fault() {
    let waypoint = "\n[[waypoint]]\nposition = \"48.5440 -123.2020\"\n";
    let found = toml_faults(&(PLAN.to_owned() + &waypoint.repeat(10_000)));
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].key, "waypoint");
    assert!(found[0].mend.contains("500"), "{found:?}");
}

#[test]
fn too_many_crew_and_contacts_are_a_fault_each() {
    let crew = "\n[[crew]]\nname = \"Somebody\"\n".repeat(10_000);
    let contact = "\n[[contact]]\nname = \"Somebody\"\nemail = \"a@example.org\"\n".repeat(10_000);
    let found = toml_faults(&(PLAN.to_owned() + &crew + &contact));
    let keys: Vec<_> = found.iter().map(|fault| fault.key.as_str()).collect();
    assert_eq!(keys, ["crew", "contact"], "{found:?}");
}

/// A text of faults must not grow into an answer as large as an attack.
#[test]
fn ten_thousand_unknown_keys_do_not_make_ten_thousand_faults() {
    let keys: String = (0..10_000).map(|n| format!("key{n} = {n}\n")).collect();
    let found = toml_faults(&(keys + PLAN));
    assert!((1..=200).contains(&found.len()), "{} faults", found.len());
}

fn gpx(element: &str, points: usize) -> String {
    let point = |n: usize| {
        let (north, east) = (n as f64 * 1e-5, (n % 2) as f64 * 1e-3);
        format!("<{element} lat=\"{:.5}\" lon=\"{:.5}\"/>", 48.5 + north, -123.2 + east)
    };
    let points: String = (0..points).map(point).collect();
    let inner = if element == "rtept" { format!("<rte>{points}</rte>") } else { points };
    format!(
        "<gpx version=\"1.1\" creator=\"invented\" xmlns=\"http://www.topografix.com/GPX/1/1\">\
         {inner}</gpx>"
    )
}

#[test]
fn a_route_file_of_ten_thousand_places_is_refused() {
    for element in ["rtept", "wpt"] {
        let text = gpx(element, 10_000);
        let route = |_: &str| read_gpx(&text).map_err(|error| error.to_string());
        let plan = format!("route_file = \"route.gpx\"\n{PLAN}");
        let found = read_toml(&plan, &route).unwrap_err();
        assert_eq!(found.list().len(), 1, "{found}");
        assert_eq!(found.list()[0].key, "route_file");
        assert!(found.to_string().contains("500"), "{found}");
    }
}

#[test]
fn a_gpx_file_of_many_megabytes_is_refused_unread() {
    let error = read_gpx(&gpx("rtept", 120_000)).unwrap_err();
    assert!(error.to_string().contains("4 MB"), "{error}");
}

/// Nested as deeply as a file of the size taken can be.
#[test]
fn a_gpx_file_nested_without_end_does_not_overflow_the_stack() {
    let depth = 500_000;
    for (head, open, close) in [
        ("<wpt lat=\"48.5\" lon=\"-123.2\"><extensions>", "<a>", "</a>"),
        ("<extensions>", "<a>", "</a>"),
        ("", "<a>", "</a>"),
        ("<rte>", "<rte>", ""),
    ] {
        let head = format!("<gpx version=\"1.1\" creator=\"x\">{head}");
        let text = head + &open.repeat(depth) + &close.repeat(depth);
        assert!(read_gpx(&text).is_err(), "{open} taken");
    }
}
