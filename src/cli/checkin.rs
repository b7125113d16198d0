//! `checkin`: the crew, or some of it, is ashore.

use std::path::Path;

use clap::Args;
use serde_json::json;

use super::client::{Client, KeyArgs};
use super::exit::Done;
use super::{assemble, moved};

/// Say that the crew is ashore: all of it, or those named
#[derive(Debug, Args)]
pub(super) struct Checkin {
    /// The plan's ref, as it was printed when it was filed
    #[arg(value_name = "REF", value_parser = moved::plan_ref)]
    plan_ref: String,
    /// Who is ashore, as the plan calls them; may be given several times. Else all are
    #[arg(long, value_name = "NAME")]
    who: Vec<String>,
    #[command(flatten)]
    key: KeyArgs,
}

impl Checkin {
    pub(super) async fn run(self, config: &Path) -> Done {
        let client = Client::new(&assemble::settings(config)?, &self.key)?;
        let body = if self.who.is_empty() { json!({}) } else { json!({"who": self.who}) };
        moved::act(&client, &self.plan_ref, "checkin", &body).await
    }
}
