//! The filing form as it is shown: every field with what was typed and what is wrong with it.

use super::draft::{Draft, MORE_WAYPOINTS, moment};
use super::fields::{Field, GROUPS, Group, Keyboard, Kind, NEEDED};
use crate::plan::{Fault, Faults};

/// The whole form.
pub(super) struct Form {
    pub(super) groups: Vec<GroupShown>,
    /// Every fault, with the field that it is about.
    pub(super) faults: Vec<FaultShown>,
    pub(super) more_waypoints: String,
    pub(super) more_faults: Vec<String>,
}

pub(super) struct GroupShown {
    pub(super) title: &'static str,
    pub(super) hint: &'static str,
    /// Whether it stands behind a line to be tapped, and whether that is open.
    pub(super) folded: bool,
    pub(super) open: bool,
    pub(super) rows: Vec<RowShown>,
    pub(super) is_route: bool,
    pub(super) table: &'static str,
}

pub(super) struct RowShown {
    pub(super) title: String,
    pub(super) folded: bool,
    pub(super) open: bool,
    pub(super) fields: Vec<FieldShown>,
}

pub(super) struct FieldShown {
    pub(super) name: String,
    pub(super) id: String,
    pub(super) label: &'static str,
    pub(super) hint: &'static str,
    pub(super) needed: bool,
    pub(super) input: Input,
    pub(super) value: String,
    pub(super) time: String,
    pub(super) faults: Vec<String>,
}

/// How a field is drawn.
#[derive(PartialEq, Eq)]
pub(super) enum Input {
    Line { keyboard: &'static str, mode: &'static str, autocomplete: &'static str },
    Paragraph,
    Choice(Vec<(&'static str, &'static str)>),
    Moment,
}

pub(super) struct FaultShown {
    pub(super) label: String,
    pub(super) id: Option<String>,
    pub(super) text: String,
}

impl Form {
    pub(super) fn of(draft: &Draft, faults: Option<&Faults>) -> Self {
        Form::with_rows(draft, faults, &|group| group.rows)
    }

    /// The same with as many rows of a group as this says.
    pub(super) fn with_rows(
        draft: &Draft,
        faults: Option<&Faults>,
        rows: &dyn Fn(&Group) -> usize,
    ) -> Self {
        let faults = faults.map(Faults::list).unwrap_or_default();
        let shown = |group| shown(group, rows(group), draft);
        let mut groups: Vec<GroupShown> = GROUPS.iter().map(shown).collect();
        let mut all = Vec::new();
        let mut more_faults = Vec::new();
        for fault in faults {
            all.push(place(fault, draft, &mut groups, &mut more_faults));
        }
        for group in &mut groups {
            group.unfold(!more_faults.is_empty());
        }
        let more_waypoints = draft.get(MORE_WAYPOINTS).to_owned();
        Form { groups, faults: all, more_waypoints, more_faults }
    }
}

/// Puts a fault beside its field.
fn place(
    fault: &Fault,
    draft: &Draft,
    groups: &mut [GroupShown],
    more_faults: &mut Vec<String>,
) -> FaultShown {
    let text = spoken(fault, &typed(fault, draft));
    if let Some(line) = waypoint_number(&fault.key).and_then(|at| draft.line_of_waypoint(at)) {
        let text = format!("Line {line}: {text}");
        more_faults.push(text.clone());
        let label = "More points".to_owned();
        return FaultShown { label, id: Some(id(MORE_WAYPOINTS)), text };
    }
    for group in groups {
        for row in &mut group.rows {
            if let Some(field) = row.fields.iter_mut().find(|field| field.name == fault.key) {
                field.faults.push(text.clone());
                let row = if row.title.is_empty() { group.title } else { &row.title };
                let label = format!("{row}, {}", field.label.to_lowercase());
                return FaultShown { label, id: Some(field.id.clone()), text };
            }
        }
    }
    FaultShown { label: fault.key.clone(), id: None, text }
}

/// What is wrong, as a sentence beside the field.
fn spoken(fault: &Fault, typed: &str) -> String {
    if typed.is_empty() {
        format!("Please {}.", fault.mend)
    } else {
        format!("\"{typed}\" {}.", fault.mend)
    }
}

/// The value at fault; a moment's as it was typed, not on the clocks of another zone.
fn typed(fault: &Fault, draft: &Draft) -> String {
    let parts = moment(&fault.key).map(|part| draft.get(&part).to_owned());
    match parts.join(" ").trim() {
        "" => fault.value.clone(),
        typed => typed.to_owned(),
    }
}

fn waypoint_number(key: &str) -> Option<usize> {
    key.strip_prefix("waypoint[")?.split_once(']')?.0.parse().ok()
}

fn shown(group: &Group, rows: usize, draft: &Draft) -> GroupShown {
    let rows = (1..=rows.max(1)).map(|row| {
        let fields = group.fields.iter().map(|field| field_shown(group, row, field, draft));
        let title = if group.rows == 0 { String::new() } else { format!("{} {row}", group.row) };
        let folded = group.rows > 0 && row > 1;
        RowShown { title, folded, open: false, fields: fields.collect() }
    });
    GroupShown {
        title: group.title,
        hint: group.hint,
        folded: !group.needed,
        open: false,
        rows: rows.collect(),
        is_route: group.table == "waypoint",
        table: group.table,
    }
}

impl GroupShown {
    /// Opens what holds something, so that nothing typed and nothing wrong is out of sight.
    fn unfold(&mut self, more_faults: bool) {
        for row in &mut self.rows {
            let told = |field: &FieldShown| {
                !(field.value.is_empty() && field.time.is_empty() && field.faults.is_empty())
            };
            row.open = row.fields.iter().any(told);
        }
        self.open = self.rows.iter().any(|row| row.open) || (self.is_route && more_faults);
    }
}

fn field_shown(group: &Group, row: usize, field: &Field, draft: &Draft) -> FieldShown {
    let name = group.key(row, field.key);
    let (value, time) = match field.kind {
        Kind::Moment => {
            let [date, time] = moment(&name);
            (draft.get(&date), draft.get(&time))
        }
        _ => (draft.get(&name), ""),
    };
    FieldShown {
        id: id(&name),
        label: field.label,
        hint: field.hint,
        needed: row == 1 && NEEDED.contains(&(group.table, field.key)),
        input: input(field.kind),
        value: value.to_owned(),
        time: time.to_owned(),
        faults: Vec::new(),
        name,
    }
}

fn input(kind: Kind) -> Input {
    let line = |keyboard, mode, autocomplete| Input::Line { keyboard, mode, autocomplete };
    match kind {
        Kind::Line(Keyboard::Text) => line("text", "text", "off"),
        Kind::Line(Keyboard::Name) => line("text", "text", "name"),
        // As text: a browser's own check would hide what is wrong elsewhere.
        Kind::Line(Keyboard::Email) => line("text", "email", "off"),
        Kind::Line(Keyboard::Telephone) => line("tel", "tel", "off"),
        Kind::Number => line("text", "decimal", "off"),
        Kind::Paragraph => Input::Paragraph,
        Kind::Moment => Input::Moment,
        Kind::YesNo => Input::Choice(vec![("yes", "yes"), ("no", "no")]),
        Kind::Choice(choices) => Input::Choice(choices.to_vec()),
    }
}

fn id(name: &str) -> String {
    name.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect()
}
