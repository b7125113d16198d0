//! What the water is: reads what observation services and the crew say of it, and chooses the
//! reading by which the trip is judged.
//!
//! A new format is a file beside [`ndbc`]: text in, [`Observations`] out. A reader looks at each part of
//! a text once, however long it is, and shows no words of a service but those in [`vouched`].

mod choose;
pub mod coops;
pub mod erddap;
mod expected;
pub mod forecast;
mod measured;
pub mod ndbc;
pub mod nws;
mod sea;
mod source;
pub mod stations;
mod upwelling;
mod vouched;
mod water;
mod weather;

pub use choose::{Trust, choose};
pub use expected::{Expected, PLUS_MINUS_C, Table, expected};
pub use forecast::{Forecast, Hours};
pub use measured::{Measured, What, measured};
pub use sea::height_on_fetch_m;
pub use source::Source;
pub use upwelling::{Upwelling, offshore_kn};
pub use water::{Kind, Reading, SetAside, Silence, Water, Why};
pub use weather::{Waves, Wind};

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::measure::{Position, fahrenheit_to_celsius};

/// A service that publishes what its stations observe.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Service {
    /// The National Data Buoy Center of the United States.
    #[default]
    Ndbc,
    /// The tide stations of the United States (NOAA CO-OPS).
    Coops,
    /// A grid of an ERDDAP server: the surface as satellites see it.
    Erddap,
}

impl Service {
    /// `NDBC`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Service::Ndbc => "NDBC",
            Service::Coops => "NOAA CO-OPS",
            Service::Erddap => "ERDDAP grid",
        }
    }
}

/// A station of an observation service.
#[derive(Clone, Debug, PartialEq)]
pub struct Station {
    /// The service that publishes its readings.
    pub service: Service,
    /// Its name at the service; letter case does not count.
    pub id: String,
    /// Where it measures.
    pub position: Position,
    /// Where the service answers, when that is not its public address.
    pub url: Option<String>,
}

/// What a station answered, or why it did not, as the end of a sentence that begins with its name.
#[derive(Clone, Debug, PartialEq)]
pub struct Answer {
    /// Who was asked.
    pub station: Station,
    /// What it said.
    pub said: Result<Observations, String>,
}

/// A value and when it was taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observed {
    /// The value, in the unit that its field names.
    pub value: f64,
    /// When it was taken.
    pub taken_at: DateTime<Utc>,
}

/// The wind at one time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WindRow {
    /// When it was taken.
    pub taken_at: DateTime<Utc>,
    /// Its speed in knots.
    pub speed_kn: f64,
    /// Where it comes from, in degrees true.
    pub from_deg: f64,
}

/// A water temperature as the service wrote it, and where in the water it is from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Received {
    /// The number as it was written.
    pub value: f64,
    /// Its unit as it was written, or as it was asked for.
    pub unit: String,
    /// Metres below the surface, where the service tells.
    pub depth_m: Option<f64>,
    /// What measures, and how deep that is as a rule.
    pub by: String,
}

impl Received {
    /// `received as 291.23 kelvin, the surface as satellites see it`.
    #[must_use]
    pub fn told(&self) -> String {
        let depth = self.depth_m.map_or(String::new(), |m| format!(", {m} m below the surface"));
        format!("received as {} {}, {}{depth}", self.value, self.unit, self.by)
    }
}

/// The newest of what a station has measured; each value with a time of its own.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Observations {
    /// Where it was measured, if that is not at the station: the nearest water of a grid.
    pub position: Option<Position>,
    /// Water temperature at the sensor, near the surface, in degrees Celsius.
    pub water_c: Option<Observed>,
    /// Air temperature in degrees Celsius.
    pub air_c: Option<Observed>,
    /// Wind speed in knots.
    pub wind_kn: Option<Observed>,
    /// Gusts in knots.
    pub gust_kn: Option<Observed>,
    /// Where the wind comes from, in degrees true.
    pub wind_from_deg: Option<Observed>,
    /// Significant wave height in metres.
    pub waves_m: Option<Observed>,
    /// The wind of the hours before the newest row, newest first.
    pub winds: Vec<WindRow>,
    /// How the water temperature was received.
    pub water_as: Option<Received>,
    /// Why this is what the station said earlier, as the end of a sentence that begins with its
    /// name.
    pub kept: Option<String>,
}

/// What turns a number of this unit, as services spell it, into degrees Celsius; `None` for a unit
/// that is not known here.
fn in_celsius(unit: &str) -> Option<fn(f64) -> f64> {
    match unit.trim().to_ascii_lowercase().replace('_', " ").as_str() {
        "degree c" | "degrees c" | "degc" | "deg c" | "celsius" | "degree celsius"
        | "degrees celsius" | "c" => Some(|c| c),
        "kelvin" | "k" | "degree k" | "degrees k" => Some(|kelvin| kelvin - 273.15),
        "degree f" | "degrees f" | "degf" | "fahrenheit" => Some(fahrenheit_to_celsius),
        _ => None,
    }
}

/// A number, if the planet's surface can have shown it; else a sentinel or a wrong unit.
fn plausible(value: f64, range: &std::ops::RangeInclusive<f64>) -> Option<f64> {
    range.contains(&value).then_some(value)
}

/// Water temperatures in degrees Celsius that a sensor in open water can show.
const WATER_C: std::ops::RangeInclusive<f64> = -2.5..=40.0;
/// Wind speeds in knots: the strongest gust ever measured at sea level was 220.
const WIND_KN: std::ops::RangeInclusive<f64> = 0.0..=220.0;
