//! Warnings of the United States' weather service: the zones of a place, and what is in force.
//!
//! Sources: api.weather.gov's OpenAPI text (2021) and questions and answers; bodies recorded in
//! 2020 to 2026; CAP 1.2 (OASIS) for the words of an alert.
//! - Most fields may be `null`, the zones of a place at sea among them.
//! - `expires` ends the message, `ends` the event; either may be missing.
//! - Only `status` Actual counts; an alert that is cancelled or updated by another does not.
//! - A question about a point has missed zones, so zones are asked as well.
//! - Refusals are problem documents; one from the net in front of the service is a web page.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::plan::turns_text;

/// Why a body tells nothing.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum NwsError {
    /// The service's own words.
    #[error("the service says: {0}")]
    Refused(String),
    /// It is not of this service's form.
    #[error("the answer is not in the service's form")]
    NotJson,
    /// A forecast without a wind that can be read.
    #[error("no hour of the forecast has a wind that can be read")]
    NoWind,
}

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

/// A warning, watch or advisory.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Alert {
    /// Its name at the service.
    pub id: String,
    /// What it is: `Gale Warning`.
    pub event: String,
    /// Its severity in CAP's words.
    pub severity: String,
    /// When the event begins.
    pub onset: Option<DateTime<Utc>>,
    /// When the event ends; `None` if nobody said.
    pub ends: Option<DateTime<Utc>>,
    /// One line of what it is about.
    pub headline: Option<String>,
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
    headline: Option<String>,
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
pub fn read_alerts(text: &str) -> Result<Vec<Alert>, NwsError> {
    let all: Collection = serde_json::from_str(text).map_err(|_| refused(text))?;
    let all: Vec<_> = all.features.into_iter().map(|feature| feature.properties).collect();
    let replaced: Vec<_> =
        all.iter().flat_map(|one| &one.references).map(|old| old.identifier.clone()).collect();
    let stands = |one: &Properties| {
        one.status.as_deref().is_none_or(|status| status == "Actual")
            && one.message_type.as_deref() != Some("Cancel")
            && !replaced.contains(&one.id)
    };
    Ok(all.into_iter().filter(stands).map(alert).collect())
}

/// One list of what several answers name, by the beginning of the event.
#[must_use]
pub fn merged(lists: Vec<Vec<Alert>>) -> Vec<Alert> {
    let mut all: Vec<Alert> = Vec::new();
    for alert in lists.into_iter().flatten() {
        if all.iter().all(|known| known.id != alert.id) {
            all.push(alert);
        }
    }
    all.sort_by(|a, b| (a.onset, &a.event).cmp(&(b.onset, &b.event)));
    all
}

fn alert(properties: Properties) -> Alert {
    let time = |text: Option<String>| {
        text.and_then(|text| DateTime::parse_from_rfc3339(&text).ok()).map(|at| at.to_utc())
    };
    Alert {
        id: properties.id,
        event: one_line(&properties.event, 80),
        severity: properties.severity.unwrap_or_else(|| "Unknown".to_owned()),
        onset: time(properties.onset).or(time(properties.effective)),
        ends: time(properties.ends),
        headline: properties.headline.map(|headline| one_line(&headline, 200)),
    }
}

#[derive(Deserialize)]
struct Problem {
    title: String,
    #[serde(default)]
    detail: String,
}

pub(super) fn refused(text: &str) -> NwsError {
    match serde_json::from_str::<Problem>(text) {
        Ok(Problem { title, detail }) => {
            NwsError::Refused(one_line(&format!("{title}. {detail}"), 160))
        }
        Err(_) => NwsError::NotJson,
    }
}

/// Its words on one line, without what would move a terminal's cursor or turn the text round that
/// stands behind them.
pub(super) fn one_line(text: &str, most: usize) -> String {
    let words: Vec<_> = text.split_whitespace().collect();
    words.join(" ").chars().filter(|c| !c.is_control() && !turns_text(*c)).take(most).collect()
}
