//! When help would be there, against what the water gives.
//!
//! Were the worst to happen just before the return, nobody ashore would know before the first
//! alert: the grace, then a contact reads and calls (our own choice of minutes), then the rescue
//! service's own standard: ready within 30 minutes of the call, on scene within two hours (US Coast
//! Guard Addendum; Canada's is alike). That is for distress; an overdue crew is looked for later.
//!
//! Against it stand the time to exhaustion by the table of degrees Fahrenheit, its short end (tables
//! for searchers are long on purpose), and the formula of 1975 where it was measured. Neither is a
//! promise, and both are used here for nothing but this comparison.

use chrono::{DateTime, TimeDelta, Utc};

use super::course::{core_at_30_c_min, exhaustion_min};
use super::{Ashore, Caution, Facts, Level, Limits, lowered, words};
use crate::measure::Span;
use crate::plan::Wear;

pub(super) const ID: &str = "help";

const SOURCE: &str = "US Coast Guard Addendum (30 min ready, 2 h on scene); reading and calling: our \
                      own choice; against: the table by °F and Hayward and others 1975";

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let water_c = facts.water_c(limits);
    if water_c > limits.immersion_wear.recommended_c {
        return Vec::new();
    }
    let Some((exhausted_min, _)) = exhaustion_min(water_c) else { return Vec::new() };
    let exhausted_s = 60.0 * exhausted_min;
    // Colder than measured is no better than the coldest that was; warmer has no figure.
    let longest_s = core_at_30_c_min(water_c.max(4.6)).map(|minutes| 60.0 * minutes);
    let grace_s = seconds(facts.overdue_at - facts.plan.times.return_by.at);
    let waited_s = grace_s + limits.help.after_alert_s();
    let level = match longest_s {
        Some(longest_s) if waited_s > longest_s => Level::Danger,
        _ if waited_s > exhausted_s && facts.is_cold(limits) => Level::Warning,
        _ if waited_s > exhausted_s => Level::Caution,
        _ => return Vec::new(),
    };
    let dressed = facts.plan.crew.iter().all(|member| member.immersion_wear == Some(Wear::Drysuit));
    let level = if dressed { lowered(level) } else { level };
    let text = format!(
        "If the worst happened just before the return, help might be there at {}, {} later. In {}, \
         an adult {}{}.{}",
        words::clock(&facts.plan.times, facts.plan.times.return_by.at + delta(waited_s)),
        words::span(waited_s),
        facts.water_words(limits),
        gives(exhausted_s, longest_s, waited_s),
        if dressed { "; a drysuit gives longer" } else { "" },
        from_farthest(facts, waited_s),
    );
    let clears = mend(grace_s, waited_s, longest_s.unwrap_or(exhausted_s), limits);
    vec![Caution::new(ID, level, text, Ashore::LeftOut, SOURCE, clears)]
}

/// `can be exhausted after 30 min, 2 h 15 min too soon, and by a formula has about 2 h 15 min if
/// keeping still: 30 min too few`.
fn gives(exhausted_s: f64, longest_s: Option<f64>, waited_s: f64) -> String {
    let early = match exhausted_s {
        0.0 => "can be exhausted within minutes".to_owned(),
        seconds => format!("can be exhausted after {}", words::span(seconds)),
    };
    let too_soon = words::span(waited_s - exhausted_s);
    let by_formula = longest_s.map_or(String::new(), |longest_s| {
        let enough = match waited_s - longest_s {
            late_s if late_s >= 30.0 => format!("{} too few", words::span(late_s)),
            _ => "no more than just enough".to_owned(),
        };
        let longest = words::span(longest_s);
        format!(", and by a formula has about {longest} if keeping still: {enough}")
    });
    format!("{early}, {too_soon} too soon{by_formula}")
}

/// How long it would be from the farthest point, if the plan says when the crew is there.
fn from_farthest(facts: &Facts<'_>, waited_s: f64) -> String {
    let Some((along_m, speed_kn)) = facts.reach.farthest_along_m.zip(facts.plan.pace.speed_kn)
    else {
        return String::new();
    };
    let there_s = super::paddling_s(along_m, speed_kn);
    let before_return_s = facts.available_s() - there_s;
    if facts.goes_nowhere() || before_return_s <= 0.0 {
        return String::new();
    }
    format!(
        " From the place farthest from shore, {} after the launch, it would be {}.",
        words::span(there_s),
        words::span(before_return_s + waited_s)
    )
}

/// The grace that would mend it, as one edit; or that none would.
fn mend(grace_s: f64, waited_s: f64, longest_s: f64, limits: &Limits) -> String {
    let enough_s = grace_s - (waited_s - longest_s);
    // Whole five minutes, rounded down.
    let minutes = (enough_s / 300.0).floor() * 5.0;
    let by_call = words::span(limits.help.after_call_s());
    if waited_s > longest_s && minutes >= 5.0 && longest_s > 0.0 {
        let grace = words::span(minutes * 60.0);
        return format!(
            "A grace of {grace} at most (times.grace = \"{minutes:.0}m\") brings help within the \
             formula's time; a radio or beacon on the body calls it at once: about {by_call}."
        );
    }
    format!(
        "A radio or beacon on the body, which calls help at once: about {by_call}; a suit for this \
         water, a route along the shore, a partner. No grace mends it."
    )
}

// Far below 2^52 seconds.
fn seconds(span: TimeDelta) -> f64 {
    span.num_seconds() as f64
}

// A day or so.
fn delta(seconds: f64) -> TimeDelta {
    Span::from_seconds(seconds.max(0.0) as u32).delta()
}

/// When help might be on scene, were the worst to happen just before the return.
#[must_use]
pub fn on_scene_at(facts: &Facts<'_>, limits: &Limits) -> DateTime<Utc> {
    facts.overdue_at + delta(limits.help.after_alert_s())
}
