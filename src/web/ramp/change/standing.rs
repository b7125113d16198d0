//! A plan as the form of a change shows it, and that form filled: what was typed in the fields that
//! were touched, the plan as it now stands in all others.
//!
//! Notes on health never leave the plan for the form: what it holds of them was typed in it.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;

use super::super::draft::{Draft, MORE_WAYPOINTS, names};
use super::super::fields::{Field, GROUPS, Group, WAYPOINT_ROWS};
use crate::plan::Plan;
use crate::watch::{Part, Watched};
use crate::web::typed::Typed;

/// The most people and craft that have rows of their own.
const MOST_SHOWN: usize = 12;
/// The most points of a route that the form shows.
const MOST_POINTS: usize = 24;
/// Rows for those who are added.
const SPARE: usize = 2;
/// The most rows of a group that are read: more than a plan takes.
const MOST_READ: usize = 80;

/// What a contact is reached by.
pub(super) const WAYS_TO_REACH: [&str; 2] = ["email", "phone"];

/// The plan as it stands.
pub(super) struct Standing {
    /// In the plan file's keys, with everybody in their place for life.
    pub(super) document: Value,
    /// The places of those who are on the trip.
    pub(super) crew: Vec<usize>,
    /// The places of those who are asked, in their order.
    pub(super) contacts: Vec<usize>,
    /// Whether the form shows the points of the route.
    pub(super) shows_route: bool,
    /// Whether it is the device that filed.
    pub(super) by_filer: bool,
    /// The form untouched.
    pub(super) shown: Draft,
}

/// The form filled.
pub(super) struct Filled {
    pub(super) draft: Draft,
    /// Of what was typed, and was changed by somebody else meanwhile: what the plan now says, by the
    /// names of the fields and the tables.
    pub(super) meanwhile: BTreeMap<String, String>,
}

impl Standing {
    /// `by_filer`: for the device that filed. Any other of the crew is not told how the contacts are
    /// reached: they were given to whoever filed.
    pub(super) fn of(plan: &Plan, state: &Watched, by_filer: bool) -> Self {
        let mut document = serde_json::to_value(plan).unwrap_or_default();
        // An extension moves the return time and makes no version.
        document["times"]["return_by"] = plan.times.local(state.terms.due_at).into();
        let mut standing = Standing::new(document, state.on_trip(), state.asked());
        standing.by_filer = by_filer;
        if !by_filer {
            for row in 1..=standing.filed_rows("contact") {
                for key in WAYS_TO_REACH {
                    standing.shown.clear(&format!("contact[{row}].{key}"));
                }
            }
        }
        standing
    }

    pub(super) fn new(document: Value, crew: Vec<usize>, contacts: Vec<usize>) -> Self {
        let shows_route = is_shown_whole(&document);
        let shown = shown(&document, &crew, &contacts, shows_route);
        Standing { document, crew, contacts, shows_route, by_filer: true, shown }
    }

    /// The places of the people whom the form shows, row by row; `None` for what is no people.
    pub(super) fn shown_places(&self, table: &str) -> Option<&[usize]> {
        let places = match table {
            "crew" => &self.crew,
            "contact" => &self.contacts,
            _ => return None,
        };
        Some(&places[..places.len().min(MOST_SHOWN)])
    }

    /// The place of the person in this row; `None` for somebody new.
    pub(super) fn place(&self, table: &str, row: usize) -> Option<usize> {
        self.shown_places(table)?.get(row.checked_sub(1)?).copied()
    }

    /// The name that somebody has in the plan.
    pub(super) fn name(&self, table: &str, place: usize) -> &str {
        self.document[table][place]["name"].as_str().unwrap_or("")
    }

    /// How many of a group are in the plan and in no row.
    pub(super) fn kept(&self, table: &str) -> usize {
        let all = match table {
            "crew" => self.crew.len(),
            "contact" => self.contacts.len(),
            "craft" => self.document["craft"].as_array().map_or(0, Vec::len),
            _ => 0,
        };
        all.saturating_sub(MOST_SHOWN)
    }

    /// How many rows of a group the form has.
    pub(super) fn rows(&self, group: &Group, draft: &Draft) -> usize {
        match (group.rows, group.table) {
            (0, _) => 0,
            (rows, "waypoint") => rows,
            (_, table) => {
                let before = self.filed_rows(table);
                let used = used_rows(group, draft).last().unwrap_or(before).max(before);
                (before + SPARE).max(used + 1)
            }
        }
    }

    /// How many rows of people or craft are in the plan already.
    pub(super) fn filed_rows(&self, table: &str) -> usize {
        match self.shown_places(table) {
            Some(places) => places.len(),
            None => self.document[table].as_array().map_or(0, Vec::len).min(MOST_SHOWN),
        }
    }

    /// The parts of the plan in which something was written where the form does not show what stands
    /// there.
    pub(super) fn written_unseen(&self, filled: &Draft) -> Vec<Part> {
        let fields = [
            (Part::Person, "crew", ["medical", "medical.none"]),
            (Part::Contact, "contact", WAYS_TO_REACH),
        ];
        let is_written = |table: &str, field: &str| {
            (1..=self.filed_rows(table)).any(|row| {
                let key = format!("{table}[{row}].{field}");
                !filled.get(&key).is_empty() && self.shown.get(&key).is_empty()
            })
        };
        let written = |(part, table, fields): (Part, &str, [&str; 2])| {
            fields.iter().any(|field| is_written(table, field)).then_some(part)
        };
        fields.into_iter().filter_map(written).collect()
    }

    /// How many bytes were typed where a link alone is not told what stands there, nor how long it is; `None`
    /// on the device that filed, whose health notes they are.
    pub(super) fn typed_unseen(&self, filled: &Draft) -> Option<usize> {
        let is_unseen = |name: &str| match name.split_once("].") {
            Some((row, key)) if row.starts_with("contact[") => WAYS_TO_REACH.contains(&key),
            Some((_, key)) => key == "medical",
            None => false,
        };
        let typed = filled.pairs().filter(|(name, _)| is_unseen(name));
        (!self.by_filer).then(|| typed.map(|(_, value)| value.len()).sum())
    }

    /// The form with what was typed into it when it showed what was `seen`.
    pub(super) fn fill(&self, seen: &Draft, typed: &Typed) -> Filled {
        // What did not come at all is no wish to empty it.
        let came: BTreeSet<&str> = typed.names().collect();
        let typed = as_draft(typed);
        let filled = Filled { draft: Draft::default(), meanwhile: BTreeMap::new() };
        let mut filling = Filling { standing: self, seen, typed: &typed, came, filled };
        for group in &GROUPS {
            match group.table {
                "crew" | "contact" => filling.people(group),
                _ if group.rows == 0 => filling.row(group, Some(1), Some(1), 1),
                _ => filling.list(group),
            }
        }
        filling.filled
    }
}

struct Filling<'a> {
    standing: &'a Standing,
    seen: &'a Draft,
    typed: &'a Draft,
    came: BTreeSet<&'a str>,
    filled: Filled,
}

impl Filling<'_> {
    /// A row of the form: typed in the row `from`, and in the row `now` of the plan as it stands.
    fn row(&mut self, group: &Group, from: Option<usize>, now: Option<usize>, to: usize) {
        for field in group.fields {
            self.field(group, field, (from, now, to));
        }
    }

    fn field(
        &mut self,
        group: &Group,
        field: &Field,
        (from, now, to): (Option<usize>, Option<usize>, usize),
    ) {
        let parts = names(field);
        let all = |draft: &Draft, row: Option<usize>| -> Vec<String> {
            let part = |name| row.map_or("", |row| draft.get(&group.key(row, name))).to_owned();
            parts.iter().map(|name| part(name.as_str())).collect()
        };
        let (typed, seen) = (all(self.typed, from), all(self.seen, from));
        let stands = all(&self.standing.shown, now);
        let came = from.is_some_and(|row| {
            parts.iter().any(|name| self.came.contains(group.key(row, name).as_str()))
        });
        let is_touched = came && typed != seen;
        if is_touched && now.is_some() && stands != seen && stands != typed {
            let stands = stands.join(" ").trim().to_owned();
            self.filled.meanwhile.insert(group.key(to, field.key), stands);
        }
        for (name, value) in parts.iter().zip(if is_touched { typed } else { stands }) {
            self.filled.draft.set(group.key(to, name), &value);
        }
    }

    fn people(&mut self, group: &Group) {
        let places = self.standing.shown_places(group.table).unwrap_or_default();
        let mut left: BTreeSet<usize> =
            (1..=MOST_READ).filter(|&row| is_used(group, row, self.typed)).collect();
        for (at, place) in places.iter().enumerate() {
            let was = place.to_string();
            let from =
                (1..=MOST_READ).find(|&row| self.typed.get(&group.key(row, "was")) == was.as_str());
            self.row(group, from, Some(at + 1), at + 1);
            if let Some(from) = from {
                left.remove(&from);
                for flag in ["off", "medical.none"] {
                    let said = self.typed.get(&group.key(from, flag));
                    self.filled.draft.set(group.key(at + 1, flag), said);
                }
            }
            self.filled.draft.set(group.key(at + 1, "was"), &was);
        }
        let mut to = places.len();
        for from in left {
            // Somebody who was taken off meanwhile comes back only by being typed again.
            let was_known = !self.typed.get(&group.key(from, "was")).is_empty();
            if was_known && row(group, from, self.typed) == row(group, from, self.seen) {
                continue;
            }
            to += 1;
            self.row(group, Some(from), None, to);
            if was_known {
                self.restore(group, from, to);
            }
        }
    }

    /// All that was in the row of somebody whose place is gone, not the touched fields alone.
    fn restore(&mut self, group: &Group, from: usize, to: usize) {
        for (name, value) in row(group, from, self.typed) {
            self.filled.draft.set(group.key(to, &name), &value);
        }
        let gone = "taken out of the plan by somebody else; sent again, this row brings them back";
        self.filled.meanwhile.insert(group.key(to, "name"), gone.to_owned());
    }

    /// Craft and points have no names to know them by: a list is the typed one as a whole, or the
    /// plan's.
    fn list(&mut self, group: &Group) {
        let is_route = group.table == "waypoint";
        if is_route && !self.standing.shows_route {
            return;
        }
        let (typed, seen) = (rows(group, self.typed), rows(group, self.seen));
        let stands = rows(group, &self.standing.shown);
        let more = |draft: &Draft| match is_route {
            true => draft.get(MORE_WAYPOINTS).to_owned(),
            false => String::new(),
        };
        let (more_typed, more_seen) = (more(self.typed), more(self.seen));
        let more_stands = more(&self.standing.shown);
        let table = format!("{}[", group.table);
        let came = self
            .came
            .iter()
            .any(|name| name.starts_with(&table) || (is_route && *name == MORE_WAYPOINTS));
        let is_touched = came && (&typed, &more_typed) != (&seen, &more_seen);
        if is_touched && (&stands, &more_stands) != (&seen, &more_seen) {
            let words = stands.iter().map(|row| {
                let values: Vec<&str> = row.values().map(String::as_str).collect();
                values.join(", ")
            });
            let words: Vec<String> = words.chain([more_stands.clone()]).collect();
            let words = words.join("; ");
            let words = words.trim_end_matches("; ").to_owned();
            self.filled.meanwhile.insert(group.table.to_owned(), words);
        }
        let (rows, more) = if is_touched { (typed, more_typed) } else { (stands, more_stands) };
        for (at, row) in rows.iter().enumerate() {
            for (name, value) in row {
                self.filled.draft.set(group.key(at + 1, name), value);
            }
        }
        if is_route {
            self.filled.draft.set(MORE_WAYPOINTS.to_owned(), &more);
        }
    }
}

/// What stands in a row, by the names of its fields.
type Row = BTreeMap<String, String>;

fn row(group: &Group, row: usize, draft: &Draft) -> Row {
    let value = |name: String| {
        let value = draft.get(&group.key(row, &name)).to_owned();
        (!value.is_empty()).then_some((name, value))
    };
    group.fields.iter().flat_map(names).filter_map(value).collect()
}

/// The rows that hold something.
fn rows(group: &Group, draft: &Draft) -> Vec<Row> {
    used_rows(group, draft).map(|at| row(group, at, draft)).collect()
}

fn used_rows<'a>(group: &'a Group, draft: &'a Draft) -> impl Iterator<Item = usize> {
    let most = if group.table == "waypoint" { WAYPOINT_ROWS } else { MOST_READ };
    (1..=most).filter(move |&at| is_used(group, at, draft))
}

fn is_used(group: &Group, at: usize, draft: &Draft) -> bool {
    let flags = ["was", "off"].into_iter();
    let told = |name: &str| !draft.get(&group.key(at, name)).is_empty();
    group.fields.iter().flat_map(names).any(|name| told(&name)) || flags.into_iter().any(told)
}

/// What was typed; a browser sends the ends of lines in its own way.
fn as_draft(typed: &Typed) -> Draft {
    let pairs = typed.names().map(|name| (name.to_owned(), one_way(typed.get(name))));
    Draft::of_pairs(pairs)
}

fn one_way(text: &str) -> String {
    text.trim().replace("\r\n", "\n")
}

/// Whether the fields of the form can tell every point of the route.
fn is_shown_whole(document: &Value) -> bool {
    let points = document["waypoint"].as_array().map_or(&[][..], Vec::as_slice);
    let made = Draft::of_document(document).document();
    points.len() <= MOST_POINTS && (points.is_empty() || made["waypoint"] == document["waypoint"])
}

fn shown(document: &Value, crew: &[usize], contacts: &[usize], shows_route: bool) -> Draft {
    let mut visible = document.clone();
    for (table, places) in [("crew", crew), ("contact", contacts)] {
        let row = |&place: &usize| {
            let mut row = document[table][place].clone();
            if let Some(row) = row.as_object_mut() {
                row.remove("medical");
            }
            row
        };
        visible[table] = places.iter().take(MOST_SHOWN).map(row).collect();
    }
    if let Some(craft) = visible.get_mut("craft").and_then(Value::as_array_mut) {
        craft.truncate(MOST_SHOWN);
    }
    if !shows_route && let Some(root) = visible.as_object_mut() {
        root.remove("waypoint");
    }
    let draft = Draft::of_document(&visible);
    let mut pairs: Vec<(String, String)> =
        draft.pairs().map(|(name, value)| (name.to_owned(), one_way(value))).collect();
    for (table, places) in [("crew", crew), ("contact", contacts)] {
        let was = places.iter().take(MOST_SHOWN).enumerate();
        pairs
            .extend(was.map(|(at, place)| (format!("{table}[{}].was", at + 1), place.to_string())));
    }
    Draft::of_pairs(pairs)
}
