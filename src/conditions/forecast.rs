//! The wind that the United States' weather service forecasts, hour by hour.
//!
//! Sources: api.weather.gov's OpenAPI text (1.9.0, 2021) and bodies recorded in 2020 to 2026.
//! - A place (`/points/`) names its grid; at sea off shore it has none.
//! - `windSpeed` is a text, `"15 mph"` or `"5 to 10 mph"` (statute miles; of two the upper counts),
//!   or an object with a value and a unit. `windGust` may lack or be `null`.
//! - Over coastal water the grid is there and its forecast is refused ("Marine Forecast Not
//!   Supported"): that is no forecast, and no word about the wind.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::nws::{NwsError, refused};
use super::{Source, WIND_KN, Wind, plausible};
use crate::measure::m_per_s_to_kn;

/// A forecast has 156 hours.
const MOST_HOURS: usize = 400;

/// What of the coming wind is known.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Forecast {
    /// Whether anybody was asked: only the United States' service is.
    pub asked: bool,
    /// The wind of the coming hours, in their order.
    pub hours: Vec<Wind>,
    /// Why there is none, or only an earlier one, as the end of a sentence that begins with the
    /// service.
    pub silent: Option<String>,
}

/// A stretch of time that a forecast is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hours {
    /// Its first instant.
    pub from: DateTime<Utc>,
    /// Its last.
    pub to: DateTime<Utc>,
}

impl Forecast {
    /// The hours that lie in a span, in part or whole.
    pub fn during(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> impl Iterator<Item = &Wind> {
        self.hours.iter().filter(move |wind| {
            wind.forecast_for.is_some_and(|hours| hours.from < to && hours.to > from)
        })
    }

    /// Whether it reaches to the end of a span.
    #[must_use]
    pub fn reaches(&self, to: DateTime<Utc>) -> bool {
        self.hours.iter().any(|wind| wind.forecast_for.is_some_and(|hours| hours.to >= to))
    }
}

/// A cell of the service's grid.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Grid {
    office: String,
    x: u32,
    y: u32,
}

impl Grid {
    /// Where its forecast by the hour is, at the service.
    #[must_use]
    pub fn path(&self) -> String {
        format!("/gridpoints/{}/{},{}/forecast/hourly", self.office, self.x, self.y)
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
    grid_id: Option<String>,
    #[serde(default)]
    grid_x: Option<u32>,
    #[serde(default)]
    grid_y: Option<u32>,
}

/// The grid's cell of a place (`/points/`); `None` where the service has none.
///
/// # Errors
/// A refusal, or a body of another form.
pub fn read_grid(text: &str) -> Result<Option<Grid>, NwsError> {
    let place: Place = serde_json::from_str(text).map_err(|_| refused(text))?;
    let PlaceProperties { grid_id, grid_x, grid_y } = place.properties;
    // The name becomes part of an address.
    let is_office = |name: &String| {
        (2..=4).contains(&name.len()) && name.bytes().all(|byte| byte.is_ascii_alphanumeric())
    };
    let office = grid_id.filter(is_office);
    Ok(office.zip(grid_x.zip(grid_y)).map(|(office, (x, y))| Grid { office, x, y }))
}

#[derive(Deserialize)]
struct Body {
    properties: BodyProperties,
}

#[derive(Deserialize)]
struct BodyProperties {
    periods: Vec<Period>,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Period {
    start_time: String,
    end_time: String,
    #[serde(default)]
    wind_speed: Value,
    #[serde(default)]
    wind_gust: Value,
    #[serde(default)]
    wind_direction: Option<String>,
}

/// The wind of each hour that can be read.
///
/// # Errors
/// A refusal, a body of another form, or one without any wind.
pub fn read_hours(text: &str) -> Result<Vec<Wind>, NwsError> {
    let body: Body = serde_json::from_str(text).map_err(|_| refused(text))?;
    // Which of them are the forecast can't be told, so none is.
    if body.properties.periods.len() > MOST_HOURS {
        return Err(NwsError::TooLong);
    }
    let mut hours: Vec<_> = body.properties.periods.iter().filter_map(hour).collect();
    hours.sort_by_key(|wind| wind.forecast_for.map(|hours| hours.from));
    if hours.is_empty() { Err(NwsError::NoWind) } else { Ok(hours) }
}

fn hour(period: &Period) -> Option<Wind> {
    let time = |text: &str| DateTime::parse_from_rfc3339(text).ok().map(|at| at.to_utc());
    let hours = Hours { from: time(&period.start_time)?, to: time(&period.end_time)? };
    Some(Wind {
        speed_kn: speed_kn(&period.wind_speed)?,
        gust_kn: speed_kn(&period.wind_gust),
        from_deg: period.wind_direction.as_deref().and_then(from_deg),
        source: Source::Forecast,
        taken_at: None,
        age_s: None,
        forecast_for: Some(hours),
    })
}

/// The upper end of a speed; `None` for one without a unit that is known here.
fn speed_kn(value: &Value) -> Option<f64> {
    let speed_kn = match value {
        Value::String(text) => {
            let numbers = text.split_whitespace().filter_map(|word| word.parse::<f64>().ok());
            in_knots(numbers.reduce(f64::max)?, text.split_whitespace().last()?)
        }
        Value::Object(quantity) => {
            let number = |name: &str| quantity.get(name).and_then(Value::as_f64);
            let upper = number("value").into_iter().chain(number("maxValue")).reduce(f64::max)?;
            let unit = quantity.get("unitCode")?.as_str()?;
            in_knots(upper, unit.rsplit(':').next()?)
        }
        _ => None,
    };
    plausible(speed_kn?, &WIND_KN)
}

fn in_knots(speed: f64, unit: &str) -> Option<f64> {
    match unit {
        "mph" => Some(speed * 1609.344 / 1852.0),
        "km/h" | "km_h-1" => Some(speed / 1.852),
        "m/s" | "m_s-1" => Some(m_per_s_to_kn(speed)),
        "kt" | "kts" | "kn" | "knots" => Some(speed),
        _ => None,
    }
}

/// Degrees of one of the sixteen points; `None` for anything else.
fn from_deg(point: &str) -> Option<f64> {
    const POINTS: [&str; 16] = [
        "N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW",
        "NW", "NNW",
    ];
    let at = POINTS.iter().position(|name| *name == point.trim())?;
    // Below 16.
    let deg = at as f64 * 22.5;
    Some(deg)
}
