//! NDBC's realtime station text and list of stations: where they are, and their readers.

use super::get::{Getter, Question};
use super::{Homes, home};
use crate::conditions::{Observations, Station, ndbc, stations};
use crate::measure::Position;

/// NDBC's public address.
const HOME: &str = "https://www.ndbc.noaa.gov";
/// Most buoys report every ten minutes or half an hour.
const FRESH_S: u64 = 300;
const LIST_FRESH_S: u64 = 86_400;

/// Where a station's text is. The service's list spells some names in lower case, and its files
/// all in upper case.
pub(super) async fn ask(
    getter: &Getter,
    homes: &Homes,
    station: &Station,
) -> Result<Observations, String> {
    if !ndbc::is_id(&station.id) {
        return Err("was not asked: its name has something else than letters and digits".to_owned());
    }
    let home = home(station.url.as_deref(), homes.ndbc.as_deref(), HOME);
    let url = format!("{home}/data/realtime2/{}.txt", station.id.to_ascii_uppercase());
    let question = Question { url: &url, accept: "text/plain", fresh_s: FRESH_S, again: false };
    let reply = getter.text(question).await?;
    let said = getter.read(reply.text, ndbc::read).await?;
    let said = said.map_err(|error| format!("can't be used: {error}"))?;
    Ok(Observations { kept: reply.kept, ..said })
}

/// The nearest stations of the list, which is asked for once a day.
pub(super) async fn nearest(
    getter: &Getter,
    homes: &Homes,
    route: &[Position],
    within_m: f64,
    most: usize,
) -> Result<Vec<Station>, String> {
    let url = format!("{}/activestations.xml", home(None, homes.ndbc.as_deref(), HOME));
    let question =
        Question { url: &url, accept: "application/xml", fresh_s: LIST_FRESH_S, again: false };
    let reply = getter.text(question).await?;
    let route = route.to_vec();
    let nearest = move |text: &str| {
        stations::read(text).map(|all| stations::nearest(&all, &route, within_m, most))
    };
    let nearest = getter.read(reply.text, nearest).await?;
    nearest.map_err(|error| format!("can't be used: {error}"))
}
