//! The thirty-nine things that a rescue coordinator asks, numbered in their order (the US National
//! Search and Rescue Manual, section 412, the US Coast Guard's addendum to it, chapter 3, and from
//! memory IAMSAR, volume II; in our own words). In an alert each has its answer, or stands among what
//! is not told or what the reader may find out ashore: for a full plan of the demonstration, and for
//! one that tells only what it must.

use shorelamp::caution::Limits;
use shorelamp::conditions::Water;
use shorelamp::letter::brief;
use shorelamp::measure::Span;
use shorelamp::plan::questions;
use shorelamp::review::review;
use shorelamp::shoreline::Shorelines;
use shorelamp::watch::{Kind, Recipient};

use super::story::{Story, flat, one};

const FULL: &str = include_str!("../../demo-data/plan-strait.toml");
const BARE: &str = include_str!("../../demo-data/plan-bay.toml");

/// Number, question, what the alert of the full plan says to it, and that of the bare one.
type Question = (usize, &'static str, &'static [&'static str], &'static [&'static str]);

const QUESTIONS: [Question; 39] = [
    (
        1,
        "name, telephone and whereabouts of the caller",
        &[
            "My name is Philippa Ashgrove. My telephone number is +1 360 555 0131. I call from (where",
        ],
        &["My name is Joss Fenwright. My telephone number is (your number). I call from (where"],
    ),
    (
        2,
        "relation, how the plan came, what was heard last",
        &[
            "contact ashore named in their plan: Maren's sister",
            "the float plan that they filed with Madrona Point Paddle Anglers",
            "I last heard from them (when, and what they said)",
        ],
        &[
            "I am a contact ashore named in their plan",
            "the float plan that they filed with Madrona Point Paddle Anglers",
            "I last heard from them (when, and what they said)",
        ],
    ),
    (3, "how to stay reachable", &["keep your telephone free"], &["keep your telephone free"]),
    (
        4,
        "overdue, or distress seen or heard",
        &["I want to report 2 people overdue on the water", "I know of no distress call"],
        &["I want to report 1 person overdue on the water", "I know of no distress call"],
    ),
    (
        5,
        "when it happened, and when it was noticed",
        &[
            "they count as overdue since 12:20 on Saturday 15 May",
            "The letter that tells me so was written at 12:50 on Saturday 15 May",
        ],
        &[
            "they count as overdue since 15:45 on Saturday 24 April",
            "The letter that tells me so was written at",
        ],
    ),
    (
        6,
        "last known position and how it is known",
        &[
            "I have no position since then, only the plan. All positions are from the plan, WGS 84",
            "48 degrees 33.648 minutes north, 123 degrees 10.530 minutes west",
            "The launch, digit by digit: latitude four eight degrees",
        ],
        &[
            "I have no position since then, only the plan. All positions are from the plan, WGS 84",
            "Mud beach at the head of the bay, 48 degrees 36.408 minutes north",
        ],
    ),
    (
        7,
        "where they were to report next",
        &["- a time to report on the way"],
        &["- a time to report on the way"],
    ),
    (8, "what is wanted", &["I ask you to look for them"], &["I ask you to look for them"]),
    (
        9,
        "departure: where, when, seen by whom",
        &[
            "Their planned launch was at 06:15 on Saturday 15 May, from Cobble beach below the old",
            "Nobody has confirmed to me that they launched",
            "Did anybody see them launch",
        ],
        &["Their planned launch was at 13:00 on Saturday 24 April, from Mud beach"],
    ),
    (
        10,
        "route, stops, other places, habits",
        &[
            "Point 1: Outer kelp, 48 degrees 33.360 minutes north",
            "staying 1 h 30 min",
            "- other landing places they may have chosen, and their habits on this water",
        ],
        &["Point 3: Where the bay narrows", "- other landing places they may have chosen"],
    ),
    (
        11,
        "destination, return time, zone",
        &[
            "Then back to the launch",
            "back by 12:00 on Saturday 15 May local time, PDT, which is 19:00",
        ],
        &[
            "Then back to the launch",
            "back by 15:30 on Saturday 24 April local time, PDT, which is",
        ],
    ),
    (
        12,
        "purpose, whether overnight, camping gear",
        &["Trip: Halibut drift off the west side", "Tow line, two spare paddles", "or overnight"],
        &["Trip: First time out alone", "- other gear: food, water, camping", "or overnight"],
    ),
    (
        13,
        "speed and endurance",
        &["Speed: 2.8 knots", "four litres of water, food for a day"],
        &["- their speed", "food, water"],
    ),
    (
        14,
        "experience, and what they would do in bad weather",
        &["Experience: Nine seasons here", "what they would do in bad weather"],
        &[
            "counts as a beginner",
            "how well they swim, experience",
            "what they would do in bad weather",
        ],
    ),
    (
        15,
        "changes told before",
        &["Changed: no change of the plan has reached this service"],
        &["Changed: no change of the plan has reached this service"],
    ),
    (
        16,
        "each craft: kind, length, colours, marks",
        &[
            "sit-on-top kayak, named Sandlance, 4.4 metres long, yellow hull, black seat, white",
            "reflective tape on the bow",
            "olive hull, grey hatch, orange paddle blades",
        ],
        &[
            "What craft they paddle, kayak, canoe or board, is not in their plan.",
            "- what they paddle, and its colours",
        ],
    ),
    (
        17,
        "name or number on the craft",
        &["Name and telephone number on both sides", "Club number 17 on the stern"],
        &["What craft they paddle, kayak, canoe or board, is not in their plan."],
    ),
    (
        18,
        "sail or motor",
        &["- a sail, motor or other drive than paddles"],
        &["- a sail, motor or other drive than paddles"],
    ),
    (
        19,
        "spare paddle, flotation, tow line",
        &[
            "orange paddle blades",
            "Tow line, two spare paddles, pump each",
            "- gear beyond what is told",
        ],
        &["spare paddle, tow line, flotation"],
    ),
    (20, "number aboard", &["People aboard: 2"], &["People aboard: 1"]),
    (
        21,
        "name, age, sex, build of each",
        &["39 years old", "Oskar Quillan: 57 years old", "- sex and build of the crew"],
        &[
            "Name: Tilda Fenwright",
            "- of Tilda Fenwright: telephone, age",
            "- sex and build of the crew",
        ],
    ),
    (
        22,
        "condition, medicine, swimming",
        &["medical: Type 1 diabetes", "Swims: strong", "- of Oskar Quillan: anything medical"],
        &["anything medical", "how well they swim"],
    ),
    (
        23,
        "clothing, and the life jacket worn or carried",
        &["wearing grey wetsuit, red life jacket, blue beanie", "life jacket worn, by the plan"],
        &["colours of the clothing, wetsuit or drysuit, whether a life jacket is worn"],
    ),
    (
        24,
        "next of kin",
        &[
            "Who are their next of kin, and do they know?",
            "- their next of kin, unless that is you",
        ],
        &[
            "Who are their next of kin, and do they know?",
            "- their next of kin, unless that is you",
        ],
    ),
    (
        25,
        "signals that can be seen",
        &[
            "distress signals for the night; a white light; a whistle or horn",
            "- how many distress signals, and of what kind",
        ],
        &["- whether they have distress signals", "- whether they have a light"],
    ),
    (
        26,
        "radio: channels, call sign, MMSI",
        &[
            "VHF radio: two handhelds, one with DSC; listening on 16 and 72; MMSI 338 555 017",
            "call sign",
        ],
        &["I don't know whether they have a radio", "- whether they have a VHF radio", "MMSI"],
    ),
    (
        27,
        "telephones: number, carrier, last sign, battery, location",
        &[
            "carries telephone +1 360 555 0122",
            "- of their phones: carrier, battery, last call, message or location",
            "What was the last call, message or shared location from each phone? Which carrier, and how \
             full was the battery?",
        ],
        &[
            "- of Tilda Fenwright: telephone,",
            "- of their phones: carrier, battery, last call, message or location",
            "What was the last call, message or shared location from each phone?",
        ],
    ),
    (
        28,
        "tracker, and where to see it",
        &["- a satellite tracker or shared location, and where to see it"],
        &["- a satellite tracker or shared location, and where to see it"],
    ),
    (
        29,
        "beacon: number, registered to whom",
        &["beacon 9C7 F4B 013 595 551, letter by letter", "- to whom the beacon is registered"],
        &["- whether they have a beacon"],
    ),
    (
        30,
        "vehicle, and whether it is still there",
        &[
            "White van with a ladder rack, plate TEST-555, by the gate",
            "Is their vehicle still at the launch?",
        ],
        &[
            "The plan tells of no vehicle at the launch",
            "- a vehicle or trailer left at the launch",
        ],
    ),
    (
        31,
        "boats and gear missing from home",
        &["Which boats, paddles and gear are missing from their homes?"],
        &[
            "Which boats, paddles and gear are missing from their homes?",
            "- boats and gear missing",
        ],
    ),
    (
        32,
        "cards, telephones, accounts",
        &["Have their bank cards or accounts been used since they launched?"],
        &[
            "Have their bank cards or accounts been used since they launched?",
            "- use of their phones,",
        ],
    ),
    (
        33,
        "who else was told, who was near, hire",
        &[
            "Who ashore has this plan: Philippa (Maren's sister) and Ruben (club's shore watch that day)",
            "Whom else did they tell? Who paddled near them?",
            "Did they hire any?",
        ],
        &["Who ashore has this plan: Joss", "Whom else did they tell? Who paddled near them?"],
    ),
    (
        34,
        "weather then and now",
        &["Water, weather and light now", "- waves, visibility, tide and currents, then and now"],
        &["temperature unknown: count it as cold", "- wind at the launch", "- air temperature"],
    ),
    (
        35,
        "current, tide, drift",
        &["Drift: no figure: ", "visibility, tide and currents"],
        &["Drift: no figure: what they paddle is not told", "visibility, tide and currents"],
    ),
    (36, "light left", &["until sunset at Sat 15 May"], &["until sunset at Sat 24 Apr"]),
    (
        37,
        "who has called whom, and who searches",
        &[
            "As far as I know, nobody has called you yet. The watching service writes letters and has \
             called nobody.",
            "Ruben: ",
            "Who is searching on their own?",
        ],
        &["As far as I know, nobody has called you yet", "Who is searching on their own?"],
    ),
    (
        38,
        "the press, and what the family may hear",
        &["post no names online, and leave the press to the rescue service"],
        &["post no names online, and leave the press to the rescue service", "what the press has"],
    ),
    (
        39,
        "what happens next, and when to call again",
        &["Ask for a reference number, and whether you should call again"],
        &["Ask for a reference number, and whether you should call again"],
    ),
];

/// The letter that says to call, half an hour after the crew counted as overdue.
fn alert(plan: &str, filed_at: &str) -> String {
    let mut story = Story::of(plan, filed_at);
    story.review = None;
    story.minutes_after_overdue(0).tick();
    story.minutes_after_overdue(15).tick();
    let sent = story.minutes_after_overdue(30).tick();
    flat(&one(&sent, Recipient::Contact(0), Kind::CallRescue).text)
}

#[test]
fn each_of_the_thirty_nine_is_answered_or_stands_as_unknown() {
    let full = alert(FULL, "2027-05-15T12:30:00Z");
    let bare = alert(BARE, "2027-04-24T19:00:00Z");
    let mut lacking = Vec::new();
    for (at, (number, question, of_full, of_bare)) in QUESTIONS.iter().enumerate() {
        assert_eq!(*number, at + 1);
        for (text, said, plan) in [(&full, of_full, "full"), (&bare, of_bare, "bare")] {
            assert!(!said.is_empty());
            let missing = said.iter().filter(|words| !text.contains(**words));
            lacking.extend(missing.map(|words| format!("{number} {question}, {plan}: {words:?}")));
        }
    }
    assert!(lacking.is_empty(), "{lacking:#?}\n\n{full}\n\n{bare}");
}

/// What to find out comes after the call and the words for it, so that nobody looks for a car first.
#[test]
fn nothing_is_looked_for_before_the_call() {
    let text = alert(FULL, "2027-05-15T12:30:00Z");
    let places: Vec<_> =
        ["Call now: ", "Say this (read it aloud)", "What you may know or find out"]
            .iter()
            .map(|words| text.find(words))
            .collect();
    assert!(places.iter().all(Option::is_some) && places.is_sorted(), "{places:?} in {text}");
    assert!(text.contains("Ask and look once the call is made"));
}

/// A plan that tells only what it must, of two craft that differ in what they lack. (Invented.)
const OPEN: &str = r#"
    [times]
    launch = "2026-06-14T05:30:00-07:00"
    return_by = "2026-06-14T12:30:00-07:00"
    [launch]
    position = "48.5420 -123.1620"
    [[crew]]
    name = "Ines Halloran"
    [[craft]]
    kind = "kayak"
    [[craft]]
    name = "Petrel"
    [[contact]]
    name = "Dunstan Okafor"
    email = "dunstan@example.org"
"#;

/// Whoever adds a question to the table has it told in the score, the caution and the letters.
#[test]
fn each_question_of_a_plan_reaches_its_three_readers() {
    let story = Story::of(OPEN, "2026-06-14T12:00:00Z");
    let nothing = (Shorelines::default(), Water::default());
    let (limits, grace) = (Limits::default(), Span::from_minutes(15));
    let review = review(&story.plan, &nothing.0, &nothing.1, &limits, grace, story.now);
    let overdue_at = story.watched.overdue_at();
    let lines = brief(&story.facts(None, overdue_at, false), overdue_at).not_told;
    let of_one = lines.iter().filter_map(|line| line.strip_prefix("of Ines Halloran: "));
    let of_one: Vec<&str> = of_one.flat_map(|line| line.split(", ")).collect();
    let is_listed = |what: &str| lines.iter().any(|line| line == what) || of_one.contains(&what);
    let asked: Vec<_> = review.asked.missing.iter().map(|one| one.what.as_str()).collect();
    let (asked, unknown) = (asked.join("; "), review.unknown.join("; "));
    for question in questions::ALL {
        assert!(asked.contains(question.asked), "{:?} not in {asked}", question.asked);
        let in_caution = question.unknown.is_none_or(|what| unknown.contains(what));
        assert!(in_caution, "{:?} not in {unknown}", question.unknown);
        let in_letter = question.not_told.is_none_or(is_listed);
        assert!(in_letter, "{:?} not in {lines:?}", question.not_told);
    }
}
