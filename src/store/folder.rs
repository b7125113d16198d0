//! The data folder: private, with a mark that it has had a database and a ballast that makes room
//! when the disk is full.

use std::fs::{self, File, TryLockError};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::StoreError;

/// The room that is given back when the disk is full: enough for thousands of steps and letters.
const BALLAST_BYTES: u64 = 8 << 20;
/// With less room than this, no new plan is taken, so that those that are armed can be kept.
const LOW_WATER_BYTES: u64 = 24 << 20;

/// The data folder.
#[derive(Clone, Debug)]
pub(super) struct Folder {
    path: Arc<Path>,
}

impl Folder {
    /// Makes the folder if need be.
    pub(super) fn open(path: &Path) -> Result<Self, StoreError> {
        make_private(path)?;
        Ok(Folder { path: path.into() })
    }

    /// Takes the folder for as long as what comes back lives, by the lock that a daemon holds.
    pub(super) fn lock(&self) -> Result<File, StoreError> {
        let path = self.path.join("lock");
        let file = open_private(&path, fs::OpenOptions::new().write(true).create(true))?;
        match file.try_lock() {
            Ok(()) => Ok(file),
            Err(TryLockError::WouldBlock) => Err(StoreError::InUse(self.path.to_path_buf())),
            Err(TryLockError::Error(error)) => Err(of_file(&path)(error)),
        }
    }

    /// Held while a backup is written, by however many.
    pub(super) fn backing_up(&self) -> Result<File, StoreError> {
        let path = self.path.join("backing-up");
        let file = open_private(&path, fs::OpenOptions::new().write(true).create(true))?;
        file.lock_shared().map_err(of_file(&path))?;
        Ok(file)
    }

    /// Held while nobody writes a backup; `None` if somebody does.
    pub(super) fn not_backing_up(&self) -> Option<File> {
        let options = &mut fs::OpenOptions::new();
        let file = open_private(&self.path.join("backing-up"), options.write(true).create(true));
        file.ok().filter(|file| file.try_lock().is_ok())
    }

    /// Where a backup is made ready to take the database's place.
    pub(super) fn restored_part(&self) -> PathBuf {
        self.path.join("restored.part")
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// Where the database is.
    pub(super) fn database(&self) -> PathBuf {
        self.path.join("shorelamp.db")
    }

    /// The file that says which database the folder has had. Without it, a database that went
    /// missing would look like a first start.
    pub(super) fn marker(&self) -> PathBuf {
        self.path.join("database-id")
    }

    /// The id of the database that the folder has had.
    pub(super) fn marked_id(&self) -> Result<Option<String>, StoreError> {
        let marker = self.marker();
        match fs::read_to_string(&marker) {
            Ok(text) => Ok(Some(text.trim().to_owned())),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(of_file(&marker)(error)),
        }
    }

    /// Writes down which database the folder has.
    pub(super) fn mark(&self, id: &str) -> Result<(), StoreError> {
        let marker = self.marker();
        let options = &mut fs::OpenOptions::new();
        let mut file = open_private(&marker, options.write(true).create(true).truncate(true))?;
        let written = file.write_all(id.as_bytes()).and_then(|()| file.sync_all());
        written.and_then(|()| File::open(&self.path)?.sync_all()).map_err(of_file(&marker))
    }

    /// Whether changes in the log were acknowledged and can't be read any more.
    pub(super) fn has_damaged_log(&self) -> bool {
        let path = self.path.join("shorelamp.db-wal");
        // One that can't be read here tells nothing; SQLite says why.
        self.has_log() && super::log::is_damaged(&path).unwrap_or(false)
    }

    /// Whether the database's newest changes lie in a log beside it.
    pub(super) fn has_log(&self) -> bool {
        self.path.join("shorelamp.db-wal").exists()
    }

    /// Remembers that the database is open, so that a log that is gone at the next start is seen.
    /// A database that was closed well has none.
    pub(super) fn remember_open(&self, open: bool) -> Result<(), StoreError> {
        let path = self.path.join("open");
        if open {
            open_private(&path, fs::OpenOptions::new().write(true).create(true))?;
            return Ok(());
        }
        match fs::remove_file(&path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(of_file(&path)(error)),
            _ => Ok(()),
        }
    }

    /// Whether the database was not closed well the last time.
    pub(super) fn was_left_open(&self) -> bool {
        self.path.join("open").exists()
    }

    /// Sets room aside. Where there is too little, there is none to set aside; that is no error.
    pub(super) fn lay_ballast(&self) {
        let path = self.ballast();
        if path.exists() || self.free_bytes() < BALLAST_BYTES + LOW_WATER_BYTES {
            return;
        }
        let laid =
            open_private(&path, fs::OpenOptions::new().write(true).create(true)).and_then(|file| {
                let whole = rustix::fs::FallocateFlags::empty();
                rustix::fs::fallocate(&file, whole, 0, BALLAST_BYTES)
                    .map_err(|error| of_file(&path)(error.into()))
            });
        if let Err(error) = laid {
            tracing::warn!(%error, "no room could be set aside for a full disk");
            self.free_ballast();
        }
    }

    /// Gives the room back that was set aside; whether there was any.
    pub(super) fn free_ballast(&self) -> bool {
        let freed = fs::remove_file(self.ballast()).is_ok();
        if freed {
            tracing::error!("the disk is full: the room set aside is given back");
        }
        freed
    }

    /// Whether the disk is too full to take another plan.
    pub(super) fn is_low(&self) -> bool {
        self.free_bytes() < LOW_WATER_BYTES
    }

    fn ballast(&self) -> PathBuf {
        self.path.join("ballast")
    }

    /// A disk that can't be asked is not held to be full: its writes will tell.
    fn free_bytes(&self) -> u64 {
        let asked = rustix::fs::statvfs(&*self.path);
        asked.map_or(u64::MAX, |disk| disk.f_bavail.saturating_mul(disk.f_frsize))
    }
}

/// Makes a folder that only its owner can enter.
fn make_private(path: &Path) -> Result<(), StoreError> {
    fs::DirBuilder::new().recursive(true).mode(0o700).create(path).map_err(of_file(path))
}

/// Opens a file that, if it is made, only its owner can read.
pub(super) fn open_private(path: &Path, options: &mut fs::OpenOptions) -> Result<File, StoreError> {
    options.mode(0o600).open(path).map_err(of_file(path))
}

pub(super) fn of_file(path: &Path) -> impl Fn(io::Error) -> StoreError + '_ {
    |source| StoreError::File { path: path.to_owned(), source: Arc::new(source) }
}
