//! Chooses the reading by which a trip is judged: the coldest that is fresh, near and timed.
//!
//! One reading is not enough: on the Great Lakes a buoy fell from 22.6 °C to 7.3 °C in seven hours
//! and neighbouring stations differed by 18 °C on one day, because wind off the shore pushes the
//! warm surface away. So old readings are history, and of those that stand the coldest governs.

use chrono::{DateTime, TimeDelta, Utc};

use super::stations::distance_m;
use super::{
    Answer, Expected, Kind, Observed, PLUS_MINUS_C, Reading, Service, SetAside, Silence, Source,
    Water, Why, weather,
};
use crate::measure::{Position, Span};
use crate::plan::Stated;

/// Clocks differ; a reading from further ahead than this has a wrong time. Our own choice.
const MOST_AHEAD: TimeDelta = TimeDelta::minutes(10);

/// Which readings may govern.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trust {
    /// A reading older than this is history.
    pub stale_after: Span,
    /// A station further than this from every corner of the route, in metres, says nothing of it.
    pub farthest_m: f64,
}

impl Default for Trust {
    /// Three hours and 100 km: our own choice; the first is what the drop above leaves room for.
    fn default() -> Self {
        Trust { stale_after: Span::from_hours(3), farthest_m: 100_000.0 }
    }
}

/// Chooses among what the stations answered and what the crew stated. Without a reading that is
/// fresh, near and timed the water is unknown.
#[must_use]
pub fn choose(
    answers: &[Answer],
    stated: Option<&Stated>,
    route: &[Position],
    trust: Trust,
    now: DateTime<Utc>,
) -> Water {
    let mut silent = Vec::new();
    let mut readings: Vec<Reading> =
        stated.and_then(|stated| by_crew(stated, now)).into_iter().collect();
    let mut expected = None;
    for answer in answers {
        silent.extend(kept(answer));
        match by_station(answer, route, now) {
            Ok(reading) => match by_satellite(answer, &reading, trust, now) {
                Some(of_late) => expected = Some(of_late),
                None => readings.push(reading),
            },
            Err(silence) => silent.push(silence),
        }
    }
    let (mut fresh, mut history) = (Vec::new(), Vec::new());
    for reading in readings {
        match against(&reading, trust, now) {
            None => fresh.push(reading),
            Some(why) => history.push(SetAside { reading, why }),
        }
    }
    let wanting = history.iter().any(|aside| aside.why != Why::Far)
        || answers.iter().any(|answer| answer.said.is_err() && is_near(answer, route, trust));
    // A stable sort: of two equally cold ones the crew's own comes first, then the keeper's order.
    fresh.sort_by(|a, b| a.temperature_c.total_cmp(&b.temperature_c));
    let mut fresh = fresh.into_iter();
    let governs = fresh.next();
    let warmer = fresh.map(|reading| SetAside { reading, why: Why::Warmer });
    Water {
        governs,
        set_aside: warmer.chain(history).collect(),
        silent,
        expected,
        wanting,
        wind: weather::wind(answers, stated, route, trust.farthest_m, now),
        winds: weather::winds(answers, route, trust.farthest_m),
        waves: weather::waves(answers, route, trust.farthest_m, now),
        ..Water::default()
    }
}

/// What a grid of the surface showed of late lets expect, where it is too old to be a reading. Such
/// a grid comes once a day; after two days it is history.
fn by_satellite(
    answer: &Answer,
    reading: &Reading,
    trust: Trust,
    now: DateTime<Utc>,
) -> Option<Expected> {
    let is_late = against(reading, trust, now) == Some(Why::Stale);
    let is_grid = answer.station.service == Service::Erddap;
    let recent = reading.taken_at.is_some_and(|at| now - at <= TimeDelta::hours(48));
    (is_grid && is_late && recent).then(|| Expected {
        temperature_c: reading.temperature_c,
        plus_minus_c: PLUS_MINUS_C,
        source: format!("grid {}, the surface as satellites see it", answer.station.id),
    })
}

fn is_near(answer: &Answer, route: &[Position], trust: Trust) -> bool {
    distance_m(answer.station.position, route).is_none_or(|away_m| away_m <= trust.farthest_m)
}

fn by_crew(stated: &Stated, now: DateTime<Utc>) -> Option<Reading> {
    Some(Reading {
        kind: Kind::Stated,
        temperature_c: stated.water_c?,
        plus_minus_c: 0.0,
        received: None,
        source: Source::Crew,
        distance_m: None,
        taken_at: stated.taken_at,
        age_s: stated.taken_at.map(|at| age_s(at, now)),
    })
}

/// A station whose earlier answer stands in did not give one now.
fn kept(answer: &Answer) -> Option<Silence> {
    let why = answer.said.as_ref().ok()?.kept.as_ref()?;
    let why = format!("{why}; what it said earlier is used");
    Some(Silence { station: answer.station.id.clone(), why })
}

fn by_station(answer: &Answer, route: &[Position], now: DateTime<Utc>) -> Result<Reading, Silence> {
    let station = &answer.station;
    let silence = |why: &str| Silence { station: station.id.clone(), why: why.to_owned() };
    let said = answer.said.as_ref().map_err(|why| silence(why))?;
    let no_water = "it has no water temperature that can be believed at the moment";
    let Observed { value, taken_at } = said.water_c.ok_or_else(|| silence(no_water))?;
    Ok(Reading {
        kind: Kind::Observed,
        temperature_c: value,
        plus_minus_c: 0.0,
        received: said.water_as.clone(),
        source: Source::Station(station.id.clone()),
        distance_m: distance_m(said.position.unwrap_or(station.position), route),
        taken_at: Some(taken_at),
        age_s: Some(age_s(taken_at, now)),
    })
}

/// What stands against letting this reading govern.
fn against(reading: &Reading, trust: Trust, now: DateTime<Utc>) -> Option<Why> {
    let Some(taken_at) = reading.taken_at else { return Some(Why::Untimed) };
    if taken_at - now > MOST_AHEAD {
        return Some(Why::Ahead);
    }
    if now - taken_at > trust.stale_after.delta() {
        return Some(Why::Stale);
    }
    let far = reading.distance_m.is_some_and(|distance_m| distance_m > trust.farthest_m);
    far.then_some(Why::Far)
}

/// Whole seconds; none for one that is a little ahead of our clock.
fn age_s(taken_at: DateTime<Utc>, now: DateTime<Utc>) -> i64 {
    (now - taken_at).num_seconds().max(0)
}
