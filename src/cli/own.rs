//! `export` and `erase`: what the service holds of one's own plans.

use std::path::Path;

use clap::Args;
use serde_json::json;

use super::client::{Client, KeyArgs};
use super::exit::Done;
use super::{assemble, moved, print};

/// Print all that the service holds of a plan, as JSON; with the key that filed it
#[derive(Debug, Args)]
pub(super) struct Export {
    /// The plan's ref
    #[arg(value_name = "REF", value_parser = moved::plan_ref)]
    plan_ref: String,
    #[command(flatten)]
    key: KeyArgs,
}

/// Erase a closed plan from the service for good; with the key that filed it
#[derive(Debug, Args)]
pub(super) struct Erase {
    /// The plan's ref
    #[arg(value_name = "REF", value_parser = moved::plan_ref)]
    plan_ref: String,
    #[command(flatten)]
    key: KeyArgs,
}

impl Export {
    pub(super) async fn run(self, config: &Path) -> Done {
        let client = Client::new(&assemble::settings(config)?, &self.key)?;
        let path = format!("/api/v1/plans/{}/export", self.plan_ref);
        print::say_json(&client.get(&path).await?)
    }
}

impl Erase {
    pub(super) async fn run(self, config: &Path) -> Done {
        let client = Client::new(&assemble::settings(config)?, &self.key)?;
        let path = format!("/api/v1/plans/{}/erase", self.plan_ref);
        moved::once(&client, &path, &json!({})).await?;
        print::say(format!(
            "Plan {} is erased. Letters that were sent can't be called back.",
            self.plan_ref
        ))
    }
}
