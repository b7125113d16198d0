//! What a rescue coordinator asks a caller for: the questions of the US National Search and Rescue
//! Manual, volume I, section 412, and of the US Coast Guard's addendum to it, chapter 3 (read in
//! excerpts and put in our own words). An alert of a full plan answers each, or says that it is
//! not told.

use shorelamp::letter::{Facts, compose};
use shorelamp::watch::{By, Event, Kind, Recipient};

use super::story::{Sent, Story, flat, one};

const ANSWERED: [(&str, &str); 27] = [
    (
        "who reports, and how to reach them",
        "My name is Dunstan Okafor. My telephone number is +1 360 555 0177.",
    ),
    ("relation of the caller", "contact ashore named in their plan: brother"),
    ("nature of the incident", "I want to report 2 people overdue on the water."),
    ("when it happened", "they count as overdue since 12:45 on Sunday 14 June"),
    ("last known position, and how it is known", "I have no position since then, only the plan"),
    (
        "position in degrees and minutes",
        "48 degrees 32.520 minutes north, 123 degrees 09.720 minutes west",
    ),
    ("position in decimal degrees", "48.54200 -123.16200"),
    ("departure place", "Gravel ramp below the county park"),
    ("departure time", "05:30 on Sunday 14 June"),
    ("route and stops", "Point 1: Kelp edge, 48 degrees 33.000 minutes north"),
    ("destination", "Then back to the launch"),
    ("return time and zone", "back by 12:30 on Sunday 14 June local time, PDT, which is 19:30 UTC"),
    ("speed", "Speed: 3.0 knots"),
    ("experience", "Experience: Twelve seasons on this water"),
    ("type and length of the craft", "sit-on-top kayak, named Petrel, 4.3 metres long"),
    ("colours of the craft", "lime hull, black hatch covers, red paddle blades"),
    ("marks on the craft", "Name and telephone number on the stern"),
    ("number aboard", "People aboard: 2"),
    ("age", "Ines Halloran: 44 years old"),
    ("medical condition", "medical: Asthma, inhaler in the left pocket"),
    (
        "clothing and life jackets worn or carried",
        "life jacket only carried in the craft, not worn",
    ),
    ("telephones aboard", "carries telephone +1 360 555 0142"),
    ("radio equipment", "VHF radio: handheld, DSC; MMSI 833 800 001"),
    ("beacon", "beacon 9C7 F4B 013 595 551"),
    ("visible signals", "distress signals for the night; a white light; a whistle or horn"),
    ("vehicle", "Green estate car, roof bars, plate TEST-123, lower lot"),
    (
        "who else was told, and who has called",
        "Mirela: neighbour; telephone +1 360 555 0118; has the plan, no alert so far; no answer",
    ),
];

const NOT_TOLD: [&str; 6] = [
    "whether they launched, and their position since",
    "other landing places they may have chosen",
    "of Tomas Bright: telephone, anything medical",
    "sex and build of the crew",
    "a satellite tracker or shared location, and where to see it",
    "waves, visibility, tide and currents, then and now",
];

fn overdue(story: &mut Story) -> String {
    let sent = story.minutes_after_overdue(0).tick();
    flat(&one(&sent, Recipient::Contact(0), Kind::Overdue).text)
}

#[test]
fn the_alert_of_a_full_plan_answers_each_question_or_says_that_it_cannot() {
    let text = overdue(&mut Story::filed());
    for (question, answer) in ANSWERED {
        assert!(text.contains(answer), "{question}: {answer:?} not in {text}");
    }
    let (_, not_told) = text.split_once("Not told in this plan").expect("what is not told");
    for what in NOT_TOLD {
        assert!(not_told.contains(what), "{what} not in {not_told}");
    }
}

#[test]
fn what_was_known_at_filing_is_told_with_its_age() {
    let text = overdue(&mut Story::filed());
    for known in [
        "Water: 9.5 °C (49 °F), NDBC station 46088, taken Sun 14 Jun, 04:20 (4:20 am PDT), 40 min before filing",
        "Wind: 12 knots from 270 degrees true, stated by the crew",
        "Farthest from shore: 2.4 km (1.3 nautical miles), at 48.55000 -123.20000",
        "Time of paddling: 2 h 1 min at that speed",
        "Sunset: Sun 14 Jun, 21:13 (9:13 pm PDT)",
        "DANGER: The water is 9.5 °C (49 °F) (NDBC station 46088, 40 min ago).",
    ] {
        assert!(text.contains(known), "{known} not in {text}");
    }
}

/// How long a body lasts in cold water was told to the crew, for planning. To a family in the night
/// it foretells a death.
#[test]
fn no_letter_ashore_foretells_how_long_anybody_lasts() {
    let sent = super::story::whole_story();
    for Sent { order, letter } in &sent {
        let to_crew = matches!(order.to, Recipient::Crew(_));
        for part in [&letter.text, &letter.html].map(|part| flat(part).to_lowercase()) {
            for word in ["exhausted", "unconscious", "drown", "the worst", "useful hands", "breath"]
            {
                assert!(
                    to_crew || !part.contains(word),
                    "{word} in {} to {}",
                    order.kind,
                    order.to
                );
            }
        }
    }
    let text = |to, kind| flat(&one(&sent, to, kind).text);
    assert!(text(Recipient::Crew(0), Kind::Filed).contains("exhausted or unconscious in 30 min"));
    let filed = text(Recipient::Contact(0), Kind::Filed);
    assert!(filed.contains("Left out here: figures for planning a trip in cold water"), "{filed}");
    assert!(filed.contains("CAUTION: Dunstan and Mirela have never answered"), "{filed}");
}

#[test]
fn the_smallest_plan_says_all_that_it_does_not_tell() {
    let smallest = r#"
        [times]
        launch = "2026-06-14T05:30"
        return_by = "2026-06-14T12:30"
        [launch]
        position = "48.5420 -123.1620"
        [[crew]]
        name = "Ines Halloran"
        [[contact]]
        name = "Dunstan Okafor"
        email = "dunstan@example.org"
    "#;
    let mut story = Story::of(smallest, "2026-06-14T12:00:00Z");
    story.review = None;
    let text = overdue(&mut story);
    assert!(
        text.contains("Call now: the coast guard's centre"),
        "no telephone to try first: {text}"
    );
    assert!(text.contains("The plan tells no telephone of theirs: go to step 2 now."));
    for what in [
        "temperature unknown: count it as cold",
        "what they paddle, and its colours",
        "of Ines Halloran: telephone, age, anything medical, colours of the clothing, wetsuit or \
         drysuit, whether a life jacket is worn, how well they swim, experience",
        "What craft they paddle, kayak, canoe or board, is not in their plan.",
        "Ines Halloran: the plan tells nothing more.",
        "I don't know whether they have a radio",
        "The plan tells of no vehicle at the launch.",
        "no figure: what they paddle is not told",
        "whether they have a VHF radio",
        "whether they have a beacon",
        "a vehicle or trailer left at the launch",
        "the water's temperature",
    ] {
        assert!(text.contains(what), "{what} not in {text}");
    }
}

/// One of the party is ashore, and the service was down for a day: the script has the days, and
/// names who can tell more.
#[test]
fn a_day_late_the_script_names_the_days_and_who_is_ashore() {
    let mut story = Story::filed();
    let by = By::Crew(None);
    story.minutes_after_overdue(-60).happens(Event::CheckedIn { who: vec![1], by, how: None });
    let sent = story.minutes_after_overdue(26 * 60).tick();
    let text = flat(&one(&sent, Recipient::Contact(0), Kind::CallRescue).text);
    for words in [
        "overdue since 12:45 on Sunday 14 June. The letter that tells me so was written at 14:45 on Monday 15 \
         June.",
        "The party was of 2. Reported ashore: Tomas Bright, said at 11:45 on Sunday 14 June by the crew,",
        "Whoever is ashore may know where the one who is missing was last seen.",
        "In short. Ines Halloran, 44 years old. From Gravel ramp below the county park, 48 degrees",
        "Craft: sit-on-top kayak, lime hull, black hatch covers, red paddle blades. Ines: ",
        "Their plan describes 1 craft for 2 people. Who is in which craft,",
        "- from Tomas Bright, reported ashore: where and when the others were last seen",
        "People aboard: 2 at the launch, 1 of them reported ashore since",
        "in that time the crew could not have checked in",
    ] {
        assert!(text.contains(words), "{words} not in {text}");
    }
    // He is ashore: he knows whether they launched, and nothing of him is asked.
    for words in ["Nobody has confirmed to me", "the telephone afloat of Tomas Bright"] {
        assert!(!text.contains(words), "{words} in {text}");
    }
}

/// A letter from memory claims nothing of what is not at hand.
#[test]
fn from_memory_nothing_is_said_of_what_is_not_at_hand() {
    let mut story = Story::filed();
    let sent = story.minutes_after_overdue(0).tick();
    (story.review, story.history) = (None, Vec::new());
    let text = story.with_facts(&sent[0].order, |facts| {
        flat(&compose(&Facts { from_memory: true, ..*facts }, &sent[0].order, story.now).text)
    });
    for words in
        ["was written from memory", "Your page may not take an answer", "not at hand for this"]
    {
        assert!(text.contains(words), "{words} not in {text}");
    }
    for words in ["temperature unknown", "nobody could be asked", "no change of the plan"] {
        assert!(!text.contains(words), "{words} in {text}");
    }
}

/// IANA time zone database: in Chicago the clocks go back on 1 November 2026 at 07:00 UTC.
#[test]
fn a_night_in_which_the_clocks_change_names_both_zones() {
    let text = r#"
        [times]
        launch = "2026-10-31T22:00:00-05:00"
        return_by = "2026-11-01T01:30:00-06:00"
        [launch]
        position = "46.81 -90.82"
        [[crew]]
        name = "Ines Halloran"
        [[contact]]
        name = "Dunstan Okafor"
        email = "dunstan@example.org"
    "#;
    let text = overdue(&mut Story::of(text, "2026-11-01T02:00:00Z"));
    assert!(text.contains("Planned launch: Sat 31 Oct, 22:00 (10:00 pm CDT), 03:00 UTC"), "{text}");
    assert!(text.contains("Return by: Sun 1 Nov, 01:30 (1:30 am CST), 07:30 UTC"), "{text}");
}

#[test]
fn the_alert_tells_where_the_plan_has_them_hour_by_hour() {
    let text = overdue(&mut Story::filed());
    for hour in [
        "Sun 14 Jun, 05:30 (5:30 am PDT): 48.54200 -123.16200, which is 48°32.520'N \
         123°09.720'W; at the shore",
        "at most 2.4 km (1.3 nautical miles) from shore",
        "48°31.200'N 123°11.400'W; distance from shore not known",
        "nobody has seen them there",
    ] {
        assert!(text.contains(hour), "{hour} not in {text}");
    }
    assert!(text.contains("no figure: nothing is published for their kind of craft"));
}

/// Half an hour before the alert a station says 15 knots from the south-west (invented).
fn with_wind(kind: &str, wind_kn: f64) -> String {
    let mut story =
        Story::of(&super::story::PLAN.replace("sit-on-top kayak", kind), "2026-06-14T12:00:00Z");
    let mut latest = super::story::review();
    let hours = (5..14).map(|hour| {
        serde_json::json!({
            "speed_kn": wind_kn, "gust_kn": null, "from_deg": 225.0, "source": "a forecast",
            "taken_at": null, "age_s": null,
            "forecast_for": {
                "from": format!("2026-06-14T{:02}:00:00Z", hour + 7),
                "to": format!("2026-06-14T{:02}:00:00Z", hour + 8),
            }
        })
    });
    latest.water.forecast.hours =
        hours.map(|hour| serde_json::from_value(hour).expect("an hour")).collect();
    let station = serde_json::json!({
        "speed_kn": wind_kn, "gust_kn": 19.0, "from_deg": 225.0, "source": "station 46088",
        "taken_at": "2026-06-14T19:15:00Z", "age_s": 1_500,
    });
    latest.water.wind = serde_json::from_value(station).ok();
    latest.reviewed_at = "2026-06-14T12:40:00-07:00".parse().expect("a time");
    story.latest = Some(latest);
    overdue(&mut story)
}

#[test]
fn drift_is_told_for_a_published_class_as_an_indication_to_both_sides() {
    let text = with_wind("sea kayak", 15.0);
    for words in [
        "Published class: sea kayak with a person on the aft deck",
        "From the farthest point: since Sun 14 Jun, 06:30 (6:30 am PDT)",
        "From the last planned hour afloat: since Sun 14 Jun, 09:30 (9:30 am PDT)",
        "left of downwind: ",
        "right of downwind: ",
        "toward 0",
        "give or take",
        "an indication only, from published trials and the wind alone, without current or tide",
        "The rescue service's own planning takes its place",
    ] {
        assert!(text.contains(words), "{words} not in {text}");
    }
    // 0.2007 m/s downwind and 0.0316 across (OpenDrift's table), for six hours and a quarter.
    let expected_m = 0.2007_f64.hypot(0.0316) * 6.25 * 3600.0;
    assert!(text.contains(&format!("{:.1} km", expected_m / 1000.0)), "{expected_m}: {text}");
}

#[test]
fn there_is_no_drift_in_light_wind() {
    let text = with_wind("sea kayak", 4.0);
    assert!(text.contains("no figure: the trials say nothing below 6 knots of wind"), "{text}");
    assert!(!text.contains("left of downwind"));
}

#[test]
fn the_weather_now_is_told_with_its_age() {
    let text = with_wind("canoe", 15.0);
    assert!(text.contains(
        "Wind: 15 knots, gusts 19, from 225 degrees true, station 46088, taken Sun 14 Jun, 12:15 \
         (12:15 pm PDT), 30 min ago"
    ), "{text}");
    assert!(text.contains("Waves: not known: no station tells"));
    let without = overdue(&mut Story::filed());
    assert!(without.contains("nobody could be asked again since the plan was filed"));
}

/// From the reader's own mouth to what was done: the order in which a coordinator writes it down.
#[test]
fn the_script_keeps_the_coordinators_order() {
    let text = overdue(&mut Story::filed());
    let (_, say) = text.split_once("Say this (read it aloud)").expect("the script");
    let order = [
        "My name is Dunstan Okafor",
        "I want to report 2 people overdue",
        "They meant to be back by",
        "Their planned launch was at",
        "Their planned route.",
        "The craft: ",
        "Ines Halloran: 44 years old",
        "To call and be found with",
        "They left a vehicle",
        "Conditions as known when they filed their plan. Water: 9.5",
        "What was done so far.",
    ];
    let places: Vec<_> = order.iter().map(|words| say.find(words)).collect();
    assert!(places.iter().all(Option::is_some) && places.is_sorted(), "{places:?} in {say}");
}
