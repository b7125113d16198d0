//! What got worse between two judgements of a plan.

use super::Caution;

/// The cautions of `after` that are new or of a higher level than before, the worst first.
///
/// A rule may raise several: those said in the same words before are set aside, and of the rest the
/// gravest is held against the gravest of the same rule.
#[must_use]
pub fn worse(before: &[Caution], after: &[Caution]) -> Vec<Caution> {
    let unchanged = |one: &Caution, others: &[Caution]| {
        others
            .iter()
            .any(|other| other.id == one.id && other.text == one.text && other.level >= one.level)
    };
    let stands = |one: &&Caution| after.iter().any(|other| says_the_same(one, other));
    let mut old: Vec<&Caution> = before.iter().filter(|one| !stands(one)).collect();
    old.sort_by_key(|one| std::cmp::Reverse(one.level));
    let mut new: Vec<&Caution> = after.iter().filter(|one| !unchanged(one, before)).collect();
    new.sort_by_key(|one| std::cmp::Reverse(one.level));
    new.retain(|one| {
        let at = old.iter().position(|other| other.id == one.id);
        let was = at.map(|at| old.remove(at).level);
        was.is_none_or(|was| was < one.level)
    });
    new.into_iter().cloned().collect()
}

/// To the crew; what those ashore may read of it was not stored with the oldest.
fn says_the_same(one: &Caution, other: &Caution) -> bool {
    let said = |caution: &Caution| (caution.level, caution.id.clone(), caution.source.clone());
    said(one) == said(other) && one.text == other.text && one.clears == other.clears
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::caution::{Ashore, Level};

    fn caution(id: &'static str, level: Level, text: &str) -> Caution {
        Caution::new(id, level, text.to_owned(), Ashore::Whole, "common practice, no source", "")
    }

    fn told(before: &[Caution], after: &[Caution]) -> Vec<String> {
        worse(before, after).into_iter().map(|one| one.text).collect()
    }

    #[test]
    fn the_new_and_the_raised_are_told_the_worst_first() {
        let before = [
            caution("cold-water", Level::Warning, "cold"),
            caution("daylight", Level::Caution, "near dusk"),
            caution("pace", Level::Warning, "fast"),
        ];
        let after = [
            caution("daylight", Level::Warning, "after dark"),
            caution("cold-water", Level::Warning, "cold, in other words"),
            caution("wind", Level::Danger, "a gale"),
            caution("pace", Level::Caution, "less fast"),
        ];
        assert_eq!(told(&before, &after), ["a gale", "after dark"]);
        assert_eq!(told(&after, &after), Vec::<String>::new());
    }

    #[test]
    fn a_second_caution_of_one_rule_is_new() {
        let before = [caution("daylight", Level::Caution, "a launch before dawn")];
        let after = [
            caution("daylight", Level::Caution, "a launch before dawn"),
            caution("daylight", Level::Caution, "a return after dusk"),
        ];
        assert_eq!(told(&before, &after), ["a return after dusk"]);
    }
}
