//! A review on a terminal: the worst first, 78 columns, about a screen.

use std::fmt::Write;

use chrono::{DateTime, FixedOffset};

use super::legs::Leg;
use super::shown::{Passed, Review, Route, WaterShown};
use crate::caution::{Caution, Level, MISSING_TOLD, words};
use crate::conditions::nws::Warnings;
use crate::conditions::{Received, Wind};
use crate::measure::Units;
use crate::plan::Plan;

const COLUMNS: usize = 78;
/// Level words are at most seven letters.
const INDENT: usize = 9;
/// So many lines stand before "More".
const SCREEN: usize = 44;
const LEGS_TOLD: usize = 8;
/// So many letters of a place's name.
const LEG_NAME: usize = 16;

/// The review as plain text. It never clears a plan.
#[must_use]
pub fn text(review: &Review, plan: &Plan) -> String {
    let mut out = String::new();
    line(&mut out, 0, &heading(plan));
    line(&mut out, 0, &times(review, plan));
    if let Some(count) = count(review) {
        line(&mut out, 0, &count);
    }
    out.push('\n');
    cautions(&mut out, review);
    if !review.quiet.is_empty() {
        let quiet = names(&review.quiet);
        line(&mut out, 0, &format!("Checked, and nothing raised within these limits: {quiet}."));
    }
    if !review.unjudged.is_empty() {
        let unjudged = names(&review.unjudged);
        line(&mut out, 0, &format!("Could not be checked, for want of data: {unjudged}."));
    }
    let more = review.unknown.get(MISSING_TOLD..).unwrap_or_default();
    if !more.is_empty() {
        line(&mut out, 0, &format!("Also unknown: {}.", words::list(more, 12)));
    }
    line(&mut out, 0, &review.asked.told());
    water(&mut out, review);
    out.push('\n');
    route(&mut out, review);
    out.push('\n');
    told_by(&mut out, review);
    line(
        &mut out,
        0,
        "This replaces no official service and no forecast: read the marine forecast yourself, and \
         the tide tables, for tides, currents and surf are not looked at here. No caution is no \
         clearance.",
    );
    out
}

/// Rules by their names, without the hyphens.
fn names(ids: &[String]) -> String {
    let names: Vec<_> = ids.iter().map(|id| id.replace('-', " ")).collect();
    words::list(&names, usize::MAX)
}

/// `2 dangers, 1 warning and 3 cautions, the worst first; each says what would clear it.`
fn count(review: &Review) -> Option<String> {
    let of = |level: Level| match review.cautions.iter().filter(|one| one.level == level).count() {
        0 => None,
        1 => Some(format!("1 {}", level.signal_word().to_lowercase())),
        many => Some(format!("{many} {}s", level.signal_word().to_lowercase())),
    };
    let levels = [Level::Danger, Level::Warning, Level::Caution, Level::Notice];
    let counts: Vec<_> = levels.into_iter().filter_map(of).collect();
    let counts = words::list(&counts, usize::MAX);
    let whole = format!("{counts}, the worst first; each says what would clear it.");
    (review.cautions.len() > 1).then_some(whole)
}

fn heading(plan: &Plan) -> String {
    let crew: Vec<_> = plan.crew.iter().map(|member| member.name.as_str()).collect();
    let title = plan.title.as_deref().unwrap_or("A trip without a title");
    format!("{title} - {}", words::list(&crew, 4))
}

fn times(review: &Review, plan: &Plan) -> String {
    let times = &plan.times;
    let launch = times.launch.at.with_timezone(&times.zone).format("%a %-d %B %Y, %H:%M");
    let back = words::clock(times, times.return_by.at);
    let overdue = words::clock(times, review.timing.overdue_at.to_utc());
    format!("{launch} to {back} ({}), overdue from {overdue}", times.zone.name())
}

/// The worst, as many as a screen has room for, and then the others.
fn cautions(out: &mut String, review: &Review) {
    let mut lines = out.lines().count();
    let mut more = false;
    let sources = sources(review);
    for (at, caution) in review.cautions.iter().enumerate() {
        let block = block(caution, number(&sources, caution));
        lines += block.lines().count();
        if at > 0 && lines > SCREEN && !more {
            more = true;
            let _ = writeln!(out, "\nMore ({}):", review.cautions.len() - at);
        }
        out.push_str(&block);
    }
    if !review.cautions.is_empty() {
        out.push('\n');
    }
}

/// Every source once, in the order of the cautions: read once they stand at the end.
fn sources(review: &Review) -> Vec<&str> {
    let mut sources = Vec::new();
    for caution in &review.cautions {
        if !sources.contains(&caution.source.as_ref()) {
            sources.push(caution.source.as_ref());
        }
    }
    sources
}

fn number(sources: &[&str], caution: &Caution) -> usize {
    sources.iter().take_while(|source| **source != caution.source).count() + 1
}

fn told_by(out: &mut String, review: &Review) {
    let sources = sources(review);
    if sources.is_empty() {
        return;
    }
    out.push_str("Where the cautions' numbers and rules are from:\n");
    for (at, source) in sources.iter().enumerate() {
        line(out, 5, &format!("{:>4} {source}.", format!("[{}]", at + 1)));
    }
    out.push('\n');
}

/// What is the matter, whose rule it is, and what would clear it.
fn block(caution: &Caution, source: usize) -> String {
    let mut out = String::new();
    let word = caution.level.signal_word();
    line(&mut out, INDENT, &format!("{word:<INDENT$}{} [{source}]", caution.text));
    line(&mut out, INDENT, &format!("{:INDENT$}Clears: {}", "", caution.clears));
    out
}

/// The readings that don't govern, and the stations without one.
fn water(out: &mut String, review: &Review) {
    let passed = review.water.passed.iter().map(|passed| told(passed, review.units));
    let silent = review
        .water
        .silent
        .iter()
        .map(|silent| format!("station {} {}", silent.station, silent.why));
    let all: Vec<_> = passed.chain(silent).collect();
    if !all.is_empty() {
        line(out, 0, &format!("Other water readings: {}.", words::list(&all, 4)));
    }
    let distance =
        review.water.distance_m.map(|m| format!("{} from the route", review.units.distance(m)));
    let received = review.water.received.as_ref().map(Received::told);
    let how: Vec<_> = distance.into_iter().chain(received).collect();
    if let (Some(source), false) = (&review.water.source, how.is_empty()) {
        line(out, 0, &format!("The water goes by {source}: {}.", how.join("; ")));
    }
    line(out, 0, &warned(&review.water.warnings));
    line(out, 0, &foreseen(&review.water));
}

/// The forecast's range over the trip's hours, as a sentence.
fn foreseen(water: &WaterShown) -> String {
    let forecast = &water.forecast;
    let of = |kn: fn(&Wind) -> f64| forecast.hours.iter().map(kn);
    let least_kn = of(|wind| wind.speed_kn).reduce(f64::min);
    let most_kn = of(Wind::strongest_kn).reduce(f64::max);
    let said = match (least_kn.zip(most_kn), forecast.asked) {
        (Some((least_kn, most_kn)), _) => {
            let range = match (least_kn.round(), most_kn.round()) {
                (least, most) if least == most => format!("{least:.0}"),
                (least, most) => format!("{least:.0} to {most:.0}"),
            };
            format!("{range} kn, gusts included, in the trip's hours (US weather service)")
        }
        (None, true) => "none for the trip's hours".to_owned(),
        (None, false) => "nobody was asked".to_owned(),
    };
    match &forecast.silent {
        silent @ Some(_) if *silent == water.warnings.silent => {
            format!("Wind forecast: {said}, for the same reason.")
        }
        Some(why) => format!("Wind forecast: {said}; the US weather service {why}."),
        None => format!("Wind forecast: {said}."),
    }
}

/// What is warned of, as a sentence.
#[must_use]
pub fn warned(warnings: &Warnings) -> String {
    format!("Weather warnings: {}", warned_of(warnings))
}

/// The same under a label that says what it is.
#[must_use]
pub fn warned_of(warnings: &Warnings) -> String {
    let events: Vec<_> = warnings.alerts.iter().map(|alert| alert.event.as_str()).collect();
    let said = match (warnings.asked, events.is_empty()) {
        (false, _) => "nobody was asked".to_owned(),
        (true, true) => "none read".to_owned(),
        (true, false) => words::list(&events, 6),
    };
    match &warnings.silent {
        Some(why) => format!("{said}; the US weather service {why}."),
        None => format!("{said}."),
    }
}

fn told(passed: &Passed, units: Units) -> String {
    let age = passed.age_s.and_then(|age_s| u32::try_from(age_s).ok());
    let age = age.map_or(String::new(), |age_s| format!(" {} ago", words::span(f64::from(age_s))));
    format!("{} {}{age}, {}", passed.source, units.temperature(passed.temperature_c), passed.why)
}

fn route(out: &mut String, review: &Review) {
    let route = &review.route;
    let from_shore = match (&route.farthest, &route.farthest_unknown) {
        (Some(farthest), _) => format!(
            "at most {} from shore, {} along, where shore bears {:03.0}°",
            review.units.distance(farthest.at_most_m),
            review.units.distance(farthest.along_m),
            farthest.bearing_deg
        ),
        (None, Some(why)) => format!("an unknown distance from shore, for {why}"),
        (None, None) => "an unknown distance from shore".to_owned(),
    };
    line(out, 0, &format!("Route: {}, {from_shore}.", review.units.distance(route.length_m)));
    line(out, 0, &timing(review));
    leg_table(out, route, review.units);
}

fn leg_table(out: &mut String, route: &Route, units: Units) {
    let legs = || route.legs.iter().filter(|leg| leg.length_m > 0.0);
    if legs().next().is_none() {
        return;
    }
    let beyond = route
        .swim_back_m
        .map_or_else(String::new, |m| format!("beyond {}", units.short_distance(m)));
    let cells = ["length", "true", "paddling", "at most off shore", &beyond].map(str::to_owned);
    let _ = writeln!(out, "\n{}", leg_row("", "Legs to", cells).trim_end());
    for (at, leg) in legs().take(LEGS_TOLD).enumerate() {
        let row = leg_row(&(at + 1).to_string(), &leg_end(leg), leg_cells(leg, units));
        let _ = writeln!(out, "{}", row.trim_end());
        if let Some(stay_s) = leg.stay_s {
            line(out, 5, &format!("     then {} there", words::span(stay_s as f64)));
        }
    }
    let more = legs().count().saturating_sub(LEGS_TOLD);
    if more > 0 {
        line(out, 5, &format!("     and {more} more legs"));
    }
}

fn timing(review: &Review) -> String {
    let timing = &review.timing;
    let paddling = match timing.paddling_s {
        Some(seconds) => format!("paddling {}", words::span(seconds as f64)),
        None => "paddling for an unknown time (no speed given)".to_owned(),
    };
    let clock = |at: Option<DateTime<FixedOffset>>| {
        at.map_or_else(|| "none".to_owned(), |at| at.format("%H:%M").to_string())
    };
    let sun = match (timing.sunset, timing.sun.as_deref()) {
        (None, Some(sun)) => format!("sun {sun}"),
        (sunset, _) => format!("sunset {}", clock(sunset)),
    };
    let stays = match timing.stays_s {
        0 => "no stays".to_owned(),
        seconds => format!("stays {}", words::span(seconds as f64)),
    };
    let turn = match timing.turn_back_by {
        Some(at) => format!(" Turn for home by {} at the latest.", at.format("%H:%M")),
        None => String::new(),
    };
    format!(
        "Time: {paddling}, {stays}, {} until the return; {sun}, civil dusk {}.{turn}",
        words::span(timing.available_s as f64),
        clock(timing.civil_dusk)
    )
}

fn leg_row(number: &str, to: &str, cells: [String; 5]) -> String {
    let [length, bearing, paddling, farthest, beyond] = cells;
    format!(
        "{number:>2}  {to:<LEG_NAME$} {length:>7} {bearing:>4} {paddling:>10} {farthest:>18} \
         {beyond:>12}"
    )
}

fn leg_end(leg: &Leg) -> String {
    let to = leg.to.clone().unwrap_or_else(|| format!("{:.3} {:.3}", leg.lat, leg.lon));
    match to.chars().count() {
        0..=LEG_NAME => to,
        _ => to.chars().take(LEG_NAME - 1).chain(['…']).collect(),
    }
}

fn leg_cells(leg: &Leg, units: Units) -> [String; 5] {
    let unknown = || "unknown".to_owned();
    let dash = || "-".to_owned();
    [
        units.short_distance(leg.length_m),
        leg.bearing_deg.map_or_else(dash, |deg| format!("{deg:03.0}°")),
        leg.paddling_s.map_or_else(dash, |seconds| words::span(seconds as f64)),
        leg.farthest_in_words(units).unwrap_or_else(unknown),
        leg.beyond_in_words(units).unwrap_or_else(unknown),
    ]
}

/// Writes a paragraph in lines of [`COLUMNS`]; all but the first are indented. What stands before
/// the first word, and runs of spaces in it, stay.
fn line(out: &mut String, indent: usize, text: &str) {
    let mut column = 0;
    for (at, word) in text.split(' ').enumerate() {
        let width = word.chars().count();
        if at > 0 && column + 1 + width > COLUMNS {
            let _ = write!(out, "\n{:indent$}", "");
            column = indent;
        } else if at > 0 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += width;
    }
    out.push('\n');
}
