//! `purge`: forgets now what the service would forget within minutes.

use std::path::Path;

use clap::Args;

use super::exit::{Done, Exit, Failure};
use super::{assemble, print};
use crate::daemon::{Forgotten, is_canary};
use crate::store::StoreError;

/// Forget the closed plans that have had their time, everywhere; works beside a running service
#[derive(Debug, Args)]
pub(super) struct Purge {}

impl Purge {
    pub(super) async fn run(self, config: &Path) -> Done {
        let settings = assemble::settings(config)?;
        let data_dir = &settings.service.data_dir;
        assemble::with_store_that_is_there(data_dir, async |_| Ok(())).await?;
        let cant = |error: StoreError| {
            Failure::new(Exit::Io, format!("not everything was forgotten; try again: {error}"))
        };
        let purged = assemble::with_daemon_beside(&settings, config, async |daemon| {
            let forgotten = daemon.forget_what_is_over().await.map_err(cant)?;
            let kept = daemon.why_kept().await.map_err(cant)?;
            Ok((forgotten, kept, daemon.store().open_plans().await.map_err(cant)?))
        });
        let (forgotten, kept, mut open) = purged.await?;
        open.retain(|plan| !plan.as_ref().is_ok_and(is_canary));
        if !open.is_empty() {
            print::complain(format!(
                "{} plans are open: they are watched, and nothing of them was forgotten.",
                open.len()
            ));
        }
        print::say(told(&forgotten, &settings.retention.closed.spoken()))?;
        kept.map_or(Ok(()), |why| Err(Failure::new(Exit::TempFail, why)))
    }
}

fn told(forgotten: &Forgotten, kept: &str) -> String {
    let mut lines = vec![format!(
        "Forgotten: {} plans that were closed more than {kept} ago, with {} letters in the folder; \
         contacts who never answered, of {} more.",
        forgotten.plans.len(),
        forgotten.letters,
        forgotten.thinned
    )];
    if !forgotten.log_emptied {
        lines.push(
            "Somebody reads the database just now: its log is emptied within ten minutes."
                .to_owned(),
        );
    }
    for (path, why) in &forgotten.copies.out_of_reach {
        lines.push(format!(
            "The backup {} can't be reached ({why}): it still holds them. Bring it back and purge \
             again, or throw it away.",
            path.display()
        ));
    }
    lines.push(
        "Letters that have left can't be called back, and copies that you made by other means are \
         yours to remove."
            .to_owned(),
    );
    lines.join("\n")
}
