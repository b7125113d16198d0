//! NOAA CO-OPS: the water temperature and the wind of the last hours, asked for at once.

use super::get::{Getter, Question, Reply};
use super::{Homes, home};
use crate::conditions::coops::{CoopsError, read_water, read_wind};
use crate::conditions::{Observations, Station};

/// Its public address.
const HOME: &str = "https://api.tidesandcurrents.noaa.gov";
/// Stations report every six minutes.
const FRESH_S: u64 = 360;

pub(super) async fn ask(
    getter: &Getter,
    homes: &Homes,
    station: &Station,
) -> Result<Observations, String> {
    if station.id.len() != 7 || !station.id.bytes().all(|byte| byte.is_ascii_digit()) {
        return Err("was not asked: a tide station's name has seven digits".to_owned());
    }
    let home = home(station.url.as_deref(), homes.coops.as_deref(), HOME);
    let url = |product: &str| {
        format!(
            "{home}/api/prod/datagetter?station={}&product={product}&range=6&units=metric\
             &time_zone=gmt&format=json&application=shorelamp",
            station.id
        )
    };
    let (water, wind) = (url("water_temperature"), url("wind"));
    let asked = |url| {
        getter.reply(Question { url, accept: "application/json", fresh_s: FRESH_S, again: false })
    };
    let (water, wind) = tokio::join!(asked(&water), asked(&wind));
    match tokio::join!(said(getter, water, read_water), said(getter, wind, read_wind)) {
        (Ok(water), Ok(wind)) => Ok(Observations {
            water_c: water.water_c,
            water_as: water.water_as,
            kept: water.kept.or(wind.kept.clone()),
            ..wind
        }),
        (Ok(one), Err(_)) | (Err(_), Ok(one)) => Ok(one),
        (Err(why), Err(_)) => Err(why),
    }
}

/// Errors come with any status; an answer without an error and with another status is no answer.
async fn said(
    getter: &Getter,
    reply: Result<Reply, String>,
    read: fn(&str) -> Result<Observations, CoopsError>,
) -> Result<Observations, String> {
    let reply = reply?;
    match getter.read(reply.text, read).await? {
        Ok(said) if reply.status.is_success() => Ok(Observations { kept: reply.kept, ..said }),
        Ok(_) | Err(CoopsError::NotJson) if !reply.status.is_success() => {
            Err(format!("answered `{}`", reply.status))
        }
        Ok(said) => Ok(said),
        Err(error) => Err(format!("gave no reading: {error}")),
    }
}
