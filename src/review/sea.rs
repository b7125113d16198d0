//! The sea that the wind can raise on a route: its open water upwind, leg by leg.

use std::collections::BTreeMap;

use crate::caution::Sea;
use crate::conditions::{Wind, height_on_fetch_m};
use crate::measure::Position;
use crate::shoreline::{self, Shorelines};

/// So far is looked for land upwind, in metres. On longer water a sea takes half a day to grow.
const LOOK_M: f64 = 100_000.0;
/// Winds from within so many degrees count as from one direction.
const SECTOR_DEG: f64 = 10.0;
/// Each leg is looked at from its beginning, middle and end.
const PARTS: u32 = 2;
/// At most so many places of a route are looked from.
const MOST_PLACES: usize = 30;

/// The highest sea of these winds on the legs; each leg with what its end is called. `None` where
/// no wind can raise `least_m`, or no shoreline has the water.
pub(super) fn raised<'a>(
    shorelines: &Shorelines,
    legs: &[(String, shoreline::Leg)],
    winds: impl Iterator<Item = &'a Wind>,
    least_m: f64,
) -> Option<Sea> {
    let places = places(legs);
    let seas = strongest(winds, least_m).into_iter().flat_map(|(from_deg, wind)| {
        places.iter().filter_map(move |(to, at)| sea(shorelines, to, *at, from_deg, wind))
    });
    seas.max_by(|a, b| a.height_m.total_cmp(&b.height_m))
}

/// The strongest wind of each direction that could raise so high a sea on any water. One of
/// unknown direction may come from anywhere.
fn strongest<'a>(winds: impl Iterator<Item = &'a Wind>, least_m: f64) -> Vec<(f64, &'a Wind)> {
    let mut strongest = BTreeMap::new();
    for wind in winds.filter(|wind| height_on_fetch_m(wind.speed_kn, LOOK_M) >= least_m) {
        let anywhere = (0..8).map(|eighth| 45.0 * f64::from(eighth));
        let from: Vec<f64> = wind.from_deg.map_or_else(|| anywhere.collect(), |deg| vec![deg]);
        for from_deg in from {
            // A few dozen sectors.
            let sector = (from_deg / SECTOR_DEG).round() as i64;
            let known = strongest.entry(sector).or_insert((from_deg, wind));
            if wind.speed_kn > known.1.speed_kn {
                *known = (from_deg, wind);
            }
        }
    }
    strongest.into_values().collect()
}

fn places(legs: &[(String, shoreline::Leg)]) -> Vec<(&str, Position)> {
    let all: Vec<_> = legs
        .iter()
        .flat_map(|(to, leg)| {
            let way = shoreline::Route::through(&[leg.from, leg.to]);
            let part_m = leg.length_m / f64::from(PARTS);
            (0..=PARTS).filter_map(move |part| {
                Some((to.as_str(), way.position_at(part_m * f64::from(part))?))
            })
        })
        .collect();
    let step = all.len().div_ceil(MOST_PLACES).max(1);
    all.into_iter().step_by(step).collect()
}

fn sea(shorelines: &Shorelines, to: &str, at: Position, from_deg: f64, wind: &Wind) -> Option<Sea> {
    let fetch = shoreline::fetch(shorelines, at, from_deg, LOOK_M)?;
    let fetch_m = fetch.at_most_m.unwrap_or(fetch.looked_m);
    Some(Sea {
        height_m: height_on_fetch_m(wind.speed_kn, fetch_m),
        wind: wind.clone(),
        fetch_m,
        is_longer: fetch.at_most_m.is_none(),
        to: to.to_owned(),
    })
}
