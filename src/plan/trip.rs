//! The places, the craft, the gear and what the crew has read of the day.

use chrono::{DateTime, Utc};
use serde::Serialize;

use crate::measure::{Position, Span};

/// How fast the crew means to paddle.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Pace {
    /// Speed through the water, in knots.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub speed_kn: Option<f64>,
}

impl Pace {
    pub(super) fn is_unsaid(&self) -> bool {
        *self == Pace::default()
    }
}

/// Where the trip starts.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Launch {
    /// What the place is called.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Where it is.
    pub position: Position,
    /// The vehicle left there: make, colour, plate, where it stands.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vehicle: Option<String>,
}

/// A corner of the route.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Waypoint {
    /// What the place is called.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Where it is.
    pub position: Position,
    /// How long the crew means to stay there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stay: Option<Span>,
}

/// Where the trip ends, when that is not the launch.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Landing {
    /// What the place is called.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Where it is.
    pub position: Position,
}

/// One craft.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Craft {
    /// The name on it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// What it is: sit-on-top kayak, canoe, paddleboard.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kind: Option<String>,
    /// Length over all, in metres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub length_m: Option<f64>,
    /// What a searcher will see: hull, deck, paddle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub colours: Option<String>,
    /// What is written on it, and reflective tape.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub marks: Option<String>,
}

/// What the crew carries to call with and to be found with.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Gear {
    /// VHF radio, in the crew's words; `None` when nothing was said.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vhf: Option<String>,
    /// The radio's nine-digit maritime identity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mmsi: Option<String>,
    /// The 406 MHz beacon's identity: 15 hexadecimal digits, or 23 of a second-generation one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub beacon: Option<String>,
    /// Distress signals that can be seen at night.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub night_signals: Option<bool>,
    /// A white light ready at hand.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub light: Option<bool>,
    /// A whistle or horn.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sound_signal: Option<bool>,
    /// Everything else that helps.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub notes: Option<String>,
}

impl Gear {
    pub(super) fn is_unsaid(&self) -> bool {
        *self == Gear::default()
    }
}

/// What the crew has itself measured or read of the day.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Stated {
    /// Water temperature in degrees Celsius.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub water_c: Option<f64>,
    /// Air temperature in degrees Celsius.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub air_c: Option<f64>,
    /// Wind speed in knots.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wind_kn: Option<f64>,
    /// The direction the wind comes from, in degrees true.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wind_from_deg: Option<f64>,
    /// When that was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub taken_at: Option<DateTime<Utc>>,
}
