//! Which of a rescue coordinator's questions a plan answers, and which of the others are worth most.
//!
//! The questions are those of the US National Search and Rescue Manual, section 412, and of the US
//! Coast Guard's addendum to it, chapter 3 (read in excerpts, in our own words); their order by worth
//! is our own. What no plan can tell (whether the crew launched, what the weather is now) is not
//! among them.

use serde::{Deserialize, Serialize};

use crate::plan::{Craft, CrewMember, Plan};

/// How many of the questions a plan answers.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Asked {
    /// So many of them.
    pub answered: usize,
    /// Of so many.
    pub of: usize,
    /// The others, those worth most first.
    pub missing: Vec<Missing>,
}

/// A question that a plan leaves open.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Missing {
    /// What is asked for.
    pub what: String,
    /// What the answer is worth to a search, from 1 to 3.
    pub worth: u8,
    /// Whether somebody ashore who knows the crew may be able to tell.
    pub ashore_may_know: bool,
}

/// One question: what is asked for, its worth, whether somebody ashore may know, and whether the
/// plan tells.
struct Question(String, u8, bool, bool);

/// The score of a plan; `on_trip` are the places of those who go.
#[must_use]
pub fn asked(plan: &Plan, on_trip: &[usize]) -> Asked {
    let crew: Vec<&CrewMember> = on_trip.iter().filter_map(|&at| plan.crew.get(at)).collect();
    let mut questions = vec![
        told("how many they are, and their names", 3, true),
        told("where and when they launch", 3, true),
        told("when they are due back, and on which clock", 3, true),
    ];
    questions.extend(of_trip(plan));
    questions.extend(of_craft(plan));
    questions.extend(of_crew(&crew));
    questions.extend(of_gear(plan));
    let of = questions.len();
    let mut missing: Vec<Missing> = questions
        .into_iter()
        .filter(|Question(_, _, _, is_told)| !is_told)
        .map(|Question(what, worth, ashore_may_know, _)| Missing { what, worth, ashore_may_know })
        .collect();
    missing.sort_by_key(|missing| std::cmp::Reverse(missing.worth));
    Asked { answered: of - missing.len(), of, missing }
}

fn told(what: &str, worth: u8, is_told: bool) -> Question {
    Question(what.to_owned(), worth, false, is_told)
}

/// The same of what somebody ashore may know.
fn known(what: &str, worth: u8, is_told: bool) -> Question {
    Question(what.to_owned(), worth, true, is_told)
}

fn of_trip(plan: &Plan) -> Vec<Question> {
    let goes = !plan.waypoints.is_empty() || plan.landing.is_some();
    vec![
        known("where they go: points of the route, and where they land", 3, goes),
        told(
            "their speed, so that it can be told where they should be at each hour",
            2,
            plan.pace.speed_kn.is_some(),
        ),
        known(
            "the vehicle at the launch: make, colour, plate, where it stands",
            3,
            plan.launch.vehicle.is_some(),
        ),
    ]
}

fn of_craft(plan: &Plan) -> Vec<Question> {
    let all = |has: fn(&Craft) -> bool| !plan.craft.is_empty() && plan.craft.iter().all(has);
    vec![
        known("what they paddle", 3, all(|one| one.kind.is_some())),
        known("the colours of hull, deck and paddles", 3, all(|one| one.colours.is_some())),
        known(
            "names, marks and reflective tape on the craft",
            2,
            all(|one| one.marks.is_some() || one.name.is_some()),
        ),
        known("the length of the craft", 1, all(|one| one.length_m.is_some())),
    ]
}

fn of_crew(crew: &[&CrewMember]) -> Vec<Question> {
    let ask = |what: &str, worth, has: fn(&CrewMember) -> bool| {
        let lacking: Vec<&str> =
            crew.iter().filter(|one| !has(one)).map(|one| one.name.as_str()).collect();
        let of = match lacking.len() {
            0 => String::new(),
            _ if lacking.len() == crew.len() && crew.len() > 1 => " of each".to_owned(),
            _ => format!(" of {}", crate::caution::words::list(&lacking, 3)),
        };
        Question(format!("{what}{of}"), worth, true, lacking.is_empty())
    };
    vec![
        ask("the telephone afloat", 3, |one| one.phone.is_some()),
        ask("the clothing and its colours", 3, |one| one.wearing.is_some()),
        ask("the life jacket, worn or only carried,", 3, |one| one.lifejacket.is_some()),
        ask("the wetsuit or drysuit", 3, |one| one.immersion_wear.is_some()),
        ask("the age", 2, |one| one.age.is_some()),
        ask("illness and medicine, or that there is none,", 2, |one| one.medical.is_some()),
        ask("the experience on this water", 2, |one| one.experience.is_some()),
        ask("the skill in swimming", 1, |one| one.swims.is_some()),
    ]
}

fn of_gear(plan: &Plan) -> Vec<Question> {
    let gear = &plan.gear;
    let mut questions = vec![
        known("a 406 MHz beacon and its number, or that there is none", 3, gear.beacon.is_some()),
        known("a VHF radio, or that there is none", 3, gear.vhf.is_some()),
        told("distress signals that show at night", 2, gear.night_signals.is_some()),
        told("a white light", 2, gear.light.is_some()),
        told("a whistle or horn", 1, gear.sound_signal.is_some()),
        known("food, water, shelter and other gear", 1, gear.notes.is_some()),
    ];
    let calls_by_number = gear.vhf.as_ref().is_some_and(|vhf| vhf.to_lowercase().contains("dsc"));
    if calls_by_number || gear.mmsi.is_some() {
        questions.push(told("the radio's MMSI", 2, gear.mmsi.is_some()));
    }
    questions
}

impl Asked {
    /// `A rescue coordinator's questions: the plan answers 14 of 24. …`
    #[must_use]
    pub fn told(&self) -> String {
        let lacking: Vec<&str> = self.missing.iter().map(|missing| missing.what.as_str()).collect();
        let score = format!(
            "What a rescue coordinator asks: the plan answers {} of {} questions",
            self.answered, self.of
        );
        match lacking.is_empty() {
            true => format!("{score}."),
            false => format!(
                "{score}. Worth adding, the most useful first: {}.",
                crate::caution::words::list(&lacking, 6)
            ),
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// Invented people.
    const LEAST: &str = r#"
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

    fn of(text: &str) -> Asked {
        let plan = crate::plan::read_toml(text, &|_| Err("none".to_owned())).unwrap();
        asked(&plan, &[0])
    }

    #[test]
    fn the_least_plan_answers_three_and_the_rest_is_ranked() {
        let least = of(LEAST);
        assert_eq!((least.answered, least.of), (3, 24));
        assert_eq!(least.missing.len(), 21);
        assert!(least.missing.is_sorted_by_key(|missing| std::cmp::Reverse(missing.worth)));
        assert!(least.missing[0].what.starts_with("where they go"));
        assert!(least.told().contains("answers 3 of 24 questions. Worth adding"));
    }

    #[test]
    fn an_answer_counts_whatever_it_is() {
        let less = LEAST.replace(
            "name = \"Ines Halloran\"",
            "name = \"Ines Halloran\"\nlifejacket = \"none\"\nimmersion_wear = \"none\"",
        );
        assert_eq!(of(&less).answered, 5);
        let radio = format!("{LEAST}\n[gear]\nvhf = \"handheld, DSC\"\nlight = false\n");
        let radio = of(&radio);
        assert_eq!((radio.answered, radio.of), (5, 25), "a radio that calls by number has one");
    }
}
