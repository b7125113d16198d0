//! What the water is: reads what observation services and the crew say of it, and chooses the
//! reading by which the trip is judged.
//!
//! A new format is a file beside [`ndbc`]: text in, [`Observations`] out.

mod choose;
pub mod ndbc;
mod water;

pub use choose::{Trust, choose};
pub use water::{Kind, Reading, SetAside, Silence, Water, Why};

use chrono::{DateTime, Utc};

use crate::measure::Position;

/// A station of an observation service.
#[derive(Clone, Debug, PartialEq)]
pub struct Station {
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

/// The newest of what a station has measured; each value with a time of its own.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Observations {
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
}
