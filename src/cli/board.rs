//! `board`: the open plans.

use std::path::Path;

use clap::Args;
use serde::Deserialize;
use serde_json::Value;

use super::client::{Client, KeyArgs};
use super::exit::{Done, Exit, Failure};
use super::{assemble, print};

/// More than this nobody reads at once; whatever is overdue stands there besides.
const MOST: u32 = 100;

/// Show the open plans, the most urgent first; needs a keeper's key
#[derive(Debug, Args)]
pub(super) struct Board {
    /// Print the board as JSON
    #[arg(long)]
    json: bool,
    /// Tell of every open plan, and not only of the most urgent; takes seconds for thousands
    #[arg(long)]
    all: bool,
    #[command(flatten)]
    key: KeyArgs,
}

/// The part of a plan that the board shows. Nothing is required: one that can't be read stands
/// there with its detail alone.
#[derive(Default, Deserialize)]
#[serde(default)]
struct Row {
    r#ref: String,
    state: String,
    title: Option<String>,
    due_at: String,
    overdue_at: String,
    out: Vec<String>,
    removed: Vec<String>,
    notice: Option<String>,
    contacts: Vec<Contact>,
    detail: Option<String>,
}

#[derive(Default, Deserialize)]
#[serde(default)]
struct Contact {
    name: String,
    confirmed: bool,
    refused: bool,
    reached: bool,
    removed: bool,
}

impl Board {
    pub(super) async fn run(self, config: &Path) -> Done {
        let client = Client::new(&assemble::settings(config)?, &self.key)?;
        // A program is told of all: it would not see that something is missing.
        let part = if self.json || self.all { String::new() } else { format!("?most={MOST}") };
        let board = client.get(&format!("/api/v1/plans{part}")).await?;
        if self.json {
            return print::say_json(&board);
        }
        let rows = rows(&board).map_err(|error| {
            Failure::new(Exit::Software, format!("the board can't be read: {error}"))
        })?;
        if rows.is_empty() {
            return print::say("No plan is open.");
        }
        let mut told: Vec<_> = rows.iter().map(Row::told).collect();
        told.extend(left_out(&board, rows.len()));
        print::say(print::plain(&told.join("\n\n")))
    }
}

/// What is not told, and how to have it told.
fn left_out(board: &Value, shown: usize) -> Option<String> {
    let number = |name: &str| board[name].as_u64().and_then(|n| usize::try_from(n).ok());
    let (open, overdue) = (number("open")?, number("overdue")?);
    (open > shown).then(|| {
        format!(
            "{open} plans are open, {overdue} of them overdue. The {shown} most urgent stand here, \
             with all that are overdue; `shorelamp board --all` tells of every one."
        )
    })
}

fn rows(board: &Value) -> serde_json::Result<Vec<Row>> {
    Vec::deserialize(&board["plans"])
}

impl Row {
    fn told(&self) -> String {
        if let Some(detail) = &self.detail {
            return format!("DAMAGED: {detail}");
        }
        let title = self.title.as_deref().unwrap_or("a trip without a title");
        let contacts: Vec<_> = self.contacts.iter().map(Contact::told).collect();
        let removed = match self.removed.is_empty() {
            true => String::new(),
            false => format!("\n  not on this trip any more: {}", self.removed.join(", ")),
        };
        let notice = self.notice.as_ref().map(|notice| format!("\n  {notice}."));
        format!(
            "{} {}: {title}{}\n  out: {}{removed}\n  back by {}; overdue from {}\n  contacts: {}",
            self.r#ref,
            self.state.to_uppercase(),
            notice.unwrap_or_default(),
            self.out.join(", "),
            print::moment(&self.due_at),
            print::moment(&self.overdue_at),
            contacts.join(", ")
        )
    }
}

impl Contact {
    fn told(&self) -> String {
        let fate = match self {
            Contact { removed: true, .. } => "no longer asked",
            Contact { refused: true, .. } => "ADDRESS REFUSED",
            Contact { confirmed: true, .. } => "has answered",
            Contact { reached: true, .. } => "letter handed over",
            _ => "NOT REACHED YET",
        };
        format!("{} ({fate})", self.name)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_damaged_plan_stands_on_the_board_too() {
        let board = json!({"plans": [
            {"state": "damaged", "detail": "plan 7QK4-2M9X can't be read"},
            {"ref": "AAAA-2222", "state": "overdue", "title": null, "out": ["Maren Tollefsby"],
             "due_at": "2027-05-15T12:00:00-07:00", "overdue_at": "2027-05-15T12:20:00-07:00",
             "contacts": [{"name": "Philippa Ashgrove", "confirmed": false, "refused": false,
                           "reached": true}]},
        ]});
        let told: Vec<_> = rows(&board).unwrap().iter().map(Row::told).collect();
        assert_eq!(told[0], "DAMAGED: plan 7QK4-2M9X can't be read");
        assert_eq!(left_out(&board, 2), None);
        let more = json!({"open": 10_000, "overdue": 1});
        assert!(left_out(&more, 100).unwrap().starts_with("10000 plans are open, 1 of them"));
        assert!(told[1].starts_with("AAAA-2222 OVERDUE: "), "{}", told[1]);
        assert!(told[1].contains("Philippa Ashgrove (letter handed over)"), "{}", told[1]);
    }
}
