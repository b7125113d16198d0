//! `cancel`: the trip is called off.

use std::path::Path;

use clap::Args;
use serde_json::json;

use super::client::{Client, KeyArgs};
use super::exit::Done;
use super::{assemble, moved};

/// Call a trip off
#[derive(Debug, Args)]
pub(super) struct Cancel {
    /// The plan's ref, as it was printed when it was filed
    #[arg(value_name = "REF", value_parser = moved::plan_ref)]
    plan_ref: String,
    #[command(flatten)]
    key: KeyArgs,
}

impl Cancel {
    pub(super) async fn run(self, config: &Path) -> Done {
        let client = Client::new(&assemble::settings(config)?, &self.key)?;
        moved::act(&client, &self.plan_ref, "cancel", &json!({})).await
    }
}
