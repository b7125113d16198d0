//! How a relay has been doing, and what follows for the order in which relays are asked.

use std::time::Duration;

use tokio::time::Instant;

use super::error::{Phase, SendClass, SendError};
use super::rests::Rests;

/// A relay that failed is asked last for so long.
const PASSED_OVER: Duration = Duration::from_secs(30);
/// One "later" may be about the letter; so many in a row are about the relay.
const REFUSALS_THAT_MATTER: u32 = 3;

/// How a relay is doing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RelayHealth {
    /// Its name, `host:port`, or the folder's path.
    pub name: String,
    /// What it said or did last, if it has taken nothing since.
    pub trouble: Option<String>,
    /// For how long it has been seen failing: from the first failure to the last; none while it
    /// works.
    pub failing_for: Option<Duration>,
    /// How long ago it last took a letter.
    pub took_ago: Option<Duration>,
}

/// What is remembered of a relay.
#[derive(Debug, Default)]
pub(super) struct Pulse {
    failing: Option<Failing>,
    took_at: Option<Instant>,
    /// Temporary refusals in a row.
    refusals: u32,
    pub(super) rests: Rests,
}

#[derive(Debug)]
struct Failing {
    since: Instant,
    last: Instant,
    /// How far the last failure came.
    phase: Phase,
    said: String,
}

impl Pulse {
    /// It took a letter.
    pub(super) fn took(&mut self, now: Instant) {
        self.took_at = Some(now);
        self.failing = None;
        self.refusals = 0;
    }

    /// It could be reached again; if that was all that was wrong, nothing is.
    pub(super) fn reached(&mut self) {
        self.failing = self.failing.take().filter(|failing| failing.phase != Phase::Opening);
    }

    /// It did not take a letter. A refusal of the recipient or of the letter is no fault of it.
    pub(super) fn failed(&mut self, error: &SendError, now: Instant) {
        match error.class {
            SendClass::Transport => self.ail(error.phase, &error.said, now),
            SendClass::Temporary => {
                self.refusals = self.refusals.saturating_add(1);
                if self.refusals >= REFUSALS_THAT_MATTER {
                    self.ail(error.phase, &error.said, now);
                }
            }
            SendClass::RecipientRefused | SendClass::MessageRefused => {}
        }
    }

    /// It says nothing while others wait.
    pub(super) fn slow(&mut self, now: Instant) {
        self.ail(Phase::Sender, "no answer yet", now);
    }

    /// Whether the others are asked first.
    pub(super) fn is_passed_over(&self, now: Instant) -> bool {
        let failing = self.failing.as_ref().is_some_and(|failing| now < failing.last + PASSED_OVER);
        failing || self.rests.has_begun(now)
    }

    /// Whether it failed and has not been tried for a while.
    pub(super) fn wants_a_look(&self, now: Instant) -> bool {
        self.failing.as_ref().is_some_and(|failing| now >= failing.last + PASSED_OVER)
    }

    pub(super) fn health(&self, name: &str, now: Instant) -> RelayHealth {
        RelayHealth {
            name: name.to_owned(),
            trouble: self.failing.as_ref().map(|failing| failing.said.clone()),
            failing_for: self.failing.as_ref().map(|failing| failing.last - failing.since),
            took_ago: self.took_at.map(|at| now - at),
        }
    }

    fn ail(&mut self, phase: Phase, said: &str, now: Instant) {
        let since = self.failing.as_ref().map_or(now, |failing| failing.since);
        self.failing = Some(Failing { since, last: now, phase, said: said.to_owned() });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(class: SendClass, phase: Phase, said: &str) -> SendError {
        SendError { class, ..SendError::transport(phase, "relay", said) }
    }

    fn seconds(seconds: u64) -> Duration {
        Duration::from_secs(seconds)
    }

    #[test]
    fn a_relay_that_cannot_be_reached_is_passed_over_for_a_while() {
        let (start, mut pulse) = (Instant::now(), Pulse::default());
        pulse.failed(&said(SendClass::Transport, Phase::Opening, "refused"), start);
        assert!(pulse.is_passed_over(start + seconds(29)));
        assert!(!pulse.is_passed_over(start + seconds(31)));
        pulse.failed(&said(SendClass::Transport, Phase::Opening, "refused"), start + seconds(120));
        let health = pulse.health("relay", start + seconds(150));
        assert_eq!(health.failing_for, Some(seconds(120)));
        pulse.took(start + seconds(151));
        assert_eq!(pulse.health("relay", start + seconds(152)).failing_for, None);
    }

    #[test]
    fn one_greylisted_letter_is_no_fault_and_a_refusal_of_everything_is() {
        let (start, mut pulse) = (Instant::now(), Pulse::default());
        let later = said(SendClass::Temporary, Phase::Recipient, "4.2.0 greylisted");
        for _ in 0..2 {
            pulse.failed(&later, start);
            assert!(!pulse.is_passed_over(start));
        }
        pulse.failed(&later, start);
        assert!(pulse.is_passed_over(start));
        pulse.reached();
        assert!(pulse.is_passed_over(start), "that it can be reached is not all it lacks");
    }

    #[test]
    fn an_address_that_is_refused_is_no_fault_of_the_relay() {
        let (start, mut pulse) = (Instant::now(), Pulse::default());
        for _ in 0..9 {
            let unknown = said(SendClass::RecipientRefused, Phase::Recipient, "5.1.1 unknown");
            pulse.failed(&unknown, start);
        }
        assert!(!pulse.is_passed_over(start));
    }
}
