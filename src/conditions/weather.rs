//! Wind and waves as a trip is judged by them: the strongest of what is known near the route.

use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};

use super::stations::distance_m;
use super::{Answer, Hours, Observed, Source, WindRow};
use crate::measure::Position;
use crate::plan::Stated;

/// What is older counts only where nothing is newer: a wind that blew hard is not forgotten for
/// want of another reading.
const OLDEST: TimeDelta = TimeDelta::hours(24);

/// The wind.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Wind {
    /// Its speed in knots.
    pub speed_kn: f64,
    /// Its gusts in knots.
    pub gust_kn: Option<f64>,
    /// Where it comes from, in degrees true.
    pub from_deg: Option<f64>,
    /// Where this is from.
    pub source: Source,
    /// When it was taken.
    pub taken_at: Option<DateTime<Utc>>,
    /// Its age in seconds at the moment of judging.
    pub age_s: Option<i64>,
    /// When it will blow, if it is forecast and not observed.
    #[serde(default)]
    pub forecast_for: Option<Hours>,
}

impl Wind {
    /// The stronger of speed and gusts, in knots.
    #[must_use]
    pub fn strongest_kn(&self) -> f64 {
        self.gust_kn.unwrap_or(0.0).max(self.speed_kn)
    }
}

/// The waves.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Waves {
    /// Significant height in metres: the mean of the highest third.
    pub height_m: f64,
    /// Where this is from.
    pub source: Source,
    /// Its age in seconds at the moment of judging.
    pub age_s: i64,
}

/// The strongest wind that a near station or the crew tells of.
pub(super) fn wind(
    answers: &[Answer],
    stated: Option<&Stated>,
    route: &[Position],
    farthest_m: f64,
    now: DateTime<Utc>,
) -> Option<Wind> {
    let of_stations = near(answers, route, farthest_m).filter_map(|(answer, said)| {
        let speed = said.wind_kn.filter(|wind| is_recent(*wind, now))?;
        let gust = said.gust_kn.filter(|gust| is_recent(*gust, now));
        Some(Wind {
            speed_kn: speed.value,
            gust_kn: gust.map(|gust| gust.value),
            from_deg: said
                .wind_from_deg
                .filter(|from| is_recent(*from, now))
                .map(|from| from.value),
            source: Source::Station(answer.station.id.clone()),
            taken_at: Some(speed.taken_at),
            age_s: Some((now - speed.taken_at).num_seconds().max(0)),
            forecast_for: None,
        })
    });
    let by_crew = stated.and_then(|stated| {
        Some(Wind {
            speed_kn: stated.wind_kn?,
            gust_kn: None,
            from_deg: stated.wind_from_deg,
            source: Source::Crew,
            taken_at: stated.taken_at,
            age_s: stated.taken_at.map(|at| (now - at).num_seconds().max(0)),
            forecast_for: None,
        })
    });
    let of_the_day = of_stations.chain(by_crew);
    of_the_day
        .max_by(|a, b| a.strongest_kn().total_cmp(&b.strongest_kn()))
        .or_else(|| last_known(answers, route, farthest_m, now))
}

/// The newest wind of any age before now.
fn last_known(
    answers: &[Answer],
    route: &[Position],
    farthest_m: f64,
    now: DateTime<Utc>,
) -> Option<Wind> {
    let known = near(answers, route, farthest_m).filter_map(|(answer, said)| {
        let speed = said.wind_kn.filter(|wind| wind.taken_at <= now)?;
        let of_then = |one: &Observed| (one.taken_at - speed.taken_at).abs() <= OLDEST;
        Some(Wind {
            speed_kn: speed.value,
            gust_kn: said.gust_kn.filter(of_then).map(|gust| gust.value),
            from_deg: said.wind_from_deg.filter(of_then).map(|from| from.value),
            source: Source::Station(answer.station.id.clone()),
            taken_at: Some(speed.taken_at),
            age_s: Some((now - speed.taken_at).num_seconds()),
            forecast_for: None,
        })
    });
    known.max_by_key(|wind| wind.taken_at)
}

/// The highest waves that a near station tells of.
pub(super) fn waves(
    answers: &[Answer],
    route: &[Position],
    farthest_m: f64,
    now: DateTime<Utc>,
) -> Option<Waves> {
    let of_stations = near(answers, route, farthest_m).filter_map(|(answer, said)| {
        let waves = said.waves_m.filter(|waves| is_recent(*waves, now))?;
        Some(Waves {
            height_m: waves.value,
            source: Source::Station(answer.station.id.clone()),
            age_s: (now - waves.taken_at).num_seconds().max(0),
        })
    });
    of_stations.max_by(|a, b| a.height_m.total_cmp(&b.height_m))
}

/// The winds of the last hours at all near stations, newest first.
pub(super) fn winds(answers: &[Answer], route: &[Position], farthest_m: f64) -> Vec<WindRow> {
    let mut winds: Vec<_> =
        near(answers, route, farthest_m).flat_map(|(_, said)| said.winds.iter().copied()).collect();
    winds.sort_by_key(|wind| std::cmp::Reverse(wind.taken_at));
    winds
}

fn near<'a>(
    answers: &'a [Answer],
    route: &'a [Position],
    farthest_m: f64,
) -> impl Iterator<Item = (&'a Answer, &'a super::Observations)> {
    answers.iter().filter_map(move |answer| {
        let away_m = distance_m(answer.station.position, route);
        let said = answer.said.as_ref().ok()?;
        away_m.is_none_or(|away_m| away_m <= farthest_m).then_some((answer, said))
    })
}

fn is_recent(observed: Observed, now: DateTime<Utc>) -> bool {
    (now - observed.taken_at).abs() <= OLDEST
}
