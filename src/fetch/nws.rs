//! The United States' weather service: what it warns of at a place and in its zones.

use std::time::Duration;

use super::get::{Getter, Question, late};
use super::{Homes, home};
use crate::conditions::nws::{Alert, Warnings, merged, read_alerts, read_zones};
use crate::measure::Position;

/// Its public address.
const HOME: &str = "https://api.weather.gov";
const ACCEPT: &str = "application/geo+json";
/// The zones of a place hardly change.
const ZONES_FRESH_S: u64 = 7 * 86_400;
/// Alerts are not asked for more often: our own manners.
const ALERTS_FRESH_S: u64 = 60;

/// What is in force at a place, asked by the place and by each of its zones, within the time.
pub(super) async fn warnings(
    getter: &Getter,
    homes: &Homes,
    at: Position,
    within: Duration,
) -> Warnings {
    let home = home(None, homes.nws.as_deref(), HOME);
    let place = place(at);
    let by_place = alerts(getter, format!("{home}/alerts/active?point={place}"));
    let by_zone = of_zones(getter, home, &place);
    let both = async { tokio::join!(by_place, by_zone) };
    let Ok((by_place, by_zone)) = tokio::time::timeout(within, both).await else {
        return Warnings { asked: true, alerts: Vec::new(), silent: Some(late(within)) };
    };
    let (mut lists, mut silent) = (Vec::new(), None);
    for answer in [by_place, by_zone] {
        let (alerts, why) = answer.unwrap_or_else(|why| (Vec::new(), Some(why)));
        lists.push(alerts);
        silent = silent.or(why);
    }
    Warnings { asked: true, alerts: merged(lists), silent }
}

/// The alerts, and why there may be more.
type Said = (Vec<Alert>, Option<String>);

async fn of_zones(getter: &Getter, home: &str, place: &str) -> Result<Said, String> {
    let url = format!("{home}/points/{place}");
    let question = Question { url: &url, accept: ACCEPT, fresh_s: ZONES_FRESH_S };
    let reply = getter.reply(question).await?;
    let zones = match read_zones(&reply.text) {
        Ok(zones) if reply.status.is_success() => zones,
        Ok(_) => return Err(format!("answered `{}`", reply.status)),
        Err(error) => return Err(format!("gave no zones: {error}")),
    };
    match zones.join(",") {
        none if none.is_empty() => Err("has no zones at this place".to_owned()),
        zones => alerts(getter, format!("{home}/alerts/active?zone={zones}")).await,
    }
}

async fn alerts(getter: &Getter, url: String) -> Result<Said, String> {
    let question = Question { url: &url, accept: ACCEPT, fresh_s: ALERTS_FRESH_S };
    let reply = getter.reply(question).await?;
    let read = read_alerts(&reply.text).map_err(|error| format!("gave no warnings: {error}"))?;
    if !reply.status.is_success() {
        return Err(format!("answered `{}`", reply.status));
    }
    Ok((read, reply.kept))
}

/// A hundredth of a degree tells the zone and not the ramp. Zeros at the end are not welcome there.
fn place(at: Position) -> String {
    let short = |deg: f64| {
        let text = format!("{:.2}", deg + 0.0);
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    };
    format!("{},{}", short(at.lat_deg()), short(at.lon_deg()))
}
