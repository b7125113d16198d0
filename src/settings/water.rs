//! Where the shore is, and where the water's temperature comes from.

use std::path::{Path, PathBuf};

use reqwest::Url;
use serde::Deserialize;
use toml::Spanned;

use super::fault::Found;
use super::rescue::if_given;
use super::service::web_address;
use crate::measure::{Position, Span};

/// The shoreline's files.
#[derive(Clone, Debug, PartialEq)]
pub struct ShorelineFiles {
    /// GeoJSON files; with none, every distance from shore is unknown.
    pub files: Vec<PathBuf>,
    /// How far from the true shore the data may be, in metres.
    pub accuracy_m: f64,
}

/// How the water's temperature is found.
#[derive(Clone, Debug, PartialEq)]
pub struct Water {
    /// A reading older than this is history.
    pub stale_after: Span,
    /// Whether the nearest stations are looked for; if not, only those below are asked.
    pub nearby: bool,
    /// Stations that are asked in any case.
    pub stations: Vec<Station>,
}

/// A station that measures the water's temperature.
#[derive(Clone, Debug, PartialEq)]
pub struct Station {
    /// The service that publishes its readings.
    pub service: StationService,
    /// Its name there.
    pub id: String,
    /// Where it is.
    pub position: Position,
    /// Where the service answers, when not at its public address.
    pub url: Option<Url>,
}

/// The services whose readings can be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum StationService {
    /// The National Data Buoy Center of the United States.
    Ndbc,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct WrittenShoreline {
    files: Vec<PathBuf>,
    accuracy_m: Spanned<f64>,
}

impl Default for WrittenShoreline {
    fn default() -> Self {
        WrittenShoreline { files: Vec::new(), accuracy_m: Spanned::new(0..0, 50.0) }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Written {
    stale_after: Spanned<String>,
    nearby: bool,
    station: Vec<WrittenStation>,
}

impl Default for Written {
    fn default() -> Self {
        Written {
            stale_after: Spanned::new(0..0, "3h".to_owned()),
            nearby: true,
            station: Vec::new(),
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenStation {
    service: StationService,
    id: Spanned<String>,
    position: Spanned<String>,
    url: Option<Spanned<String>>,
}

pub(super) fn check_shoreline(
    written: WrittenShoreline,
    folder: &Path,
    found: &mut Found<'_>,
) -> Option<ShorelineFiles> {
    let accuracy_m = *written.accuracy_m.get_ref();
    if !(0.0..=10_000.0).contains(&accuracy_m) {
        let mend = "must be 0 to 10000: how far, in metres, the shoreline may be from the shore";
        found.at(written.accuracy_m.span(), mend);
        return None;
    }
    let files = written.files.into_iter().map(|file| folder.join(file)).collect();
    Some(ShorelineFiles { files, accuracy_m })
}

pub(super) fn check(written: Written, found: &mut Found<'_>) -> Option<Water> {
    let stale_after = found.parse(&written.stale_after);
    let stations: Vec<_> = written.station.iter().map(|one| station(one, found)).collect();
    Some(Water {
        stale_after: stale_after?,
        nearby: written.nearby,
        stations: stations.into_iter().collect::<Option<_>>()?,
    })
}

fn station(written: &WrittenStation, found: &mut Found<'_>) -> Option<Station> {
    let id = found.read(&written.id, station_id);
    let position = found.parse(&written.position);
    let url = written.url.as_ref().map(|url| found.read(url, web_address));
    Some(Station { service: written.service, id: id?, position: position?, url: if_given(url)? })
}

/// The name becomes a part of an address, so nothing but letters and digits passes.
fn station_id(text: &str) -> Result<String, &'static str> {
    let well_formed = text.bytes().all(|b| b.is_ascii_alphanumeric());
    if (1..=20).contains(&text.len()) && well_formed {
        return Ok(text.to_owned());
    }
    Err("is not a station's name; write its letters and digits alone, like 46088")
}
