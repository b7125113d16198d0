//! From a filled form to a plan: what was typed, row by row, and the document it makes.

use std::collections::BTreeMap;

use chrono::DateTime;
use chrono_tz::Tz;
use serde_json::{Map, Number, Value};

use super::fields::{Field, GROUPS, Group, Kind, WAYPOINT_ROWS};
use crate::measure::Position;
use crate::plan::{Faults, Plan, read_json};
use crate::web::typed::Typed;

/// More waypoints, one a line.
pub(super) const MORE_WAYPOINTS: &str = "more_waypoints";

/// What was typed, by the keys of the plan; a moment's day and time each have their own. Rows that
/// were left blank are closed up, so that faults name the rows as they are shown.
#[derive(Clone, Debug, Default)]
pub(super) struct Draft(BTreeMap<String, String>);

impl Draft {
    pub(super) fn of(typed: &Typed) -> Self {
        let mut draft = Draft::default();
        for group in &GROUPS {
            let rows =
                group.row_numbers().filter(|&row| group.rows == 0 || is_used(group, row, typed));
            for (at, row) in rows.enumerate() {
                for name in group.fields.iter().flat_map(names) {
                    draft.set(group.key(at + 1, &name), typed.get(&group.key(row, &name)));
                }
            }
        }
        draft.set(MORE_WAYPOINTS.to_owned(), typed.get(MORE_WAYPOINTS));
        draft
    }

    /// The draft that makes this plan's document again.
    pub(super) fn of_document(document: &Value) -> Self {
        let mut draft = Draft::default();
        let zone = document["times"]["zone"].as_str().and_then(|name| name.parse::<Tz>().ok());
        for group in &GROUPS {
            let table =
                if group.table.is_empty() { Some(document) } else { document.get(group.table) };
            let Some(table) = table else { continue };
            let rows = match table {
                Value::Array(rows) => rows.iter().collect(),
                table => vec![table],
            };
            for (at, row) in rows.iter().enumerate() {
                if group.table == "waypoint" && at >= WAYPOINT_ROWS {
                    draft.add_line(row);
                    continue;
                }
                for field in group.fields {
                    draft.take(field.kind, &group.key(at + 1, field.key), &row[field.key], zone);
                }
            }
        }
        draft
    }

    /// Moments are typed by the launch's clocks, whatever offset the document has them in.
    fn take(&mut self, kind: Kind, key: &str, value: &Value, zone: Option<Tz>) {
        let text = match value {
            Value::Null => return,
            Value::Bool(true) => "yes".to_owned(),
            Value::Bool(false) => "no".to_owned(),
            Value::String(text) => text.clone(),
            other => other.to_string(),
        };
        let local = match (kind, zone, DateTime::parse_from_rfc3339(&text)) {
            (Kind::Moment, Some(zone), Ok(at)) => {
                at.with_timezone(&zone).format("%Y-%m-%dT%H:%M").to_string()
            }
            _ => text.clone(),
        };
        match (kind, local.split_once('T')) {
            (Kind::Moment, Some((day, time))) => {
                for (part, value) in moment(key).into_iter().zip([day, time.get(..5).unwrap_or("")])
                {
                    self.set(part, value);
                }
            }
            _ => self.set(key.to_owned(), &text),
        }
    }

    fn add_line(&mut self, waypoint: &Value) {
        let parts = ["name", "position", "stay"].map(|key| waypoint[key].as_str().unwrap_or(""));
        let told: Vec<&str> = parts.into_iter().filter(|part| !part.is_empty()).collect();
        let lines = [self.get(MORE_WAYPOINTS), &told.join("; ")].join("\n");
        self.set(MORE_WAYPOINTS.to_owned(), lines.trim_start());
    }

    /// The draft of these fields, by the names of the form's.
    pub(super) fn of_pairs(pairs: impl IntoIterator<Item = (String, String)>) -> Self {
        Draft(pairs.into_iter().filter(|(_, value)| !value.is_empty()).collect())
    }

    /// Takes over all that the other holds.
    pub(super) fn fill(&mut self, other: &Draft) {
        self.0.extend(other.0.clone());
    }

    /// Everything that was typed, by the names of the form's fields.
    pub(super) fn pairs(&self) -> impl Iterator<Item = (&str, &str)> {
        self.0.iter().map(|(key, value)| (key.as_str(), value.as_str()))
    }

    pub(super) fn get(&self, key: &str) -> &str {
        self.0.get(key).map_or("", String::as_str)
    }

    pub(super) fn set(&mut self, key: String, value: &str) {
        if !value.is_empty() {
            self.0.insert(key, value.to_owned());
        }
    }

    /// Empties a field.
    pub(super) fn clear(&mut self, key: &str) {
        self.0.remove(key);
    }

    /// The plan, or everything that is wrong with it.
    pub(super) fn plan(&self) -> Result<Plan, Faults> {
        let no_files = |_: &str| Err("stands for a file; type the points instead".to_owned());
        read_json(&self.document().to_string(), &no_files)
    }

    /// The plan's document.
    pub(super) fn document(&self) -> Value {
        let mut root = Map::new();
        for group in &GROUPS {
            if group.table.is_empty() {
                root.extend(self.row(group, 1));
            } else if group.rows == 0 {
                let table = self.row(group, 1);
                if group.needed || !table.is_empty() {
                    root.insert(group.table.to_owned(), Value::Object(table));
                }
            } else {
                root.insert(group.table.to_owned(), Value::Array(self.rows(group)));
            }
        }
        Value::Object(root)
    }

    fn rows(&self, group: &Group) -> Vec<Value> {
        let rows = group.row_numbers().map(|row| (row, self.row(group, row)));
        let used = rows.filter(|(row, table)| !table.is_empty() || (group.needed && *row == 1));
        let mut rows: Vec<Value> = used.map(|(_, table)| Value::Object(table)).collect();
        if group.table == "waypoint" {
            rows.extend(self.lines().map(|(_, line)| waypoint(line)));
        }
        rows
    }

    fn row(&self, group: &Group, row: usize) -> Map<String, Value> {
        let value = |field: &Field| {
            let key = group.key(row, field.key);
            Some((field.key.to_owned(), self.value(field.kind, &key)?))
        };
        group.fields.iter().filter_map(value).collect()
    }

    /// What a field of this kind becomes in the plan; `None` where it was left empty.
    pub(super) fn value(&self, kind: Kind, key: &str) -> Option<Value> {
        let text = match kind {
            Kind::Moment => {
                let parts = moment(key).map(|part| self.get(&part).to_owned());
                parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("T")
            }
            _ => self.get(key).to_owned(),
        };
        if text.is_empty() {
            return None;
        }
        Some(match (kind, text.as_str()) {
            (Kind::Number, text) => number(text),
            (Kind::YesNo, "yes") => Value::Bool(true),
            (Kind::YesNo, "no") => Value::Bool(false),
            _ => Value::String(text),
        })
    }

    /// The lines of further waypoints, each with its number in the text.
    pub(super) fn lines(&self) -> impl Iterator<Item = (usize, &str)> {
        let lines = self.get(MORE_WAYPOINTS).lines().map(str::trim).enumerate();
        lines.filter(|(_, line)| !line.is_empty()).map(|(at, line)| (at + 1, line))
    }

    /// The line of the text that made the waypoint of this number, if it has no row of its own.
    pub(super) fn line_of_waypoint(&self, number: usize) -> Option<usize> {
        let group = GROUPS.iter().find(|group| group.table == "waypoint")?;
        let used = (1..=WAYPOINT_ROWS).filter(|&row| !self.row(group, row).is_empty()).count();
        let after = number.checked_sub(used + 1)?;
        self.lines().nth(after).map(|(line, _)| line)
    }
}

/// The names under which a field is sent.
pub(super) fn names(field: &Field) -> Vec<String> {
    match field.kind {
        Kind::Moment => moment(field.key).into(),
        _ => vec![field.key.to_owned()],
    }
}

/// The names of a moment's day and time.
pub(super) fn moment(key: &str) -> [String; 2] {
    ["date", "time"].map(|part| format!("{key}.{part}"))
}

fn is_used(group: &Group, row: usize, typed: &Typed) -> bool {
    group.fields.iter().flat_map(names).any(|name| !typed.get(&group.key(row, &name)).is_empty())
}

/// A number as people type it; what is none stays a text, and is told of as a fault.
fn number(text: &str) -> Value {
    if let Ok(whole) = text.parse::<u64>() {
        return Value::from(whole);
    }
    let number = text.replace(',', ".").parse().ok().and_then(Number::from_f64);
    number.map_or_else(|| Value::String(text.to_owned()), Value::Number)
}

/// `position`, `name; position`, `position; stay` or `name; position; stay`.
pub(super) fn waypoint(line: &str) -> Value {
    let parts: Vec<&str> = line.split(';').map(str::trim).collect();
    let is_position = |text: &str| text.parse::<Position>().is_ok();
    let (name, position, stay) = match parts[..] {
        [name, position, stay] => (name, position, stay),
        [position, stay] if is_position(position) => ("", position, stay),
        [name, position] => (name, position, ""),
        _ => ("", line, ""),
    };
    let pairs = [("name", name), ("position", position), ("stay", stay)];
    let told = pairs.into_iter().filter(|(_, value)| !value.is_empty());
    told.map(|(key, value)| (key.to_owned(), Value::from(value))).collect::<Map<_, _>>().into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn draft(pairs: &[(&str, &str)]) -> Draft {
        let pairs = pairs.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned()));
        Draft::of(&pairs.collect())
    }

    /// Invented people.
    const LEAST: [(&str, &str); 8] = [
        ("times.launch.date", "2026-06-14"),
        ("times.launch.time", "05:30"),
        ("times.return_by.date", "2026-06-14"),
        ("times.return_by.time", "12:30"),
        ("launch.position", "48.5420 -123.1620"),
        ("crew[1].name", "Ines Halloran"),
        ("contact[3].name", "Dunstan Okafor"),
        ("contact[3].email", "dunstan@example.org"),
    ];

    #[test]
    fn the_least_that_a_plan_needs_makes_one() {
        let plan = draft(&LEAST).plan().unwrap();
        assert_eq!(plan.times.return_by.at.to_rfc3339(), "2026-06-14T19:30:00+00:00");
        assert_eq!(plan.contacts[0].name, "Dunstan Okafor");
    }

    #[test]
    fn every_field_of_the_form_is_a_key_of_the_plan() {
        let sample = |kind: Kind| match kind {
            Kind::Number => "3",
            Kind::YesNo => "yes",
            Kind::Choice(choices) => choices[0].0,
            _ => "",
        };
        let mut pairs: Vec<(String, String)> =
            LEAST.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect();
        for group in &GROUPS {
            for field in group.fields {
                pairs.push((group.key(1, field.key), sample(field.kind).to_owned()));
            }
        }
        let more = [
            ("waypoint[1].position", "48.55 -123.20"),
            ("waypoint[1].stay", "2h"),
            ("waypoint[1].name", "Kelp edge"),
            ("landing.position", "48.54 -123.16"),
            ("landing.name", "Ramp"),
            ("times.grace", "20m"),
            ("launch.vehicle", "Green car"),
            ("launch.name", "Ramp"),
            ("crew[1].medical", "Asthma"),
            ("gear.mmsi", "833800001"),
            ("gear.beacon", "9C7F4B013595551"),
            ("gear.vhf", "handheld"),
            ("gear.notes", "Tow line"),
            ("stated.taken_at.date", "2026-06-14"),
            ("stated.taken_at.time", "05:00"),
            ("title", "Halibut drift"),
        ];
        pairs.retain(|(name, value)| !value.is_empty() && !more.iter().any(|(key, _)| key == name));
        pairs.extend(more.map(|(name, value)| (name.to_owned(), value.to_owned())));
        let plan = Draft::of(&pairs.into_iter().collect()).plan().unwrap();
        assert_eq!(plan.title.as_deref(), Some("Halibut drift"));
        assert_eq!(plan.crew[0].medical.as_deref(), Some("Asthma"));
        assert_eq!(plan.gear.light, Some(true));
        assert!(plan.stated.unwrap().taken_at.is_some());
    }

    #[test]
    fn a_plan_makes_the_form_that_makes_it() {
        let pairs = [
            ("waypoint[1].position", "48.55 -123.20"),
            ("waypoint[1].stay", "2h"),
            ("gear.light", "yes"),
            ("gear.sound_signal", "no"),
            ("pace.speed_kn", "2,5"),
            ("crew[2].name", "Tomas Bright"),
            ("stated.water_c", "9.5"),
            ("stated.taken_at.date", "2026-06-14"),
            ("stated.taken_at.time", "05:00"),
            (
                MORE_WAYPOINTS,
                "48.56 -123.21\n48.57 -123.22\n48.57 -123.23\n48.57 -123.24\n\
                              48.57 -123.25\n48.57 -123.26\n48.57 -123.27\nKelp; 48.58 -123.23; 10m",
            ),
        ];
        let plan = draft(&[LEAST.as_slice(), &pairs].concat()).plan().unwrap();
        let again = Draft::of_document(&serde_json::to_value(&plan).unwrap());
        assert_eq!(again.plan().unwrap(), plan);
        assert!(again.get(MORE_WAYPOINTS).contains("\nKelp; "), "{again:?}");
    }

    #[test]
    fn lines_follow_the_rows_and_are_found_again() {
        let pairs = [
            ("waypoint[4].position", "48.55 -123.20"),
            (
                MORE_WAYPOINTS,
                "Kelp; 48.56 -123.21; 2h\n\n48.57 -123.22\n48.58 -123.23; 10m\nelsewhere",
            ),
        ];
        let draft = draft(&[LEAST.as_slice(), &pairs].concat());
        let expected = json!([
            {"position": "48.55 -123.20"},
            {"name": "Kelp", "position": "48.56 -123.21", "stay": "2h"},
            {"position": "48.57 -123.22"},
            {"position": "48.58 -123.23", "stay": "10m"},
            {"position": "elsewhere"},
        ]);
        assert_eq!(draft.document()["waypoint"], expected);
        assert_eq!(draft.line_of_waypoint(1), None);
        assert_eq!(draft.line_of_waypoint(2), Some(1));
        assert_eq!(draft.line_of_waypoint(5), Some(5));
        assert_eq!(draft.plan().unwrap_err().list()[0].key, "waypoint[5].position");
    }

    #[test]
    fn an_empty_form_tells_all_that_is_needed() {
        let faults = draft(&[]).plan().unwrap_err();
        let keys: Vec<_> = faults.list().iter().map(|fault| fault.key.as_str()).collect();
        for key in ["times.launch", "times.return_by", "launch.position", "crew[1].name"] {
            assert!(keys.contains(&key), "{key} not among {keys:?}");
        }
        assert!(keys.contains(&"contact[1].email"));
    }

    #[test]
    fn numbers_may_have_a_comma_and_are_else_told_of() {
        assert_eq!(number("9,5"), json!(9.5));
        assert_eq!(number("44"), json!(44));
        for text in ["NaN", "inf", "cold", "1,000.5"] {
            assert_eq!(number(text), json!(text));
        }
    }
}
