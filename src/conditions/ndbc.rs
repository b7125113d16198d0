//! The station text that NDBC serves under `/data/realtime2/`.
//!
//! Sources: NDBC, "Measurement Descriptions and Units" (measdes.shtml): columns, units (m/s, °C,
//! degrees true the wind comes *from*), `MM` for a missing value, times in UTC, newest row first,
//! lines beginning with `#` being comments wherever they stand (NDBC's page of changes, 2007).
//!
//! - Columns go by the header's position and letter case: `MM` is the month, `mm` the minute, and
//!   in a row `MM` is a missing value.
//! - The second line names the units; a water temperature in one that is not known here is not read.
//! - The newest row often lacks what an older one has, so each value is looked for on its own and
//!   keeps the time of its own row.
//! - Yearly files write 99, 999 or 9999 for what is missing: no such number is plausible here.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use thiserror::Error;

use super::{Observations, Observed, Received, WATER_C, WIND_KN, WindRow, in_celsius};
use crate::measure::m_per_s_to_kn;

/// Rows of wind are kept for so long before the newest.
const WINDS: TimeDelta = TimeDelta::hours(12);

/// The unit of water temperatures, as NDBC writes it.
const CELSIUS: &str = "degC";

/// What measures them. The text tells no depth.
const SENSOR: &str = "at the sensor, on buoys about 0.6 to 1.5 m down (from memory)";

/// Why a body is not a station's text.
#[derive(Clone, Copy, Debug, Error, PartialEq, Eq)]
pub enum NdbcError {
    /// No header names the columns: a web page, an error text, another encoding.
    #[error("the answer is not a table of observations")]
    NoTable,
    /// There is a header, and no row below it can be read.
    #[error("the table of observations has no row that can be read")]
    NoRows,
}

/// Reads the newest plausible value of each kind.
///
/// # Errors
/// A body that is no such table, or one without a readable row. A table that merely lacks a value
/// is none: the value is then `None`.
pub fn read(text: &str) -> Result<Observations, NdbcError> {
    let mut header: Option<Header> = None;
    let mut newest = Observations::default();
    let mut rows = 0_usize;
    for line in text.lines() {
        if let Some(found) = Header::read(line) {
            header = Some(found);
        } else if header.as_mut().is_some_and(|header| header.takes_units(line)) {
        } else if let Some(row) = header.as_ref().and_then(|header| header.row(line)) {
            rows += 1;
            row.improve(&mut newest);
            newest.winds.extend(row.wind());
        }
    }
    let newest = with_late_winds(newest);
    match (header, rows) {
        (None, _) => Err(NdbcError::NoTable),
        (Some(_), 0) => Err(NdbcError::NoRows),
        (Some(_), _) => Ok(newest),
    }
}

/// Keeps the winds of the last hours, newest first.
fn with_late_winds(mut newest: Observations) -> Observations {
    newest.winds.sort_by_key(|wind| std::cmp::Reverse(wind.taken_at));
    if let Some(last) = newest.winds.first().map(|wind| wind.taken_at) {
        newest.winds.retain(|wind| last - wind.taken_at <= WINDS);
    }
    newest
}

/// Where the columns stand.
struct Header {
    columns: usize,
    year: usize,
    month: usize,
    day: usize,
    hour: usize,
    minute: Option<usize>,
    water: Option<usize>,
    water_unit: String,
    /// What turns a number of that unit into degrees Celsius, looked up once for all rows.
    to_celsius: Option<fn(f64) -> f64>,
    air: Option<usize>,
    wind: Option<usize>,
    gust: Option<usize>,
    wind_from: Option<usize>,
    waves: Option<usize>,
}

impl Header {
    /// The header, if this line is one: with or without `#`, minutes only since 2005.
    fn read(line: &str) -> Option<Self> {
        let names: Vec<_> = line.trim_start_matches('#').split_whitespace().collect();
        let at = |wanted: &[&str]| names.iter().position(|name| wanted.contains(name));
        Some(Header {
            columns: names.len(),
            year: at(&["YY", "YYYY"])?,
            month: at(&["MM"])?,
            day: at(&["DD"])?,
            hour: at(&["hh"])?,
            minute: at(&["mm"]),
            water: at(&["WTMP"]),
            water_unit: CELSIUS.to_owned(),
            to_celsius: in_celsius(CELSIUS),
            air: at(&["ATMP"]),
            wind: at(&["WSPD"]),
            gust: at(&["GST"]),
            wind_from: at(&["WDIR", "WD"]),
            waves: at(&["WVHT"]),
        })
    }

    /// Takes the units from the line below the names, if this is it.
    fn takes_units(&mut self, line: &str) -> bool {
        let units: Vec<_> = line.trim_start_matches('#').split_whitespace().collect();
        let are_units = line.starts_with('#') && units.len() == self.columns && units[0] == "yr";
        if let Some(unit) = self.water.filter(|_| are_units).and_then(|at| units.get(at)) {
            self.to_celsius = in_celsius(unit);
            self.water_unit = (*unit).to_owned();
        }
        are_units
    }

    /// A row with a value or `MM` for every column; a shorter or longer one has shifted, and its
    /// numbers can't be trusted.
    fn row<'a>(&'a self, line: &'a str) -> Option<Row<'a>> {
        if line.starts_with('#') {
            return None;
        }
        let cells: Vec<_> = line.split_whitespace().collect();
        if cells.len() != self.columns {
            return None;
        }
        let number = |column: usize| cells[column].parse::<u32>().ok();
        let minute = self.minute.map_or(Some(0), number)?;
        let date = NaiveDate::from_ymd_opt(
            full_year(number(self.year)?),
            number(self.month)?,
            number(self.day)?,
        )?;
        let at = date.and_hms_opt(number(self.hour)?, minute, 0)?.and_utc();
        Some(Row { header: self, cells, at })
    }
}

/// Old files write two digits of the year. NDBC's records begin in the 1970s.
fn full_year(year: u32) -> i32 {
    let year = i32::try_from(year).unwrap_or(i32::MAX);
    match year {
        0..70 => 2000 + year,
        70..100 => 1900 + year,
        _ => year,
    }
}

struct Row<'a> {
    header: &'a Header,
    cells: Vec<&'a str>,
    at: DateTime<Utc>,
}

impl Row<'_> {
    /// Puts into `newest` what this row knows more lately. The ranges are what the planet's surface
    /// has shown, with room: wider would let a sentinel through, narrower would lose a reading.
    fn improve(&self, newest: &mut Observations) {
        let header = self.header;
        self.improve_water(newest);
        self.newer(&mut newest.air_c, header.air, -60.0..=60.0, |c| c);
        self.newer(&mut newest.wind_kn, header.wind, WIND_KN, m_per_s_to_kn);
        self.newer(&mut newest.gust_kn, header.gust, WIND_KN, m_per_s_to_kn);
        self.newer(&mut newest.wind_from_deg, header.wind_from, 0.0..=360.0, |deg| deg);
        self.newer(&mut newest.waves_m, header.waves, 0.0..=35.0, |m| m);
    }

    fn improve_water(&self, newest: &mut Observations) {
        let Some(to_celsius) = self.header.to_celsius else { return };
        let before = newest.water_c;
        self.newer(&mut newest.water_c, self.header.water, WATER_C, to_celsius);
        if newest.water_c == before {
            return;
        }
        newest.water_as = self.number(self.header.water).map(|value| Received {
            value,
            unit: self.header.water_unit.clone(),
            depth_m: None,
            by: SENSOR.to_owned(),
        });
    }

    fn number(&self, column: Option<usize>) -> Option<f64> {
        self.cells.get(column?)?.parse().ok()
    }

    /// The wind of this row, if it has both speed and direction.
    fn wind(&self) -> Option<WindRow> {
        let speed_kn = self.number(self.header.wind).map(m_per_s_to_kn);
        let speed_kn = speed_kn.filter(|speed_kn| WIND_KN.contains(speed_kn))?;
        let from_deg =
            self.number(self.header.wind_from).filter(|deg| (0.0..=360.0).contains(deg))?;
        Some(WindRow { taken_at: self.at, speed_kn, from_deg })
    }

    fn newer(
        &self,
        known: &mut Option<Observed>,
        column: Option<usize>,
        plausible: std::ops::RangeInclusive<f64>,
        in_our_unit: fn(f64) -> f64,
    ) {
        if known.is_some_and(|known| known.taken_at >= self.at) {
            return;
        }
        let value = self.number(column).map(in_our_unit);
        if let Some(value) = value.filter(|value| plausible.contains(value)) {
            *known = Some(Observed { value, taken_at: self.at });
        }
    }
}

/// Whether a text can be a station's name: it becomes part of an address.
#[must_use]
pub fn is_id(text: &str) -> bool {
    (1..=20).contains(&text.len()) && text.bytes().all(|byte| byte.is_ascii_alphanumeric())
}
