//! Land out of the files that others publish.

use std::fs::{self, File};
use std::io::{self, BufReader};
use std::path::{Path, PathBuf};
use std::str::FromStr;

use indicatif::ProgressBar;
use thiserror::Error;

use super::map;
use crate::shoreline::{Coverage, Land, LandIs, ShorelineError};

/// Why land can't be imported.
#[derive(Debug, Error)]
pub enum ImportError {
    /// A file can't be read.
    #[error("{} can't be read: {why}", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        why: io::Error,
    },
    /// A file holds something else than a shoreline, or a faulty one.
    #[error("{} {why}", path.display())]
    NoShoreline {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: ShorelineError,
    },
    /// A file of a kind that is not known.
    #[error(
        "{} is of no kind that can be imported; these are: GeoJSON (.geojson, .json), ESRI \
         shapefiles (.shp), and GSHHG's raw rings (gshhs_f.dat with gshhsmeta_f.dat beside it)",
        .0.display()
    )]
    OtherKind(PathBuf),
    /// A shapefile in metres or feet.
    #[error(
        "{} is in a projection ({name}), not in degrees; turn it into WGS 84 first, for instance \
         with `ogr2ogr -t_srs EPSG:4326`",
        path.display()
    )]
    Projected {
        /// The file.
        path: PathBuf,
        /// What its `.prj` calls the projection.
        name: String,
    },
    /// A shapefile does not say what it covers.
    #[error(
        "{} does not tell how far its data reaches; say so with `--covers WEST,SOUTH,EAST,NORTH` \
         in degrees, or `--covers earth`: beyond it there may be shore that the file lacks",
        .0.display()
    )]
    CoversWhat(PathBuf),
    /// Two files cover different boxes.
    #[error(
        "{} covers another box than the file before it; import them one by one, or say with \
         `--covers` what they cover together",
        .0.display()
    )]
    OtherBox(PathBuf),
    /// No file at all.
    #[error("there is no file to import")]
    Nothing,
}

/// What data covers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Covers {
    /// Everything.
    Earth,
    /// A box.
    Box(Coverage),
}

impl Covers {
    fn coverage(self) -> Option<Coverage> {
        match self {
            Covers::Earth => None,
            Covers::Box(coverage) => Some(coverage),
        }
    }
}

impl FromStr for Covers {
    type Err = ShorelineError;

    /// `earth`, or west, south, east and north in degrees, with commas between.
    fn from_str(text: &str) -> Result<Self, ShorelineError> {
        if text == "earth" {
            return Ok(Covers::Earth);
        }
        let sides: Result<Vec<f64>, _> = text.split(',').map(|side| side.trim().parse()).collect();
        Coverage::from_bbox(&sides.map_err(|_| ShorelineError::Box)?).map(Covers::Box)
    }
}

/// What is to be imported.
#[derive(Clone, Debug)]
pub struct Source<'a> {
    /// The files; together they are one shoreline.
    pub files: &'a [PathBuf],
    /// Which side of their polygons is land. Raw rings know for themselves.
    pub land_is: LandIs,
    /// What they cover, if that is not what they say themselves.
    pub covers: Option<Covers>,
}

/// Reads all the files. `progress` counts the bytes.
///
/// # Errors
/// [`ImportError`], for the first fault found.
pub fn read_land(source: &Source<'_>, progress: &ProgressBar) -> Result<Land, ImportError> {
    let bytes = source.files.iter().filter_map(|file| fs::metadata(file).ok());
    progress.set_length(bytes.map(|file| file.len()).sum());
    let mut whole: Option<Land> = None;
    for path in source.files {
        let land = read_file(path, source, progress)?;
        let land = match source.covers {
            Some(covers) => land.covering(covers.coverage()),
            None => land,
        };
        whole = match whole {
            None => Some(land),
            Some(before) if before.coverage() == land.coverage() => Some(before.with(land)),
            Some(_) => return Err(ImportError::OtherBox(path.clone())),
        };
    }
    whole.ok_or(ImportError::Nothing)
}

fn read_file(
    path: &Path,
    source: &Source<'_>,
    progress: &ProgressBar,
) -> Result<Land, ImportError> {
    let no_shoreline = |why| ImportError::NoShoreline { path: path.to_owned(), why };
    let open = || File::open(path).map_err(|why| unreadable(path, why));
    let kind = path.extension().and_then(|kind| kind.to_str()).unwrap_or_default();
    match kind.to_ascii_lowercase().as_str() {
        "geojson" | "json" => {
            let text = BufReader::with_capacity(1 << 16, progress.wrap_read(open()?));
            Land::from_geojson(text, source.land_is).map_err(no_shoreline)
        }
        "shp" => {
            refuse_projected(path)?;
            if source.covers.is_none() {
                return Err(ImportError::CoversWhat(path.to_owned()));
            }
            let shapes = BufReader::with_capacity(1 << 16, progress.wrap_read(open()?));
            Land::from_shapefile(shapes, source.land_is).map_err(no_shoreline)
        }
        "dat" => {
            let table = table_beside(path)?;
            let positions = map::map(path).map_err(|why| unreadable(path, why))?;
            let positions = (*positions).as_ref();
            progress.inc(positions.len() as u64);
            Land::from_gshhg(&table, positions).map_err(no_shoreline)
        }
        _ => Err(ImportError::OtherKind(path.to_owned())),
    }
}

/// `gshhsmeta_f.dat` beside `gshhs_f.dat`.
fn table_beside(path: &Path) -> Result<String, ImportError> {
    let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
    let resolution = name.strip_prefix("gshhs_");
    let resolution = resolution.ok_or_else(|| ImportError::OtherKind(path.to_owned()))?;
    let table = path.with_file_name(format!("gshhsmeta_{resolution}"));
    fs::read_to_string(&table).map_err(|why| unreadable(&table, why))
}

/// Well-known text names the kind of system first. Without a `.prj`, degrees are taken for
/// granted; metres would be found to be off the earth.
fn refuse_projected(path: &Path) -> Result<(), ImportError> {
    let beside = path.with_extension("prj");
    let text = match fs::read_to_string(&beside) {
        Ok(text) => text,
        Err(why) if why.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(why) => return Err(unreadable(&beside, why)),
    };
    let kind = text.trim_start().get(..4).unwrap_or_default().to_ascii_uppercase();
    if kind != "PROJ" {
        return Ok(());
    }
    let name = text.split('"').nth(1).unwrap_or("unnamed").to_owned();
    Err(ImportError::Projected { path: path.to_owned(), name })
}

fn unreadable(path: &Path, why: io::Error) -> ImportError {
    ImportError::Unreadable { path: path.to_owned(), why }
}
