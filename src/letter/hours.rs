//! Where the plan has the crew hour by hour, and where the wind may have carried it since.

use chrono::{DateTime, TimeDelta, Utc};

use super::brief::{Row, Section};
use super::facts::Facts;
use super::weather::units;
use super::when::Clock;
use super::words;
use crate::drift::{self, Blow, Class, Drifted, LEAST_WIND_M_PER_S, Place, Reading, WhyNot};
use crate::measure::{Position, m_per_s_to_kn};
use crate::review::PlannedAt;

/// So many hours stand in a letter; the files have them all.
const MOST_HOURS: usize = 26;

/// Hour by hour, with the distance from shore.
pub(super) fn planned(facts: &Facts<'_>) -> Section {
    let clock = Clock::new(facts.plan.times.zone);
    let title = "Where the plan has them, hour by hour".to_owned();
    let hours = facts.review.map_or(&[][..], |review| &review.planned);
    if hours.is_empty() {
        let why = match facts.plan.pace.speed_kn {
            None => "not known: the plan tells no speed",
            Some(_) => "not at hand for this letter",
        };
        return Section { title, rows: vec![Row::new("Hours", why)] };
    }
    let mut rows: Vec<Row> =
        hours.iter().take(MOST_HOURS).map(|hour| row(facts, hour, clock)).collect();
    if hours.len() > MOST_HOURS {
        rows.push(Row::new("More", format!("{} more hours", hours.len() - MOST_HOURS)));
    }
    rows.push(Row::new(
        "How",
        "at their planned speed from the planned launch, with the stays told; nobody has seen them \
         there",
    ));
    Section { title, rows }
}

fn row(facts: &Facts<'_>, hour: &PlannedAt, clock: Clock) -> Row {
    let at = Position::new(hour.lat, hour.lon);
    let at = at.map_or_else(|_| "not known".to_owned(), words::position);
    let shore = match hour.shore_at_most_m {
        Some(metres) if metres <= 0.0 => "at the shore".to_owned(),
        Some(metres) => format!("at most {} from shore", units(facts).distance(metres)),
        None => "distance from shore not known".to_owned(),
    };
    Row::new(clock.full(hour.at.to_utc()), format!("{at}; {shore}"))
}

/// Where the wind may have carried them; why there is no figure, where there is none.
pub(super) fn drift(facts: &Facts<'_>, now: DateTime<Utc>) -> Section {
    let mut rows = Vec::new();
    match places(facts, now) {
        Ok(found) => {
            rows.extend(found);
            rows.push(Row::new(
                "What this is",
                "an indication only, from published trials and the wind alone, without current or \
                 tide. The rescue service's own planning takes its place. It is no reason to search \
                 in one place only, or to stop",
            ));
        }
        Err(why) => rows.push(Row::new("Drift", format!("no figure: {why}"))),
    }
    Section { title: "Where wind may have carried a craft (an indication)".to_owned(), rows }
}

fn places(facts: &Facts<'_>, now: DateTime<Utc>) -> Result<Vec<Row>, String> {
    let classes = classes(facts);
    if facts.plan.craft.iter().all(|craft| craft.kind.is_none()) {
        return Err("what they paddle is not told".to_owned());
    }
    if classes.is_empty() {
        return Err("nothing is published for their kind of craft".to_owned());
    }
    let readings = readings(facts);
    if readings.is_empty() {
        return Err("no wind with its direction is known".to_owned());
    }
    let starts = starts(facts);
    if starts.is_empty() {
        return Err("it is not known where the plan has them at which hour".to_owned());
    }
    let mut rows = Vec::new();
    for class in classes {
        rows.push(Row::new("Published class", class.name()));
        for (from, since, at) in &starts {
            let label = format!("From {from}");
            let clock = Clock::new(facts.plan.times.zone);
            let value = match drift::blows(&readings, *since, now) {
                None => "no figure: no wind is known for some of the hours, or it is too long ago"
                    .to_owned(),
                Some(blows) => told(facts, class, *at, &blows),
            };
            rows.push(Row::new(label, format!("since {}\n{value}", clock.full(*since))));
        }
    }
    rows.push(Row::new("Winds used", winds_used(&readings)));
    Ok(rows)
}

fn told(facts: &Facts<'_>, class: Class, at: Position, blows: &[Blow]) -> String {
    match drift::drift(class, at, blows, None) {
        Ok(Drifted { left, right }) => {
            let side = |side: &str, place: Place| {
                let units = units(facts);
                format!(
                    "{side} of downwind: {}, {} toward {:03.0} degrees, give or take {}",
                    words::position(place.at),
                    units.distance(place.distance_m),
                    place.bearing_deg,
                    units.distance(place.spread_m),
                )
            };
            format!("{}\n{}", side("left", left), side("right", right))
        }
        Err(WhyNot::Calm) => format!(
            "no figure: the trials say nothing below {:.0} knots of wind",
            m_per_s_to_kn(LEAST_WIND_M_PER_S)
        ),
        Err(WhyNot::Time) => "no figure: too long ago, or not yet".to_owned(),
    }
}

/// The published classes of their craft, each once.
fn classes(facts: &Facts<'_>) -> Vec<Class> {
    let kinds = facts.plan.craft.iter().filter_map(|craft| craft.kind.as_deref());
    let mut classes = Vec::new();
    for class in kinds.filter_map(drift::class_of) {
        if !classes.contains(&class) {
            classes.push(class);
        }
    }
    classes
}

/// What was read of the wind, then and now, and what was forecast; each hour as its middle.
fn readings(facts: &Facts<'_>) -> Vec<Reading> {
    let reviews = [facts.review, facts.latest].into_iter().flatten();
    let winds = reviews.flat_map(|review| {
        let water = &review.water;
        water.forecast.hours.iter().chain(&water.wind)
    });
    winds
        .filter_map(|wind| {
            let hours = wind.forecast_for.map(|hours| hours.from + (hours.to - hours.from) / 2);
            let at = hours.or(wind.taken_at)?;
            Some(Reading { at, wind_kn: wind.speed_kn, from_deg: wind.from_deg? })
        })
        .collect()
}

fn winds_used(readings: &[Reading]) -> String {
    let of = |pick: fn(f64, f64) -> f64| readings.iter().map(|one| one.wind_kn).reduce(pick);
    let (least, most) = (of(f64::min).unwrap_or(0.0), of(f64::max).unwrap_or(0.0));
    let count = readings.len();
    format!("{count} readings and forecasts, {least:.0} to {most:.0} knots; gusts are left out")
}

/// Where a drift may have begun, and when the plan has them there.
fn starts(facts: &Facts<'_>) -> Vec<(&'static str, DateTime<Utc>, Position)> {
    let Some(review) = facts.review else { return Vec::new() };
    let farthest = review.route.farthest.and_then(|farthest| {
        let since = when_along(&review.planned, farthest.along_m)?;
        Some(("the farthest point", since, Position::new(farthest.lat, farthest.lon).ok()?))
    });
    // The last full hour of paddling: the end itself is the landing.
    let afloat = review.planned.iter().rev().nth(1).and_then(|hour| {
        let at = Position::new(hour.lat, hour.lon).ok()?;
        Some(("the last planned hour afloat", hour.at.to_utc(), at))
    });
    farthest.into_iter().chain(afloat).collect()
}

/// When the plan has them so far along: between two hours in proportion.
fn when_along(planned: &[PlannedAt], along_m: f64) -> Option<DateTime<Utc>> {
    let after = planned.iter().position(|hour| hour.along_m >= along_m)?;
    let end = planned[after];
    let Some(begin) = after.checked_sub(1).map(|before| planned[before]) else {
        return Some(end.at.to_utc());
    };
    let leg_m = end.along_m - begin.along_m;
    let share = if leg_m > 0.0 { (along_m - begin.along_m) / leg_m } else { 0.0 };
    let lasts_s = (end.at - begin.at).as_seconds_f64();
    // An hour at most.
    let into = TimeDelta::seconds((share * lasts_s) as i64);
    Some(begin.at.to_utc() + into)
}
