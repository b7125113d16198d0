//! Limits of what the day does: wind, waves, water that turns over, help that takes its time.

use serde::Deserialize;

use super::read::{difference, hours, knots, metres, minutes};
use crate::conditions::Upwelling;

/// When wind is much: from these on, in knots.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct WindLimits {
    /// A mean wind that is a caution.
    #[serde(deserialize_with = "knots")]
    pub caution_kn: f64,
    /// A warning.
    #[serde(deserialize_with = "knots")]
    pub warning_kn: f64,
    /// A danger.
    #[serde(deserialize_with = "knots")]
    pub danger_kn: f64,
    /// Gusts count as a mean wind that is weaker by so much.
    #[serde(deserialize_with = "knots")]
    pub gust_over_kn: f64,
    /// A component off the shore that is a caution.
    #[serde(deserialize_with = "knots")]
    pub offshore_caution_kn: f64,
    /// A warning.
    #[serde(deserialize_with = "knots")]
    pub offshore_warning_kn: f64,
    /// A danger.
    #[serde(deserialize_with = "knots")]
    pub offshore_danger_kn: f64,
    /// A component against the way home that is a caution.
    #[serde(deserialize_with = "knots")]
    pub head_caution_kn: f64,
    /// A warning.
    #[serde(deserialize_with = "knots")]
    pub head_warning_kn: f64,
    /// A danger.
    #[serde(deserialize_with = "knots")]
    pub head_danger_kn: f64,
}

impl Default for WindLimits {
    fn default() -> Self {
        WindLimits {
            caution_kn: 11.0,
            warning_kn: 17.0,
            danger_kn: 22.0,
            gust_over_kn: 5.0,
            offshore_caution_kn: 4.0,
            offshore_warning_kn: 11.0,
            offshore_danger_kn: 17.0,
            head_caution_kn: 7.0,
            head_warning_kn: 11.0,
            head_danger_kn: 22.0,
        }
    }
}

/// When waves are high: from these on, in metres of significant height.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct WaveLimits {
    /// A caution.
    #[serde(deserialize_with = "metres")]
    pub caution_m: f64,
    /// A warning.
    #[serde(deserialize_with = "metres")]
    pub warning_m: f64,
    /// A danger.
    #[serde(deserialize_with = "metres")]
    pub danger_m: f64,
}

impl Default for WaveLimits {
    fn default() -> Self {
        WaveLimits { caution_m: 0.5, warning_m: 0.9, danger_m: 1.5 }
    }
}

/// How long help takes after the first alert, in minutes.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct HelpLimits {
    /// Until a contact has read the letter.
    #[serde(deserialize_with = "minutes")]
    pub read_min: f64,
    /// Until they have called and been understood.
    #[serde(deserialize_with = "minutes")]
    pub call_min: f64,
    /// Until a rescue unit is under way.
    #[serde(deserialize_with = "minutes")]
    pub ready_min: f64,
    /// Until it is on scene.
    #[serde(deserialize_with = "minutes")]
    pub transit_min: f64,
}

impl HelpLimits {
    /// From the first alert until help is on scene, in seconds.
    #[must_use]
    pub fn after_alert_s(&self) -> f64 {
        60.0 * (self.read_min + self.call_min + self.ready_min + self.transit_min)
    }

    /// From a call out on the water itself until help is on scene, in seconds.
    #[must_use]
    pub fn after_call_s(&self) -> f64 {
        60.0 * (self.ready_min + self.transit_min)
    }
}

impl Default for HelpLimits {
    fn default() -> Self {
        HelpLimits { read_min: 20.0, call_min: 10.0, ready_min: 30.0, transit_min: 90.0 }
    }
}

/// When an ageing reading is doubted, since cold water may have come up.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct UpwellingLimits {
    /// A reading of at most this age is trusted, in minutes.
    #[serde(deserialize_with = "minutes")]
    pub trusted_min: f64,
    /// Wind off the shore with at least this component, in knots, ...
    #[serde(deserialize_with = "knots")]
    pub offshore_kn: f64,
    /// ... on average over so many hours.
    #[serde(deserialize_with = "hours")]
    pub hours: u32,
    /// Fresh readings that differ by more, in degrees Celsius.
    #[serde(deserialize_with = "difference")]
    pub spread_c: f64,
}

impl UpwellingLimits {
    /// The same, in the words of the conditions.
    #[must_use]
    // Minutes of a day at most.
    pub fn of_conditions(self) -> Upwelling {
        Upwelling {
            trusted_s: (self.trusted_min * 60.0) as i64,
            offshore_kn: self.offshore_kn,
            hours: self.hours,
            spread_c: self.spread_c,
        }
    }
}

impl Default for UpwellingLimits {
    fn default() -> Self {
        UpwellingLimits { trusted_min: 60.0, offshore_kn: 8.0, hours: 4, spread_c: 4.0 }
    }
}
