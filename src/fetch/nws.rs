//! The United States' weather service: what it warns of at a place and in its zones,
//! and the wind that it forecasts.

use std::time::Duration;

use super::get::{Getter, Question};
use super::{Homes, home, in_time};
use crate::conditions::forecast::{Grid, read_grid, read_hours};
use crate::conditions::nws::{Alert, NwsError, Warnings, merged, read_alerts, read_zones};
use crate::conditions::{Forecast, Wind};
use crate::measure::Position;

/// Its public address.
const HOME: &str = "https://api.weather.gov";
const ACCEPT: &str = "application/geo+json";
/// The zones of a place hardly change.
const ZONES_FRESH_S: u64 = 7 * 86_400;
/// Alerts are not asked for more often: our own manners.
const ALERTS_FRESH_S: u64 = 60;
/// Forecasts are made a few times a day and mended every hour.
const FORECAST_FRESH_S: u64 = 1800;

/// What is in force at a place, asked by the place and by each of its zones, and the wind that is
/// forecast for it, within the time.
pub(super) async fn told(
    getter: &Getter,
    homes: &Homes,
    at: Position,
    within: Duration,
) -> (Warnings, Forecast) {
    let home = home(None, homes.nws.as_deref(), HOME);
    let place = place(at);
    let by_place = in_time(within, alerts(getter, format!("{home}/alerts/active?point={place}")));
    let by_cell = of_cell(getter, home, &place, within);
    let (by_place, (by_zone, hours)) = tokio::join!(by_place, by_cell);
    let (mut lists, mut silent) = (Vec::new(), None);
    for answer in [by_place, by_zone] {
        let (alerts, why) = answer.unwrap_or_else(|why| (Vec::new(), Some(why)));
        lists.push(alerts);
        silent = silent.or(why);
    }
    let warnings = Warnings { asked: true, alerts: merged(lists), silent };
    let (hours, silent) = hours.unwrap_or_else(|why| (Vec::new(), Some(why)));
    (warnings, Forecast { asked: true, hours, silent })
}

/// What was read, and why there may be more or later.
type Said<T> = Result<(Vec<T>, Option<String>), String>;

/// The alerts of a place's zones and the wind of its cell; both hang on the place's own answer.
async fn of_cell(
    getter: &Getter,
    home: &str,
    place: &str,
    within: Duration,
) -> (Said<Alert>, Said<Wind>) {
    let both = async {
        let url = format!("{home}/points/{place}");
        let question = Question { url: &url, accept: ACCEPT, fresh_s: ZONES_FRESH_S, again: true };
        let place = getter.reply(question).await?;
        let (status, text) = (place.status, place.text);
        let both = |text: &str| (read_zones(text), read_grid(text));
        let (zones, grid) = getter.read(text, both).await?;
        if !status.is_success() {
            let refused = zones.err().filter(|error| *error != NwsError::NotJson);
            return Err(match refused {
                Some(error) => format!("gave no zones: {error}"),
                None => format!("answered `{status}`"),
            });
        }
        Ok(tokio::join!(of_zones(getter, home, zones), of_grid(getter, home, grid)))
    };
    in_time(within, both).await.unwrap_or_else(|why| (Err(why.clone()), Err(why)))
}

async fn of_zones(
    getter: &Getter,
    home: &str,
    zones: Result<Vec<String>, NwsError>,
) -> Said<Alert> {
    match zones.map_err(|error| format!("gave no zones: {error}"))?.join(",") {
        none if none.is_empty() => Err("has no zones at this place".to_owned()),
        zones => alerts(getter, format!("{home}/alerts/active?zone={zones}")).await,
    }
}

async fn of_grid(getter: &Getter, home: &str, grid: Result<Option<Grid>, NwsError>) -> Said<Wind> {
    let grid = grid.map_err(|error| format!("gave no forecast: {error}"))?;
    let grid = grid.ok_or("has no forecast for this place")?;
    let url = format!("{home}{}", grid.path());
    let question = Question { url: &url, accept: ACCEPT, fresh_s: FORECAST_FRESH_S, again: true };
    let reply = getter.reply(question).await?;
    match getter.read(reply.text, read_hours).await? {
        Ok(hours) if reply.status.is_success() => Ok((hours, reply.kept)),
        Err(error) if error != NwsError::NotJson => Err(format!("gave no forecast: {error}")),
        Err(error) if reply.status.is_success() => Err(format!("gave no forecast: {error}")),
        _ => Err(format!("answered `{}`", reply.status)),
    }
}

async fn alerts(getter: &Getter, url: String) -> Said<Alert> {
    let question = Question { url: &url, accept: ACCEPT, fresh_s: ALERTS_FRESH_S, again: true };
    let reply = getter.reply(question).await?;
    let read = getter.read(reply.text, read_alerts).await?;
    let read = read.map_err(|error| format!("gave no warnings: {error}"))?;
    if !reply.status.is_success() {
        return Err(format!("answered `{}`", reply.status));
    }
    let whole = || "names more warnings than are read: there are others in force".to_owned();
    Ok((read.list, reply.kept.or(read.more.then(whole))))
}

/// A hundredth of a degree tells the zone and not the ramp. Zeros at the end are not welcome there.
fn place(at: Position) -> String {
    let short = |deg: f64| {
        let text = format!("{:.2}", deg + 0.0);
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    };
    format!("{},{}", short(at.lat_deg()), short(at.lon_deg()))
}
