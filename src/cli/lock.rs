//! One service to a data folder: two would send every letter twice.

use std::fs::{DirBuilder, File, TryLockError};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::Path;
use std::thread::sleep;
use std::time::{Duration, Instant};

use super::exit::{Done, Exit, Failure};

/// A command beside the service takes the folder for a moment, while it opens the database.
const PATIENCE: Duration = Duration::from_secs(3);
const BETWEEN_TRIES: Duration = Duration::from_millis(50);

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
    let began = Instant::now();
    let mut taken = file.try_lock();
    while matches!(taken, Err(TryLockError::WouldBlock)) && began.elapsed() < PATIENCE {
        sleep(BETWEEN_TRIES);
        taken = file.try_lock();
    }
    match taken {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_command_that_opens_the_database_at_that_moment_keeps_no_service_from_starting() {
        let folder = tempfile::tempdir().unwrap();
        let held = File::create(folder.path().join("lock")).unwrap();
        held.try_lock().unwrap();
        let command = std::thread::spawn(move || {
            sleep(Duration::from_millis(300));
            drop(held);
        });
        let lock = take(folder.path());
        command.join().unwrap();
        assert!(lock.is_ok());
        assert!(take(folder.path()).is_err(), "while a service serves there is no other");
    }
}
