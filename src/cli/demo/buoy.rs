//! Stands in for the service of buoy readings: answers with the invented ones of `demo-data`,
//! moved so that the newest is some minutes old.

use axum::Router;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::routing::get;
use chrono::{DateTime, NaiveDateTime, TimeDelta, Utc};
use tokio::net::TcpListener;

use super::super::exit::{Done, Exit, Failure};

const READINGS: &str = include_str!("../../../demo-data/ndbc-46088.txt");
const NEWEST_AGE: TimeDelta = TimeDelta::minutes(8);
/// How a row begins: its time in UTC.
const TIME: &str = "%Y %m %d %H %M";
const TIME_BYTES: usize = "2027 05 15 13 10".len();

/// Starts the service on a free port and answers with its address.
pub(super) async fn start() -> Done<String> {
    let cant = |error| Failure::new(Exit::Unavailable, format!("no port for the buoy: {error}"));
    let listener = TcpListener::bind("127.0.0.1:0").await.map_err(cant)?;
    let address = listener.local_addr().map_err(cant)?;
    let router = Router::new().route("/data/realtime2/{file}", get(readings));
    tokio::spawn(async move { axum::serve(listener, router).await });
    Ok(format!("http://{address}"))
}

async fn readings(Path(file): Path<String>) -> Result<String, StatusCode> {
    if file == "46088.txt" { Ok(moved(READINGS, Utc::now())) } else { Err(StatusCode::NOT_FOUND) }
}

/// The same rows, all later by so much that the first is [`NEWEST_AGE`] old.
fn moved(readings: &str, now: DateTime<Utc>) -> String {
    let time = |row: &str| NaiveDateTime::parse_from_str(row.get(..TIME_BYTES)?, TIME).ok();
    let Some(newest) = readings.lines().find_map(time) else { return readings.to_owned() };
    let later = now.naive_utc() - NEWEST_AGE - newest;
    let row = |row: &str| match time(row) {
        Some(at) => format!("{}{}\n", (at + later).format(TIME), &row[TIME_BYTES..]),
        None => format!("{row}\n"),
    };
    readings.lines().map(row).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::ndbc;

    /// The newest row of the demo's readings lacks the water; the one before it is ten minutes
    /// older and says 9.6 °C.
    #[test]
    fn the_water_is_as_old_as_it_should_be() {
        let now = Utc::now();
        let water = ndbc::read(&moved(READINGS, now)).unwrap().water_c.unwrap();
        assert_eq!(water.value, 9.6);
        assert_eq!((now - water.taken_at).num_minutes(), 18);
    }
}
