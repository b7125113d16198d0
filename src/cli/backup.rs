//! `backup`: a whole copy of the database, while the service goes on.

use std::path::{Path, PathBuf};

use chrono::Utc;
use clap::Args;

use super::exit::{Done, Exit, Failure};
use super::{assemble, print};
use crate::store::Note;

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
        let store = assemble::store_that_is_there(data_dir).await?;
        let made = store.backup(&self.file, Utc::now()).await;
        if made.is_ok() {
            // Only what `doctor` says of it depends on this.
            let _ = store.note(Note::BackedUp, Utc::now()).await;
        }
        store.close().await;
        made.map_err(|error| Failure::new(Exit::CantCreate, format!("no backup: {error}")))?;
        print::say(format!(
            "Backed up to {}. It holds private plans: keep it where only you can read it, and on \
             another disk. Keep {} beside it, or the links in the letters sent so far are lost. To \
             go back to it: stop the service, then `shorelamp restore {}`.",
            self.file.display(),
            data_dir.join("secret").display(),
            self.file.display()
        ))
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
