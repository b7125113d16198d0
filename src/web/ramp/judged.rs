//! A review as the ramp page shows it: the worst first.

use chrono::{DateTime, Utc};

use crate::caution::{Level, words};
use crate::letter::Clock;
use crate::plan::Plan;
use crate::review::{Asked, Leg, Review};
use crate::web::words::from_now;

/// A review in words.
pub(super) struct Judged {
    pub(super) cautions: Vec<Warned>,
    pub(super) unknown: Vec<String>,
    pub(super) asked: Asked,
    pub(super) lines: Vec<String>,
    pub(super) swim_back: String,
    pub(super) legs: Vec<LegRow>,
    pub(super) chart: Option<String>,
}

/// A row of the table of legs.
pub(super) struct LegRow {
    pub(super) to: String,
    pub(super) cells: [String; 5],
}

pub(super) struct Warned {
    pub(super) level: &'static str,
    pub(super) text: String,
    pub(super) clears: String,
    pub(super) source: String,
}

impl Judged {
    pub(super) fn of(review: &Review, plan: &Plan, chart: Option<String>) -> Self {
        let cautions = review.cautions.iter().map(|caution| Warned {
            level: match caution.level {
                Level::Notice => "NOTICE",
                Level::Caution => "CAUTION",
                Level::Warning => "WARNING",
                Level::Danger => "DANGER",
            },
            text: caution.text.clone(),
            clears: caution.clears.clone(),
            source: caution.source.to_string(),
        });
        let clock = Clock::new(plan.times.zone);
        Judged {
            cautions: cautions.collect(),
            unknown: review.unknown.clone(),
            asked: review.asked.clone(),
            lines: [route(review), vec![water(review)], light(review, clock)].concat(),
            swim_back: review
                .route
                .swim_back_m
                .map(|m| review.units.short_distance(m))
                .unwrap_or_default(),
            legs: legs(review),
            chart,
        }
    }
}

/// The times read back: a slip in a date shows here.
pub(super) fn times(plan: &Plan, overdue_at: DateTime<Utc>, now: DateTime<Utc>) -> Vec<String> {
    let clock = Clock::new(plan.times.zone);
    let told = |what: &str, at| format!("{what} {}, {}.", clock.full(at), from_now(at, now));
    vec![
        told("Launch", plan.times.launch.at),
        told("Back by", plan.times.return_by.at),
        told("Your contacts are told that you are overdue at", overdue_at),
    ]
}

fn route(review: &Review) -> Vec<String> {
    let route = &review.route;
    let far = match (&route.farthest, &route.farthest_unknown) {
        (Some(farthest), _) => {
            format!("Farthest from shore: at most {}.", review.units.distance(farthest.at_most_m))
        }
        (None, Some(why)) => format!("Farthest from shore: unknown, since {why}."),
        (None, None) => "Farthest from shore: unknown.".to_owned(),
    };
    vec![format!("Length of the route: {}.", review.units.distance(route.length_m)), far]
}

fn legs(review: &Review) -> Vec<LegRow> {
    let units = review.units;
    let dash = || "-".to_owned();
    let row = |(at, leg): (usize, &Leg)| LegRow {
        to: leg.to.clone().unwrap_or_else(|| format!("place {}", at + 1)),
        cells: [
            units.short_distance(leg.length_m),
            leg.bearing_deg.map_or_else(dash, |deg| format!("{deg:03.0}°")),
            leg.paddling_s.map_or_else(dash, |seconds| words::span(seconds as f64)),
            leg.farthest_in_words(units).unwrap_or_else(|| "unknown".to_owned()),
            leg.beyond_in_words(units).unwrap_or_else(|| "unknown".to_owned()),
        ],
    };
    review.route.legs.iter().enumerate().filter(|(_, leg)| leg.length_m > 0.0).map(row).collect()
}

fn water(review: &Review) -> String {
    let water = &review.water;
    match (water.temperature_c, &water.source) {
        (Some(temperature_c), Some(source)) => {
            format!("Water: {}, from {source}.", review.units.temperature(temperature_c))
        }
        (Some(temperature_c), None) => {
            format!("Water: {}.", review.units.temperature(temperature_c))
        }
        (None, _) => "Water: temperature unknown, and counted as cold.".to_owned(),
    }
}

fn light(review: &Review, clock: Clock) -> Vec<String> {
    let sunset = review.timing.sunset.map(|at| format!("Sunset: {}.", clock.full(at.to_utc())));
    sunset.into_iter().collect()
}
