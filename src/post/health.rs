//! How a relay has been doing, and what follows for the order in which relays are asked.

use std::time::Duration;

use tokio::time::Instant;

use super::error::{Phase, SendClass, SendError};
use super::rests::Rests;

/// A relay that failed is asked last for so long.
const PASSED_OVER: Duration = Duration::from_secs(30);
/// One "later" may be about the letter; so many in a row are about the relay. Those said of a recipient
/// must be of as many domains: three, since one trip's contacts may well be at two whose hosts both
/// greylist.
const REFUSALS_THAT_MATTER: usize = 3;

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
    /// Whom its temporary refusals since it last took a letter were about; no more than matter.
    refusals: Vec<About>,
    pub(super) rests: Rests,
}

/// Whom a temporary refusal was about.
#[derive(Debug, PartialEq, Eq)]
enum About {
    /// The relay itself, which had heard of no recipient yet.
    Relay,
    /// Maybe a recipient's own host, whose word the relay passes on: it counts once for its domain, or one
    /// mailbox that is busy makes the relay look ill.
    Domain(String),
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
        self.refusals.clear();
    }

    /// It could be reached again; if that was all that was wrong, nothing is.
    pub(super) fn reached(&mut self) {
        self.failing = self.failing.take().filter(|failing| failing.phase != Phase::Opening);
    }

    /// It did not take a letter to this domain. A refusal of the recipient or of the letter is no fault
    /// of it.
    pub(super) fn failed(&mut self, error: &SendError, domain: &str, now: Instant) {
        match error.class {
            SendClass::Transport => self.ail(error.phase, &error.said, now),
            SendClass::Temporary => {
                self.count(error.phase, domain);
                if self.refusals.len() >= REFUSALS_THAT_MATTER {
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

    fn count(&mut self, phase: Phase, domain: &str) {
        let about = match phase <= Phase::Sender {
            true => About::Relay,
            false => About::Domain(site_of(domain).to_owned()),
        };
        let counts = about == About::Relay || !self.refusals.contains(&about);
        if counts && self.refusals.len() < REFUSALS_THAT_MATTER {
            self.refusals.push(about);
        }
    }

    fn ail(&mut self, phase: Phase, said: &str, now: Instant) {
        let since = self.failing.as_ref().map_or(now, |failing| failing.since);
        self.failing = Some(Failing { since, last: now, phase, said: said.to_owned() });
    }
}

/// What one host names as it likes is one: the last two labels. Under `co.uk` and its like unlike hosts
/// count as one, and the relay ails a little later.
fn site_of(domain: &str) -> &str {
    domain.rmatch_indices('.').nth(1).map_or(domain, |(at, _)| &domain[at + 1..])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_below_one_domain_are_one_host() {
        for name in ["evil.example", "h1.evil.example", "a.b.evil.example"] {
            assert_eq!(site_of(name), "evil.example");
        }
        assert_eq!(site_of("localhost"), "localhost");
    }

    fn said(class: SendClass, phase: Phase, said: &str) -> SendError {
        SendError { class, ..SendError::transport(phase, "relay", said) }
    }

    const DOMAIN: &str = "one.example";

    fn seconds(seconds: u64) -> Duration {
        Duration::from_secs(seconds)
    }

    #[test]
    fn a_relay_that_cannot_be_reached_is_passed_over_for_a_while() {
        let (start, mut pulse) = (Instant::now(), Pulse::default());
        pulse.failed(&said(SendClass::Transport, Phase::Opening, "refused"), DOMAIN, start);
        assert!(pulse.is_passed_over(start + seconds(29)));
        assert!(!pulse.is_passed_over(start + seconds(31)));
        let refused = said(SendClass::Transport, Phase::Opening, "refused");
        pulse.failed(&refused, DOMAIN, start + seconds(120));
        let health = pulse.health("relay", start + seconds(150));
        assert_eq!(health.failing_for, Some(seconds(120)));
        pulse.took(start + seconds(151));
        assert_eq!(pulse.health("relay", start + seconds(152)).failing_for, None);
    }

    #[test]
    fn one_greylisted_letter_is_no_fault_and_a_refusal_of_everything_is() {
        let (start, mut pulse) = (Instant::now(), Pulse::default());
        let later = said(SendClass::Temporary, Phase::Recipient, "4.2.0 greylisted");
        for domain in ["one.example", "two.example"] {
            pulse.failed(&later, domain, start);
            assert!(!pulse.is_passed_over(start));
        }
        pulse.failed(&later, "three.example", start);
        assert!(pulse.is_passed_over(start));
        pulse.reached();
        assert!(pulse.is_passed_over(start), "that it can be reached is not all it lacks");
    }

    #[test]
    fn what_one_domain_has_it_say_again_and_again_is_no_fault_of_the_relay() {
        for phase in [Phase::Recipient, Phase::Data, Phase::Letter] {
            let (start, mut pulse) = (Instant::now(), Pulse::default());
            let later = said(SendClass::Temporary, phase, "4.2.1 mailbox busy");
            for domain in ["one.example", "two.example"].repeat(9) {
                pulse.failed(&later, domain, start);
                assert_eq!(pulse.health("relay", start).trouble, None);
            }
            pulse.took(start);
            for domain in ["three.example", "four.example"] {
                pulse.failed(&later, domain, start);
                assert!(!pulse.is_passed_over(start), "they are counted from the last it took");
            }
            pulse.failed(&later, "five.example", start);
            assert!(pulse.is_passed_over(start));
            let again = start + PASSED_OVER;
            assert!(!pulse.is_passed_over(again));
            pulse.failed(&later, "five.example", again);
            assert!(pulse.is_passed_over(again), "it has taken nothing since");
        }
    }

    #[test]
    fn what_it_says_before_a_recipient_was_named_counts_whoever_it_would_be() {
        let (start, mut pulse) = (Instant::now(), Pulse::default());
        let later = said(SendClass::Temporary, Phase::Sender, "4.3.1 disk full");
        for _ in 0..2 {
            pulse.failed(&later, DOMAIN, start);
            assert!(!pulse.is_passed_over(start));
        }
        pulse.failed(&later, DOMAIN, start);
        assert!(pulse.is_passed_over(start));
    }

    #[test]
    fn an_address_that_is_refused_is_no_fault_of_the_relay() {
        let (start, mut pulse) = (Instant::now(), Pulse::default());
        for _ in 0..9 {
            let unknown = said(SendClass::RecipientRefused, Phase::Recipient, "5.1.1 unknown");
            pulse.failed(&unknown, DOMAIN, start);
        }
        assert!(!pulse.is_passed_over(start));
    }
}
