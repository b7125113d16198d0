//! Where the shore is, and where the water's temperature comes from.

use std::path::{Path, PathBuf};

use reqwest::Url;
use serde::Deserialize;
use toml::Spanned;

use super::fault::Found;
use super::rescue::{WrittenArea, area, if_given};
use super::service::{line, web_address};
pub use crate::conditions::Service as StationService;
use crate::conditions::{PLUS_MINUS_C, Table};
use crate::letter::Area;
use crate::measure::{Position, Span};

/// The shoreline's files.
#[derive(Clone, Debug, PartialEq)]
pub struct ShorelineFiles {
    /// GeoJSON files and packs of shoreline; with none, every distance from shore is unknown.
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
    /// Whether warnings in force and the coming wind are asked for, where there is a service that
    /// tells them.
    pub warnings: bool,
    /// Where the services answer, when not at their public addresses.
    pub services: Services,
    /// The keeper's own tables of what lakes and bays are like.
    pub expected: Vec<Table>,
}

/// Where the services answer, when not at their public addresses.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Services {
    /// NDBC's.
    pub ndbc: Option<Url>,
    /// NOAA CO-OPS'.
    pub coops: Option<Url>,
    /// An ERDDAP server's, with its path.
    pub erddap: Option<Url>,
    /// The United States' weather service's.
    pub nws: Option<Url>,
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
    warnings: Option<bool>,
    services: WrittenServices,
    expected: Vec<WrittenTable>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct WrittenServices {
    ndbc: Option<Spanned<String>>,
    coops: Option<Spanned<String>>,
    erddap: Option<Spanned<String>>,
    nws: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenTable {
    name: Spanned<String>,
    within: WrittenArea,
    monthly_c: Spanned<Vec<f64>>,
    plus_minus_c: Option<Spanned<f64>>,
}

impl Default for Written {
    fn default() -> Self {
        Written {
            stale_after: Spanned::new(0..0, "3h".to_owned()),
            nearby: true,
            station: Vec::new(),
            warnings: None,
            services: WrittenServices::default(),
            expected: Vec::new(),
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
    let tables: Vec<_> = written.expected.iter().map(|one| table(one, found)).collect();
    let services = services(&written.services, found);
    Some(Water {
        stale_after: stale_after?,
        nearby: written.nearby,
        stations: stations.into_iter().collect::<Option<_>>()?,
        // Who wants no services looked for wants this one neither, unless told.
        warnings: written.warnings.unwrap_or(written.nearby),
        services: services?,
        expected: tables.into_iter().collect::<Option<_>>()?,
    })
}

fn services(written: &WrittenServices, found: &mut Found<'_>) -> Option<Services> {
    let mut address = |written: &Option<Spanned<String>>| {
        if_given(written.as_ref().map(|url| found.read_address(url, web_address)))
    };
    let (ndbc, coops) = (address(&written.ndbc), address(&written.coops));
    let (erddap, nws) = (address(&written.erddap), address(&written.nws));
    Some(Services { ndbc: ndbc?, coops: coops?, erddap: erddap?, nws: nws? })
}

fn table(written: &WrittenTable, found: &mut Found<'_>) -> Option<Table> {
    let name = found.read(&written.name, line);
    let area = area(&written.within, found);
    let can_be_water = |c: &f64| (-2.5..=40.0).contains(c);
    let monthly_c = <[f64; 12]>::try_from(written.monthly_c.get_ref().as_slice())
        .ok()
        .filter(|monthly_c| monthly_c.iter().all(can_be_water));
    if monthly_c.is_none() {
        let mend = "must be twelve temperatures of water in degrees Celsius, January first";
        found.at(written.monthly_c.span(), mend);
    }
    let plus_minus = written.plus_minus_c.as_ref();
    let plus_minus_c = plus_minus.map_or(PLUS_MINUS_C, |written| *written.get_ref());
    if let Some(written) = plus_minus.filter(|_| !(0.0..=15.0).contains(&plus_minus_c)) {
        let mend = "must be 0 to 15: how far, in degrees Celsius, the water may be from the table";
        found.at(written.span(), mend);
        return None;
    }
    let Area { position, radius_m } = area?;
    Some(Table { name: name?, position, radius_m, monthly_c: monthly_c?, plus_minus_c })
}

fn station(written: &WrittenStation, found: &mut Found<'_>) -> Option<Station> {
    let is_id = match written.service {
        StationService::Ndbc => station_id,
        StationService::Coops => tide_station_id,
        StationService::Erddap => grid_id,
    };
    let id = found.read(&written.id, is_id);
    let position = found.parse(&written.position);
    let url = written.url.as_ref().map(|url| found.read_address(url, web_address));
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

fn tide_station_id(text: &str) -> Result<String, &'static str> {
    if text.len() == 7 && text.bytes().all(|b| b.is_ascii_digit()) {
        return Ok(text.to_owned());
    }
    Err("is not a tide station's name; write its seven digits, like 9449880")
}

fn grid_id(text: &str) -> Result<String, &'static str> {
    let well_formed = text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_');
    if (1..=60).contains(&text.len()) && well_formed {
        return Ok(text.to_owned());
    }
    Err("is not a grid's name; write its letters, digits and `_` alone, like GLSEA_ACSPO_GCS")
}
