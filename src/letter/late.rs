//! How late a letter is, and why as far as that is known.

use chrono::{DateTime, TimeDelta, Utc};

use super::scene::Scene;
use crate::measure::spoken;

/// Up to this, a letter counts as punctual.
const PUNCTUAL: TimeDelta = TimeDelta::seconds(5);

/// A sentence or two about the delay; `None` for a punctual letter.
pub(super) fn note(scene: &Scene<'_>) -> Option<String> {
    // When it became so is not theirs to read.
    if scene.is_of_no_concern() {
        return None;
    }
    let queued_at = scene.facts.queued_at;
    let meant_at = scene.order.scheduled_at.max(round_began(scene));
    let late = scene.now - meant_at;
    // By as much as the clocks disagree, a letter only seems late.
    if late <= scene.facts.clocks_apart.unwrap_or_default().max(PUNCTUAL) {
        return None;
    }
    let at = |at| scene.clock.full_from(at, scene.now);
    let mut note = format!(
        "This letter is late by {}: it should have left at {}.",
        spoken(late),
        at(meant_at)
    );
    let service_down = queued_at - meant_at > PUNCTUAL;
    if service_down {
        note.push_str(&format!(
            " This service was down or stuck until {}, and in that time the crew could not have \
             checked in, even if they are ashore.",
            at(queued_at)
        ));
    }
    if scene.now - queued_at > PUNCTUAL {
        note.push_str(&format!(
            " It was written at {}, but no mail relay took it before {}.",
            at(queued_at),
            at(scene.now)
        ));
    }
    // Whether the crew could check in meanwhile matters to letters that the clock owes.
    if !service_down && scene.event().is_none() {
        note.push_str(" The service was running, and the crew could have checked in.");
    }
    Some(note)
}

/// When the present round of the ladder began: what the ladder asked for before an extension or a
/// reopening is not late.
fn round_began(scene: &Scene<'_>) -> DateTime<Utc> {
    let watched = scene.facts.watched;
    [watched.changed_by, watched.reopened_by]
        .into_iter()
        .flatten()
        .filter_map(|number| scene.facts.past(number))
        .map(|past| past.at)
        .fold(scene.facts.filed_at, DateTime::max)
}
