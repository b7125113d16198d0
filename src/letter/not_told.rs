//! What a rescue coordinator asks for and a plan lacks: each question has its answer in the brief, or
//! stands here.

use super::disclosure::Disclosure;
use super::facts::Facts;
use super::words;
use crate::plan::{Craft, CrewMember, Plan};

/// In the order of the questions.
pub(super) fn not_told(facts: &Facts<'_>, disclosure: Disclosure) -> Vec<String> {
    let plan = facts.plan;
    let mut missing = Vec::new();
    missing.extend(lacking(&of_trip(plan)));
    missing.extend(lacking(&of_craft(plan)));
    for one in facts.on_trip().into_iter().filter_map(|at| plan.crew.get(at)) {
        let of_one = lacking(&of_person(one, disclosure));
        if !of_one.is_empty() {
            missing.push(format!("of {}: {}", words::name(&one.name), of_one.join(", ")));
        }
    }
    missing.extend(lacking(&of_gear(plan)));
    missing.extend(lacking(&ashore(plan)));
    missing.extend(lacking(&of_weather(facts)));
    missing
}

/// Whether an answer is lacking, and what is asked for.
type Question = (bool, &'static str);

fn lacking(questions: &[Question]) -> Vec<String> {
    let lacking = questions.iter().filter(|(lacks, _)| *lacks);
    lacking.map(|(_, what)| (*what).to_owned()).collect()
}

fn of_trip(plan: &Plan) -> Vec<Question> {
    vec![
        (true, "whether they launched, and their position since"),
        (true, "other landing places they may have chosen, and their habits on this water"),
        (plan.waypoints.is_empty(), "any point of the route but its ends"),
        (plan.title.is_none(), "the purpose of the trip"),
        (plan.pace.speed_kn.is_none(), "their speed"),
        (true, "a time to report on the way; what they would do in bad weather or overnight"),
        (
            plan.gear.notes.is_none(),
            "other gear: food, water, camping, spare paddle, tow line, flotation",
        ),
        (
            plan.gear.notes.is_some(),
            "gear beyond what is told; how long food, water and medicine last",
        ),
    ]
}

fn of_craft(plan: &Plan) -> Vec<Question> {
    let lacks = |lacks: fn(&Craft) -> bool| plan.craft.iter().any(lacks);
    vec![
        (plan.craft.is_empty(), "what they paddle, and its colours"),
        (lacks(|one| one.kind.is_none()), "the kind of each craft"),
        (lacks(|one| one.length_m.is_none()), "the length of each craft"),
        (lacks(|one| one.colours.is_none()), "the colours of each craft"),
        (lacks(|one| one.marks.is_none()), "marks, names and stickers on each craft"),
        (plan.crew.len() > 1, "who is in which craft, and who carries the radio and the beacon"),
        (!plan.craft.is_empty(), "the make of each craft, and a registration or hull number"),
        (true, "a sail, motor or other drive than paddles"),
    ]
}

fn of_person(one: &CrewMember, disclosure: Disclosure) -> Vec<Question> {
    vec![
        (one.phone.is_none(), "telephone"),
        (one.age.is_none(), "age"),
        (disclosure.is_for_rescue() && one.medical.is_none(), "anything medical"),
        (one.wearing.is_none(), "colours of the clothing"),
        (one.immersion_wear.is_none(), "wetsuit or drysuit"),
        (one.lifejacket.is_none(), "whether a life jacket is worn"),
        (one.swims.is_none(), "how well they swim"),
        (one.experience.is_none(), "experience"),
    ]
}

fn of_gear(plan: &Plan) -> Vec<Question> {
    let gear = &plan.gear;
    vec![
        (true, "sex and build of the crew, injuries, how they bear cold"),
        (gear.vhf.is_none(), "whether they have a VHF radio"),
        (gear.vhf.is_some(), "the radio's call sign, and the channel they listen on if not told"),
        (gear.mmsi.is_none(), "a radio's MMSI"),
        (gear.beacon.is_none(), "whether they have a beacon"),
        (
            gear.beacon.is_some(),
            "to whom the beacon is registered, and whether it is a PLB or an EPIRB",
        ),
        (gear.night_signals.is_none(), "whether they have distress signals"),
        (gear.night_signals == Some(true), "how many distress signals, and of what kind"),
        (true, "a mirror, dye, a raft or other things to be seen by"),
        (gear.light.is_none(), "whether they have a light"),
        (gear.sound_signal.is_none(), "whether they have a whistle or horn"),
        (true, "a satellite tracker or shared location, and where to see it"),
        (true, "of their phones: carrier, battery, last call, message or location"),
    ]
}

fn ashore(plan: &Plan) -> Vec<Question> {
    vec![
        (plan.launch.vehicle.is_none(), "a vehicle or trailer left at the launch"),
        (
            plan.launch.vehicle.is_some(),
            "whether the vehicle is still there, its make and a trailer",
        ),
        (true, "boats and gear missing from their homes"),
        (true, "use of their phones, bank cards and accounts since the launch"),
        (true, "who else was told; who was near them; whether they hired anything"),
        (true, "their next of kin, unless that is you"),
        (true, "who is searching on their own; what the press has heard"),
    ]
}

fn of_weather(facts: &Facts<'_>) -> Vec<Question> {
    let stated = facts.plan.stated.as_ref();
    let water = facts.review.and_then(|review| review.water.temperature_c);
    let waves = facts.review.is_some_and(|review| review.water.waves.is_some());
    vec![
        (water.or(stated.and_then(|all| all.water_c)).is_none(), "the water's temperature"),
        (stated.is_none_or(|all| all.wind_kn.is_none()), "wind at the launch"),
        (stated.is_none_or(|all| all.air_c.is_none()), "air temperature"),
        (!waves, "waves, visibility, tide and currents, then and now; sudden changes"),
        (waves, "visibility, tide and currents, then and now; sudden changes"),
    ]
}
