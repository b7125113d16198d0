//! Everything that was measured near a place, one value after another.

use chrono::{DateTime, Utc};
use serde::Serialize;

use super::stations::distance_m;
use super::{Answer, Observations, Observed, Received, Service, Source, Water};
use crate::measure::Position;

/// What was measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum What {
    /// Water temperature, in degrees Celsius.
    Water,
    /// Wind speed, in knots.
    Wind,
    /// Gusts, in knots.
    Gusts,
    /// Where the wind comes from, in degrees true.
    WindFrom,
    /// Significant wave height, in metres.
    Waves,
    /// Air temperature, in degrees Celsius.
    Air,
}

/// One value with all that is known of it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Measured {
    /// What was measured.
    pub what: What,
    /// The value.
    pub value: f64,
    /// The value's unit.
    pub unit: &'static str,
    /// How it was received, where the station tells.
    pub received: Option<Received>,
    /// The service that told it.
    pub service: Service,
    /// The station's name there.
    pub station: String,
    /// Metres from where it was measured to the nearest of the places asked about.
    pub distance_m: Option<f64>,
    /// When it was taken.
    pub taken_at: DateTime<Utc>,
    /// Its age in seconds; none for one ahead of our clock.
    pub age_s: i64,
    /// Whether a trip here would be judged by it.
    pub governs: bool,
    /// Why, or why not, as a clause.
    pub why: String,
}

impl What {
    /// `Water temperature`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            What::Water => "Water temperature",
            What::Wind => "Wind speed",
            What::Gusts => "Gusts",
            What::WindFrom => "Wind from",
            What::Waves => "Significant wave height",
            What::Air => "Air temperature",
        }
    }
}

/// All values of the answers: each kind by itself, the nearest station first. `water` is what was
/// chosen of the same answers.
#[must_use]
pub fn measured(
    answers: &[Answer],
    water: &Water,
    near: &[Position],
    now: DateTime<Utc>,
) -> Vec<Measured> {
    type Read = fn(&Observations) -> Option<Observed>;
    let kinds: [(What, &str, Read); 6] = [
        (What::Water, "degC", |said| said.water_c),
        (What::Wind, "kn", |said| said.wind_kn),
        (What::Gusts, "kn", |said| said.gust_kn),
        (What::WindFrom, "deg", |said| said.wind_from_deg),
        (What::Waves, "m", |said| said.waves_m),
        (What::Air, "degC", |said| said.air_c),
    ];
    let mut all = Vec::new();
    for (what, unit, read) in kinds {
        let mut of_kind: Vec<_> = answers
            .iter()
            .filter_map(|answer| {
                let said = answer.said.as_ref().ok()?;
                let Observed { value, taken_at } = read(said)?;
                let station = &answer.station;
                let (governs, why) = judged(what, &Source::Station(station.id.clone()), water);
                Some(Measured {
                    what,
                    value,
                    unit,
                    received: said.water_as.clone().filter(|_| what == What::Water),
                    service: station.service,
                    station: station.id.clone(),
                    distance_m: distance_m(said.position.unwrap_or(station.position), near),
                    taken_at,
                    age_s: (now - taken_at).num_seconds().max(0),
                    governs,
                    why,
                })
            })
            .collect();
        let away_m = |one: &Measured| one.distance_m.unwrap_or(f64::INFINITY);
        of_kind.sort_by(|a, b| away_m(a).total_cmp(&away_m(b)));
        all.append(&mut of_kind);
    }
    all
}

/// Whether the value of this source governs, and why.
fn judged(what: What, source: &Source, water: &Water) -> (bool, String) {
    let (governs, why) = match what {
        What::Water => return judged_water(source, water),
        What::Wind | What::Gusts | What::WindFrom => {
            let governs = water.wind.as_ref().is_some_and(|wind| wind.source == *source);
            (governs, if governs { "the strongest wind near" } else { "not the strongest wind" })
        }
        What::Waves => {
            let governs = water.waves.as_ref().is_some_and(|waves| waves.source == *source);
            (governs, if governs { "the highest waves near" } else { "not the highest waves" })
        }
        What::Air => (false, "shown only: no caution goes by the air"),
    };
    (governs, why.to_owned())
}

fn judged_water(source: &Source, water: &Water) -> (bool, String) {
    if let Some(aside) = water.set_aside.iter().find(|aside| aside.reading.source == *source) {
        return (false, aside.why.to_string());
    }
    let governs = water.governs.as_ref().is_some_and(|reading| reading.source == *source);
    match (&water.doubt, governs) {
        (Some(doubt), true) => (true, format!("the coldest that is fresh and near, but {doubt}")),
        (None, true) => (true, "the coldest that is fresh, near and timed".to_owned()),
        (_, false) => (false, "seen of late, so merely what is to be expected".to_owned()),
    }
}
