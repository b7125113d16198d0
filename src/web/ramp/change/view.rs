//! The page of a change.

use std::collections::BTreeMap;

use askama::Template;
use axum::response::Response;
use form_urlencoded::Serializer;

use super::super::draft::{Draft, moment};
use super::super::form::{self, FaultShown, FieldShown, Form, GroupShown, RowShown};
use super::super::judged::Judged;
use super::standing::WAYS_TO_REACH;
use super::{Sheet, Told};
use crate::caution::Caution;
use crate::daemon::Daemon;
use crate::web::page::html;
use crate::web::trip::Trip;

/// The most that a form sends along of what it showed: the whole must stay a small request.
const LONGEST_SEEN: usize = 40_000;

#[derive(Template)]
#[template(path = "change.html", whitespace = "minimize")]
struct ChangePage {
    token: String,
    trip: Trip,
    form: Form,
    parts: Vec<PartShown>,
    once: String,
    /// On the device that filed: the token of its form, which then needs no name.
    device: Option<String>,
    round: u32,
    /// The form untouched, as it is sent along.
    seen: String,
    name: String,
    unnamed: Option<&'static str>,
    refused: Option<String>,
    meanwhile: BTreeMap<String, String>,
    ahead: Vec<String>,
    letters: Vec<String>,
    worse: Vec<Caution>,
    judged: Option<Judged>,
    /// Nothing is left to mend or to type before it is sent.
    can_send: bool,
    times: Vec<String>,
}

/// What stands in one group of the form, beside its fields.
struct PartShown {
    /// What is in it, for the line that opens it.
    sum: String,
    /// What of it the form does not show, and so keeps.
    kept: Option<String>,
    rows: Vec<Person>,
}

/// A row of people: who it is in the plan as it stands.
struct Person {
    /// Their place; empty for a row of somebody new.
    was: String,
    name: String,
    is_off: bool,
    no_notes: bool,
}

impl ChangePage {
    /// What the plan now says of what was changed by somebody else too.
    fn now(&self, key: &str) -> Option<&str> {
        let now = self.meanwhile.get(key)?;
        Some(if now.is_empty() { "nothing" } else { now })
    }

    fn is_judged(&self) -> bool {
        self.judged.is_some()
    }
}

impl Sheet {
    pub(super) fn page(self, daemon: &Daemon, told: Told) -> Response {
        let draft = &self.filled.draft;
        let rows = |group: &super::super::fields::Group| self.standing.rows(group, draft);
        let mut form = Form::with_rows(draft, told.faults.as_ref(), &rows);
        for group in &mut form.groups {
            self.fold(group);
        }
        if let Some(why) = told.unnamed {
            let id = Some("change-name".to_owned());
            form.faults.push(FaultShown {
                label: "Your name".to_owned(),
                id,
                text: why.to_owned(),
            });
        }
        let seen = self.standing.shown.pairs();
        let seen = Serializer::new(String::new()).extend_pairs(seen).finish();
        let signed = self.device.is_some() || !self.name.is_empty();
        let can_send = told.judged.is_some() && form.faults.is_empty() && told.refused.is_none();
        let page = ChangePage {
            parts: form.groups.iter().map(|group| self.part(group)).collect(),
            form,
            device: self.device.as_ref().map(|device| device.form_token(&self.once)),
            trip: Trip::of(&self.visit.dossier, daemon.now()),
            round: self.visit.dossier.record.state.round,
            // Without it every field that differs counts as typed, and is told of.
            seen: if seen.len() > LONGEST_SEEN { String::new() } else { seen },
            can_send: can_send && signed,
            token: self.token,
            once: self.once,
            name: self.name,
            unnamed: told.unnamed,
            refused: told.refused,
            meanwhile: self.filled.meanwhile,
            ahead: told.ahead,
            letters: told.letters,
            worse: told.worse,
            judged: told.judged,
            times: told.times,
        };
        html(told.status, &page)
    }

    /// Opens what was touched or is wrong, and nothing else: the plan fills every field.
    fn fold(&self, group: &mut GroupShown) {
        let of_person = matches!(group.table, "crew" | "contact");
        for (at, row) in group.rows.iter_mut().enumerate() {
            row.open = row.fields.iter().any(|field| self.is_touched(field))
                || ["off", "medical.none"].iter().any(|flag| {
                    let key = format!("{}[{}].{flag}", group.table, at + 1);
                    !self.filled.draft.get(&key).is_empty()
                });
            let is_filed = of_person && self.standing.place(group.table, at + 1).is_some();
            for field in &mut row.fields {
                if field.name.ends_with(".medical") && is_filed {
                    field.hint = "What was filed is not shown here, and stays as it is if you \
                                  leave this empty. Shown to your contacts only once you are \
                                  overdue";
                }
                if is_filed && self.device.is_none() && is_way_to_reach(&field.name) {
                    field.needed = false;
                    field.hint = "Shown on the device that filed, and stays as it is if you leave \
                                  this empty";
                }
                if field.name == "times.grace" {
                    field.hint = "How long after that your contacts are told: like 20m or 1h. Left \
                                  empty, it stays as it is";
                }
            }
        }
        let more = group.is_route
            && !same(&self.filled.draft, &self.standing.shown, super::super::draft::MORE_WAYPOINTS);
        group.open = group.rows.iter().any(|row| row.open)
            || more
            || self.filled.meanwhile.contains_key(group.table);
    }

    fn is_touched(&self, field: &FieldShown) -> bool {
        let keys = match field.input {
            form::Input::Moment => moment(&field.name).to_vec(),
            _ => vec![field.name.clone()],
        };
        !field.faults.is_empty()
            || self.filled.meanwhile.contains_key(&field.name)
            || keys.iter().any(|key| !same(&self.filled.draft, &self.standing.shown, key))
    }

    fn part(&self, group: &GroupShown) -> PartShown {
        let table = group.table;
        let kept = match (table, self.standing.kept(table)) {
            ("waypoint", _) if !self.standing.shows_route => Some(format!(
                "The route has {} points, which this form can't show. They stay as they are.",
                self.standing.document["waypoint"].as_array().map_or(0, Vec::len)
            )),
            (_, 0) => None,
            (_, more) => Some(format!(
                "{more} more are in the plan, which this form can't show. They stay as they are."
            )),
        };
        let rows = group.rows.iter().enumerate().map(|(at, row)| self.person(table, at + 1, row));
        PartShown { sum: self.sum(group), kept, rows: rows.collect() }
    }

    fn person(&self, table: &str, row: usize, shown: &RowShown) -> Person {
        let place = self.standing.place(table, row);
        let flag =
            |name: &str| !self.filled.draft.get(&format!("{table}[{row}].{name}")).is_empty();
        let typed = shown.fields.iter().find(|field| field.name.ends_with("].name"));
        Person {
            was: place.map(|place| place.to_string()).unwrap_or_default(),
            name: match place {
                Some(place) => self.standing.name(table, place).to_owned(),
                None => typed.map(|field| field.value.clone()).unwrap_or_default(),
            },
            is_off: flag("off"),
            no_notes: flag("medical.none"),
        }
    }

    /// What stands in a group, in a few words.
    fn sum(&self, group: &GroupShown) -> String {
        let first = |row: &RowShown| {
            let told = row.fields.iter().map(|field| field.value.as_str());
            told.filter(|value| !value.is_empty()).map(str::to_owned).next()
        };
        let rows: Vec<String> = match group.table {
            "crew" | "contact" => (1..=group.rows.len())
                .filter_map(|row| self.standing.place(group.table, row))
                .map(|place| self.standing.name(group.table, place).to_owned())
                .collect(),
            "waypoint" => {
                let points = self.standing.document["waypoint"].as_array().map_or(0, Vec::len);
                let words =
                    if points == 1 { "1 point".to_owned() } else { format!("{points} points") };
                vec![words].into_iter().filter(|_| points > 0).collect()
            }
            "launch" => group.rows.iter().filter_map(first).collect(),
            "gear" | "stated" => Vec::new(),
            _ => group.rows.iter().filter_map(first).collect(),
        };
        rows.join(", ")
    }
}

fn is_way_to_reach(name: &str) -> bool {
    let key = name.strip_prefix("contact[").and_then(|rest| rest.split_once("].")).map(|it| it.1);
    key.is_some_and(|key| WAYS_TO_REACH.contains(&key))
}

fn same(one: &Draft, other: &Draft, key: &str) -> bool {
    one.get(key) == other.get(key)
}
