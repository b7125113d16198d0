//! What is done with a plan, a route, a position, a span or a time of each kind: it is refused, or
//! it comes back the same. `tests/fuzz_plans.rs` does the same with what is kept in the corpus.

use super::measure::{Position, Span};
use super::plan::{Plan, read_gpx, read_json, read_toml};

/// A plan file, in both languages.
pub fn plan(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    let no_files = |_: &str| Err("no files here".to_owned());
    for read in [read_toml(&text, &no_files), read_json(&text, &no_files)] {
        match read {
            Ok(plan) => comes_back(&plan),
            Err(faults) => assert!(!faults.list().is_empty() && !faults.to_string().is_empty()),
        }
    }
}

/// What is filed is stored as JSON and read again, once for each letter.
fn comes_back(plan: &Plan) {
    let text = serde_json::to_string(plan).expect("a plan is text");
    let again = read_json(&text, &|_: &str| Err(String::new()));
    assert!(again.is_ok_and(|again| again == *plan), "{text}");
}

/// A route that somebody drew elsewhere.
pub fn gpx(data: &[u8]) {
    if let Ok(points) = read_gpx(&String::from_utf8_lossy(data)) {
        for point in points {
            comes_near(point.position);
        }
    }
}

/// A position in any notation.
pub fn position(data: &[u8]) {
    if let Ok(position) = String::from_utf8_lossy(data).parse::<Position>() {
        comes_near(position);
    }
}

fn comes_near(position: Position) {
    assert!(position.lat_deg().abs() <= 90.0 && position.lon_deg().abs() <= 180.0);
    let texts = [
        position.decimal(),
        position.degrees_minutes(),
        position.degrees_minutes_seconds(),
        position.iso_6709(),
    ];
    for text in texts {
        let again: Position = text.parse().expect("what we write can be read");
        let apart = (again.lat_deg() - position.lat_deg()).abs();
        assert!(apart < 0.001, "{text}");
    }
}

/// A span or a time.
pub fn time(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    if let Ok(span) = text.parse::<Span>() {
        assert!(!span.spoken().is_empty());
    }
    // Times stand in plans alone: a zone chooses among them.
    let quoted = serde_json::Value::from(text.as_ref());
    let plan = format!(
        "{{\"times\":{{\"launch\":{quoted},\"return_by\":{quoted},\"grace\":{quoted}}},\
         \"launch\":{{\"position\":\"48.5 -123.1\"}},\"crew\":[{{\"name\":\"A\"}}],\
         \"contact\":[{{\"name\":\"B\",\"email\":\"b@example.org\"}}]}}"
    );
    self::plan(plan.as_bytes());
}
