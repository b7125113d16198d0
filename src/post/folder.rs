//! The outgoing folder: where letters go when there is no relay.

use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use chrono::Utc;
use tokio::time::{Instant, timeout};

use super::Envelope;
use super::error::{Phase, SendError};
use super::health::{Pulse, RelayHealth};
use super::pool::locked;
use super::relay::Receipt;

/// A folder into which letters are written, one file each, for its owner alone to read.
#[derive(Clone, Debug)]
pub struct Folder {
    path: PathBuf,
    written: Arc<AtomicU64>,
    deadline: Duration,
    pulse: Arc<Mutex<Pulse>>,
}

/// A letter for which the folder is ready.
pub struct InFolder {
    folder: Folder,
    kind: String,
    reference: String,
}

impl Folder {
    /// A folder that is made when it is needed; a step that takes longer than `deadline` failed.
    #[must_use]
    pub fn new(path: PathBuf, deadline: Duration) -> Self {
        Folder { path, written: Arc::default(), deadline, pulse: Arc::default() }
    }

    /// Where it is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    pub(super) fn health(&self) -> RelayHealth {
        locked(&self.pulse).health(&self.path.display().to_string(), Instant::now())
    }

    pub(super) async fn begin(&self, envelope: &Envelope) -> Result<InFolder, SendError> {
        let path = self.path.clone();
        self.blocking(Phase::Opening, move || {
            DirBuilder::new().recursive(true).mode(0o700).create(path).map_err(Failure::Clear)
        })
        .await?;
        Ok(InFolder {
            folder: self.clone(),
            kind: name_part(&envelope.kind),
            reference: name_part(envelope.plan_ref.as_deref().unwrap_or("none")),
        })
    }

    async fn blocking<T: Send + 'static>(
        &self,
        phase: Phase,
        work: impl FnOnce() -> Result<T, Failure> + Send + 'static,
    ) -> Result<T, SendError> {
        let name = self.path.display().to_string();
        let done = match timeout(self.deadline, tokio::task::spawn_blocking(work)).await {
            Ok(done) => done.unwrap_or_else(|error| Err(Failure::Clear(io::Error::other(error)))),
            Err(_) => Err(Failure::InDoubt(io::ErrorKind::TimedOut.into())),
        };
        done.map_err(|why| {
            let error = match why {
                // Nothing of it stands in the folder: as good as a relay that has said no.
                Failure::Clear(error) => SendError::transport(phase.min(Phase::Data), &name, error),
                Failure::InDoubt(error) => SendError::transport(phase, &name, error),
            };
            locked(&self.pulse).failed(&error, "", Instant::now());
            error
        })
    }
}

impl InFolder {
    pub(super) async fn finish(self, letter: &[u8]) -> Result<Receipt, SendError> {
        let number = self.folder.written.fetch_add(1, Ordering::Relaxed) + 1;
        let time = Utc::now().format("%Y%m%dT%H%M%S%.3fZ");
        let name = format!("{time}-{}-{}-{number}.eml", self.kind, self.reference);
        let path = self.folder.path.clone();
        let file = path.join(&name);
        let letter = letter.to_vec();
        self.folder.blocking(Phase::Letter, move || write(&path, &name, &letter)).await?;
        locked(&self.folder.pulse).took(Instant::now());
        Ok(Receipt { by: file.display().to_string(), said: "written".to_owned() })
    }
}

/// Why a letter is not, or may not be, in the folder.
enum Failure {
    Clear(io::Error),
    InDoubt(io::Error),
}

/// Writes a file that is there whole or not at all, also after a power cut.
fn write(folder: &Path, name: &str, letter: &[u8]) -> Result<(), Failure> {
    let unfinished = folder.join(format!(".{name}.part"));
    let written = write_file(&unfinished, letter)
        .and_then(|()| fs::rename(&unfinished, folder.join(name)))
        .map_err(Failure::Clear);
    if written.is_err() {
        // It holds private data; if it can't be taken away either, the first error says more.
        let _ = fs::remove_file(&unfinished);
        return written;
    }
    File::open(folder).and_then(|folder| folder.sync_all()).map_err(Failure::InDoubt)
}

fn write_file(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// A part of a file's name: of a text that might hold anything, only what is harmless there.
fn name_part(text: &str) -> String {
    const LONGEST: usize = 40;
    text.chars().filter(|c| c.is_ascii_alphanumeric() || *c == '-').take(LONGEST).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_leaves_the_folder() {
        assert_eq!(name_part("../../etc/passwd"), "etcpasswd");
        assert_eq!(name_part("call-rescue"), "call-rescue");
        assert_eq!(name_part(&"é\0/x".repeat(99)).len(), 40);
    }
}
