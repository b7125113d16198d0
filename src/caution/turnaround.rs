//! When to turn back at the latest.
//!
//! Common practice, no source: the way home is paddled tired, so it gets the spare time that the
//! whole plan should have. From the place that is farthest along from home by paddling, the crew
//! leaves in time for it, wherever else it wanted to go.

use chrono::{DateTime, TimeDelta, Utc};

use super::{Ashore, COMMON_PRACTICE, Caution, Facts, Level, Limits, words};

pub(super) const ID: &str = "turnaround";

pub(super) fn raise(facts: &Facts<'_>, limits: &Limits) -> Vec<Caution> {
    let (Some(turn), Some(leaves)) = (turn_back_by(facts, limits), leaves_half_way(facts, limits))
    else {
        return Vec::new();
    };
    if leaves <= turn {
        return Vec::new();
    }
    let level =
        if leaves >= facts.plan.times.return_by.at { Level::Warning } else { Level::Caution };
    let text = format!(
        "By the plan the crew turns for home at {}; to be home in time with some to spare it must \
         turn by {}, wherever it is.",
        words::clock(&facts.plan.times, leaves),
        words::clock(&facts.plan.times, turn)
    );
    let clears = "A later return, shorter stays, or a nearer place to turn at.";
    vec![Caution::new(ID, level, text, Ashore::Whole, COMMON_PRACTICE, clears)]
}

/// The latest time for turning home from half way, with the margin to spare; `None` without a
/// speed or a route. Never before the launch.
#[must_use]
pub fn turn_back_by(facts: &Facts<'_>, limits: &Limits) -> Option<DateTime<Utc>> {
    let home_s = facts.paddling_s(speed_kn(facts, limits)?) / 2.0;
    let with_margin_s = home_s * (1.0 + limits.pace.margin_percent / 100.0);
    let times = &facts.plan.times;
    let turn = times.return_by.at.checked_sub_signed(seconds(with_margin_s)?)?;
    Some(turn.max(times.launch.at))
}

/// When the plan has the crew turn home at half the way: all its stays are taken by then.
fn leaves_half_way(facts: &Facts<'_>, limits: &Limits) -> Option<DateTime<Utc>> {
    let out_s = facts.paddling_s(speed_kn(facts, limits)?) / 2.0 + facts.stays_s();
    facts.plan.times.launch.at.checked_add_signed(seconds(out_s)?)
}

/// No faster than is believed of such a crew.
fn speed_kn(facts: &Facts<'_>, limits: &Limits) -> Option<f64> {
    let goes = !facts.goes_nowhere() && facts.reach.length_m > 0.0;
    let speed_kn = facts.plan.pace.speed_kn.filter(|_| goes)?;
    Some(speed_kn.min(super::pace::fastest_kn(facts, limits)))
}

/// `None` for what is longer than any trip.
// Held below a year.
fn seconds(seconds: f64) -> Option<TimeDelta> {
    (seconds.abs() < 3.2e7).then(|| TimeDelta::seconds(seconds as i64))
}
