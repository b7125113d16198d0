//! Answers kept on disk, a file each, so that a restart asks nothing anew. What can't be kept or
//! read is simply asked for again. What was asked tells where somebody launches, so they are for the
//! service's own user, whatever the folder around is open to.

use std::fs::Permissions;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use tokio::fs::{DirBuilder, OpenOptions};
use tokio::io::AsyncWriteExt;

/// Answers older than this are removed when the folder is opened.
const LONGEST: Duration = Duration::from_secs(30 * 86_400);

/// A folder of answers.
#[derive(Clone, Debug)]
pub(super) struct Cache {
    folder: PathBuf,
}

/// An answer as it was, with what its service marked it by.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Kept {
    url: String,
    asked_at_s: u64,
    pub(super) etag: Option<String>,
    pub(super) last_modified: Option<String>,
    pub(super) body: String,
}

impl Kept {
    pub(super) fn new(body: &str, etag: Option<String>, last_modified: Option<String>) -> Self {
        let body = body.to_owned();
        Kept { url: String::new(), asked_at_s: now_s(), etag, last_modified, body }
    }

    /// The same, found unchanged just now.
    pub(super) fn renewed(self) -> Self {
        Kept { asked_at_s: now_s(), ..self }
    }

    /// One from the future (the clock was set back) is not.
    pub(super) fn is_fresh(&self, fresh_s: u64) -> bool {
        now_s().checked_sub(self.asked_at_s).is_some_and(|age_s| age_s < fresh_s)
    }
}

impl Cache {
    /// Old answers in the folder are removed.
    pub(super) fn in_folder(folder: &Path) -> Self {
        // Where it is not there yet it is made so; where it is another's, nothing can be kept in it.
        let _ = std::fs::set_permissions(folder, Permissions::from_mode(0o700));
        prune(folder);
        Cache { folder: folder.to_owned() }
    }

    pub(super) async fn kept(&self, url: &str) -> Option<Kept> {
        let path = self.path(url);
        let read = move || serde_json::from_slice::<Kept>(&std::fs::read(path).ok()?).ok();
        let kept = tokio::task::spawn_blocking(read).await.ok()??;
        (kept.url == url).then_some(kept)
    }

    /// Written beside and moved into place: a crash leaves the old one or the new one.
    pub(super) async fn keep(&self, url: &str, kept: Kept) {
        static NUMBER: AtomicU64 = AtomicU64::new(0);
        let kept = Kept { url: url.to_owned(), ..kept };
        let written = tokio::task::spawn_blocking(move || serde_json::to_vec(&kept)).await;
        let Ok(Ok(text)) = written else { return };
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        let beside = self.path(url).with_extension(format!("{}-{number}", std::process::id()));
        let written = async {
            self.make_folder().await?;
            write_private(&beside, &text).await?;
            tokio::fs::rename(&beside, self.path(url)).await
        };
        if let Err(error) = written.await {
            tracing::debug!(folder = %self.folder.display(), %error, "an answer was not kept");
            let _ = tokio::fs::remove_file(&beside).await;
        }
    }

    /// Not the folder around it, which is the service's to make.
    async fn make_folder(&self) -> std::io::Result<()> {
        match DirBuilder::new().mode(0o700).create(&self.folder).await {
            Err(error) if error.kind() != std::io::ErrorKind::AlreadyExists => Err(error),
            _ => Ok(()),
        }
    }

    fn path(&self, url: &str) -> PathBuf {
        let digest = Sha256::digest(url.as_bytes());
        let name: String = digest.iter().take(16).map(|byte| format!("{byte:02x}")).collect();
        self.folder.join(name).with_extension("json")
    }
}

/// Writes a file that only its owner can read.
async fn write_private(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let options = &mut OpenOptions::new();
    let mut file = options.write(true).create_new(true).mode(0o600).open(path).await?;
    file.write_all(bytes).await?;
    file.flush().await
}

fn prune(folder: &Path) {
    let Ok(entries) = std::fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        let changed = entry.metadata().and_then(|data| data.modified());
        let is_old = changed.is_ok_and(|at| at.elapsed().is_ok_and(|age| age > LONGEST));
        if is_old {
            let _ = std::fs::remove_file(entry.path());
        }
    }
}

fn now_s() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs())
}
