//! A patch of an ERDDAP grid around a place: the newest time of it.

use super::get::{Getter, Question};
use super::{Homes, home};
use crate::conditions::erddap::{ErddapError, read};
use crate::conditions::{Observations, Station};

/// The Great Lakes' surface temperature, at NOAA's laboratory there.
const HOME: &str = "https://apps.glerl.noaa.gov/erddap";
/// Grids of the surface come once a day.
const FRESH_S: u64 = 3600;
/// What a grid of the surface's temperature calls it.
const VARIABLE: &str = "sst";
/// Half the patch's side, in degrees: some four kilometres, past the masked pixels of a coast.
const HALF_DEG: f64 = 0.04;

pub(super) async fn ask(
    getter: &Getter,
    homes: &Homes,
    station: &Station,
) -> Result<Observations, String> {
    let is_name = |byte: u8| byte.is_ascii_alphanumeric() || byte == b'_';
    if station.id.is_empty() || !station.id.bytes().all(is_name) {
        return Err("was not asked: a grid's name has letters, digits and `_` only".to_owned());
    }
    let home = home(station.url.as_deref(), homes.erddap.as_deref(), HOME);
    let (lat, lon) = (span(station.position.lat_deg()), span(station.position.lon_deg()));
    let url = format!("{home}/griddap/{}.json?{VARIABLE}%5B(last)%5D{lat}{lon}", station.id);
    let question =
        Question { url: &url, accept: "application/json", fresh_s: FRESH_S, again: false };
    let reply = getter.reply(question).await?;
    let ok = reply.status.is_success();
    let near = station.position;
    match getter.read(reply.text, move |text| read(text, VARIABLE, near)).await? {
        Ok(said) if ok => Ok(Observations { kept: reply.kept, ..said }),
        Ok(_) | Err(ErddapError::NotJson) if !ok => Err(format!("answered `{}`", reply.status)),
        Ok(said) => Ok(said),
        Err(error) => Err(format!("gave no reading: {error}")),
    }
}

/// `[(48.46):(48.54)]`, with its brackets escaped.
fn span(middle_deg: f64) -> String {
    format!("%5B({:.3}):({:.3})%5D", middle_deg - HALF_DEG, middle_deg + HALF_DEG)
}
