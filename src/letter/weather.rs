//! The water, the wind and the light: as known when the plan was filed, and as known now, each with
//! its age.

use chrono::{DateTime, TimeDelta, Utc};

use super::brief::{Row, Section};
use super::facts::Facts;
use super::when::Clock;
use super::words;
use crate::conditions::{Kind, Source, Wind};
use crate::measure::{Units, spoken};
use crate::plan::Stated;
use crate::review::{Review, warned_of};
use crate::sun;

/// What a line tells of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum What {
    Water,
    Air,
    Wind,
    Waves,
    /// All of them at once, where none is known.
    All,
    Warnings,
    Asked,
    Sunset,
    Dark,
    Light,
}

/// What is known of one thing.
#[derive(Clone, Debug)]
pub(super) struct Line {
    pub(super) what: What,
    pub(super) told: String,
}

impl What {
    pub(super) fn label(self) -> &'static str {
        match self {
            What::Water => "Water",
            What::Air => "Air",
            What::Wind => "Wind",
            What::Waves => "Waves",
            What::All => "Water, wind, waves",
            What::Warnings => "Warnings",
            What::Asked => "Asked",
            What::Sunset => "Sunset",
            What::Dark => "Dark from about",
            What::Light => "Light",
        }
    }
}

impl Line {
    fn new(what: What, told: impl Into<String>) -> Self {
        Line { what, told: told.into() }
    }
}

/// As known at filing, under its heading.
pub(super) fn then_section(facts: &Facts<'_>, clock: Clock) -> Section {
    section("Water and weather, as known when the plan was filed", then(facts, clock))
}

/// As known when this is written, under its heading.
pub(super) fn now_section(facts: &Facts<'_>, at: DateTime<Utc>) -> Section {
    section("Water, weather and light now", now(facts, at))
}

fn section(title: &str, lines: Vec<Line>) -> Section {
    let rows = lines.into_iter().map(|line| Row::new(line.what.label(), line.told)).collect();
    Section { title: title.to_owned(), rows }
}

/// As known at filing.
pub(super) fn then(facts: &Facts<'_>, clock: Clock) -> Vec<Line> {
    let mut lines = vec![Line::new(What::Water, water(facts, clock))];
    if let Some(stated) = &facts.plan.stated {
        lines.extend(air_and_wind(stated, units(facts), facts.filed_at, clock));
    }
    let timing = facts.review.map(|review| &review.timing);
    if let Some(sunset) = timing.and_then(|timing| timing.sunset) {
        lines.push(Line::new(What::Sunset, clock.full(sunset.to_utc())));
    }
    if let Some(dusk) = timing.and_then(|timing| timing.civil_dusk) {
        lines.push(Line::new(What::Dark, clock.full(dusk.to_utc())));
    }
    lines
}

/// As known when this is written: what the services last said, and the light that is left.
pub(super) fn now(facts: &Facts<'_>, now: DateTime<Utc>) -> Vec<Line> {
    let clock = Clock::new(facts.plan.times.zone);
    let mut lines = match facts.latest {
        Some(latest) => asked_again(latest, now, clock),
        None if facts.from_memory => vec![Line::new(
            What::All,
            "not at hand for this letter. The rescue service has its own sources",
        )],
        None => vec![Line::new(
            What::All,
            "not known: nobody could be asked again since the plan was filed. The rescue service \
             has its own sources",
        )],
    };
    lines.push(Line::new(What::Light, light(facts, now, clock)));
    lines
}

fn asked_again(latest: &Review, now: DateTime<Utc>, clock: Clock) -> Vec<Line> {
    let (water, units) = (&latest.water, latest.units);
    let temperature = match (water.temperature_c, water.kind) {
        (Some(water_c), Kind::Observed) => format!(
            "{}, {}, {}",
            units.temperature(water_c),
            words::clean(water.source.as_deref().unwrap_or("source not known")),
            aged(water.taken_at.map(|at| at.to_utc()), now, clock)
        ),
        _ => "not known: no station has a fresh reading. Count it as cold".to_owned(),
    };
    let wind = water.wind.as_ref().filter(|wind| wind.source != Source::Crew);
    let waves = water.waves.as_ref().map(|waves| {
        let taken_at = latest.reviewed_at.to_utc() - TimeDelta::seconds(waves.age_s);
        let (height, source) =
            (units.height(waves.height_m), words::clean(&waves.source.to_string()));
        format!("{height}, {source}, {}", aged(Some(taken_at), now, clock))
    });
    let not_known = || "not known: no station tells".to_owned();
    vec![
        Line::new(What::Water, temperature),
        Line::new(What::Wind, wind.map_or_else(not_known, |wind| blowing(wind, now, clock))),
        Line::new(What::Waves, waves.unwrap_or_else(not_known)),
        Line::new(What::Warnings, words::clean(&warned_of(&water.warnings))),
        Line::new(What::Asked, clock.full(latest.reviewed_at.to_utc())),
    ]
}

fn blowing(wind: &Wind, now: DateTime<Utc>, clock: Clock) -> String {
    let gusts = wind.gust_kn.map(|kn| format!(", gusts {kn:.0}")).unwrap_or_default();
    let from = match wind.from_deg {
        Some(deg) => format!("from {deg:.0} degrees true"),
        None => "its direction is not known".to_owned(),
    };
    let (kn, source) = (wind.speed_kn, words::clean(&wind.source.to_string()));
    format!("{kn:.0} knots{gusts}, {from}, {source}, {}", aged(wind.taken_at, now, clock))
}

/// When a reading was taken and how old it is.
fn aged(taken_at: Option<DateTime<Utc>>, now: DateTime<Utc>, clock: Clock) -> String {
    match taken_at {
        Some(at) if now > at => format!("taken {}, {} ago", clock.full(at), spoken(now - at)),
        Some(at) => format!("taken {}", clock.full(at)),
        None => "its time is not known".to_owned(),
    }
}

/// How much light is left at the launch, or until when it is dark.
fn light(facts: &Facts<'_>, now: DateTime<Utc>, clock: Clock) -> String {
    let zone = facts.plan.times.zone;
    let today = now.with_timezone(&zone).date_naive();
    let at = facts.plan.launch.position;
    let day = |date| sun::daylight(at, date, zone);
    let Some(light) = day(today) else { return "not known".to_owned() };
    // After midnight the evening before may still be bright far in the north.
    match (light.civil_dawn, light.sunset, light.civil_dusk) {
        (Some(dawn), _, _) if now < dawn => format!("dark until about {}", clock.full(dawn)),
        (_, Some(sunset), dusk) if now < sunset => format!(
            "day; from {} it is {} until sunset at {}{}",
            clock.time(now),
            spoken(sunset - now),
            clock.full(sunset),
            dusk.map(|dusk| format!(", dark from about {}", clock.time(dusk))).unwrap_or_default()
        ),
        (_, _, Some(dusk)) if now < dusk => {
            format!("dusk; dark from about {}, in {}", clock.full(dusk), spoken(dusk - now))
        }
        (_, _, Some(_)) => match today.succ_opt().and_then(day).and_then(|next| next.civil_dawn) {
            Some(dawn) => format!("dark until about {}", clock.full(dawn)),
            None => "dark".to_owned(),
        },
        _ => format!("the sun is {}", light.sun),
    }
}

fn water(facts: &Facts<'_>, clock: Clock) -> String {
    let read = facts.review.map(|review| &review.water);
    if let Some((water, temperature_c)) = read.and_then(|water| Some((water, water.temperature_c?)))
    {
        let taken_at = water.taken_at.map(|at| at.to_utc());
        let source = words::clean(water.source.as_deref().unwrap_or("its source is not known"));
        if water.kind == Kind::Expected {
            return format!("{}, {source}", units(facts).temperature(temperature_c));
        }
        return format!(
            "{}, {source}, {}",
            units(facts).temperature(temperature_c),
            taken(taken_at, facts.filed_at, clock)
        );
    }
    match facts.plan.stated.as_ref().and_then(|stated| Some((stated, stated.water_c?))) {
        Some((stated, water_c)) => format!(
            "{}, stated by the crew, {}",
            units(facts).temperature(water_c),
            taken(stated.taken_at, facts.filed_at, clock)
        ),
        None if facts.from_memory => "not at hand for this letter: count it as cold".to_owned(),
        None => "temperature unknown: count it as cold".to_owned(),
    }
}

/// The keeper's, as the review has them.
pub(super) fn units(facts: &Facts<'_>) -> Units {
    facts.review.map(|review| review.units).unwrap_or_default()
}

fn air_and_wind(stated: &Stated, units: Units, filed_at: DateTime<Utc>, clock: Clock) -> Vec<Line> {
    let taken = taken(stated.taken_at, filed_at, clock);
    let mut lines = Vec::new();
    if let Some(air_c) = stated.air_c {
        let air = units.temperature(air_c);
        lines.push(Line::new(What::Air, format!("{air}, stated by the crew, {taken}")));
    }
    if let Some(wind_kn) = stated.wind_kn {
        let from = stated.wind_from_deg.map(|deg| format!(" from {deg:.0} degrees true"));
        let from = from.unwrap_or_default();
        lines.push(Line::new(
            What::Wind,
            format!("{wind_kn:.0} knots{from}, stated by the crew, {taken}"),
        ));
    }
    lines
}

/// When a reading was taken, and how old it was at filing.
fn taken(taken_at: Option<DateTime<Utc>>, filed_at: DateTime<Utc>, clock: Clock) -> String {
    let Some(at) = taken_at else { return "its time is not known".to_owned() };
    let age = filed_at - at;
    let before = if age > TimeDelta::minutes(1) {
        format!(", {} before filing", spoken(age))
    } else {
        String::new()
    };
    format!("taken {}{before}", clock.full(at))
}
