//! How long letters that can wait leave a relay in peace which says that we send too much, or those
//! recipients alone whose host has it say so.

use std::collections::BTreeMap;
use std::time::Duration;

use tokio::time::Instant;

use super::error::{Phase, SendClass, SendError};

/// The first rest, and the longest.
const FIRST_REST: Duration = Duration::from_secs(1);
const LONGEST_REST: Duration = Duration::from_secs(60);
/// For so long one letter asks alone, after a rest, whether it is over.
const ASKS_ALONE: Duration = Duration::from_secs(1);
/// Domains that rest at once; what would be one more does not.
const MOST_DOMAINS: usize = 1024;

/// Who rests.
///
/// Once a recipient was named, an answer may be that of the recipient's own host, which the relay passes
/// on: it counts for letters to that domain and for no other, or whoever has a mail host could keep
/// everybody's letters waiting.
#[derive(Debug, Default)]
pub(super) struct Rests {
    relay: Option<Rest>,
    domains: BTreeMap<String, Rest>,
}

#[derive(Debug)]
struct Rest {
    until: Instant,
    length: Duration,
    /// Whether it has passed, and a letter is on its way to ask whether it is over.
    asked: bool,
}

impl Rests {
    /// The relay did not take a letter to this domain.
    pub(super) fn failed(&mut self, error: &SendError, domain: &str, now: Instant) {
        if error.phase > Phase::Sender {
            self.takes_mail(now);
        }
        if error.class != SendClass::Temporary || !says_too_much(error) {
            return;
        }
        if error.phase <= Phase::Sender {
            self.relay = Some(Rest::after(self.relay.take(), now));
            return;
        }
        if self.domains.len() >= MOST_DOMAINS {
            self.domains.retain(|_, rest| now < rest.until);
        }
        let before = self.domains.remove(domain);
        if before.is_some() || self.domains.len() < MOST_DOMAINS {
            self.domains.insert(domain.to_owned(), Rest::after(before, now));
        }
    }

    /// The relay heard from whom a letter comes, and did not say that we send too much. That it takes the
    /// letter as well is not needed: those that ask first may be to hosts which never take one.
    pub(super) fn takes_mail(&mut self, now: Instant) {
        self.relay.take_if(|rest| rest.may_be_over(now));
    }

    /// It took a letter to this domain.
    pub(super) fn took(&mut self, domain: &str, now: Instant) {
        if self.domains.get(domain).is_some_and(|rest| rest.may_be_over(now)) {
            self.domains.remove(domain);
        }
    }

    /// Whether the relay rests, and nobody asks it.
    pub(super) fn has_begun(&self, now: Instant) -> bool {
        self.relay.as_ref().is_some_and(|rest| !rest.asked && now < rest.until)
    }

    /// How long every letter that can wait has to.
    pub(super) fn left(&self, now: Instant) -> Option<Duration> {
        self.relay.as_ref()?.left(now)
    }

    /// How long a letter to this domain has to, if it can wait. After a rest one of them goes ahead and
    /// asks; were all to go at once, the relay would be told of too much again.
    pub(super) fn holds_up(&mut self, domain: &str, now: Instant) -> Option<Duration> {
        let at_domain = self.domains.get(domain).and_then(|rest| rest.left(now));
        // Whoever is held up by one of both does not ask the other.
        if let Some(left) = self.left(now).max(at_domain) {
            return Some(left);
        }
        for rest in self.relay.iter_mut().chain(self.domains.get_mut(domain)) {
            rest.asked = true;
            rest.until = now + ASKS_ALONE;
        }
        None
    }
}

impl Rest {
    /// Each time it is said anew, the rest is twice as long.
    fn after(before: Option<Rest>, now: Instant) -> Rest {
        let length = match before {
            Some(rest) if !rest.asked && now < rest.until => return rest,
            Some(rest) => (rest.length * 2).min(LONGEST_REST),
            None => FIRST_REST,
        };
        Rest { until: now + length, length, asked: false }
    }

    fn left(&self, now: Instant) -> Option<Duration> {
        (now < self.until).then(|| self.until - now)
    }

    /// Whether a good answer is to a letter that asked; others may have been on their way before.
    fn may_be_over(&self, now: Instant) -> bool {
        self.asked || self.until <= now
    }
}

/// Whether a reply is about how much we send: a policy reply (RFC 3463: X.7.X) that is not about a
/// recipient, or congestion (X.4.5, X.3.2).
fn says_too_much(error: &SendError) -> bool {
    match error.status() {
        Some([4, 7, _]) => error.phase != Phase::Recipient,
        Some([4, 4, 5] | [4, 3, 2]) => true,
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Duration = Duration::from_secs(1);

    fn said(phase: Phase, said: &str) -> SendError {
        SendError { class: SendClass::Temporary, ..SendError::transport(phase, "relay", said) }
    }

    /// What a recipient's own host may have a relay say.
    fn passed_on() -> [SendError; 5] {
        [
            said(Phase::Recipient, "4.3.2 System not accepting messages now"),
            said(Phase::Recipient, "4.4.5 congested"),
            said(Phase::Data, "4.7.1 greylisted, try again later"),
            said(Phase::Letter, "4.7.1 greylisted, try again later"),
            said(Phase::Letter, "4.3.2 System not accepting messages now"),
        ]
    }

    #[test]
    fn what_is_said_of_a_recipient_holds_up_that_domain_alone() {
        for later in passed_on() {
            let (start, mut rests) = (Instant::now(), Rests::default());
            for domain in ["later.example", "busy.example", "later.example"] {
                rests.failed(&later, domain, start);
            }
            assert_eq!(rests.holds_up("later.example", start), Some(SECOND), "{later}");
            assert_eq!(rests.holds_up("busy.example", start), Some(SECOND), "{later}");
            assert_eq!(rests.holds_up("other.example", start), None, "{later}");
            assert!(!rests.has_begun(start), "{later}: the relay is asked first as ever");
        }
    }

    #[test]
    fn what_is_said_before_a_recipient_was_named_holds_up_all() {
        let (start, mut rests) = (Instant::now(), Rests::default());
        rests.failed(&said(Phase::Sender, "4.7.1 Error: too much mail"), "one.example", start);
        assert_eq!(rests.left(start), Some(SECOND));
        assert_eq!(rests.holds_up("other.example", start), Some(SECOND));
        assert!(rests.has_begun(start));
    }

    /// Their letters ask first after each rest, and none of them is ever taken.
    #[test]
    fn hosts_that_never_take_a_letter_make_no_rest_of_a_relay_longer() {
        let (start, mut rests) = (Instant::now(), Rests::default());
        rests.failed(&said(Phase::Sender, "4.7.1 Error: too much mail"), "one.example", start);
        let over = start + SECOND;
        rests.failed(&passed_on()[2], "later.example", start);
        assert_eq!(rests.holds_up("later.example", over), None, "it asks");
        assert_eq!(rests.holds_up("other.example", over), Some(ASKS_ALONE));
        rests.failed(&passed_on()[2], "later.example", over);
        assert_eq!(rests.holds_up("other.example", over), None);
        assert_eq!(rests.holds_up("later.example", over), Some(2 * SECOND));
        // One that must wait for its own domain does not ask for all.
        rests.failed(&said(Phase::Sender, "4.7.1 Error: too much mail"), "one.example", over);
        assert_eq!(rests.holds_up("later.example", over + SECOND), Some(SECOND));
        assert_eq!(rests.holds_up("other.example", over + SECOND), None, "it asks");
    }

    #[test]
    fn a_domain_rests_longer_each_time_until_a_letter_is_taken() {
        let (mut at, mut rests) = (Instant::now(), Rests::default());
        for seconds in [1, 2, 4, 8, 16, 32, 60, 60] {
            rests.failed(&passed_on()[3], "later.example", at);
            let rest = seconds * SECOND;
            assert_eq!(rests.holds_up("later.example", at), Some(rest));
            at += rest;
            assert_eq!(rests.holds_up("later.example", at), None, "one asks");
            assert_eq!(rests.holds_up("later.example", at), Some(ASKS_ALONE));
        }
        rests.took("other.example", at);
        assert!(rests.holds_up("later.example", at).is_some());
        rests.took("later.example", at);
        assert_eq!(rests.holds_up("later.example", at), None);
        assert!(rests.domains.is_empty());
    }

    /// The reply of Postfix's rate limit (its anvil(8)) is 450 4.7.1, in answer to MAIL or RCPT.
    #[test]
    fn each_further_too_much_doubles_the_rest() {
        let (start, mut rests) = (Instant::now(), Rests::default());
        let too_much = said(Phase::Sender, "4.7.1 Error: too much mail");
        let mut at = start;
        for seconds in [1, 2, 4, 8, 16, 32, 60, 60] {
            rests.failed(&too_much, "one.example", at);
            rests.failed(&too_much, "two.example", at);
            assert_eq!(rests.holds_up("one.example", at), Some(seconds * SECOND));
            at += seconds * SECOND;
            assert_eq!(rests.holds_up("one.example", at), None);
        }
        rests.takes_mail(at);
        rests.failed(&too_much, "one.example", at);
        assert_eq!(rests.holds_up("one.example", at), Some(SECOND));
    }

    #[test]
    fn after_a_rest_one_letter_asks_and_the_others_wait_for_its_answer() {
        let (start, mut rests) = (Instant::now(), Rests::default());
        let too_much = said(Phase::Sender, "4.7.1 Error: too much mail");
        rests.failed(&too_much, "one.example", start);
        rests.takes_mail(start);
        assert_eq!(rests.left(start), Some(SECOND), "what was on its way before says nothing");
        let over = start + SECOND;
        assert_eq!(rests.holds_up("one.example", over), None);
        assert_eq!(rests.holds_up("one.example", over), Some(ASKS_ALONE));
        assert!(!rests.has_begun(over), "it is asked first again");
        rests.failed(&too_much, "one.example", over);
        assert_eq!(rests.holds_up("one.example", over), Some(2 * SECOND));
        let over = over + 2 * SECOND;
        assert_eq!(rests.holds_up("one.example", over), None);
        rests.takes_mail(over);
        assert_eq!(rests.holds_up("one.example", over), None, "nobody waits any more");
        assert_eq!(rests.holds_up("one.example", over), None);
    }

    #[test]
    fn domains_that_rest_are_bounded_and_forgotten() {
        let (start, mut rests) = (Instant::now(), Rests::default());
        for at in 0..3 * MOST_DOMAINS {
            rests.failed(&passed_on()[3], &format!("{at}.example"), start);
        }
        assert_eq!(rests.domains.len(), MOST_DOMAINS);
        rests.failed(&passed_on()[3], "later.example", start + SECOND);
        assert_eq!(rests.domains.len(), 1);
    }
}
