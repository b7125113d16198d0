//! The one place that maps a file into memory.
#![allow(unsafe_code)]

use std::fs::File;
use std::io;
use std::path::Path;
use std::sync::Arc;

use memmap2::Mmap;

use crate::shoreline::Bytes;

/// Maps a file, to be read only.
///
/// # Errors
/// Whatever the file system says; also for an empty file.
pub(super) fn map(path: &Path) -> io::Result<Bytes> {
    let file = File::open(path)?;
    // SAFETY: a mapped file must not be changed or cut short by anybody while it is in use. A
    // pack is written under another name, made whole and then renamed, so that a map keeps the
    // old file; whoever writes into a pack in place has been warned by the README. What is read
    // from the map is checked wherever it could lead out of bounds (see `shoreline::tree`).
    let map = unsafe { Mmap::map(&file)? };
    Ok(Arc::new(map))
}
