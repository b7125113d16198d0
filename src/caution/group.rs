//! Groups that come apart.
//!
//! One operator's guideline in Canada: at least one guide for four clients, two where the water is
//! exposed, fewer clients the colder and the more exposed it is. Nothing is published for private
//! crews. Many who perish in groups were out of sight of the others: a dash to shore in offshore
//! wind breaks a group up (common practice, no source).

use super::{Ashore, Caution, Facts, Level, Limits};

pub(super) const ID: &str = "group";

const SOURCE: &str = "One operator's guideline in Canada: a guide for four clients; the rest: \
                      common practice, no source";
/// So many one person can look after.
const LOOKED_AFTER: usize = 4;

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let crew = facts.plan.crew.len();
    let beginners =
        facts.plan.crew.iter().filter(|member| super::beginner::is_beginner(member)).count();
    let leaders = crew - beginners;
    let too_many = crew > 1 && beginners > LOOKED_AFTER * leaders;
    let level = match (too_many, facts.is_cold(limits)) {
        (true, true) => Level::Warning,
        (true, false) => Level::Caution,
        (false, _) if crew > LOOKED_AFTER => Level::Caution,
        (false, _) => return Vec::new(),
    };
    let text = match too_many {
        true => format!(
            "{beginners} of {crew} go as beginners, with {leaders} to look after them: one can look \
             after {LOOKED_AFTER} at most."
        ),
        false => format!("{crew} go together: a group of this size comes apart unnoticed."),
    };
    let clears = "Pairs who stay within a shout, one who leads and one who comes last, and a count \
                  at every stop.";
    vec![Caution::new(ID, level, text, Ashore::Whole, SOURCE, clears)]
}
