//! `extend`: the crew comes back later.

use std::path::Path;

use clap::Args;
use serde_json::json;

use super::client::{Client, KeyArgs};
use super::exit::Done;
use super::{assemble, moved};
use crate::measure::Span;

/// Put off the return time
#[derive(Debug, Args)]
pub(super) struct Extend {
    /// The plan's ref, as it was printed when it was filed
    #[arg(value_name = "REF", value_parser = moved::plan_ref)]
    plan_ref: String,
    /// By how much later than the return time that holds now, like 1h or 90m
    #[arg(long, value_name = "SPAN")]
    by: Span,
    #[command(flatten)]
    key: KeyArgs,
}

impl Extend {
    pub(super) async fn run(self, config: &Path) -> Done {
        let client = Client::new(&assemble::settings(config)?, &self.key)?;
        moved::act(&client, &self.plan_ref, "extend", &json!({"by": self.by})).await
    }
}
