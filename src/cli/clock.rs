//! `clock accept`: the keeper vouches for the clock on the wall.

use std::path::Path;

use chrono::Utc;
use clap::{Args, Subcommand};

use super::exit::{Done, Exit, Failure};
use super::{assemble, print};
use crate::store::Note;

/// Vouch for this machine's clock, when the service does not believe it
#[derive(Debug, Subcommand)]
pub(super) enum Clock {
    Accept(Accept),
}

/// Have the service go by this machine's clock as it stands now; compare it with another first
#[derive(Debug, Args)]
pub(super) struct Accept {}

impl Clock {
    pub(super) async fn run(self, config: &Path) -> Done {
        let Clock::Accept(Accept {}) = self;
        let settings = assemble::settings(config)?;
        let (data_dir, now) = (&settings.service.data_dir, Utc::now());
        let noted = assemble::with_store_that_is_there(data_dir, async |store| {
            let noted = store.note(Note::ClockAccepted, now).await;
            noted.map_err(|error| Failure::new(Exit::Io, format!("this did not work: {error}")))
        });
        noted.await?;
        print::say(format!(
            "You vouch for {}. If the service was in doubt, it goes by this machine's clock within \
             some seconds; every alert goes by it then. Wrong after all? Set the clock, and the \
             service doubts it anew.",
            now.format("%a %-d %b %Y, %H:%M:%S UTC")
        ))
    }
}
