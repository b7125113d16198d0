//! What a letter is written from.

use chrono::{DateTime, Utc};

use super::rescue::Rescue;
use crate::plan::Plan;
use crate::watch::{Event, Watched};

/// Everything that is known when a letter is written.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    /// What the service is called.
    pub service_name: &'a str,
    /// The plan's ref.
    pub plan_ref: &'a str,
    /// When it was filed.
    pub filed_at: DateTime<Utc>,
    /// The plan as filed; where its return time was moved since, `watched` rules.
    pub plan: &'a Plan,
    /// Where it stands.
    pub watched: &'a Watched,
    /// What happened to it, oldest first.
    pub history: &'a [Past],
    /// What was known of the trip and its water at filing; `None` if nothing was.
    pub conditions: Option<&'a Conditions>,
    /// Whom an alert may name, in the order of the settings.
    pub rescue: &'a [Rescue],
    /// The link to this reader's own page.
    pub page: Option<&'a str>,
    /// When this letter was ordered.
    pub queued_at: DateTime<Utc>,
}

/// An event that happened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Past {
    /// Its number; filing is number 1.
    pub number: u32,
    /// When it was recorded.
    pub at: DateTime<Utc>,
    /// What happened.
    pub event: Event,
}

/// What was known of the trip and its water when the plan was filed.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Conditions {
    /// The length of the route in metres.
    pub route_m: Option<f64>,
    /// The greatest distance from shore along it, in metres.
    pub farthest_m: Option<f64>,
    /// Sunset of the day of return.
    pub sunset: Option<DateTime<Utc>>,
    /// The end of civil twilight that evening.
    pub civil_dusk: Option<DateTime<Utc>>,
    /// The water.
    pub water: Water,
    /// What was warned of.
    pub cautions: Vec<Caution>,
}

/// A water temperature and where it is from.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Water {
    /// Degrees Celsius; `None` when unknown.
    pub temperature_c: Option<f64>,
    /// How it is known, as one word: observed, expected, stated.
    pub kind: String,
    /// Who says so.
    pub source: String,
    /// When it was taken.
    pub taken_at: Option<DateTime<Utc>>,
}

/// A caution raised at filing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Caution {
    /// Its signal word.
    pub level: String,
    /// What is the matter.
    pub text: String,
}

impl Facts<'_> {
    /// The event of this number.
    pub(super) fn past(&self, number: u32) -> Option<&Past> {
        self.history.iter().find(|past| past.number == number)
    }
}
