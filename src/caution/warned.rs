//! What the weather service warns of during the trip.
//!
//! Only the United States' service is asked. It tells of watches, warnings, advisories and
//! statements; which of them end a trip is not ours to say, so that a warning is as bad as it gets.
//! Events are told apart by the words in their names, whatever their capitals.

use super::{Ashore, Caution, Facts, Level, Limits, words};
use crate::conditions::nws::{Alert, UNNAMED};

pub(super) const ID: &str = "weather-warning";

const SOURCE: &str = "US National Weather Service, alerts in force";
/// So many are named.
const TOLD: usize = 3;

/// What ends trips in small craft, in the words of the service's names.
const MARINE: [&str; 17] = [
    "small craft",
    "gale",
    "storm",
    "hurricane",
    "hazardous seas",
    "marine",
    "brisk wind",
    "freezing spray",
    "lake wind",
    "rip current",
    "beach hazards",
    "surf",
    "fog",
    "flood",
    "tsunami",
    "tornado",
    "wind",
];

pub(super) fn raise(facts: &Facts<'_>, _: &Limits) -> Vec<Caution> {
    let from = facts.plan.times.launch.at;
    let mut during: Vec<_> = facts
        .water
        .warnings
        .alerts
        .iter()
        .filter(|alert| alert.touches(from, facts.overdue_at))
        .map(|alert| (level(alert), alert.event.as_str()))
        .collect();
    // Of what is equally grave, names tell more.
    during.sort_by_key(|(level, event)| (std::cmp::Reverse(*level), *event == UNNAMED));
    let Some((worst, _)) = during.first() else { return Vec::new() };
    let events: Vec<_> = during.iter().map(|(_, event)| *event).collect();
    let text = format!("In force during the trip: {}.", words::list(&events, TOLD));
    let clears = "Read them at the weather service; another day.";
    vec![Caution::new(ID, *worst, text, Ashore::Whole, SOURCE, clears)]
}

fn level(alert: &Alert) -> Level {
    // Whatever the service meant by words that we don't show, it may be the worst.
    if alert.event == UNNAMED {
        return Level::Danger;
    }
    let event = alert.event.to_lowercase();
    let marine = MARINE.iter().any(|word| event.contains(word));
    match marine {
        true if event.ends_with("warning") => Level::Danger,
        true => Level::Warning,
        false => Level::Caution,
    }
}
