//! `reviewed`: the keeper has looked at a restored database; alerts need not wait any more.

use std::path::Path;

use chrono::Utc;
use clap::Args;

use super::exit::{Done, Exit, Failure};
use super::{assemble, print};
use crate::daemon::is_canary;
use crate::store::{Review, Store, StoreError};

/// End the ten minutes in which a restored database holds its alerts
#[derive(Debug, Args)]
pub(super) struct Reviewed {}

impl Reviewed {
    pub(super) async fn run(self, config: &Path) -> Done {
        let settings = assemble::settings(config)?;
        let data_dir = &settings.service.data_dir;
        let ended = assemble::with_store_that_is_there(data_dir, async |store| {
            end_review(store)
                .await
                .map_err(|error| Failure::new(Exit::Io, format!("this did not work: {error}")))
        });
        let (review, plans) = ended.await?;
        print::say(match review {
            None => "No alert is held: there was nothing to review.".to_owned(),
            Some(_) => format!(
                "The review is over: what is due goes out now. Open plans: {plans} (`shorelamp \
                 board`)."
            ),
        })
    }
}

/// What there was to review, and how many plans are open.
async fn end_review(store: &Store) -> Result<(Option<Review>, usize), StoreError> {
    let review = store.review(Utc::now()).await?;
    let mut plans = store.open_plans().await?;
    plans.retain(|plan| !plan.as_ref().is_ok_and(is_canary));
    if review.is_some() {
        store.end_review().await?;
    }
    Ok((review, plans.len()))
}
