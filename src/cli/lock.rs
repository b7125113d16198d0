//! One service to a data folder: two would send every letter twice.

use std::fs::{DirBuilder, File, TryLockError};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::Path;

use super::exit::{Done, Exit, Failure};

/// Holds the data folder as long as it lives; the system lets go of it however the process ends.
#[must_use]
pub(super) struct Lock(#[allow(dead_code, reason = "held, not read")] File);

/// Makes the data folder where it is not there, for its owner alone, and takes it.
pub(super) fn take(data_dir: &Path) -> Done<Lock> {
    let shown = data_dir.display();
    let cant = |error| {
        let words = format!("the data folder {shown} can't be made or written: {error}");
        Failure::new(Exit::CantCreate, words)
    };
    DirBuilder::new().recursive(true).mode(0o700).create(data_dir).map_err(cant)?;
    let file = File::options()
        .create(true)
        .truncate(false)
        .write(true)
        .mode(0o600)
        .open(data_dir.join("lock"))
        .map_err(cant)?;
    match file.try_lock() {
        Ok(()) => Ok(Lock(file)),
        Err(TryLockError::WouldBlock) => Err(Failure::new(
            Exit::Unavailable,
            format!(
                "another shorelamp serves from {shown} already, and two would write every letter \
                 twice. Stop that one first, or give this one a `data_dir` of its own"
            ),
        )),
        Err(TryLockError::Error(error)) => Err(cant(error)),
    }
}
