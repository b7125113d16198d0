//! A plan with the fields of a form that were changed in it: all else stays as it was filed.
//!
//! Whoever is not told to be off stays: a row left out takes nobody off. Notes on health stay with
//! the name that they were filed under, and go to no other.

use std::collections::BTreeMap;

use serde_json::{Map, Value};

use super::super::draft::{Draft, MORE_WAYPOINTS, names, waypoint};
use super::super::fields::{GROUPS, Group, WAYPOINT_ROWS};
use super::standing::Standing;
use crate::measure::Position;
use crate::plan::{Fault, Faults, Plan, read_json, zone_at};

/// By a link alone no more is written of one's health, in bytes: what was filed of the others can't be
/// counted there, for that would tell how long it is.
const LONGEST_NOTE: usize = 1000;

/// The plan that the form asks for, or everything that is wrong with it, by the form's fields.
pub(super) fn merge(standing: &Standing, filled: &Draft) -> Result<Plan, Faults> {
    let mut merging = Merging {
        standing,
        filled,
        document: standing.document.clone(),
        rows: BTreeMap::new(),
        faults: Vec::new(),
    };
    for group in &GROUPS {
        match group.table {
            "" => merging.root(group),
            "crew" | "contact" => merging.people(group),
            "craft" => merging.craft(group),
            "waypoint" => merging.route(group),
            _ => merging.table(group),
        }
    }
    merging.zone();
    merging.read()
}

struct Merging<'a> {
    standing: &'a Standing,
    filled: &'a Draft,
    document: Value,
    /// For each of a table's rows in the document, that of the form; 0 for one that it does not show.
    rows: BTreeMap<&'static str, Vec<usize>>,
    faults: Vec<Fault>,
}

impl Merging<'_> {
    /// Puts into a table of the plan what was changed of it in a row of the form.
    fn overlay(&self, group: &Group, row: usize, table: &mut Map<String, Value>) {
        for field in group.fields.iter().filter(|field| field.key != "medical") {
            let key = group.key(row, field.key);
            let same = names(field).iter().all(|name| {
                let key = group.key(row, name);
                self.filled.get(&key) == self.standing.shown.get(&key)
            });
            if same {
                continue;
            }
            match self.filled.value(field.kind, &key) {
                Some(value) => {
                    table.insert(field.key.to_owned(), value);
                }
                // The grace that a plan was armed with stays until another is written.
                None if key == "times.grace" => {}
                None => {
                    table.remove(field.key);
                }
            }
        }
    }

    fn root(&mut self, group: &Group) {
        let mut root = self.document.as_object().cloned().unwrap_or_default();
        self.overlay(group, 1, &mut root);
        self.document = Value::Object(root);
    }

    fn table(&mut self, group: &Group) {
        let mut table = self.document[group.table].as_object().cloned().unwrap_or_default();
        self.overlay(group, 1, &mut table);
        self.put(group.table, Value::Object(table.clone()), table.is_empty() && !group.needed);
    }

    fn put(&mut self, table: &str, value: Value, is_empty: bool) {
        let Some(root) = self.document.as_object_mut() else { return };
        if is_empty {
            root.remove(table);
        } else {
            root.insert(table.to_owned(), value);
        }
    }

    /// A zone that the launch gave is given anew by another launch; one that was chosen stays.
    fn zone(&mut self) {
        let position = |document: &Value| {
            document["launch"]["position"].as_str().and_then(|text| text.parse::<Position>().ok())
        };
        let before = &self.standing.document;
        let given = position(before).map(|at| zone_at(at).name());
        if position(before) != position(&self.document)
            && before["times"]["zone"].as_str() == given
            && let Some(times) = self.document["times"].as_object_mut()
        {
            times.remove("zone");
        }
    }

    fn people(&mut self, group: &Group) {
        let table = group.table;
        let shown = self.standing.shown_places(table).unwrap_or_default();
        let all = if table == "crew" { &self.standing.crew } else { &self.standing.contacts };
        let mut people = Vec::new();
        let mut rows = Vec::new();
        for row in 1..=self.standing.rows(group, self.filled) {
            let place = self.standing.place(table, row);
            if row == shown.len() + 1 {
                for &kept in &all[shown.len()..] {
                    people.push(self.standing.document[table][kept].clone());
                    rows.push(0);
                }
            }
            if place.is_some() && !self.filled.get(&group.key(row, "off")).is_empty() {
                continue;
            }
            let before = place.map(|place| self.standing.document[table][place].clone());
            let mut one = before.as_ref().and_then(Value::as_object).cloned().unwrap_or_default();
            self.overlay(group, row, &mut one);
            if table == "crew" {
                self.name(group, row, place);
                self.health(group, row, before.as_ref(), &mut one);
            }
            if place.is_some() || !one.is_empty() {
                people.push(Value::Object(one));
                rows.push(row);
            }
        }
        if people.is_empty() {
            self.nobody_left(group);
        }
        self.document[table] = Value::Array(people);
        self.rows.insert(table, rows);
    }

    fn nobody_left(&mut self, group: &Group) {
        let mend = match group.table {
            "crew" => {
                "leave somebody on the trip: if all are ashore, check in on your page; if nobody \
                 goes, call the trip off there"
            }
            _ => "leave somebody ashore who is told: tick one fewer, or write another contact",
        };
        self.faults.push(Fault::new(&group.key(1, "name"), "", mend));
    }

    /// Two rows must not change places under one name: what was said and filed goes by names.
    fn name(&mut self, group: &Group, row: usize, place: Option<usize>) {
        let typed = self.filled.get(&group.key(row, "name"));
        let same = |name: &str| !name.is_empty() && name.to_lowercase() == typed.to_lowercase();
        let standing = self.standing;
        let other = standing.crew.iter().filter(|&&at| Some(at) != place);
        let Some(&other) = other.into_iter().find(|&&at| same(standing.name("crew", at))) else {
            return;
        };
        let shown = standing.shown_places("crew").unwrap_or_default();
        let Some(own_row) = shown.iter().position(|&at| at == other).map(|at| at + 1) else {
            return;
        };
        let own_key = |part| group.key(own_row, part);
        if self.filled.get(&own_key("off")).is_empty() && same(self.filled.get(&own_key("name"))) {
            // Two of one name: the plan's own check tells.
            return;
        }
        let mend = format!(
            "has a row in this plan already, number {own_row}: change it there. If this is somebody \
             else, add a surname or initial"
        );
        self.faults.push(Fault::new(&group.key(row, "name"), typed, mend));
    }

    /// What a rescuer must know of somebody's health. Left empty it stays as it was filed, but only
    /// under the name that it was filed under.
    fn health(
        &mut self,
        group: &Group,
        row: usize,
        before: Option<&Value>,
        one: &mut Map<String, Value>,
    ) {
        let key = group.key(row, "medical");
        let typed = self.filled.get(&key);
        let none = !self.filled.get(&format!("{key}.none")).is_empty();
        let name = self.filled.get(&group.key(row, "name"));
        let was = before.and_then(|one| one["name"].as_str()).unwrap_or("");
        let renamed = before.is_some() && name.to_lowercase() != was.to_lowercase();
        if none && !typed.is_empty() {
            let mend = "either write it, or tick that there is nothing: not both";
            self.faults.push(Fault::new(&key, "", mend));
        } else if typed.len() > LONGEST_NOTE && !self.standing.by_filer {
            let mend = "is longer than is taken by this link, which is some 1000 letters: shorten it, or \
                        change it on the device that filed";
            self.faults.push(Fault::new(&key, "", mend));
        } else if !typed.is_empty() {
            one.insert("medical".to_owned(), typed.into());
        } else if none {
            one.remove("medical");
        } else if renamed {
            one.remove("medical");
            // Whether anything was filed is nobody's business here: it is asked of every new name.
            if !name.is_empty() {
                let mend = format!(
                    "write what a rescuer must know of {name}, or tick below that there is \
                     nothing: another name is another person to us, and whatever was filed of \
                     {was}'s health stays with that name"
                );
                self.faults.push(Fault::new(&key, "", mend));
            }
        }
    }

    fn craft(&mut self, group: &Group) {
        let before = self.standing.document["craft"].as_array().cloned().unwrap_or_default();
        let shown = self.standing.filed_rows("craft");
        let (mut craft, mut rows) = (Vec::new(), Vec::new());
        for row in 1..=self.standing.rows(group, self.filled) {
            if row == shown + 1 {
                craft.extend(before[shown..].iter().cloned());
                rows.resize(craft.len(), 0);
            }
            let known = before.get(row - 1).filter(|_| row <= shown);
            let mut one = known.and_then(Value::as_object).cloned().unwrap_or_default();
            self.overlay(group, row, &mut one);
            if !one.is_empty() {
                craft.push(Value::Object(one));
                rows.push(row);
            }
        }
        self.put("craft", Value::Array(craft.clone()), craft.is_empty());
        self.rows.insert("craft", rows);
    }

    fn route(&mut self, group: &Group) {
        let shown = &self.standing.shown;
        let keys = (1..=WAYPOINT_ROWS)
            .flat_map(|row| group.fields.iter().map(move |field| group.key(row, field.key)))
            .chain([MORE_WAYPOINTS.to_owned()]);
        let same = keys.into_iter().all(|key| self.filled.get(&key) == shown.get(&key));
        if same || !self.standing.shows_route {
            return;
        }
        let mut points = Vec::new();
        for row in 1..=WAYPOINT_ROWS {
            let value = |field: &super::super::fields::Field| {
                let value = self.filled.value(field.kind, &group.key(row, field.key))?;
                Some((field.key.to_owned(), value))
            };
            let point: Map<String, Value> = group.fields.iter().filter_map(value).collect();
            if !point.is_empty() {
                points.push(Value::Object(point));
            }
        }
        points.extend(self.filled.lines().map(|(_, line)| waypoint(line)));
        self.put("waypoint", Value::Array(points.clone()), points.is_empty());
    }

    fn read(self) -> Result<Plan, Faults> {
        let no_files = |_: &str| Err("stands for a file; type the points instead".to_owned());
        let read = read_json(&self.document.to_string(), &no_files);
        let mut faults = self.faults;
        if let Err(found) = &read {
            for fault in found.list() {
                let key = key_in_form(&fault.key, &self.rows);
                if matches!(key.as_str(), "crew" | "contact") && !faults.is_empty() {
                    continue;
                }
                let mend = mend(&key, fault, self.standing);
                faults.push(Fault { key, value: fault.value.clone(), mend });
            }
        }
        match (read, Faults::some(faults)) {
            (Ok(plan), None) => Ok(plan),
            (_, Some(faults)) => Err(faults),
            (Err(faults), None) => Err(faults),
        }
    }
}

/// The name of the form's field for a key of the document: rows may have closed up.
fn key_in_form(key: &str, rows: &BTreeMap<&'static str, Vec<usize>>) -> String {
    let found = key.split_once('[').and_then(|(table, rest)| {
        let (number, rest) = rest.split_once(']')?;
        let row = rows.get(table)?.get(number.parse::<usize>().ok()?.checked_sub(1)?)?;
        Some(format!("{table}[{row}]{rest}"))
    });
    found.unwrap_or_else(|| key.to_owned())
}

/// A name that was emptied is no way to take somebody off.
fn mend(key: &str, fault: &Fault, standing: &Standing) -> String {
    let row = key.split_once('[').and_then(|(table, rest)| {
        let (row, field) = rest.split_once("].")?;
        (field == "name").then_some((table, row.parse().ok()?))
    });
    match row {
        Some((table, row)) if fault.value.is_empty() && standing.place(table, row).is_some() => {
            let ticked = if table == "crew" { "is not on the trip" } else { "is asked no longer" };
            format!("write their name, or tick in this row that this person {ticked}")
        }
        _ => fault.mend.clone(),
    }
}

#[cfg(test)]
mod tests;
