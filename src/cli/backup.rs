//! `backup`: a whole copy of the database, while the service goes on.

use std::path::{Path, PathBuf};

use chrono::Utc;
use clap::Args;

use super::exit::{Done, Exit, Failure};
use super::{assemble, print};
use crate::store::{Note, Store};

/// Write a backup of the database; works beside a running service
#[derive(Debug, Args)]
pub(super) struct Backup {
    /// The file to write; one of that name is replaced
    #[arg(value_name = "FILE")]
    file: PathBuf,
}

impl Backup {
    pub(super) async fn run(self, config: &Path) -> Done {
        let settings = assemble::settings(config)?;
        let data_dir = &settings.service.data_dir;
        keep_out_of(data_dir, &self.file)?;
        let made = assemble::with_store_that_is_there(data_dir, async |store| {
            let made = store.backup(&self.file, Utc::now()).await;
            made.map_err(|error| Failure::new(Exit::CantCreate, format!("no backup: {error}")))?;
            self.look_after(store).await;
            Ok(())
        });
        made.await?;
        print::say(format!(
            "Backed up to {}. It holds private plans: keep it where only you can read it, and on \
             another disk, and leave it there: what the service forgets later is taken out of it \
             by the next backup. What plans say of somebody's health can be read on this machine \
             only: for that, keep a copy of {} and of the folder `sealed` beside it, and throw \
             that copy away after a week. To go back to it: stop the service, then `shorelamp \
             restore {}`.",
            self.file.display(),
            data_dir.join("secret").display(),
            self.file.display()
        ))
    }

    /// Notes the backup, and takes out of all backups what was forgotten.
    async fn look_after(&self, store: &Store) {
        // Only what `doctor` says of it depends on this.
        let _ = store.note(Note::BackedUp, Utc::now()).await;
        // What is forgotten later is taken out of it too.
        if let Ok(path) = self.file.canonicalize() {
            let _ = store.note_copy(&path, Utc::now()).await;
        }
        if let Ok(copies) = store.thin_copies().await {
            for (path, why) in copies.out_of_reach {
                print::complain(format!("{} still holds forgotten plans: {why}", path.display()));
            }
        }
    }
}

/// A backup put in the place of a file that the service has open would end the service's memory.
fn keep_out_of(data_dir: &Path, file: &Path) -> Done {
    let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty());
    let folder = folder.unwrap_or(Path::new(".")).canonicalize();
    let here = data_dir.canonicalize();
    if let (Ok(folder), Ok(here)) = (folder, here)
        && folder == here
    {
        let words = format!(
            "no backup: {} lies in the service's own folder, where it could replace what the \
             service needs, and would be lost with it. Name a file elsewhere, best on another disk",
            file.display()
        );
        return Err(Failure::new(Exit::CantCreate, words));
    }
    Ok(())
}
