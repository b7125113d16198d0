//! What the law asks for, case by case. The sections and when they were looked at stand beside each
//! row of the tables; the cases are worked out from those texts.
#![allow(clippy::expect_used)]

mod day;

use chrono_tz::Tz;
use day::{Day, at};
use shorelamp::caution::Level;
use shorelamp::measure::Position;
use shorelamp::plan::Lifejacket;

fn in_zone(zone: Tz, lat: f64, lon: f64) -> Day {
    let mut day = Day::calm();
    day.plan.times.zone = zone;
    day.plan.launch.position = Position::new(lat, lon).expect("a place");
    day
}

fn superior() -> Day {
    in_zone(Tz::America__Chicago, 46.81, -90.82)
}

fn law(day: &Day) -> String {
    assert!(day.level("law").is_none_or(|level| level == Level::Notice), "papers can't hurt");
    day.text("law")
}

/// A 17-foot kayak on Lake Superior by day: life jackets and a sound signal, no throwable device
/// (175.17(a)), no signals (175.115(b)); after sunset signals for the night and a white light.
#[test]
fn a_long_kayak_on_a_great_lake() {
    let mut day = superior();
    day.plan.craft[0].length_m = Some(17.0 * 0.3048);
    day.plan.gear.light = None;
    day.plan.gear.night_signals = None;
    assert_eq!(law(&day), "", "by day, with a whistle and jackets");
    day.plan.gear.sound_signal = None;
    assert!(law(&day).contains("a means of making a sound signal"));
    // Sunset 20:07 here: back by 20:37, half an hour after it.
    let dark = day.clone().back_at("2026-08-20T20:37");
    assert!(law(&dark).contains("signals for the night") && law(&dark).contains("a white light"));
    // Back before sunset, and the grace ends after it.
    let grace = day.clone().back_at("2026-08-20T19:50");
    assert!(law(&grace).contains("signals for the night"));
    day.plan.crew[0].lifejacket = Some(Lifejacket::None);
    assert!(law(&day).contains("a life jacket aboard for Ines Halloran"));
}

/// 175.15(c): under 13 worn, from 13 on carried is enough; a state's own age goes before it.
#[test]
fn a_child_of_twelve_wears_it_and_one_of_thirteen_carries_it() {
    let mut day = superior();
    day.plan.crew[1].lifejacket = Some(Lifejacket::Carried);
    day.plan.crew[1].age = Some(13);
    assert_eq!(law(&day), "");
    day.plan.crew[1].age = Some(12);
    assert!(law(&day).contains("worn by Teo Brandvold, under 13 (check your state's age)"));
}

/// 175.15(b) spares kayaks and canoes the throwable device; a paddleboard of 16 feet is neither.
#[test]
fn a_long_board_needs_a_throwable_device() {
    let mut day = superior();
    day.plan.craft[0].kind = Some("paddleboard".to_owned());
    day.plan.craft[0].length_m = Some(15.9 * 0.3048);
    assert_eq!(law(&day), "");
    day.plan.craft[0].length_m = Some(16.0 * 0.3048);
    assert!(law(&day).contains("a throwable device"));
}

/// The seasons' first and last days are inside, and any day of the trip counts.
#[test]
fn the_states_cold_seasons() {
    let massachusetts = |from: &str, to: &str| {
        let mut day = in_zone(Tz::America__New_York, 42.6, -70.6).back_at(to);
        day.plan.times.launch.at = at(from);
        day.plan.crew[1].lifejacket = Some(Lifejacket::Carried);
        law(&day)
    };
    let asks = |text: &str| text.contains("worn by Teo Brandvold in this season");
    assert!(!asks(&massachusetts("2026-09-14T09:00", "2026-09-14T15:00")));
    assert!(asks(&massachusetts("2026-09-15T09:00", "2026-09-15T15:00")));
    assert!(asks(&massachusetts("2026-05-15T09:00", "2026-05-15T15:00")));
    assert!(!asks(&massachusetts("2026-05-16T09:00", "2026-05-16T15:00")));
    assert!(asks(&massachusetts("2026-09-13T09:00", "2026-09-16T15:00")), "its last day is inside");

    for (state, lat, lon) in [
        ("New York", 43.0, -76.0),
        ("Pennsylvania", 41.0, -78.0),
        ("Connecticut", 41.2, -73.0),
        ("New Jersey", 39.8, -74.2),
    ] {
        let mut day = in_zone(Tz::America__New_York, lat, lon).back_at("2026-11-01T15:00");
        day.plan.times.launch.at = at("2026-11-01T09:00");
        day.plan.crew[0].lifejacket = Some(Lifejacket::Carried);
        assert!(law(&day).contains(&format!("if this is {state}")), "{state}: {}", law(&day));
        day.plan.crew[0].lifejacket = Some(Lifejacket::Worn);
        assert!(!law(&day).contains("in this season"), "{state}");
    }
}

/// Known from one list alone, and told so; only near that river.
#[test]
fn the_upper_potomac() {
    let on = |lon: f64| {
        let mut day = in_zone(Tz::America__New_York, 39.3, lon).back_at("2026-11-20T15:00");
        day.plan.times.launch.at = at("2026-11-20T09:00");
        day.plan.crew[0].lifejacket = Some(Lifejacket::Carried);
        law(&day)
    };
    assert!(on(-77.7).contains("if this is Maryland, on the Upper Potomac"), "{}", on(-77.7));
    assert!(!on(-76.0).contains("Maryland"));
}

/// Unresolved between the federal exemption and what two states print.
#[test]
fn where_the_sources_conflict_the_state_is_to_be_asked() {
    let mut day = in_zone(Tz::America__New_York, 42.6, -70.6);
    day.plan.craft[0].length_m = Some(17.0 * 0.3048);
    assert!(law(&day).contains("check your state's rule, if this is Massachusetts"));
    day.plan.craft[0].length_m = Some(15.0 * 0.3048);
    assert_eq!(law(&day), "");
}

/// SOR/2010-91 as consolidated in 2026.
#[test]
fn canada() {
    let mut day = in_zone(Tz::America__Vancouver, 48.8, -123.5);
    day.plan.craft[0].length_m = Some(5.5);
    let text = law(&day);
    assert!(text.contains("heaving line of 15 m") && text.contains("a bailer or pump"), "{text}");
    assert!(!text.contains("pyrotechnics"), "{text}");
    day.plan.craft[0].length_m = Some(6.1);
    assert!(law(&day).contains("six pyrotechnics, at most two of smoke"));
    // Section 220: a sealed sit-on-top of which everybody wears a jacket.
    day.plan.craft[0].kind = Some("sit-on-top kayak".to_owned());
    assert_eq!(law(&day), "");
    let mut dark = day.clone().back_at("2026-08-20T20:37");
    dark.plan.gear.light = None;
    assert!(law(&dark).contains("a watertight flashlight"), "{}", law(&dark));
    day.plan.crew[1].lifejacket = Some(Lifejacket::Carried);
    assert!(law(&day).contains("heaving line"));
    day.plan.crew[1].age = Some(15);
    assert!(law(&day).contains("inherently buoyant life jacket for Teo Brandvold, under 16"));
}

/// Ireland asks that jackets are worn; the United Kingdom asks for little by law.
#[test]
fn ireland_and_the_united_kingdom() {
    let mut irish = in_zone(Tz::Europe__Dublin, 51.6, -9.5);
    assert_eq!(law(&irish), "");
    irish.plan.crew[0].lifejacket = Some(Lifejacket::Carried);
    assert!(law(&irish).contains("worn by Ines Halloran, in an open craft under 7 m"));
    let british = in_zone(Tz::Europe__London, 56.4, -5.5);
    assert!(law(&british).contains("a radar reflector, if one can be carried"));
}

/// Where no table is, the collision rules still hold, and the gap is told.
#[test]
fn elsewhere_the_gap_is_told() {
    let mut day = in_zone(Tz::Pacific__Fiji, -16.8, 179.9);
    assert!(day.text("missing-data").contains("what the law asks for here"));
    day.plan.gear.sound_signal = None;
    assert!(law(&day).contains("a sound signal"));
    let sources = day.cautions();
    let source = sources.iter().find(|one| one.id == "law").map(|one| one.source.to_string());
    assert!(
        source.is_some_and(|source| source.contains("COLREGS Rule 33(b) (seen in undated copies)"))
    );
}
