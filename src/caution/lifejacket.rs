//! Life jackets that are not on.
//!
//! US Coast Guard, Recreational Boating Statistics 2019: of those who died, 79 % drowned, and 86 %
//! of these wore no life jacket. One that is only carried can hardly be put on in cold water
//! (common practice).

use super::{Ashore, Caution, Facts, Level, Limits, words};
use crate::plan::Lifejacket;

pub(super) const ID: &str = "lifejacket";

const SOURCE: &str = "US Coast Guard, Recreational Boating Statistics 2019: 79 % of those who died \
                      drowned, 86 % of these without a life jacket on";

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let of = |wanted: Option<Lifejacket>| {
        let crew = facts.plan.crew.iter().filter(move |member| member.lifejacket == wanted);
        let names: Vec<_> = crew.map(|member| member.name.as_str()).collect();
        (!names.is_empty()).then(|| (words::list(&names, 3), names.len() == 1))
    };
    let without = of(Some(Lifejacket::None))
        .map(|(names, one)| format!("{names} {} no life jacket", if one { "has" } else { "have" }));
    let unsaid = of(None)
        .map(|(names, _)| format!("the plan doesn't say whether a life jacket is on {names}"));
    let carried = of(Some(Lifejacket::Carried)).map(|(names, one)| match one {
        true => format!("{names} carries a life jacket and doesn't wear it"),
        false => format!("{names} carry life jackets and don't wear them"),
    });
    let level = match (facts.is_cold(limits), &without, &unsaid, &carried) {
        (_, None, None, None) => return Vec::new(),
        (true, ..) => Level::Danger,
        (false, None, None, Some(_)) => Level::Caution,
        (false, ..) => Level::Warning,
    };
    let found: Vec<_> = [without, unsaid, carried].into_iter().flatten().collect();
    let text = format!("In {}, {}.", facts.water_words(limits), words::list(&found, 3));
    let clears = "Everybody wears a life jacket, fastened, the whole way, and the plan says so.";
    vec![Caution::new(ID, level, text, Ashore::Whole, SOURCE, clears)]
}
