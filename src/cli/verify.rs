//! `verify`: is every plan what its events make of it?

use std::path::Path;

use clap::Args;

use super::exit::{Done, Exit, Failure};
use super::{assemble, print};
use crate::store::StoreError;

/// Fold every plan again from what happened to it, and tell which differ; changes nothing
#[derive(Debug, Args)]
pub(super) struct Verify {}

impl Verify {
    pub(super) async fn run(self, config: &Path) -> Done {
        let settings = assemble::settings(config)?;
        let cant = |error: StoreError| {
            Failure::new(Exit::Io, format!("the database can't be verified: {error}"))
        };
        let data_dir = &settings.service.data_dir;
        let verified = assemble::with_store_that_is_there(data_dir, async |store| {
            let unsound = store.quick_check().await.map_err(cant)?;
            Ok((unsound, store.verify().await.map_err(cant)?))
        });
        let (unsound, differences) = verified.await?;
        if let Some(unsound) = &unsound {
            print::say(format!("The database's file is damaged: {}", print::plain(unsound)))?;
        }
        for difference in &differences {
            let what = print::plain(&difference.what);
            print::say(format!("{}: {what}", difference.plan_ref))?;
        }
        if unsound.is_none() && differences.is_empty() {
            return print::say("Every plan is what its events make of it, and the file is sound.");
        }
        let words = format!(
            "{} of the plans differ{}. Reach the crews of those that are open yourself; a plan that \
             can't be read gets plain letters of its own. Then restore the newest backup that \
             verifies, and look at the disk",
            differences.len(),
            if unsound.is_some() { ", and the file is damaged" } else { "" },
        );
        Err(Failure::new(Exit::BadData, words))
    }
}
