//! `amend`: a filed plan is replaced by a new version of itself.

use std::path::{Path, PathBuf};

use clap::Args;
use serde::Deserialize;
use serde_json::Value;

use super::client::{Client, KeyArgs};
use super::exit::{Done, Exit, Failure};
use super::{assemble, moved, plan_file, print};

/// Replace a filed plan by a new version: other times, route, crew, craft, gear or contacts
#[derive(Debug, Args)]
pub(super) struct Amend {
    /// The plan's ref, as it was printed when it was filed
    #[arg(value_name = "REF", value_parser = moved::plan_ref)]
    plan_ref: String,
    /// The whole new version, TOML or JSON; whoever is not in it is taken out
    plan: PathBuf,
    /// Print the service's answer as JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    key: KeyArgs,
}

/// The part of the answer that is told.
#[derive(Deserialize)]
struct Amended {
    state: String,
    due_at: String,
    overdue_at: String,
    #[serde(default)]
    notice: Option<String>,
    #[serde(default)]
    worse: Vec<Value>,
    letters: Vec<Letter>,
}

#[derive(Deserialize)]
struct Letter {
    to: String,
    kind: String,
    state: String,
}

impl Amend {
    pub(super) async fn run(self, config: &Path) -> Done {
        const UNCHANGED: &str = "NOT AMENDED. The plan stands as it was.";
        let unchanged = |failure: Failure| failure.headed(UNCHANGED);
        let settings = assemble::settings(config).map_err(unchanged)?;
        let plan = plan_file::read(&self.plan).map_err(unchanged)?;
        let client = Client::new(&settings, &self.key).map_err(unchanged)?;
        let body = serde_json::to_value(&plan)
            .map_err(|error| Failure::new(Exit::Software, error).headed(UNCHANGED))?;
        let path = format!("/api/v1/plans/{}/amend", self.plan_ref);
        let answer = moved::once(&client, &path, &body).await?;
        if self.json {
            return print::say_json(&answer);
        }
        let amended: Amended = serde_json::from_value(answer).map_err(|error| {
            Failure::new(Exit::Software, format!("AMENDED, but the answer can't be read: {error}"))
        })?;
        print::say(print::plain(&amended.told(&self.plan_ref)))
    }
}

impl Amended {
    fn told(&self, plan_ref: &str) -> String {
        let mut lines = vec![format!(
            "AMENDED. Plan {plan_ref} is {}.\n\n  back by   {}\n  overdue   {}; from then on your \
             contacts are alarmed",
            self.state,
            print::moment(&self.due_at),
            print::moment(&self.overdue_at)
        )];
        lines.extend(self.notice.iter().map(|notice| format!("\n{notice}.")));
        let worse = moved::worse_told(&self.worse);
        if !worse.is_empty() {
            lines.push(format!("\n{}", worse.join("\n")));
        }
        let waiting = self.letters.iter().filter(|letter| {
            letter.state == "queued" && matches!(letter.kind.as_str(), "filed" | "changed")
        });
        let rows: String =
            waiting.map(|letter| format!("\n  {:<8}  {}", letter.kind, letter.to)).collect();
        if !rows.is_empty() {
            lines.push(format!("\nLetters on their way:{rows}"));
        }
        lines.join("\n")
    }
}
