//! Too far from shore to swim back.
//!
//! Lounsbury, University of Toronto 2004: in a flume of 10 °C, in life jackets and light clothing,
//! novices swam 806.5 ± 189.1 m and experts 1438.9 ± 176.9 m before their arms failed. Ducharme and
//! Lounsbury, Appl Physiol Nutr Metab 2007 (H07-042): 800 to 1500 m at 10 to 14 °C. All in calm
//! water, without wind or drift. Nothing is published below 10 °C: it counts as not swimmable.
//! Warmer water is let off one level, no more, since nothing is published for it either.

use super::{Ashore, Caution, Facts, Level, Limits};

pub(super) const ID: &str = "distance";

const SOURCE: &str = "Lounsbury, University of Toronto 2004; Ducharme and Lounsbury, Appl Physiol \
                      Nutr Metab 2007 (H07-042): swims in calm water of 10 to 14 °C";

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let from_shore = match facts.at_most_m() {
        Some(at_most_m) => too_far(facts, limits, at_most_m),
        None => Some(unknown(facts, limits)),
    };
    from_shore.into_iter().chain(over_land(facts, limits)).collect()
}

fn too_far(facts: &Facts<'_>, limits: &Limits, at_most_m: f64) -> Option<Caution> {
    let bounds = &limits.distance;
    let known_c = facts.water.cold_end_c();
    let swimmable = known_c.is_some_and(|water_c| water_c >= bounds.published_from_c);
    let warm = known_c.is_some_and(|water_c| water_c > bounds.published_to_c);
    let beyond_novices = at_most_m > bounds.novice_swim_m;
    let beyond_all = at_most_m > bounds.longest_swim_m;
    let level = match (swimmable, warm) {
        (false, _) if beyond_novices => Level::Danger,
        (false, _) => Level::Warning,
        (true, false) if beyond_all => Level::Danger,
        (true, false) if beyond_novices => Level::Warning,
        (true, true) if beyond_all => Level::Warning,
        (true, true) if beyond_novices => Level::Caution,
        (true, _) => return None,
    };
    let swim = match (swimmable, beyond_all) {
        (false, _) => format!(
            "count on no swim to shore, for none is published below {}",
            limits.units.temperature(bounds.published_from_c)
        ),
        (true, true) => "farther than any swim published for cold water".to_owned(),
        (true, false) => "farther than novices swam in cold water".to_owned(),
    };
    let text = format!(
        "The route goes up to {} from shore, in {}: {swim}.",
        limits.units.distance(at_most_m),
        facts.water_words(limits)
    );
    let clears = if swimmable {
        let near = limits.units.distance(bounds.novice_swim_m);
        format!("A route that stays within {near} of shore, or one that others can tow you from.")
    } else {
        "A route along the shore, and a partner who can put you back into your craft; or wait for \
         warmer water."
            .to_owned()
    };
    Some(Caution::new(ID, level, text, Ashore::Whole, SOURCE, clears))
}

fn unknown(facts: &Facts<'_>, limits: &Limits) -> Caution {
    let why = match &facts.reach.at_most_m {
        _ if facts.goes_nowhere() => "the plan names no place beyond the launch",
        Err(why) => why.as_str(),
        Ok(_) => "it was not measured",
    };
    let level = if facts.is_cold(limits) { Level::Warning } else { Level::Caution };
    let text = format!(
        "How far from shore the route goes is unknown, for {why}: whether a swim could end ashore, in \
         {}, can't be told.",
        facts.water_words(limits)
    );
    let clears = "The places of the route, within waters whose shoreline this service has.";
    Caution::new(ID, level, text, Ashore::Whole, SOURCE, clears)
}

/// Land in the data means that it can't be checked there, never that shore is at hand.
fn over_land(facts: &Facts<'_>, limits: &Limits) -> Option<Caution> {
    let over_land_m = facts.reach.over_land_m?;
    if over_land_m <= limits.distance.over_land_m {
        return None;
    }
    let text = format!(
        "{} of the route lies on land by this service's shoreline, where its distance from shore \
         can't be checked.",
        limits.units.distance(over_land_m)
    );
    let clears = "Positions on the water; if they are right, the shoreline lacks this water.";
    Some(Caution::new(ID, Level::Caution, text, Ashore::Whole, super::COMMON_PRACTICE, clears))
}
