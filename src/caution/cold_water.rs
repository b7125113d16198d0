//! Cold water.
//!
//! House, J R Nav Med Serv 2017;103:189-193: the gasp begins in water below 25 °C and is at its
//! worst at 10 °C. Canadian Safe Boating Council: cold shock below 15.5 °C (60 °F). Giesbrecht's
//! "one minute, ten minutes, one hour" (in Medicine for Mountaineering). The published thresholds
//! disagree; the level goes by the strictest that applies, and nobody's survival time is told,
//! since drowning comes first.

use super::{Ashore, Caution, Facts, Level, Limits, words};
use crate::conditions::{Kind, Reading};

pub(super) const ID: &str = "cold-water";

const SOURCE: &str = "House, J R Nav Med Serv 2017;103:189-193 (25 and 10 °C); CSBC, cold \
                      shock (60 °F); Giesbrecht, one minute - ten minutes - one hour";

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let water_c = facts.water_c(limits);
    let bounds = &limits.cold_water;
    let (level, what) = if water_c <= bounds.danger_c {
        (
            Level::Danger,
            "falling in takes the breath for a minute, and useful hands within about ten minutes",
        )
    } else if water_c <= bounds.warning_c {
        (Level::Warning, "falling in takes the breath, and strength goes within minutes")
    } else if water_c <= bounds.caution_c {
        (Level::Caution, "cool enough that falling in makes one gasp")
    } else {
        return Vec::new();
    };
    let water = water(facts, limits, water_c);
    let text = format!("{water}: {what}.");
    // The temperature and where it is from, not what falling in does.
    let ashore = Ashore::Instead(format!("{water}."));
    let warmer = limits.units.temperature(bounds.caution_c);
    let known = facts.water.cold_end_c().is_some() && facts.water.kind() != Kind::Expected;
    let measure = match known {
        true => format!("only water above {warmer} clears it"),
        false => format!(
            "a fresh reading, stated with its time, tells more, and above {warmer} clears it"
        ),
    };
    let clears = format!(
        "A worn life jacket, a suit for this water and a route close to shore make a fall less \
         deadly; {measure}."
    );
    vec![Caution::new(ID, level, text, ashore, SOURCE, clears)]
}

/// The temperature with where it is from, and how far other fresh readings are from it.
fn water(facts: &Facts<'_>, limits: &Limits, water_c: f64) -> String {
    let temperature = limits.units.temperature(water_c);
    let Some(reading) = &facts.water.governs else {
        return format!(
            "The water temperature is unknown and counts as {temperature}{}",
            cold_end(facts, water_c)
        );
    };
    let measured = limits.units.temperature(reading.temperature_c);
    if let Some(doubt) = &facts.water.doubt {
        return format!(
            "The water was {measured} ({}, {}), but {doubt}: it counts as {temperature}{}",
            reading.source,
            age(reading),
            cold_end(facts, water_c)
        );
    }
    if reading.kind == Kind::Expected {
        return format!("The water may be {temperature}; {measured} is {}", reading.source);
    }
    let spread_c = facts.water.spread_c();
    let spread = match spread_c >= 1.0 {
        true => format!("; elsewhere up to {}", limits.units.temperature(water_c + spread_c)),
        false => String::new(),
    };
    format!("The water is {temperature} ({}, {}{spread})", reading.source, age(reading))
}

/// What unknown water counts by, where that is something else than our own choice.
fn cold_end(facts: &Facts, water_c: f64) -> String {
    match facts.water.coldest() {
        Some((coldest_c, source)) if coldest_c <= water_c => format!(" ({source})"),
        _ => String::new(),
    }
}

fn age(reading: &Reading) -> String {
    let seconds = reading.age_s.map_or(0, |age_s| u32::try_from(age_s).unwrap_or(u32::MAX));
    match seconds {
        0..60 => "just now".to_owned(),
        seconds => format!("{} ago", words::span(f64::from(seconds))),
    }
}
