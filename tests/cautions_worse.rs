//! Making one thing worse never removes a caution and never lowers one.
#![allow(clippy::expect_used)]

mod day;

use chrono::TimeDelta;
use day::{Day, alert, foreseen, observed, sea, water, waves, wind};
use proptest::prelude::*;
use shorelamp::caution::{Limits, checked};
use shorelamp::conditions::{Kind, Trust, Water, Wind, choose, height_on_fetch_m};
use shorelamp::measure::Span;
use shorelamp::plan::{Lifejacket, Wear};

/// A day of any kind: water, distance, speed, hours out, grace, and what of the gear is left.
fn any_day() -> impl Strategy<Value = Day> {
    let water_c = prop::option::weighted(0.8, -2.0_f64..32.0);
    let reach = (0.0_f64..40_000.0, prop::option::weighted(0.8, 0.0_f64..5_000.0));
    let speed_kn = prop::option::weighted(0.8, 0.5_f64..10.0);
    let gear = (0_usize..3, 0_usize..3, any::<u16>());
    (water_c, reach, speed_kn, 0.2_f64..60.0, 0_u32..180, gear).prop_map(
        |(water_c, (length_m, at_most_m), speed_kn, hours, grace, (jacket, suit, kept))| {
            let mut day = Day { water: water(water_c), ..Day::calm() };
            day.reach.length_m = length_m;
            day.reach.at_most_m = at_most_m.ok_or_else(|| "it was not measured".to_owned());
            day.plan.pace.speed_kn = speed_kn;
            day.grace = Span::from_minutes(grace);
            let launch = day.plan.times.launch.at;
            day.plan.times.return_by.at = launch + TimeDelta::seconds((hours * 3600.0) as i64);
            day.plan.crew[0].lifejacket = Some(JACKETS[jacket]);
            day.plan.crew[0].immersion_wear = Some(SUITS[suit]);
            for (at, lose) in LOSSES.iter().enumerate() {
                if kept & (1 << at) == 0 {
                    lose(&mut day);
                }
            }
            day
        },
    )
}

const JACKETS: [Lifejacket; 3] = [Lifejacket::Worn, Lifejacket::Carried, Lifejacket::None];
const SUITS: [Wear; 3] = [Wear::Drysuit, Wear::Wetsuit, Wear::None];

/// What can be lacking.
const LOSSES: [fn(&mut Day); 13] = [
    |day| day.plan.gear.light = None,
    |day| day.plan.gear.night_signals = None,
    |day| day.plan.gear.sound_signal = None,
    |day| day.plan.gear.vhf = None,
    |day| day.plan.gear.beacon = None,
    |day| day.plan.crew[0].phone = None,
    |day| day.plan.crew[0].wearing = None,
    |day| day.plan.crew[0].experience = None,
    |day| day.plan.craft.clear(),
    |day| day.plan.launch.vehicle = None,
    |day| day.plan.contacts.truncate(1),
    |day| day.plan.contacts[0].phone = None,
    |day| day.plan.contacts[0].email = "ines@example.org".to_owned(),
];

/// The worse day has each caution of the better one, at its level or above.
fn never_lowers(better: &Day, worse: &Day) -> Result<(), TestCaseError> {
    for id in checked() {
        prop_assert!(
            worse.level(id) >= better.level(id),
            "{id}: {:?} became {:?}\n{}\n{}",
            better.level(id),
            worse.level(id),
            better.text(id),
            worse.text(id)
        );
    }
    Ok(())
}

/// The same day, made worse.
fn worse(day: &Day, change: impl FnOnce(&mut Day)) -> Day {
    let mut worse = day.clone();
    change(&mut worse);
    worse
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn colder(day in any_day(), by_c in 0.0_f64..30.0) {
        if let Some(water_c) = day.water.temperature_c() {
            never_lowers(&day, &worse(&day, |day| day.water = water(Some(water_c - by_c))))?;
        }
    }

    /// A reading of water and wind that grows older, past where it becomes history, by months: the
    /// last wind known still counts.
    #[test]
    fn staler(day in any_day(), water_c in -2.0_f64..32.0, speed_kn in 0.0_f64..40.0, minutes in 0_i64..60_000, later in 0_i64..60_000) {
        let now = day.plan.times.launch.at;
        let aged = |minutes: i64| worse(&day, |day| {
            let answer = observed(water_c, speed_kn, now - TimeDelta::minutes(minutes));
            let heard = choose(&[answer], None, &day.plan.route(), Trust::default(), now);
            day.water = Water { warnings: day.water.warnings.clone(), forecast: day.water.forecast.clone(), ..heard };
        });
        never_lowers(&aged(minutes), &aged(minutes + later))?;
    }

    /// Unknown water is no better than any water down to what it counts as.
    #[test]
    fn unknown_water(day in any_day(), water_c in 10.0_f64..32.0) {
        let known = worse(&day, |day| day.water = water(Some(water_c)));
        never_lowers(&known, &worse(&day, |day| day.water = water(None)))?;
    }

    #[test]
    fn farther(day in any_day(), by_m in 0.0_f64..3_000.0) {
        if let Ok(at_most_m) = day.reach.at_most_m {
            never_lowers(&day, &worse(&day, |day| day.reach.at_most_m = Ok(at_most_m + by_m)))?;
        }
    }

    #[test]
    fn longer(day in any_day(), by_m in 0.0_f64..30_000.0) {
        never_lowers(&day, &worse(&day, |day| day.reach.length_m += by_m))?;
    }

    /// Later, into the evening, the night, and days after; with more time the pace may ease.
    #[test]
    fn a_later_return_is_no_lighter(day in any_day(), hours in 0.0_f64..40.0) {
        let better = day.level("daylight");
        let later = worse(&day, |day| {
            day.plan.times.return_by.at += TimeDelta::seconds((hours * 3600.0) as i64);
        });
        prop_assert!(later.level("daylight") >= better);
    }

    #[test]
    fn less_time(day in any_day(), part in 0.0_f64..1.0) {
        let times = day.plan.times.clone();
        let out_s = (times.return_by.at - times.launch.at).num_seconds() as f64;
        let less = worse(&day, |day| {
            day.plan.times.return_by.at = times.launch.at + TimeDelta::seconds((out_s * part) as i64);
        });
        for id in ["pace", "turnaround"] {
            prop_assert!(less.level(id) >= day.level(id), "{id}");
        }
    }

    #[test]
    fn a_longer_grace(day in any_day(), minutes in 0_u32..600) {
        let grace = Span::from_seconds(day.grace.seconds() + 60 * minutes);
        never_lowers(&day, &worse(&day, |day| day.grace = grace))?;
    }

    /// Slower, among the speeds that are believed; a faster one is doubted for itself.
    #[test]
    fn slower(day in any_day(), part in 0.05_f64..1.0) {
        let speed_kn = day.plan.pace.speed_kn.unwrap_or(3.0).min(4.0);
        let better = worse(&day, |day| day.plan.pace.speed_kn = Some(speed_kn));
        let slower = worse(&day, |day| day.plan.pace.speed_kn = Some(speed_kn * part));
        never_lowers(&better, &slower)?;
    }

    #[test]
    fn a_faster_boast(day in any_day(), by_kn in 0.0_f64..5.0) {
        let speed_kn = day.plan.pace.speed_kn.unwrap_or(3.0).max(4.1);
        let better = worse(&day, |day| day.plan.pace.speed_kn = Some(speed_kn));
        let faster = worse(&day, |day| day.plan.pace.speed_kn = Some(speed_kn + by_kn));
        never_lowers(&better, &faster)?;
    }

    #[test]
    fn less_gear(day in any_day(), loss in 0_usize..LOSSES.len()) {
        never_lowers(&day, &worse(&day, LOSSES[loss]))?;
    }

    #[test]
    fn a_lesser_life_jacket_and_suit(day in any_day(), less in 0_usize..3) {
        let jacket = JACKETS.iter().position(|jacket| day.plan.crew[0].lifejacket == Some(*jacket));
        let suit = SUITS.iter().position(|suit| day.plan.crew[0].immersion_wear == Some(*suit));
        let (jacket, suit) = (jacket.expect("one of them"), suit.expect("one of them"));
        never_lowers(&day, &worse(&day, |day| day.plan.crew[0].lifejacket = Some(JACKETS[jacket.max(less)])))?;
        never_lowers(&day, &worse(&day, |day| day.plan.crew[0].lifejacket = None))?;
        never_lowers(&day, &worse(&day, |day| day.plan.crew[0].immersion_wear = Some(SUITS[suit.max(less)])))?;
        never_lowers(&day, &worse(&day, |day| day.plan.crew[0].immersion_wear = None))?;
    }

    #[test]
    fn windier(day in any_day(), speed_kn in 0.0_f64..40.0, by_kn in 0.0_f64..20.0, from_deg in 0.0_f64..360.0) {
        let with = |speed_kn| worse(&day, |day| day.water.wind = Some(wind(speed_kn, from_deg)));
        never_lowers(&with(speed_kn), &with(speed_kn + by_kn))?;
        let gusty = worse(&with(speed_kn), |day| {
            day.water.wind = Some(Wind { gust_kn: Some(speed_kn + by_kn), ..wind(speed_kn, from_deg) });
        });
        never_lowers(&with(speed_kn), &gusty)?;
        let unknown = worse(&with(speed_kn), |day| {
            day.water.wind = Some(Wind { from_deg: None, ..wind(speed_kn, from_deg) });
        });
        never_lowers(&with(speed_kn), &unknown)?;
    }

    /// The same of a wind that is forecast, and of one that nobody forecasts.
    #[test]
    fn windier_by_the_forecast(day in any_day(), speed_kn in 0.0_f64..40.0, by_kn in 0.0_f64..20.0, from_deg in 0.0_f64..360.0) {
        let from = day.plan.times.launch.at;
        let with = |speed_kn| worse(&day, |day| {
            day.water.forecast.hours.push(foreseen(speed_kn, from_deg, from, 6));
        });
        never_lowers(&day, &with(speed_kn))?;
        never_lowers(&with(speed_kn), &with(speed_kn + by_kn))?;
        let unknown = worse(&with(speed_kn), |day| {
            if let Some(wind) = day.water.forecast.hours.last_mut() {
                wind.from_deg = None;
            }
        });
        never_lowers(&with(speed_kn), &unknown)?;
        let calm = worse(&day, |day| day.water.forecast.hours.truncate(1));
        never_lowers(&calm, &worse(&calm, |day| day.water.forecast.hours.clear()))?;
    }

    #[test]
    fn a_longer_fetch_and_a_stronger_wind_on_it(speed_kn in 0.0_f64..60.0, by_kn in 0.0_f64..20.0, fetch_m in 0.0_f64..2e5, by_m in 0.0_f64..2e5) {
        let low_m = height_on_fetch_m(speed_kn, fetch_m);
        prop_assert!(height_on_fetch_m(speed_kn + by_kn, fetch_m) >= low_m);
        prop_assert!(height_on_fetch_m(speed_kn, fetch_m + by_m) >= low_m);
    }

    #[test]
    fn a_higher_estimate(day in any_day(), height_m in 0.0_f64..3.0, by_m in 0.0_f64..3.0) {
        let with = |height_m| worse(&day, |day| day.sea = Some(sea(height_m)));
        never_lowers(&day, &with(height_m))?;
        never_lowers(&with(height_m), &with(height_m + by_m))?;
    }

    #[test]
    fn higher_waves_and_more_warnings(day in any_day(), height_m in 0.0_f64..3.0, by_m in 0.0_f64..3.0) {
        let with = |height_m| worse(&day, |day| day.water.waves = Some(waves(height_m)));
        never_lowers(&with(height_m), &with(height_m + by_m))?;
        let warned = worse(&day, |day| day.water.warnings.alerts.push(alert("Small Craft Advisory")));
        never_lowers(&day, &warned)?;
        never_lowers(&warned, &worse(&warned, |day| day.water.warnings.alerts.push(alert("Gale Warning"))))?;
    }

    /// What was read turns out doubtful, or is merely expected.
    #[test]
    fn doubtful_or_merely_expected(day in any_day(), water_c in -2.0_f64..32.0) {
        let known = worse(&day, |day| day.water = water(Some(water_c)));
        never_lowers(&known, &worse(&known, |day| day.water.doubt = Some("why".to_owned())))?;
        let expected = worse(&known, |day| {
            if let Some(reading) = &mut day.water.governs {
                reading.kind = Kind::Expected;
                reading.plus_minus_c = 4.0;
            }
        });
        never_lowers(&known, &expected)?;
    }

    #[test]
    fn a_younger_crew(day in any_day(), age in 1_u32..60, by in 0_u32..60) {
        let of = |age| worse(&day, |day| day.plan.crew[0].age = Some(age));
        never_lowers(&of(age + by), &of(age))?;
    }

    /// A partner less: all but the pace and the turn for home, where somebody alone is believed to
    /// be faster, and what only a group can be.
    #[test]
    fn a_partner_less(day in any_day()) {
        let alone = worse(&day, |day| drop(day.plan.crew.pop()));
        for id in checked().filter(|id| !["pace", "turnaround", "group"].contains(id)) {
            prop_assert!(alone.level(id) >= day.level(id), "{id}");
        }
    }

    /// Stricter limits never silence anything.
    #[test]
    fn a_stricter_limit(day in any_day(), by_c in 0.0_f64..10.0) {
        let mut strict = Limits::default();
        strict.cold_water.caution_c += by_c;
        strict.cold_water.warning_c += by_c;
        strict.immersion_wear.recommended_c += by_c;
        let worst = |cautions: Vec<shorelamp::caution::Caution>, id: &str| {
            cautions.iter().filter(|caution| caution.id == id).map(|caution| caution.level).max()
        };
        for id in checked() {
            prop_assert!(worst(day.cautions_within(&strict), id) >= worst(day.cautions(), id), "{id}");
        }
    }
}
