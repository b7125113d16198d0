//! How long all cautions take on facts that are at hand, for days that raise few and many.
//!
//! `cargo bench --bench cautions`; 1 ms is wanted.
#![allow(clippy::expect_used, missing_docs)]

#[path = "../day/mod.rs"]
mod day;

use std::hint::black_box;
use std::time::Instant;

use day::{Day, alert, at, foreseen, sea, water, waves, wind};

const ROUNDS: u32 = 2_000;

fn main() {
    for (name, day) in [("a calm day", Day::calm()), ("a bad day", bad_day())] {
        let raised = day.cautions().len();
        let mut took_us: Vec<_> = (0..ROUNDS)
            .map(|_| {
                let began = Instant::now();
                black_box(black_box(&day).cautions());
                began.elapsed().as_secs_f64() * 1e6
            })
            .collect();
        took_us.sort_by(f64::total_cmp);
        let (median, last) = (took_us[took_us.len() / 2], took_us[took_us.len() * 99 / 100]);
        println!("{name}: {raised} cautions, p50 {median:.1} µs, p99 {last:.1} µs");
    }
}

/// Everything that can be wrong at once, with a forecast of a week and a route of thirty legs.
fn bad_day() -> Day {
    let mut day = Day { water: water(None), sea: Some(sea(1.2)), ..Day::calm() };
    day.water.wind = Some(wind(24.0, 100.0));
    day.water.waves = Some(waves(1.6));
    day.water.warnings.alerts = vec![alert("Gale Warning"), alert("Small Craft Advisory")];
    day.water.forecast.hours = (0..156)
        .map(|hour| foreseen(20.0, f64::from(hour), at("2026-08-20T09:00"), i64::from(hour) + 1))
        .collect();
    day.reach.at_most_m = Ok(4_000.0);
    day.reach.legs = day.reach.legs.iter().cycle().take(30).cloned().collect();
    day.plan.crew.truncate(1);
    day.plan.crew[0].lifejacket = None;
    day.plan.crew[0].immersion_wear = None;
    day.plan.gear.beacon = Some("9C7F4B013595551".to_owned());
    day.back_at("2026-08-20T23:00")
}
