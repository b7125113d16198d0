//! What each rule raises and when: limits against their published numbers.
#![allow(clippy::expect_used)]

mod day;

use day::{Day, water};
use shorelamp::caution::Level::{Caution, Danger, Warning};
use shorelamp::caution::{Level, Limits, checked};
use shorelamp::measure::Span;
use shorelamp::plan::{Lifejacket, Wear};

fn levels(day: &Day, ids: &[&str]) -> Vec<Option<Level>> {
    ids.iter().map(|id| day.level(id)).collect()
}

#[test]
fn a_calm_day_raises_nothing() {
    assert_eq!(Day::calm().cautions(), []);
}

/// 25 °C and 10 °C: House, J R Nav Med Serv 2017;103:189-193. 15.6 °C is 60 °F: Canadian Safe
/// Boating Council.
#[test]
fn cold_water_goes_by_its_published_edges() {
    for (temperature_c, level) in [
        (Some(25.1), None),
        (Some(25.0), Some(Caution)),
        (Some(15.7), Some(Caution)),
        (Some(15.6), Some(Warning)),
        (Some(10.1), Some(Warning)),
        (Some(10.0), Some(Danger)),
        (Some(-1.5), Some(Danger)),
        (None, Some(Danger)),
    ] {
        let day = Day { water: water(temperature_c), ..Day::calm() };
        assert_eq!(day.level("cold-water"), level, "{temperature_c:?}");
    }
    let cold = Day { water: water(Some(9.1)), ..Day::calm() }.text("cold-water");
    assert!(cold.contains("9.1 °C (48 °F) (station 46999, 30 min ago)"), "{cold}");
    let unknown = Day { water: water(None), ..Day::calm() }.text("cold-water");
    assert!(unknown.contains("unknown and counts as 10.0 °C (50 °F)"), "{unknown}");
}

#[test]
fn a_keeper_can_move_a_limit() {
    let limits = Limits::read("[cold_water]\ncaution_c = 30").expect("limits");
    let cautions = Day::calm().cautions_within(&limits);
    assert!(cautions.iter().any(|caution| caution.id == "cold-water"));
}

/// Thermal protection below 70 °F (21.1 °C); the suits' 15 °C is common practice, no source.
#[test]
fn a_suit_is_asked_for_by_the_water() {
    for (wear, temperature_c, level) in [
        (Some(Wear::None), Some(21.2), None),
        (Some(Wear::None), Some(21.1), Some(Caution)),
        (Some(Wear::None), Some(15.6), Some(Warning)),
        (None, Some(10.0), Some(Danger)),
        (None, None, Some(Danger)),
        (Some(Wear::Wetsuit), Some(15.1), None),
        (Some(Wear::Wetsuit), Some(15.0), Some(Caution)),
        (Some(Wear::Wetsuit), Some(9.0), Some(Warning)),
        (Some(Wear::Drysuit), Some(4.0), None),
    ] {
        let mut day = Day { water: water(temperature_c), ..Day::calm() };
        day.plan.crew[1].immersion_wear = wear;
        assert_eq!(day.level("immersion-wear"), level, "{wear:?} at {temperature_c:?}");
    }
}

#[test]
fn a_life_jacket_not_worn_is_told_with_the_name() {
    for (lifejacket, warm, cold) in [
        (Some(Lifejacket::Worn), None, None),
        (Some(Lifejacket::Carried), Some(Caution), Some(Danger)),
        (Some(Lifejacket::None), Some(Warning), Some(Danger)),
        (None, Some(Warning), Some(Danger)),
    ] {
        let mut day = Day::calm();
        day.plan.crew[1].lifejacket = lifejacket;
        assert_eq!(day.level("lifejacket"), warm, "{lifejacket:?}");
        assert_eq!(day.text("lifejacket").contains("Teo Brandvold"), warm.is_some());
        day.water = water(Some(12.0));
        assert_eq!(day.level("lifejacket"), cold, "{lifejacket:?}");
    }
}

/// Novices swam 806.5 ± 189.1 m at 10 °C (Lounsbury 2004): one deviation less is 617 m, so 600.
/// 800 to 1500 m at 10 to 14 °C (Ducharme and Lounsbury 2007). Nothing below 10 °C.
#[test]
fn the_distance_goes_by_the_published_swims() {
    for (at_most_m, temperature_c, level) in [
        (600.0, Some(12.0), None),
        (617.0, Some(12.0), Some(Warning)),
        (1500.0, Some(10.0), Some(Warning)),
        (1501.0, Some(14.0), Some(Danger)),
        (1501.0, Some(14.1), Some(Warning)),
        (700.0, Some(20.0), Some(Caution)),
        (600.0, Some(20.0), None),
        (50.0, Some(9.9), Some(Warning)),
        (700.0, Some(9.9), Some(Danger)),
        (50.0, None, Some(Warning)),
        (700.0, None, Some(Danger)),
    ] {
        let mut day = Day { water: water(temperature_c), ..Day::calm() };
        day.reach.at_most_m = Ok(at_most_m);
        assert_eq!(day.level("distance"), level, "{at_most_m} m at {temperature_c:?}");
    }
    let mut day = Day { water: water(Some(9.9)), ..Day::calm() };
    day.reach.at_most_m = Ok(2115.0);
    assert!(
        day.text("distance").contains("2.1 km (1.1 nautical miles)"),
        "{}",
        day.text("distance")
    );
}

#[test]
fn an_unknown_distance_is_a_caution_of_its_own() {
    let mut day = Day::calm();
    day.reach.at_most_m = Err("there is no shoreline of these waters".to_owned());
    assert_eq!(levels(&day, &["distance", "missing-data"]), [Some(Caution), Some(Caution)]);
    assert!(day.text("distance").contains("no shoreline of these waters"));
    day.water = water(None);
    assert_eq!(day.level("distance"), Some(Warning));

    let mut nowhere = Day::calm();
    nowhere.plan.waypoints.clear();
    let ids = ["distance", "pace", "missing-data"];
    assert_eq!(levels(&nowhere, &ids), [Some(Caution), Some(Caution), Some(Warning)]);
    assert!(nowhere.text("missing-data").contains("where the crew goes"));

    let mut ashore = Day::calm();
    ashore.reach.over_land_m = Some(2300.0);
    assert_eq!(ashore.level("distance"), Some(Caution));
}

/// 6 km at 3 kn are 1 h 04 min 48 s (1 kn is 1852 m an hour); with an hour's stay 2 h 04 min 48 s.
#[test]
fn the_pace_leaves_a_margin() {
    for (back, level) in [
        ("11:37", None),          // a quarter more is 2 h 36 min
        ("11:35", Some(Caution)), // not quite
        ("11:05", Some(Caution)), // just enough
        ("11:04", Some(Warning)), // not enough
    ] {
        let day = Day::calm().back_at(&format!("2026-08-20T{back}"));
        assert_eq!(day.level("pace"), level, "{back}");
    }
    let day = Day::calm().back_at("2026-08-20T11:00");
    let text = "At 3 kn, the 6.0 km (3.2 nautical miles) take 1 h 5 min and the stays 1 h, and \
                there are 2 h until the return: 5 min too few.";
    assert_eq!(day.text("pace"), text);
}

/// 6 km at 2 kn are 1 h 37 min 12 s.
#[test]
fn without_a_speed_a_slow_one_is_shown() {
    let mut day = Day::calm();
    day.plan.pace.speed_kn = None;
    assert_eq!(day.level("pace"), Some(Caution));
    assert!(day.text("pace").contains("at a slow 2 kn") && day.text("pace").contains("1 h 37 min"));
    assert_eq!(day.back_at("2026-08-20T11:36").level("pace"), Some(Warning));
}

#[test]
fn a_speed_beyond_belief_is_doubted_and_not_counted_on() {
    let mut day = Day::calm();
    day.plan.pace.speed_kn = Some(4.1);
    assert_eq!(day.level("pace"), Some(Caution));
    day.plan.crew.truncate(1);
    assert_eq!(day.level("pace"), None, "alone 5 kn are believed");
    // At 12 kn the time would do; at the 5 kn that are believed it does not.
    day.plan.pace.speed_kn = Some(12.0);
    day.reach.length_m = 30_000.0;
    assert_eq!(day.back_at("2026-08-20T12:00").level("pace"), Some(Warning));
}

#[test]
fn the_dark_is_told_by_the_return_and_by_the_alert() {
    // Sunset 20:07, civil dusk 20:39; grace 30 min.
    for (back, lit, unlit) in [
        ("2026-08-20T19:37", None, None),
        ("2026-08-20T19:38", Some(Caution), Some(Caution)),
        ("2026-08-20T20:08", Some(Caution), Some(Warning)),
        ("2026-08-20T20:40", Some(Warning), Some(Danger)),
        ("2026-08-22T12:00", Some(Warning), Some(Danger)),
    ] {
        let mut day = Day::calm().back_at(back);
        assert_eq!(day.level("daylight"), lit, "{back}");
        day.plan.gear.light = None;
        assert_eq!(day.level("daylight"), unlit, "{back}, no word of a light");
    }
    let late = Day::calm().back_at("2026-08-20T19:38").text("daylight");
    assert!(late.contains("first alert at 20:08 is after sunset at 20:07"), "{late}");
    let dark = Day::calm().back_at("2026-08-20T21:00").text("daylight");
    assert!(
        dark.contains("return by 21:00 is after sunset at 20:07 and full dark at 20:39"),
        "{dark}"
    );
    let nights = Day::calm().back_at("2026-08-22T12:00").text("daylight");
    assert!(nights.contains("through 2 nights"), "{nights}");
}

#[test]
fn a_launch_before_sunrise_is_told() {
    let mut day = Day::calm();
    day.plan.times.launch.at = day::at("2026-08-20T06:00");
    assert_eq!(day.level("daylight"), Some(Caution));
    assert!(day.text("daylight").contains("The launch at 06:00 is before sunrise at 06:14"));
    day.plan.times.launch.at = day::at("2026-08-20T05:00");
    assert_eq!(day.level("daylight"), Some(Warning));
}

#[test]
fn polar_day_and_polar_night() {
    let mut day = Day::calm().back_at("2026-08-20T23:30");
    let always = shorelamp::caution::Stretch {
        from: day::at("2026-08-19T00:00"),
        to: day::at("2026-08-23T00:00"),
    };
    day.light.sun = vec![always];
    day.light.civil = vec![always];
    assert_eq!(day.level("daylight"), None);
    day.light.sun = Vec::new();
    assert_eq!(day.level("daylight"), Some(Caution));
    assert!(day.text("daylight").contains("while the sun stays down"));
    day.light.civil = Vec::new();
    assert_eq!(day.level("daylight"), Some(Warning));
}

#[test]
fn alone_compounds_with_cold_and_distance() {
    let mut day = Day::calm();
    assert_eq!(day.level("alone"), None);
    day.plan.crew.truncate(1);
    assert_eq!(day.level("alone"), Some(Caution));
    day.reach.at_most_m = Ok(700.0);
    assert_eq!(day.level("alone"), Some(Warning));
    day.water = water(Some(15.6));
    assert_eq!(day.level("alone"), Some(Danger));
    day.reach.at_most_m = Ok(300.0);
    assert_eq!(day.level("alone"), Some(Warning));
    day.reach.at_most_m = Err("unknown".to_owned());
    assert_eq!(day.level("alone"), Some(Danger));
}

#[test]
fn contacts_must_be_ashore_and_more_than_one() {
    let mut one = Day::calm();
    one.plan.contacts.truncate(1);
    assert_eq!(one.level("contacts"), Some(Caution));
    assert!(one.text("contacts").contains("Only Dunstan Okafor ashore is told"));

    let mut same = Day::calm();
    same.plan.contacts[1].email = "DUNSTAN@example.org".to_owned();
    assert_eq!(same.level("contacts"), Some(Caution), "two names at one address are one contact");

    let mut mute = Day::calm();
    mute.plan.contacts[1].phone = None;
    assert!(mute.text("contacts").contains("No telephone number is given of Mirela Sandoval"));

    let mut afloat = Day::calm();
    afloat.plan.contacts[1].email = "Ines@Example.org".to_owned();
    assert_eq!(afloat.level("contacts"), Some(Warning));
    afloat.plan.contacts[0].phone = Some("+1 (360) 555-0143".to_owned());
    assert_eq!(afloat.level("contacts"), Some(Danger));
    assert!(afloat.text("contacts").contains("nobody ashore is told at all"));
}

#[test]
fn missing_data_is_ranked_by_worth_to_a_searcher() {
    let mut day = Day::calm();
    for member in &mut day.plan.crew {
        member.phone = None;
    }
    day.plan.craft[0].colours = None;
    day.plan.crew[0].wearing = None;
    day.plan.launch.vehicle = None;
    day.water = water(None);
    let expected = "Not known, most useful to a search first: a telephone afloat, the colours of \
                    the craft, what is worn, and its colours, by Ines Halloran, the vehicle left \
                    at the launch and the water temperature.";
    assert_eq!(day.text("missing-data"), expected);
    assert_eq!(day.level("missing-data"), Some(Caution));
    day.plan.gear.vhf = Some("none".to_owned());
    day.plan.gear.beacon = None;
    assert_eq!(day.level("missing-data"), Some(Warning));
    assert!(day.text("missing-data").contains("any way to call from the water"));
}

/// Common practice, no source: the middle (65 °F, 18.3 °C), better the upper sixties (68 °F, 20 °C).
#[test]
fn beginners_wait_for_late_summer() {
    for (temperature_c, level) in [
        (Some(20.0), None),
        (Some(19.9), Some(Caution)),
        (Some(18.2), Some(Warning)),
        (None, Some(Warning)),
    ] {
        let mut day = Day { water: water(temperature_c), ..Day::calm() };
        assert_eq!(day.level("beginner"), None, "nobody is one");
        day.plan.crew[1].beginner = Some(true);
        assert_eq!(day.level("beginner"), level, "{temperature_c:?}");
        day.plan.crew[1].beginner = None;
        day.plan.crew[1].experience = None;
        assert_eq!(day.level("beginner"), level, "no experience told at {temperature_c:?}");
        day.plan.crew.remove(0);
        let alone = if level == Some(Warning) { Some(Danger) } else { level };
        assert_eq!(day.level("beginner"), alone);
    }
    let mut day = Day { water: water(Some(22.0)), ..Day::calm() };
    day.plan.crew[1].beginner = Some(true);
    let stated = shorelamp::plan::Stated { air_c: Some(12.0), ..Default::default() };
    day.plan.stated = Some(stated);
    assert_eq!(day.level("beginner"), Some(Caution), "the air is warm too");
}

#[test]
fn the_worst_comes_first_and_nothing_is_ever_called_safe() {
    let mut day =
        Day { water: water(None), grace: Span::ZERO, ..Day::calm() }.back_at("2026-08-20T22:00");
    day.plan.crew.truncate(1);
    day.plan.crew[0].lifejacket = None;
    day.plan.crew[0].immersion_wear = None;
    day.plan.crew[0].experience = None;
    day.plan.contacts.truncate(1);
    day.plan.pace.speed_kn = None;
    day.reach.at_most_m = Err("there is no shoreline of these waters".to_owned());
    day.plan.gear.light = None;
    day.plan.gear.beacon = Some("9C7F4B013595551".to_owned());
    day.plan.crew[0].age = Some(12);
    day.water.wind = Some(day::wind(30.0, 90.0));
    day.water.waves = Some(day::waves(2.0));
    day.water.warnings.alerts.push(day::alert("Gale Warning"));
    // A turn for home too late, and a group, would need a speed and a crew.
    let mut fast = Day::calm().back_at("2026-08-20T10:30");
    fast.plan.crew.extend_from_within(..);
    fast.plan.crew.extend_from_within(..);
    let cautions = [day.cautions(), fast.cautions()].concat();
    let ids: Vec<_> = cautions.iter().map(|caution| caution.id.as_ref()).collect();
    for id in checked() {
        assert!(ids.contains(&id), "{id} is not raised on the worst day");
    }
    assert!(day.cautions().is_sorted_by_key(|caution| std::cmp::Reverse(caution.level)));
    for caution in &cautions {
        let all = format!("{} {} {}", caution.text, caution.source, caution.clears);
        assert!(!all.to_lowercase().contains("safe"), "{all}");
        assert!(caution.text.ends_with('.') && !caution.text.contains("  "), "{}", caution.text);
        assert!(!caution.source.is_empty() && !caution.clears.is_empty());
    }
}
