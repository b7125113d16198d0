//! `drill`: the keeper has contacts written to as in an exercise.

use std::path::Path;

use clap::Args;
use serde_json::json;

use super::again::print_ordered;
use super::client::{Client, KeyArgs};
use super::exit::Done;
use super::{assemble, moved};

/// Send contacts an exercise, which says so and shows how an alert would reach them; needs a keeper's
/// key
#[derive(Debug, Args)]
pub(super) struct Drill {
    /// The plan's ref
    #[arg(value_name = "REF", value_parser = moved::plan_ref)]
    plan_ref: String,
    /// Whom: a name or contact:1 and so on (counted among those who are asked); else every contact
    #[arg(long, value_name = "WHO")]
    to: Option<String>,
    #[command(flatten)]
    key: KeyArgs,
}

impl Drill {
    pub(super) async fn run(self, config: &Path) -> Done {
        let client = Client::new(&assemble::settings(config)?, &self.key)?;
        let body = self.to.map_or_else(|| json!({}), |to| json!({ "to": to }));
        let path = format!("/api/v1/plans/{}/drill", self.plan_ref);
        print_ordered(moved::once(&client, &path, &body).await?, "Exercises ordered")
    }
}
