//! What is done with an input of each kind: it is refused, or what it says can be believed.
//! `tests/fuzz_readings.rs` does the same with what is kept in the corpus.

use super::caution::Limits;
use super::conditions::{Observations, coops, erddap, forecast, ndbc, nws, stations};
use super::measure::Position;

/// A station's text, as NDBC or whoever answers in its place writes it.
pub fn ndbc(data: &[u8]) {
    if let Ok(said) = ndbc::read(&String::from_utf8_lossy(data)) {
        believable(&said);
    }
}

/// The list of stations, and the nearest of them.
pub fn stations(data: &[u8]) {
    let route: Vec<_> = [(0.0, 180.0), (48.5, -123.1)].iter().flat_map(|at| place(*at)).collect();
    if let Ok(all) = stations::read(&String::from_utf8_lossy(data)) {
        let near = stations::nearest(&all, &route, 1e8, 4);
        assert!(near.len() <= 4 && near.iter().all(|one| ndbc::is_id(&one.id)));
    }
}

/// Both products of a tide station.
pub fn coops(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    for said in [coops::read_water(&text), coops::read_wind(&text)].iter().flatten() {
        believable(said);
    }
}

/// A patch of a grid.
pub fn erddap(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    for near in [(48.5, -180.0), (44.459, -87.509)].iter().flat_map(|at| place(*at)) {
        if let Ok(said) = erddap::read(&text, "sst", near) {
            believable(&said);
        }
    }
}

/// Zones, alerts, cells and forecasts of the weather service.
pub fn nws(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    for zone in nws::read_zones(&text).iter().flatten() {
        assert!(zone.bytes().all(|byte| byte.is_ascii_alphanumeric()), "part of an address");
    }
    if let Ok(Some(grid)) = forecast::read_grid(&text) {
        assert!(!grid.path().contains("..") && grid.path().is_ascii(), "part of an address");
    }
    if let Ok(alerts) = nws::read_alerts(&text) {
        let twice = nws::merged(vec![alerts.list.clone(), alerts.list]);
        assert!(twice.len() <= 400);
        for alert in twice {
            let is_plain = |c: char| c.is_ascii_alphanumeric() || " -'".contains(c);
            assert!(alert.event.len() <= 80 && alert.event.chars().all(is_plain), "{alert:?}");
            assert!(alert.id.len() <= 200 && alert.severity.len() <= 8, "{alert:?}");
        }
    }
    for wind in forecast::read_hours(&text).iter().flatten() {
        assert!((0.0..=220.0).contains(&wind.strongest_kn()), "{wind:?}");
    }
}

/// A keeper's file of limits.
pub fn cautions(data: &[u8]) {
    match Limits::read(&String::from_utf8_lossy(data)) {
        Ok(limits) => {
            assert!(limits.cold_water.danger_c <= limits.cold_water.warning_c);
            assert!(limits.cold_water.warning_c <= limits.cold_water.caution_c);
            assert!(limits.wind.caution_kn <= limits.wind.danger_kn);
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}

/// No number beyond what the planet's surface has shown.
pub fn believable(said: &Observations) {
    let within = |what: Option<f64>, least: f64, most: f64| {
        assert!(what.is_none_or(|value| (least..=most).contains(&value)), "{said:?}");
    };
    within(said.water_c.map(|one| one.value), -2.5, 40.0);
    within(said.wind_kn.map(|one| one.value), 0.0, 220.0);
    within(said.gust_kn.map(|one| one.value), 0.0, 220.0);
    within(said.wind_from_deg.map(|one| one.value), 0.0, 360.0);
    within(said.waves_m.map(|one| one.value), 0.0, 35.0);
    for wind in &said.winds {
        within(Some(wind.speed_kn), 0.0, 220.0);
        within(Some(wind.from_deg), 0.0, 360.0);
    }
}

fn place((lat_deg, lon_deg): (f64, f64)) -> Option<Position> {
    Position::new(lat_deg, lon_deg).ok()
}
