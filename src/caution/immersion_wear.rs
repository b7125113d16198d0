//! Dress for the water.
//!
//! US cold-water safety teaching recommends thermal protection below 70 °F (21.1 °C). Which suit
//! for which water is common practice, no source: a wetsuit down to 15 °C, a drysuit below. Canada
//! asks guided excursions below 15 °C to provide against hypothermia (SOR/2010-91 s. 303(2)).

use super::{Ashore, Caution, Facts, Level, Limits, words};
use crate::plan::Wear;

pub(super) const ID: &str = "immersion-wear";

const SOURCE: &str = "US cold-water teaching: thermal protection below 70 °F; which suit: \
                      common practice, no source";

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let bounds = &limits.immersion_wear;
    let water_c = facts.water_c(limits);
    if water_c > bounds.recommended_c {
        return Vec::new();
    }
    let of = |wanted: Option<Wear>| {
        let crew = facts.plan.crew.iter().filter(move |member| member.immersion_wear == wanted);
        let names: Vec<_> = crew.map(|member| member.name.as_str()).collect();
        (!names.is_empty()).then(|| (words::list(&names, 3), names.len() == 1))
    };
    let wears = |one: bool| if one { "wears" } else { "wear" };
    let without = of(Some(Wear::None))
        .map(|(names, one)| format!("{names} {} no suit against it", wears(one)));
    let unsaid =
        of(None).map(|(names, _)| format!("the plan doesn't say whether a suit is on {names}"));
    let thin = of(Some(Wear::Wetsuit)).filter(|_| water_c <= bounds.drysuit_c);
    let thin = thin.map(|(names, one)| format!("{names} {} only a wetsuit", wears(one)));
    let cold = match water_c {
        c if c <= limits.cold_water.danger_c => Level::Danger,
        c if c <= limits.cold_water.warning_c => Level::Warning,
        _ => Level::Caution,
    };
    let level = match (&without, &unsaid, &thin) {
        (None, None, None) => return Vec::new(),
        (None, None, Some(_)) if cold == Level::Danger => Level::Warning,
        (None, None, Some(_)) => Level::Caution,
        _ => cold,
    };
    let found: Vec<_> = [without, unsaid, thin].into_iter().flatten().collect();
    let text = format!("In {}, {}.", facts.water_words(limits), words::list(&found, 3));
    let suit = if water_c <= bounds.drysuit_c { "a drysuit with warm layers" } else { "a wetsuit" };
    let clears = format!("Everybody dresses for the water, not the air: {suit}, or waits.");
    vec![Caution::new(ID, level, text, Ashore::Whole, SOURCE, clears)]
}
