//! What a letter says when the service can't tell which of its machine's clocks is right.

use super::scene::Scene;
use crate::measure::spoken;
use crate::watch::Kind;

/// A sentence for the letters that the clock owes; `None` while the clocks agree.
pub(super) fn note(scene: &Scene<'_>) -> Option<String> {
    let apart = scene.facts.clocks_apart?;
    let kind = scene.order.kind;
    let by_the_clock = kind.is_alert() || matches!(kind, Kind::Reminder | Kind::Due);
    if !by_the_clock {
        return None;
    }
    let spoken = match apart.num_days() {
        days @ 100.. => format!("{days} days"),
        _ => spoken(apart),
    };
    Some(format!(
        "The clocks of this service's machine disagree by {spoken}, and it goes by the one that is \
         ahead, so that no alert is late: this letter may be up to {spoken} early, so compare the \
         times in it with your own clock."
    ))
}
