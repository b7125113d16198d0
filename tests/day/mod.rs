//! A day on the water for the tests of cautions: everything about it is invented.
#![allow(clippy::expect_used, dead_code)]

use std::sync::LazyLock;

use chrono::{DateTime, TimeDelta, Utc};
use shorelamp::caution::{
    Caution, Facts, LegReach, Level, Light, Limits, Reach, Sea, Stretch, raise,
};
use shorelamp::conditions::nws::{Alert, Warnings};
use shorelamp::conditions::{
    Answer, Forecast, Hours, Kind, Observations, Observed, Reading, Service, Source, Station,
    Water, Waves, Wind,
};
use shorelamp::measure::Span;
use shorelamp::plan::{Plan, read_toml};

/// A plan about which there is nothing to say, on a warm day.
const PLAN: &str = r#"
[times]
launch = "2026-08-20T09:00:00-07:00"
return_by = "2026-08-20T15:00:00-07:00"
grace = "30m"
[pace]
speed_kn = 3.0
[launch]
position = "48.5420 -123.1620"
vehicle = "Green estate car, plate TEST-123"
[[waypoint]]
position = "48.5500 -123.2000"
stay = "1h"
[[crew]]
name = "Ines Halloran"
phone = "+1 360 555 0142"
email = "ines@example.org"
age = 44
wearing = "orange drysuit"
immersion_wear = "drysuit"
lifejacket = "worn"
experience = "Twelve seasons on this water"
[[crew]]
name = "Teo Brandvold"
phone = "+1 360 555 0143"
age = 31
wearing = "red drysuit"
immersion_wear = "drysuit"
lifejacket = "worn"
experience = "Four seasons"
[[craft]]
name = "Petrel"
kind = "double kayak"
colours = "lime hull, black hatch covers"
[gear]
vhf = "handheld, DSC"
beacon = "A22F03504400001"
night_signals = true
light = true
sound_signal = true
[[contact]]
name = "Dunstan Okafor"
email = "dunstan@example.org"
phone = "+1 360 555 0177"
[[contact]]
name = "Mirela Sandoval"
email = "mirela@example.org"
phone = "+1 360 555 0118"
"#;

/// What the rules look at, to be made worse.
#[derive(Clone, Debug)]
pub struct Day {
    pub plan: Plan,
    pub water: Water,
    pub reach: Reach,
    pub light: Light,
    pub grace: Span,
    pub sea: Option<Sea>,
}

impl Day {
    /// Nothing to say: warm water, near the shore, back by day.
    pub fn calm() -> Self {
        static READ: LazyLock<Plan> = LazyLock::new(|| {
            let no_files = |_: &str| Err("no files here".to_owned());
            read_toml(PLAN, &no_files).expect("the plan of these tests")
        });
        let leg = |to: &str, bearing_deg| LegReach {
            to: to.to_owned(),
            length_m: 3_000.0,
            bearing_deg,
            shores_deg: vec![90.0],
        };
        let reach = Reach {
            length_m: 6_000.0,
            at_most_m: Ok(300.0),
            over_land_m: Some(10.0),
            farthest_along_m: Some(3_000.0),
            legs: vec![leg("Kelp edge", 287.0), leg("the ramp", 107.0)],
        };
        let light = Light { sun: days("06:14", "20:07"), civil: days("05:42", "20:39") };
        Day {
            plan: READ.clone(),
            water: water(Some(26.0)),
            reach,
            light,
            grace: Span::from_minutes(30),
            sea: None,
        }
    }

    pub fn cautions(&self) -> Vec<Caution> {
        self.cautions_within(&Limits::default())
    }

    pub fn cautions_within(&self, limits: &Limits) -> Vec<Caution> {
        let facts = Facts {
            plan: &self.plan,
            water: &self.water,
            reach: self.reach.clone(),
            light: self.light.clone(),
            overdue_at: self.plan.times.return_by.at + self.grace.delta(),
            sea: self.sea.clone(),
        };
        raise(&facts, limits)
    }

    /// The level of the worst caution of this name.
    pub fn level(&self, id: &str) -> Option<Level> {
        let cautions = self.cautions();
        cautions.iter().filter(|caution| caution.id == id).map(|caution| caution.level).max()
    }

    /// The sentences of this name.
    pub fn text(&self, id: &str) -> String {
        let cautions = self.cautions();
        let texts = cautions.iter().filter(|caution| caution.id == id);
        texts.map(|caution| caution.text.as_str()).collect::<Vec<_>>().join(" ")
    }

    /// Moves the return to a time on the crew's clocks.
    pub fn back_at(mut self, local: &str) -> Self {
        self.plan.times.return_by.at = at(local);
        self
    }
}

/// An instant from a local time of the San Juan Islands in summer.
pub fn at(local: &str) -> DateTime<Utc> {
    let text = format!("{local}:00-07:00");
    DateTime::parse_from_rfc3339(&text).expect("a time of these tests").to_utc()
}

pub fn water(temperature_c: Option<f64>) -> Water {
    let governs = temperature_c.map(|temperature_c| Reading {
        kind: Kind::Observed,
        temperature_c,
        plus_minus_c: 0.0,
        received: None,
        source: Source::Station("46999".to_owned()),
        distance_m: Some(23_000.0),
        taken_at: Some(at("2026-08-20T08:00")),
        age_s: Some(1800),
    });
    let warnings = Warnings { asked: true, ..Warnings::default() };
    let forecast = calm();
    Water { governs, wind: Some(wind(3.0, 0.0)), warnings, forecast, ..Water::default() }
}

/// Wind half an hour old.
pub fn wind(speed_kn: f64, from_deg: f64) -> Wind {
    Wind {
        speed_kn,
        gust_kn: None,
        from_deg: Some(from_deg),
        source: Source::Station("46999".to_owned()),
        taken_at: Some(at("2026-08-20T08:00")),
        age_s: Some(1800),
        forecast_for: None,
    }
}

/// Wind that is forecast for some hours from a time on.
pub fn foreseen(speed_kn: f64, from_deg: f64, from: DateTime<Utc>, hours: i64) -> Wind {
    Wind {
        source: Source::Forecast,
        taken_at: None,
        age_s: None,
        forecast_for: Some(Hours { from, to: from + TimeDelta::hours(hours) }),
        ..wind(speed_kn, from_deg)
    }
}

/// A light air for ten days.
fn calm() -> Forecast {
    let hours = vec![foreseen(3.0, 0.0, at("2026-08-19T00:00"), 240)];
    Forecast { asked: true, hours, silent: None }
}

/// The same light on each of ten days.
fn days(from: &str, to: &str) -> Vec<Stretch> {
    (0..10)
        .map(|day| {
            let of_day = |clock: &str| at(&format!("2026-08-19T{clock}")) + TimeDelta::days(day);
            Stretch { from: of_day(from), to: of_day(to) }
        })
        .collect()
}

/// Waves half an hour old.
pub fn waves(height_m: f64) -> Waves {
    Waves { height_m, source: Source::Station("46999".to_owned()), age_s: 1800 }
}

/// What a station at the launch says.
pub fn observed(water_c: f64, speed_kn: f64, taken_at: DateTime<Utc>) -> Answer {
    let observed = |value| Some(Observed { value, taken_at });
    Answer {
        station: Station {
            service: Service::Ndbc,
            id: "46999".to_owned(),
            position: Day::calm().plan.launch.position,
            url: None,
        },
        said: Ok(Observations {
            water_c: observed(water_c),
            wind_kn: observed(speed_kn),
            wind_from_deg: observed(20.0),
            ..Observations::default()
        }),
    }
}

/// An estimated sea.
pub fn sea(height_m: f64) -> Sea {
    let (wind, to) = (wind(12.0, 270.0), "Kelp edge".to_owned());
    Sea { height_m, wind, fetch_m: 9_000.0, is_longer: false, to }
}

/// An alert without beginning or end.
pub fn alert(event: &str) -> Alert {
    Alert {
        id: event.to_owned(),
        event: event.to_owned(),
        severity: "Unknown".to_owned(),
        onset: None,
        ends: None,
    }
}
