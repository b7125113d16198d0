//! Warnings of the United States' weather service: the zones of a place, and what is in force.
//!
//! Sources: api.weather.gov's OpenAPI text (2021) and questions and answers; bodies recorded in
//! 2020 to 2026; CAP 1.2 (OASIS) for the words of an alert.
//! - Most fields may be `null`, the zones of a place at sea among them.
//! - `expires` ends the message, `ends` the event; either may be missing.
//! - Only `status` Actual counts; an alert that is cancelled or updated by another does not.
//! - A question about a point has missed zones, so zones are asked as well.
//! - Refusals are problem documents; one from the net in front of the service is a web page.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::vouched;

/// Why a body tells nothing.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum NwsError {
    /// It refuses, for this reason.
    #[error("the service refuses: {0}")]
    Refused(&'static str),
    /// It is not of this service's form.
    #[error("the answer is not in the service's form")]
    NotJson,
    /// A forecast without a wind that can be read.
    #[error("no hour of the forecast has a wind that can be read")]
    NoWind,
    /// More hours than a forecast has.
    #[error("the forecast has more hours than are read")]
    TooLong,
}

/// What a warning is called whose name is none that the service documents. It may be the worst of all.
pub const UNNAMED: &str = vouched::UNNAMED;

/// So many warnings of one answer are read: many times what was ever in force at one place.
const MOST: usize = 200;
/// A name at the service has less than a hundred characters.
const LONGEST_ID: usize = 200;
/// How severe an event is, in CAP's words.
const SEVERITIES: [&str; 4] = ["Extreme", "Severe", "Moderate", "Minor"];

/// What of warnings in force is known.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Warnings {
    /// Whether anybody was asked: only the United States' service is.
    pub asked: bool,
    /// Those in force or announced, in the order of their beginning.
    pub alerts: Vec<Alert>,
    /// Why there may be more, as the end of a sentence that begins with the service.
    pub silent: Option<String>,
}

/// What was read of an answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Alerts {
    /// The alerts that are real and stand.
    pub list: Vec<Alert>,
    /// Whether there are more of them than are read.
    pub more: bool,
}

/// A warning, watch or advisory.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Alert {
    /// Its name at the service.
    pub id: String,
    /// What it is: `Gale Warning`, or [`UNNAMED`].
    pub event: String,
    /// Its severity in CAP's words.
    pub severity: String,
    /// When the event begins.
    pub onset: Option<DateTime<Utc>>,
    /// When the event ends; `None` if nobody said.
    pub ends: Option<DateTime<Utc>>,
}

impl Alert {
    /// Whether it may be in force at some time of the span. One without an end has none.
    #[must_use]
    pub fn touches(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> bool {
        self.onset.is_none_or(|onset| onset <= to) && self.ends.is_none_or(|ends| ends >= from)
    }
}

#[derive(Deserialize)]
struct Place {
    properties: PlaceProperties,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct PlaceProperties {
    #[serde(default)]
    forecast_zone: Option<String>,
    #[serde(default)]
    county: Option<String>,
}

/// The zones of a place (`/points/`), as their short names: none where the service has none.
///
/// # Errors
/// A refusal, or a body of another form.
pub fn read_zones(text: &str) -> Result<Vec<String>, NwsError> {
    let place: Place = serde_json::from_str(text).map_err(|_| refused(text))?;
    let PlaceProperties { forecast_zone, county } = place.properties;
    let short = |url: String| url.rsplit('/').next().map(str::to_owned);
    let is_zone =
        |name: &String| name.len() == 6 && name.bytes().all(|b| b.is_ascii_alphanumeric());
    Ok([forecast_zone, county].into_iter().flatten().filter_map(short).filter(is_zone).collect())
}

#[derive(Deserialize)]
struct Collection {
    features: Vec<Feature>,
}

#[derive(Deserialize)]
struct Feature {
    properties: Properties,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Properties {
    id: String,
    event: String,
    #[serde(default)]
    status: Option<String>,
    #[serde(default)]
    message_type: Option<String>,
    #[serde(default)]
    severity: Option<String>,
    #[serde(default)]
    onset: Option<String>,
    #[serde(default)]
    effective: Option<String>,
    #[serde(default)]
    ends: Option<String>,
    #[serde(default)]
    references: Vec<Reference>,
}

#[derive(Deserialize)]
struct Reference {
    #[serde(default)]
    identifier: String,
}

/// The alerts of an answer (`/alerts/active`) that are real and stand.
///
/// # Errors
/// A refusal, or a body of another form.
pub fn read_alerts(text: &str) -> Result<Alerts, NwsError> {
    let all: Collection = serde_json::from_str(text).map_err(|_| refused(text))?;
    let real = |one: &&Properties| one.status.as_deref().is_none_or(|status| status == "Actual");
    let all: Vec<_> = all.features.into_iter().map(|feature| feature.properties).collect();
    let replaced: BTreeSet<_> = all.iter().filter(real).flat_map(Properties::replaces).collect();
    let stands = |one: &&Properties| {
        real(one)
            && one.message_type.as_deref() != Some("Cancel")
            && !replaced.contains(one.id.as_str())
    };
    let mut standing = all.iter().filter(stands);
    let list = standing.by_ref().take(MOST).map(alert).collect();
    Ok(Alerts { list, more: standing.next().is_some() })
}

impl Properties {
    /// What it takes the place of: others, which have a name.
    fn replaces(&self) -> impl Iterator<Item = &str> {
        let names = self.references.iter().map(|old| old.identifier.as_str());
        names.filter(|name| !name.is_empty() && *name != self.id)
    }
}

/// One list of what several answers name, by the beginning of the event.
#[must_use]
pub fn merged(lists: Vec<Vec<Alert>>) -> Vec<Alert> {
    // Cut, two names may be the same: what differs in anything else is another.
    let all: BTreeSet<_> = lists.into_iter().flatten().collect();
    let mut all: Vec<_> = all.into_iter().collect();
    all.sort_by(|a, b| (a.onset, &a.event).cmp(&(b.onset, &b.event)));
    all
}

fn alert(properties: &Properties) -> Alert {
    let time = |text: &Option<String>| {
        let at = text.as_deref().and_then(|text| DateTime::parse_from_rfc3339(text).ok());
        at.map(|at| at.to_utc())
    };
    let severity = properties.severity.as_deref();
    let severity = SEVERITIES.into_iter().find(|known| severity == Some(*known));
    // For programs, which compare it; in no letter and on no page. Another form is none.
    let is_plain = |byte: u8| byte.is_ascii_alphanumeric() || b":.-_".contains(&byte);
    let id = if properties.id.bytes().all(is_plain) { properties.id.as_str() } else { "" };
    Alert {
        id: id.chars().take(LONGEST_ID).collect(),
        event: vouched::event(&properties.event),
        severity: severity.unwrap_or("Unknown").to_owned(),
        onset: time(&properties.onset).or(time(&properties.effective)),
        ends: time(&properties.ends),
    }
}

#[derive(Deserialize)]
struct Problem {
    title: String,
}

pub(super) fn refused(text: &str) -> NwsError {
    match serde_json::from_str::<Problem>(text) {
        Ok(Problem { title }) => NwsError::Refused(vouched::refusal(&[&title])),
        Err(_) => NwsError::NotJson,
    }
}
