//! `conditions near`: what is measured near a place at this moment, and what a trip there would be
//! judged by.

use std::fmt::Write;
use std::path::Path;

use chrono::{DateTime, SubsecRound, Utc};
use clap::{Args, Subcommand};
use serde::Serialize;

use super::exit::{Done, Exit, Failure};
use super::{assemble, print};
use crate::caution::words;
use crate::conditions::nws::Warnings;
use crate::conditions::{
    Answer, Expected, Kind, Measured, Service, Water, What, choose, expected, measured,
};
use crate::daemon::Judge;
use crate::fetch::Questions;
use crate::measure::{Position, Units};
use crate::review;

/// Tell what is measured on the water
#[derive(Debug, Subcommand)]
pub(super) enum Conditions {
    Near(Near),
}

/// Ask the nearest stations, whatever `water.nearby` says, and those of the settings
#[derive(Debug, Args)]
pub(super) struct Near {
    /// Where, in one word or two: 48.5160 -123.1524, or "48°30.96'N 123°09.14'W"
    #[arg(value_name = "POSITION", allow_hyphen_values = true)]
    position: String,
    /// Its longitude, where the latitude stands by itself
    #[arg(value_name = "LONGITUDE", allow_negative_numbers = true)]
    longitude: Option<String>,
    /// Print it as JSON
    #[arg(long)]
    json: bool,
}

/// What was heard, and what would govern.
#[derive(Debug, Serialize)]
struct Heard {
    lat: f64,
    lon: f64,
    asked_at: DateTime<Utc>,
    water: Governs,
    readings: Vec<Measured>,
    silent: Vec<Silent>,
    warnings: Warnings,
}

/// The water by which a trip would be judged.
#[derive(Debug, Serialize)]
struct Governs {
    temperature_c: Option<f64>,
    cold_end_c: Option<f64>,
    kind: Kind,
    source: Option<String>,
    doubt: Option<String>,
    why: String,
}

#[derive(Debug, Serialize)]
struct Silent {
    service: Option<Service>,
    station: String,
    why: String,
}

impl Conditions {
    pub(super) async fn run(self, config: &Path) -> Done {
        let Conditions::Near(near) = self;
        let words = [near.position, near.longitude.unwrap_or_default()].join(" ");
        let position = words.trim().parse::<Position>();
        let at = position.map_err(|error| Failure::new(Exit::Usage, error.to_string()))?;
        let settings = assemble::settings(config)?;
        let judge = assemble::judge(&settings, config)?;
        let heard = heard(&judge, at).await;
        if !near.json {
            return print::say(text(&heard, at, settings.service.units).trim_end());
        }
        let document = serde_json::to_value(&heard)
            .map_err(|error| Failure::new(Exit::Software, format!("no JSON: {error}")))?;
        print::say_json(&document)
    }
}

async fn heard(judge: &Judge, at: Position) -> Heard {
    let near = [at];
    let questions = Questions { nearby: true, ..judge.questions.clone() };
    let heard = judge.asker.hear(&questions, &near).await;
    let now = Utc::now();
    let water = choose(&heard.answers, None, &near, judge.trust, now)
        .expecting(expected(&judge.tables, at, now.date_naive()))
        .mistrusting(judge.limits.upwelling.of_conditions(), shore_deg(judge, at), now);
    let lists = heard.silent.into_iter().map(|one| Silent {
        service: None,
        station: one.station,
        why: one.why,
    });
    Heard {
        lat: at.lat_deg(),
        lon: at.lon_deg(),
        asked_at: now.trunc_subsecs(0),
        readings: measured(&heard.answers, &water, &near, now),
        silent: heard.answers.iter().filter_map(silent).chain(lists).collect(),
        warnings: heard.warnings,
        water: Governs::of(&water),
    }
}

fn shore_deg(judge: &Judge, at: Position) -> Option<f64> {
    judge.shores.nearest(at).map(|(nearest, _)| nearest.bearing_deg)
}

fn silent(answer: &Answer) -> Option<Silent> {
    let (service, station) = (Some(answer.station.service), answer.station.id.clone());
    let why = match &answer.said {
        Err(why) => why.clone(),
        Ok(said) => format!("{}; what it said earlier is told", said.kept.as_ref()?),
    };
    Some(Silent { service, station, why })
}

impl Governs {
    fn of(water: &Water) -> Self {
        let of_table = |one: &Expected| format!("nobody measures near; {}", one.source);
        let why = match (water.kind(), &water.doubt) {
            (_, Some(doubt)) => format!("{doubt}: it counts as unknown"),
            (Kind::Observed, None) => "the coldest that is fresh, near and timed".to_owned(),
            (Kind::Expected, None) => water.expected.as_ref().map_or_else(String::new, of_table),
            (_, None) => "no reading is fresh, near and timed: it counts as cold".to_owned(),
        };
        Governs {
            temperature_c: water.temperature_c(),
            cold_end_c: water.cold_end_c(),
            kind: water.kind(),
            source: water.governs.as_ref().map(|reading| reading.source.to_string()),
            doubt: water.doubt.clone(),
            why,
        }
    }
}

fn text(heard: &Heard, at: Position, units: Units) -> String {
    let mut out = format!(
        "Conditions near {}, asked at {}\n\n{}\n\n",
        at.degrees_minutes(),
        heard.asked_at.format("%a %-d %b %Y, %H:%M UTC"),
        governs(&heard.water, units)
    );
    let mut of = None;
    for reading in &heard.readings {
        if of != Some(reading.what) {
            of = Some(reading.what);
            let _ = writeln!(out, "{}", reading.what.name());
        }
        out.push_str(&row(reading, units));
    }
    if heard.readings.is_empty() {
        out.push_str("No station near gave a reading.\n");
    }
    for silent in &heard.silent {
        let service =
            silent.service.map_or(String::new(), |service| format!("{} ", service.name()));
        let _ = writeln!(out, "\nNo answer: {service}{} {}.", silent.station, silent.why);
    }
    let _ = writeln!(out, "\n{}", review::warned(&heard.warnings));
    out.push_str(
        "What is measured elsewhere may differ where you are. Nothing here clears a trip.",
    );
    out
}

fn governs(water: &Governs, units: Units) -> String {
    match (water.temperature_c, &water.source) {
        (Some(c), Some(source)) => format!(
            "Water: a trip here would be judged by {}, {source}: {}.",
            units.temperature(water.cold_end_c.unwrap_or(c)),
            water.why
        ),
        _ => format!("Water: unknown; {}.", water.why),
    }
}

/// A reading in two or three lines.
fn row(reading: &Measured, units: Units) -> String {
    let away = reading.distance_m.map_or("?".to_owned(), |m| units.distance(m));
    let age = u32::try_from(reading.age_s).map_or(String::new(), |age_s| match age_s {
        0..60 => ", just now".to_owned(),
        age_s => format!(", {} ago", words::span(f64::from(age_s))),
    });
    let mut out = format!(
        "  {:<18} {} {}, {away} away, {}{age}\n",
        value(reading, units),
        reading.service.name(),
        reading.station,
        reading.taken_at.format("%-d %b %H:%M UTC"),
    );
    if let Some(received) = &reading.received {
        let _ = writeln!(out, "  {:<18} {}", "", received.told());
    }
    let verdict = match (reading.governs, reading.what) {
        (_, What::Air) => "",
        (true, _) => "governs: ",
        (false, _) => "does not govern: ",
    };
    let _ = writeln!(out, "  {:<18} {verdict}{}", "", reading.why);
    out
}

/// In both units where a mistake would hurt.
fn value(reading: &Measured, units: Units) -> String {
    let value = reading.value;
    match reading.what {
        What::Water | What::Air => units.temperature(value),
        What::Wind | What::Gusts => format!("{value:.0} kn ({})", units.speed(value)),
        What::WindFrom => format!("{value:03.0}°"),
        What::Waves => units.height(value),
    }
}
