//! What a rescue coordinator asks for and a plan lacks: each question has its answer in the brief, or
//! stands here. What a plan may tell is asked in `plan::questions`; what none tells, and what follows
//! from an answer, is asked here.

use super::disclosure::Disclosure;
use super::facts::Facts;
use super::words;
use crate::plan::questions::{self as q, Open, Question};
use crate::plan::{CrewMember, Plan};

/// A line of what is not told, where it is not.
type Line = Option<&'static str>;

/// In the order of the questions.
pub(super) fn not_told(facts: &Facts<'_>, disclosure: Disclosure) -> Vec<String> {
    let plan = facts.plan;
    let mut missing = owned(&[of_trip(plan), of_craft(plan)].concat());
    for one in facts.on_trip().into_iter().filter_map(|at| plan.crew.get(at)) {
        let of_one = owned(&of_person(plan, one, disclosure));
        if !of_one.is_empty() {
            missing.push(format!("of {}: {}", words::name(&one.name), of_one.join(", ")));
        }
    }
    missing.extend(owned(&[of_gear(plan), ashore(plan), of_weather(facts)].concat()));
    missing
}

fn owned(lines: &[Line]) -> Vec<String> {
    lines.iter().flatten().map(|line| (*line).to_owned()).collect()
}

/// What the plan, or one of its crew, leaves open.
fn open(question: &Question, plan: &Plan, one: Option<&CrewMember>) -> Line {
    match question.open(plan, one.as_slice())? {
        // That is told as one.
        Open::NoCraft => None,
        Open::Trip | Open::Craft(_) | Open::Crew(_) => question.not_told,
    }
}

/// Stands where it is so.
fn when(is_so: bool, what: &'static str) -> Line {
    is_so.then_some(what)
}

fn of_trip(plan: &Plan) -> Vec<Line> {
    vec![
        Some("whether they launched, and their position since"),
        Some("other landing places they may have chosen, and their habits on this water"),
        when(plan.waypoints.is_empty(), "any point of the route but its ends"),
        when(plan.title.is_none(), "the purpose of the trip"),
        open(&q::SPEED, plan, None),
        Some("a time to report on the way; what they would do in bad weather or overnight"),
        open(&q::OTHER_GEAR, plan, None),
        when(
            plan.gear.notes.is_some(),
            "gear beyond what is told; how long food, water and medicine last",
        ),
    ]
}

fn of_craft(plan: &Plan) -> Vec<Line> {
    let some_unmarked = plan.craft.iter().any(|one| one.marks.is_none());
    vec![
        when(plan.craft.is_empty(), "what they paddle, and its colours"),
        open(&q::KIND, plan, None),
        open(&q::LENGTH, plan, None),
        open(&q::COLOURS, plan, None),
        when(some_unmarked, "marks, names and stickers on each craft"),
        when(
            plan.crew.len() > 1,
            "who is in which craft, and who carries the radio and the beacon",
        ),
        when(!plan.craft.is_empty(), "the make of each craft, and a registration or hull number"),
        Some("a sail, motor or other drive than paddles"),
    ]
}

fn of_person(plan: &Plan, one: &CrewMember, disclosure: Disclosure) -> Vec<Line> {
    let open = |question| open(question, plan, Some(one));
    vec![
        open(&q::PHONE),
        open(&q::AGE),
        open(&q::HEALTH).filter(|_| disclosure.is_for_rescue()),
        open(&q::CLOTHING),
        open(&q::SUIT),
        open(&q::LIFEJACKET),
        open(&q::SWIMMING),
        open(&q::EXPERIENCE),
    ]
}

fn of_gear(plan: &Plan) -> Vec<Line> {
    let gear = &plan.gear;
    vec![
        Some("sex and build of the crew, injuries, how they bear cold"),
        open(&q::RADIO, plan, None),
        when(
            gear.vhf.is_some(),
            "the radio's call sign, and the channel they listen on if not told",
        ),
        open(&q::MMSI, plan, None),
        open(&q::BEACON, plan, None),
        when(
            gear.beacon.is_some(),
            "to whom the beacon is registered, and whether it is a PLB or an EPIRB",
        ),
        open(&q::NIGHT_SIGNALS, plan, None),
        when(gear.night_signals == Some(true), "how many distress signals, and of what kind"),
        Some("a mirror, dye, a raft or other things to be seen by"),
        open(&q::LIGHT, plan, None),
        open(&q::SOUND_SIGNAL, plan, None),
        Some("a satellite tracker or shared location, and where to see it"),
        Some("of their phones: carrier, battery, last call, message or location"),
    ]
}

fn ashore(plan: &Plan) -> Vec<Line> {
    vec![
        open(&q::VEHICLE, plan, None),
        when(
            plan.launch.vehicle.is_some(),
            "whether the vehicle is still there, its make and a trailer",
        ),
        Some("boats and gear missing from their homes"),
        Some("use of their phones, bank cards and accounts since the launch"),
        Some("who else was told; who was near them; whether they hired anything"),
        Some("their next of kin, unless that is you"),
        Some("who is searching on their own; what the press has heard"),
    ]
}

fn of_weather(facts: &Facts<'_>) -> Vec<Line> {
    let stated = facts.plan.stated.as_ref();
    let water = facts.review.and_then(|review| review.water.temperature_c);
    let waves = facts.review.is_some_and(|review| review.water.waves.is_some());
    vec![
        when(water.or(stated.and_then(|all| all.water_c)).is_none(), "the water's temperature"),
        when(stated.is_none_or(|all| all.wind_kn.is_none()), "wind at the launch"),
        when(stated.is_none_or(|all| all.air_c.is_none()), "air temperature"),
        when(!waves, "waves, visibility, tide and currents, then and now; sudden changes"),
        when(waves, "visibility, tide and currents, then and now; sudden changes"),
    ]
}
