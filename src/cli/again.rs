//! `again`: the keeper has a letter sent again.

use std::path::Path;

use clap::Args;
use serde::Deserialize;
use serde_json::json;

use super::client::{Client, KeyArgs};
use super::exit::{Done, Exit, Failure};
use super::{assemble, moved, print};

/// Send a reader anew what they ought to hold now; needs a keeper's key
#[derive(Debug, Args)]
pub(super) struct Again {
    /// The plan's ref
    #[arg(value_name = "REF", value_parser = moved::plan_ref)]
    plan_ref: String,
    /// Whom: a name, contact:1 and so on (counted among those who are asked), crew:1, keeper; else
    /// every contact
    #[arg(long, value_name = "WHO")]
    to: Option<String>,
    #[command(flatten)]
    key: KeyArgs,
}

#[derive(Deserialize)]
struct Ordered {
    letters: Vec<Letter>,
}

#[derive(Deserialize)]
struct Letter {
    to: String,
    kind: String,
}

impl Again {
    pub(super) async fn run(self, config: &Path) -> Done {
        let client = Client::new(&assemble::settings(config)?, &self.key)?;
        let body = self.to.map_or_else(|| json!({}), |to| json!({ "to": to }));
        let path = format!("/api/v1/plans/{}/again", self.plan_ref);
        print_ordered(moved::once(&client, &path, &body).await?, "Letters ordered again")
    }
}

/// Prints which letters were ordered.
pub(super) fn print_ordered(answer: serde_json::Value, what: &str) -> Done {
    let ordered: Ordered = serde_json::from_value(answer).map_err(|error| {
        Failure::new(Exit::Software, format!("done, but the answer can't be read: {error}"))
    })?;
    let rows = ordered.letters.iter().map(|one| format!("  {:<12}  {}", one.kind, one.to));
    let rows: Vec<String> = rows.collect();
    let told = format!("{what}; the board tells their fate:\n{}", rows.join("\n"));
    print::say(print::plain(&told))
}
