//! `restore`: a backup takes the database's place.

use std::path::{Path, PathBuf};

use clap::Args;

use super::exit::{Done, Exit, Failure};
use super::{assemble, print};
use crate::store::{Store, StoreError};

/// Put a backup in the database's place; the service must be stopped
#[derive(Debug, Args)]
pub(super) struct Restore {
    /// The backup
    #[arg(value_name = "FILE")]
    file: PathBuf,
}

impl Restore {
    pub(super) async fn run(self, config: &Path) -> Done {
        let settings = assemble::settings(config)?;
        let data_dir = &settings.service.data_dir;
        let restored = Store::restore(&self.file, data_dir).await;
        let carried = restored.map_err(|error| failed(&self.file, &error))?;
        print::say(told(&self.file))?;
        print::say(if carried { CARRIED } else { NOT_CARRIED })?;
        if !data_dir.join("secret").exists() {
            let secret = data_dir.join("secret");
            print::say(format!(
                "\nBefore you start it: put the secret that was kept with the backup at {}. Without \
                 it the links in the letters sent so far lead nowhere.",
                secret.display()
            ))?;
        }
        Ok(())
    }
}

const CARRIED: &str = "\nKeys that were revoked since the backup stay revoked, whoever wanted no \
                       letters gets none, and plans that were forgotten stay so.";
const NOT_CARRIED: &str = "\nThere is no database here that could be read, so what it knew since the backup is lost: keys \
     that were revoked since are in force again (look through `shorelamp key list`, and revoke them), \
     whoever said never since may be written to, and plans that were forgotten since are there again.";

fn told(file: &Path) -> String {
    format!(
        "Restored from {}. What was there lies beside it as *.before-restore.\n\n\
         Start the service now. What it does then:\n  \
         - It takes no word as forgotten that is in the backup: plans that are closed there stay \
         closed and alert nobody again, and what contacts answered stands.\n  \
         - What was filed, answered or checked in after the backup is unknown to it. So for ten \
         minutes it holds every alert, and writes to the keeper which plans are open.\n  \
         - In that time, check in whom you know to be ashore (`shorelamp checkin REF`), then say \
         `shorelamp reviewed`.\n  \
         - If you do nothing, every alert that is due goes out after the ten minutes.",
        file.display()
    )
}

fn failed(file: &Path, error: &StoreError) -> Failure {
    let exit = match error {
        StoreError::InUse(_) => Exit::Unavailable,
        StoreError::File { path, .. } if path == file => Exit::NoInput,
        StoreError::File { .. } => Exit::CantCreate,
        _ => Exit::BadData,
    };
    let words = match error {
        StoreError::InUse(_) => {
            format!("nothing was restored: {error}, and start it again afterwards")
        }
        _ => format!(
            "nothing was restored from {}, and the database is as it was: {error}",
            file.display()
        ),
    };
    Failure::new(exit, words)
}
