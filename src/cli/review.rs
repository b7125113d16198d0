//! `review`: judges a plan without filing it.

use std::path::{Path, PathBuf};

use chrono::Utc;
use clap::Args;

use super::exit::{Done, Exit, Failure};
use super::{assemble, plan_file, print};
use crate::review;

/// Judge a plan, of any date, without filing it; needs no running service
#[derive(Debug, Args)]
pub(super) struct Review {
    /// The plan, TOML or JSON
    plan: PathBuf,
    /// Print the review as JSON
    #[arg(long)]
    json: bool,
}

impl Review {
    pub(super) async fn run(self, config: &Path) -> Done {
        let settings = assemble::settings(config)?;
        let plan = plan_file::read(&self.plan)?;
        let review = assemble::judge(&settings, config)?.review(&plan, Utc::now).await;
        if !self.json {
            return print::say(review::text(&review, &plan).trim_end());
        }
        let document = serde_json::to_value(&review)
            .map_err(|error| Failure::new(Exit::Software, format!("no JSON: {error}")))?;
        print::say_json(&document)
    }
}
