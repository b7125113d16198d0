//! `reviewed`: the keeper has looked at a restored database; alerts need not wait any more.

use std::path::Path;

use chrono::Utc;
use clap::Args;

use super::exit::{Done, Exit, Failure};
use super::{assemble, print};
use crate::daemon::is_canary;
use crate::store::StoreError;

/// End the ten minutes in which a restored database holds its alerts
#[derive(Debug, Args)]
pub(super) struct Reviewed {}

impl Reviewed {
    pub(super) async fn run(self, config: &Path) -> Done {
        let settings = assemble::settings(config)?;
        let store = assemble::store_that_is_there(&settings.service.data_dir).await?;
        let cant =
            |error: StoreError| Failure::new(Exit::Io, format!("this did not work: {error}"));
        let review = store.review(Utc::now()).await.map_err(cant)?;
        let mut plans = store.open_plans().await.map_err(cant)?;
        plans.retain(|plan| !plan.as_ref().is_ok_and(is_canary));
        let plans = plans.len();
        if review.is_some() {
            store.end_review().await.map_err(cant)?;
        }
        store.close().await;
        print::say(match review {
            None => "No alert is held: there was nothing to review.".to_owned(),
            Some(_) => format!(
                "The review is over: what is due goes out now. Open plans: {plans} (`shorelamp \
                 board`)."
            ),
        })
    }
}
