//! The edge towards shoreline files: opened where they lie, imported, written whole or not at
//! all.

mod import;
mod map;

use std::fs::{self, File};
use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};

use thiserror::Error;

pub use import::{Covers, ImportError, Source, read_land};

use crate::shoreline::{About, MAGIC, PackError, Packed, Shoreline, ShorelineError, Shorelines};

/// Why a shoreline file can't be used.
#[derive(Debug, Error)]
pub enum OpenError {
    /// It can't be read.
    #[error("the shoreline {} can't be read: {why}", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        why: io::Error,
    },
    /// It is a pack, but no good one.
    #[error("the shoreline {} can't be used: it {why}", path.display())]
    Pack {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: PackError,
    },
    /// It is no pack, and no good GeoJSON.
    #[error("the shoreline {} can't be used: it {why}", path.display())]
    GeoJson {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: ShorelineError,
    },
}

/// Opens shoreline files, packs and GeoJSON alike. `accuracy_m` is that of the GeoJSON, in
/// metres; a pack knows its own.
///
/// # Errors
/// [`OpenError`], for the first file that can't be used.
pub fn open_all(files: &[PathBuf], accuracy_m: f64) -> Result<Shorelines, OpenError> {
    let shorelines = files.iter().map(|file| open(file, accuracy_m)).collect::<Result<_, _>>()?;
    Ok(Shorelines::new(shorelines))
}

/// Opens one shoreline file and looks at every byte of it. A GeoJSON file is called by its
/// file's name.
///
/// # Errors
/// [`OpenError`].
pub fn open(path: &Path, accuracy_m: f64) -> Result<Shoreline, OpenError> {
    if is_pack(path).map_err(|why| unreadable(path, why))? {
        let shoreline = open_pack(path)?;
        shoreline.verify().map_err(|why| OpenError::Pack { path: path.to_owned(), why })?;
        return Ok(shoreline);
    }
    let text = fs::read_to_string(path).map_err(|why| unreadable(path, why))?;
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    Shoreline::from_geojson(&text, accuracy_m)
        .map(|shoreline| shoreline.named(name))
        .map_err(|why| OpenError::GeoJson { path: path.to_owned(), why })
}

/// Opens a pack by its head alone, in no time: damage farther in is not noticed.
///
/// # Errors
/// [`OpenError`].
pub fn open_pack(path: &Path) -> Result<Shoreline, OpenError> {
    let bytes = map::map(path).map_err(|why| unreadable(path, why))?;
    Shoreline::from_pack(bytes).map_err(|why| OpenError::Pack { path: path.to_owned(), why })
}

/// Writes a pack: under another name first, so that whoever has the old one open keeps it, and
/// nobody ever sees half of the new one.
///
/// # Errors
/// Whatever the file system says.
pub fn write(path: &Path, packed: &Packed, about: &About) -> io::Result<()> {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(format!(".{}.part", std::process::id()));
    let part = path.with_file_name(name);
    let written = write_whole(&part, packed, about).and_then(|()| fs::rename(&part, path));
    if written.is_err() {
        // It may never have come to be.
        let _ = fs::remove_file(&part);
    }
    written
}

fn write_whole(path: &Path, packed: &Packed, about: &About) -> io::Result<()> {
    let mut out = BufWriter::new(File::create(path)?);
    packed.write(about, &mut out)?;
    out.flush()?;
    out.get_ref().sync_all()
}

/// Whether a file begins as a pack does.
fn is_pack(path: &Path) -> io::Result<bool> {
    let mut start = Vec::new();
    File::open(path)?.take(MAGIC.len() as u64).read_to_end(&mut start)?;
    Ok(start == MAGIC)
}

fn unreadable(path: &Path, why: io::Error) -> OpenError {
    OpenError::Unreadable { path: path.to_owned(), why }
}
