//! Which of a rescue coordinator's questions a plan answers, and which of the others are worth most.
//! (The questions are those of `plan::questions`.)

use serde::{Deserialize, Serialize};

use crate::caution::words;
use crate::plan::questions::{self, Open, Question};
use crate::plan::{CrewMember, Plan};

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

/// What no plan lacks: how many they are, and their names; where and when they launch; when they are
/// due back, and on which clock.
const NEVER_LACKING: usize = 3;

/// The score of a plan; `on_trip` are the places of those who go.
#[must_use]
pub fn asked(plan: &Plan, on_trip: &[usize]) -> Asked {
    let crew: Vec<&CrewMember> = on_trip.iter().filter_map(|&at| plan.crew.get(at)).collect();
    let mut questions = questions::ALL.to_vec();
    let gear = &plan.gear;
    let calls_by_number = gear.vhf.as_ref().is_some_and(|vhf| vhf.to_lowercase().contains("dsc"));
    if calls_by_number || gear.mmsi.is_some() {
        questions.push(&questions::MMSI);
    }
    let of = NEVER_LACKING + questions.len();
    let mut missing: Vec<Missing> =
        questions.into_iter().filter_map(|question| missing(question, plan, &crew)).collect();
    missing.sort_by_key(|missing| std::cmp::Reverse(missing.worth));
    Asked { answered: of - missing.len(), of, missing }
}

fn missing(question: &Question, plan: &Plan, crew: &[&CrewMember]) -> Option<Missing> {
    let of = match question.open(plan, crew)? {
        Open::Trip | Open::NoCraft | Open::Craft(_) => String::new(),
        Open::Crew(all) if all.len() == crew.len() && all.len() > 1 => " of each".to_owned(),
        Open::Crew(some) => {
            let names: Vec<&str> = some.iter().map(|one| one.name.as_str()).collect();
            format!(" of {}", words::list(&names, 3))
        }
    };
    let what = format!("{}{of}", question.asked);
    Some(Missing { what, worth: question.worth, ashore_may_know: question.ashore_may_know })
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
                words::list(&lacking, 6)
            ),
        }
    }
}

#[cfg(test)]
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
