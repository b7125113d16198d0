//! Being out in the dark, and being looked for in the dark.
//!
//! Sunrise and sunset are the legal ones (the sun's upper edge on the horizon, 0.833°); civil dawn
//! and dusk (6° below) are the practical limit of seeing a person. COLREGS Rule 20: lights from
//! sunset to sunrise; Rule 25(d)(ii): under oars at least a torch or lantern ready at hand; 33 CFR
//! 175.115: night signals from sunset to sunrise on coastal waters.
//!
//! A trip over several days is told that its nights are in it: the plan doesn't say that they are
//! spent ashore.

use chrono::{DateTime, Utc};

use super::facts::first_outside;
use super::{Ashore, Caution, Facts, Level, Limits, Stretch, words};

pub(super) const ID: &str = "daylight";

const SOURCE: &str = "COLREGS Rules 20 and 25(d)(ii); 33 CFR 175.115 (night signals); a search in \
                      the dark: common practice, no source";

pub(super) fn raise(facts: &Facts<'_>, _: &Limits) -> Vec<Caution> {
    let times = &facts.plan.times;
    let (launch, return_by, overdue) = (times.launch.at, times.return_by.at, facts.overdue_at);
    let (sun, civil) = (&facts.light.sun, &facts.light.civil);
    let outside = |light: &[Stretch], to| first_outside(light, launch, to).is_some();
    let gear = &facts.plan.gear;
    let lit = gear.light == Some(true) && gear.night_signals == Some(true);
    let level = if outside(civil, return_by) {
        if lit { Level::Warning } else { Level::Danger }
    } else if outside(sun, return_by) || outside(civil, overdue) {
        if lit { Level::Caution } else { Level::Warning }
    } else if outside(sun, overdue) {
        Level::Caution
    } else {
        return Vec::new();
    };
    let unlit = if lit { "" } else { ", and the plan doesn't name both a light and night signals" };
    let text = format!("{}{unlit}.", sentence(facts));
    let clears = match (outside(sun, return_by), lit) {
        (true, true) => "A launch after sunrise and a return before sunset.".to_owned(),
        (true, false) => {
            "A launch after sunrise and a return before sunset; a white light at hand and signals \
             that can be seen at night make it less grave."
                .to_owned()
        }
        (false, _) => early_enough(facts),
    };
    vec![Caution::new(ID, level, text, Ashore::Whole, SOURCE, clears)]
}

/// A return whose first alert would still come before sunset.
fn early_enough(facts: &Facts<'_>) -> String {
    let times = &facts.plan.times;
    let grace = facts.overdue_at - times.return_by.at;
    let by = last_light(&facts.light.sun, facts.overdue_at).map(|sunset| sunset - grace);
    match by.filter(|by| *by > times.launch.at) {
        // Cut to its minute by the clock: the earlier one.
        Some(by) => format!(
            "A return by {}, so that a search would still begin in daylight.",
            words::clock(times, by)
        ),
        None => "A return so early that a search would still begin in daylight.".to_owned(),
    }
}

fn sentence(facts: &Facts<'_>) -> String {
    let times = &facts.plan.times;
    let (launch, return_by) = (times.launch.at, times.return_by.at);
    let day = |at: DateTime<Utc>| at.with_timezone(&times.zone).date_naive();
    let in_the_dark = |at| is_outside(&facts.light.sun, at);
    let nights = (day(return_by) - day(launch)).num_days();
    let is_out = first_outside(&facts.light.sun, launch, return_by).is_some();
    let early = in_the_dark(launch).then(|| {
        let sunrise = next_light(&facts.light.sun, launch);
        format!("the launch at {} is {}", words::clock(times, launch), before(facts, sunrise))
    });
    let late = in_the_dark(return_by).then(|| {
        format!("the return by {} is {}", words::clock(times, return_by), after(facts, return_by))
    });
    let over_night = (is_out && nights > 0).then(|| {
        let nights = if nights == 1 { "a night".to_owned() } else { format!("{nights} nights") };
        format!(
            "the trip goes through {nights}, and the plan doesn't say that the crew is ashore then"
        )
    });
    let searched = is_outside(&facts.light.civil, facts.overdue_at)
        && !is_outside(&facts.light.civil, return_by)
        && late.is_some();
    let searched = searched.then(|| {
        let alert = words::clock(times, facts.overdue_at);
        format!("the first alert would be at {alert}, so that a search begins in the dark")
    });
    let parts: Vec<_> = [early, late, searched, over_night].into_iter().flatten().collect();
    let told = match parts.is_empty() {
        false => words::list(&parts, 4),
        true => format!(
            "if the crew is late, the first alert at {} is {}, and a search begins in the dark",
            words::clock(times, facts.overdue_at),
            after(facts, facts.overdue_at)
        ),
    };
    capitalised(&told)
}

/// `before sunrise at 05:12`.
fn before(facts: &Facts<'_>, sunrise: Option<DateTime<Utc>>) -> String {
    match sunrise {
        Some(at) => format!("before sunrise at {}", words::clock(&facts.plan.times, at)),
        None => "while the sun stays down".to_owned(),
    }
}

/// `after sunset at 21:15`, or after civil dusk.
fn after(facts: &Facts<'_>, at: DateTime<Utc>) -> String {
    let clock = |at| words::clock(&facts.plan.times, at);
    let sunset = last_light(&facts.light.sun, at);
    let dusk = last_light(&facts.light.civil, at).filter(|_| is_outside(&facts.light.civil, at));
    match (sunset, dusk) {
        (Some(sunset), Some(dusk)) => {
            format!("after sunset at {} and full dark at {}", clock(sunset), clock(dusk))
        }
        (Some(sunset), None) => format!("after sunset at {}", clock(sunset)),
        (None, _) => "while the sun stays down".to_owned(),
    }
}

fn is_outside(light: &[Stretch], at: DateTime<Utc>) -> bool {
    !light.iter().any(|stretch| (stretch.from..=stretch.to).contains(&at))
}

fn last_light(light: &[Stretch], at: DateTime<Utc>) -> Option<DateTime<Utc>> {
    light.iter().map(|stretch| stretch.to).filter(|to| *to <= at).max()
}

fn next_light(light: &[Stretch], at: DateTime<Utc>) -> Option<DateTime<Utc>> {
    light.iter().map(|stretch| stretch.from).filter(|from| *from >= at).min()
}

fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
