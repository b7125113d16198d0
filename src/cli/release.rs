//! `release`: a plan that was set aside as unreadable comes back under the watch.

use std::path::Path;

use chrono::Utc;
use clap::Args;

use super::exit::{Done, Exit, Failure};
use super::{assemble, moved, print};
use crate::store::{Store, StoreError};

/// Watch a plan again that was set aside because it could not be read
#[derive(Debug, Args)]
pub(super) struct Release {
    /// The plan's ref, as the letter to the keeper names it
    #[arg(value_name = "REF", value_parser = moved::plan_ref)]
    plan_ref: String,
}

impl Release {
    pub(super) async fn run(self, config: &Path) -> Done {
        let settings = assemble::settings(config)?;
        let cant =
            |error: StoreError| Failure::new(Exit::Io, format!("this did not work: {error}"));
        let release = async |store: &Store| {
            let aside = store.quarantined().await.map_err(cant)?;
            let Some(aside) = aside.into_iter().find(|plan| plan.plan_ref == self.plan_ref) else {
                let words = format!("plan {} is not set aside; nothing was done", self.plan_ref);
                return Err(Failure::new(Exit::BadData, words));
            };
            Ok((store.release(&self.plan_ref, Utc::now()).await.map_err(cant)?, aside))
        };
        let data_dir = &settings.service.data_dir;
        let (released, aside) = assemble::with_store_that_is_there(data_dir, release).await?;
        if released {
            return print::say(format!("Plan {} is watched again.", self.plan_ref));
        }
        let words = format!(
            "plan {} still can't be read or moved ({}). Its contacts get plain letters; reach its crew \
             yourself. `shorelamp verify` tells whether others are hit",
            self.plan_ref,
            print::plain(&aside.why)
        );
        Err(Failure::new(Exit::BadData, words))
    }
}
