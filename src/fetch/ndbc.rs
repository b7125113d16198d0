//! NDBC's realtime station text: where it is, and its reader.

pub(super) use crate::conditions::ndbc::read;

use crate::conditions::Station;

/// NDBC's public address.
const HOME: &str = "https://www.ndbc.noaa.gov";

/// Where a station's text is. The service's list spells some names in lower case, and its files
/// all in upper case.
pub(super) fn url(station: &Station) -> Result<String, String> {
    if station.id.is_empty() || !station.id.bytes().all(|byte| byte.is_ascii_alphanumeric()) {
        return Err("was not asked: its name has something else than letters and digits".to_owned());
    }
    let home = station.url.as_deref().unwrap_or(HOME).trim_end_matches('/');
    Ok(format!("{home}/data/realtime2/{}.txt", station.id.to_ascii_uppercase()))
}
