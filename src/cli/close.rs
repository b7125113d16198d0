//! `close`: the keeper closes a plan by hand.

use std::path::Path;

use clap::Args;
use serde_json::json;

use super::client::{Client, KeyArgs};
use super::exit::Done;
use super::{assemble, moved};

/// Close a plan by hand, with the reason that everybody is told; needs a keeper's key
#[derive(Debug, Args)]
pub(super) struct Close {
    /// The plan's ref
    #[arg(value_name = "REF", value_parser = moved::plan_ref)]
    plan_ref: String,
    /// Why: all who were told of the trip read it. For 24 h it can be taken back on their pages
    #[arg(long, value_name = "TEXT")]
    reason: String,
    #[command(flatten)]
    key: KeyArgs,
}

impl Close {
    pub(super) async fn run(self, config: &Path) -> Done {
        let client = Client::new(&assemble::settings(config)?, &self.key)?;
        moved::act(&client, &self.plan_ref, "close", &json!({"reason": self.reason})).await
    }
}
