//! What can become of an attempt to hand over a letter, sorted by what has to be done about it.

use std::error::Error as _;
use std::fmt;

use lettre::transport::smtp;

use crate::plan::turns_text;

/// An attempt that failed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SendError {
    /// Whose fault it is, which decides what is done.
    pub class: SendClass,
    /// How far the attempt had come.
    pub phase: Phase,
    /// The relay, as `host:port`, or the folder.
    pub relay: String,
    /// What the relay said, or what happened, on one line.
    pub said: String,
    /// The reply code, if the relay replied.
    pub code: Option<u16>,
}

/// Whose fault a failure is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SendClass {
    /// The way there: connection, TLS, password, protocol, silence. It never counts against the
    /// recipient.
    Transport,
    /// The relay asks us to try again later.
    Temporary,
    /// There is no delivering to this address.
    RecipientRefused,
    /// This relay won't have this letter, whoever it is for.
    MessageRefused,
}

/// How far an attempt had come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Phase {
    /// Finding and reaching the relay, greeting, TLS, password.
    Opening,
    /// `MAIL`: whether it takes our letters.
    Sender,
    /// `RCPT`: whether it takes letters for this address.
    Recipient,
    /// `DATA`: whether it takes one now.
    Data,
    /// The letter itself, and the answer to it.
    Letter,
}

impl SendError {
    /// Whether the letter may have been taken all the same: it was on its way, and no answer
    /// came. It goes again, under the same Message-ID.
    #[must_use]
    pub fn in_doubt(&self) -> bool {
        self.phase == Phase::Letter && self.class == SendClass::Transport && self.code.is_none()
    }

    /// Whether another relay might do better at once: the fault lies in the way there, in its
    /// momentary state, or in its rules about whose mail it carries.
    #[must_use]
    pub fn is_worth_another_relay(&self) -> bool {
        match self.class {
            SendClass::Transport => !self.in_doubt(),
            SendClass::Temporary => true,
            SendClass::RecipientRefused => {
                self.status().is_some_and(|[_, subject, _]| subject == 7)
            }
            SendClass::MessageRefused => true,
        }
    }

    /// Whether trying again leads nowhere: every relay that was asked refuses the address, or the
    /// letter itself.
    #[must_use]
    pub fn is_final(&self) -> bool {
        matches!(self.class, SendClass::RecipientRefused | SendClass::MessageRefused)
    }

    /// Of two answers the one that leaves more hope: as long as one relay is out of reach,
    /// another's rules are not the last word about a recipient or a letter.
    #[must_use]
    pub fn after(self, earlier: Option<SendError>) -> Self {
        match earlier {
            Some(earlier) if self.is_final() => earlier,
            _ => self,
        }
    }

    pub(super) fn transport(phase: Phase, relay: &str, said: impl fmt::Display) -> Self {
        SendError {
            class: SendClass::Transport,
            phase,
            relay: relay.to_owned(),
            said: on_one_line(&said.to_string()),
            code: None,
        }
    }

    pub(super) fn recipient(relay: &str, said: &str) -> Self {
        let class = SendClass::RecipientRefused;
        SendError { class, ..Self::transport(Phase::Recipient, relay, said) }
    }

    /// Nobody has answered.
    #[must_use]
    pub fn silence(phase: Phase, relay: &str) -> Self {
        Self::transport(phase, relay, "no answer in time")
    }

    pub(super) fn from_smtp(phase: Phase, relay: &str, error: &smtp::Error) -> Self {
        let said = match (error.status(), error.source()) {
            (Some(_), Some(text)) => text.to_string(),
            _ => error.to_string(),
        };
        let code = error.status().map(u16::from);
        let plain = SendError { code, ..Self::transport(phase, relay, said) };
        SendError { class: plain.class_of_reply(), ..plain }
    }

    /// The class that a reply of this code, in this phase, with these words has.
    fn class_of_reply(&self) -> SendClass {
        let Some(code) = self.code else { return SendClass::Transport };
        // 421: the relay closes; 503: we are out of step; 530 to 538: it wants a password, or
        // another one (RFC 4954, section 6). All are between it and us.
        if matches!(code, 421 | 454 | 503 | 530 | 534 | 535 | 538) || self.phase == Phase::Opening {
            return SendClass::Transport;
        }
        let permanent = code >= 500;
        match (permanent, self.phase) {
            (false, _) => SendClass::Temporary,
            (true, Phase::Opening | Phase::Sender) => SendClass::Transport,
            // Many relays judge the sender only now (RFC 3463, 3.2: X.1.7 and X.1.8 are about it).
            (true, _) if matches!(self.status(), Some([_, 1, 7 | 8])) => SendClass::Transport,
            (true, Phase::Recipient) => SendClass::RecipientRefused,
            (true, Phase::Data | Phase::Letter) => match self.status() {
                Some([5, 1, _]) => SendClass::RecipientRefused,
                _ => SendClass::MessageRefused,
            },
        }
    }

    /// The enhanced status (RFC 3463) with which the relay's words begin.
    pub(super) fn status(&self) -> Option<[u16; 3]> {
        let mut parts = self.said.split_whitespace().next()?.split('.').map(str::parse);
        match (parts.next(), parts.next(), parts.next(), parts.next()) {
            (Some(Ok(class)), Some(Ok(subject)), Some(Ok(detail)), None) => {
                Some([class, subject, detail])
            }
            _ => None,
        }
    }
}

impl fmt::Display for SendError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}: ", self.relay)?;
        if let Some(code) = self.code {
            write!(out, "{code} ")?;
        }
        write!(out, "{}", self.said)
    }
}

impl std::error::Error for SendError {}

/// Words of a stranger, fit for a log and for the keeper's board: one line that reads one way, and not
/// the longest.
pub(super) fn on_one_line(text: &str) -> String {
    const LONGEST: usize = 200;
    let printable = text.chars().map(|c| if c.is_control() || turns_text(c) { ' ' } else { c });
    printable.take(LONGEST).collect::<String>().trim().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reply(phase: Phase, code: u16, said: &str) -> SendError {
        let error = SendError { code: Some(code), ..SendError::transport(phase, "relay", said) };
        SendError { class: error.class_of_reply(), ..error }
    }

    #[test]
    fn a_relays_words_stand_on_one_line_and_read_one_way() {
        assert_eq!(on_one_line("no\u{1b}[2J\r\nway \u{202e}kcab"), "no [2J  way  kcab");
    }

    /// Codes of RFC 5321 (4.2.3) and RFC 4954 (6), enhanced ones of RFC 3463 (3.2, 3.3, 3.8).
    #[test]
    fn replies_are_sorted_by_whose_fault_they_are() {
        use Phase::{Data, Letter, Opening, Recipient, Sender};
        use SendClass::{MessageRefused, RecipientRefused, Temporary, Transport};
        for (phase, code, said, class) in [
            (Opening, 554, "no service here", Transport),
            (Opening, 535, "5.7.8 bad credentials", Transport),
            (Opening, 454, "4.7.0 try later", Transport),
            (Sender, 421, "closing", Transport),
            (Sender, 530, "5.7.0 authentication required", Transport),
            (Sender, 550, "5.7.1 not your address", Transport),
            (Sender, 452, "4.3.1 disk full", Temporary),
            (Recipient, 421, "4.7.0 closing", Transport),
            (Recipient, 450, "4.2.0 greylisted", Temporary),
            (Recipient, 550, "5.1.1 unknown", RecipientRefused),
            (Recipient, 550, "unknown", RecipientRefused),
            (Recipient, 553, "5.1.8 sender's domain not found", Transport),
            (Recipient, 530, "5.7.0 authentication required", Transport),
            (Data, 451, "4.3.0 later", Temporary),
            (Data, 554, "5.1.1 no valid recipients", RecipientRefused),
            (Letter, 554, "5.7.1 looks like spam", MessageRefused),
            (Letter, 550, "5.1.1 unknown", RecipientRefused),
            (Letter, 552, "5.3.4 too big", MessageRefused),
            (Letter, 451, "4.3.0 later", Temporary),
            (Letter, 421, "4.3.2 shutting down", Transport),
        ] {
            let error = reply(phase, code, said);
            assert_eq!(error.class, class, "{phase:?} {code} {said}");
            assert!(!error.in_doubt(), "an answer leaves no doubt: {phase:?} {code} {said}");
        }
    }

    #[test]
    fn only_a_letter_without_an_answer_is_in_doubt() {
        assert!(SendError::silence(Phase::Letter, "relay").in_doubt());
        assert!(!SendError::silence(Phase::Data, "relay").in_doubt());
        assert!(!SendError::silence(Phase::Opening, "relay").in_doubt());
    }

    /// "Relaying denied" says nothing about the recipient to whoever has another relay.
    #[test]
    fn a_rule_of_one_relay_is_not_the_last_word() {
        let denied = reply(Phase::Recipient, 550, "5.7.1 relaying denied");
        assert!(denied.is_worth_another_relay());
        assert!(!reply(Phase::Recipient, 550, "5.1.1 unknown").is_worth_another_relay());
        assert!(!SendError::silence(Phase::Letter, "relay").is_worth_another_relay());
    }

    #[test]
    fn a_strangers_words_stay_on_their_line() {
        assert_eq!(on_one_line("a\r\nb\x1b[31m"), "a  b [31m");
        assert_eq!(on_one_line(&"x".repeat(999)).len(), 200);
    }
}
