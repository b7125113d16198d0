//! `doctor`: what would stop an alert tonight.
//!
//! Looks at each part of the service as it would be used, and writes to nobody. A new look is a
//! function that answers with findings.

mod daemon;
mod machine;
mod mail;
mod outside;
mod settings;
mod water;

use std::fmt;
use std::path::Path;

use clap::Args;

use super::exit::{Done, Exit, Failure};
use super::{assemble, print};

/// Look for what would stop an alert tonight; writes to nobody
#[derive(Debug, Args)]
pub(super) struct Doctor {}

/// What one look came to.
struct Finding {
    state: State,
    /// What was looked at: `relay`, `clock`.
    part: &'static str,
    what: String,
    /// What to do, unless all is well.
    mend: Option<String>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Ok,
    /// Works, but somebody should look.
    Look,
    /// Would stop an alert.
    Broken,
}

impl Finding {
    fn ok(part: &'static str, what: impl fmt::Display) -> Self {
        Finding { state: State::Ok, part, what: what.to_string(), mend: None }
    }

    fn look(part: &'static str, what: impl fmt::Display, mend: impl fmt::Display) -> Self {
        let mend = Some(mend.to_string());
        Finding { state: State::Look, part, what: what.to_string(), mend }
    }

    fn broken(part: &'static str, what: impl fmt::Display, mend: impl fmt::Display) -> Self {
        let mend = Some(mend.to_string());
        Finding { state: State::Broken, part, what: what.to_string(), mend }
    }
}

impl fmt::Display for Finding {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let state = match self.state {
            State::Ok => "ok",
            State::Look => "look",
            State::Broken => "BROKEN",
        };
        write!(out, "{state:<7}{:<10} {}", self.part, print::plain(&self.what))?;
        match &self.mend {
            Some(mend) => write!(out, "\n{:18}-> {}", "", print::plain(mend)),
            None => write!(out, "; nothing to do"),
        }
    }
}

impl Doctor {
    pub(super) async fn run(self, config: &Path) -> Done {
        let settings = assemble::settings(config)?;
        let mut findings = vec![Finding::ok("settings", config.display())];
        findings.extend(settings::look(&settings, chrono::Utc::now()));
        let (machine, backed_up) = machine::look(&settings, config).await;
        findings.extend(machine);
        findings.extend(outside::look(&settings, backed_up));
        findings.extend(mail::look(&settings.mail).await);
        findings.extend(water::look(&settings).await);
        findings.extend(daemon::look(&settings).await);
        for finding in &findings {
            print::say(finding)?;
        }
        verdict(&findings)
    }
}

fn verdict(findings: &[Finding]) -> Done {
    let count = |state| findings.iter().filter(|finding| finding.state == state).count();
    match (count(State::Broken), count(State::Look)) {
        (0, 0) => print::say("\nNothing was found that would stop an alert."),
        (0, look) => print::say(format!(
            "\nNothing was found that would stop an alert; {look} to look at, marked `look`."
        )),
        (broken, _) => Err(Failure::new(
            Exit::Unavailable,
            format!(
                "\n{broken} BROKEN: an alert may not go out. Do what stands behind each arrow, \
                 then run this again."
            ),
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_line_ends_with_what_to_do() {
        assert!(Finding::ok("a", "b").to_string().ends_with("b; nothing to do"));
        assert!(Finding::look("a", "b", "do c").to_string().ends_with("-> do c"));
        assert!(Finding::broken("a", "b", "do c").to_string().ends_with("-> do c"));
    }

    #[test]
    fn only_what_is_broken_is_a_failure() {
        let (ok, look) = (|| Finding::ok("a", "b"), || Finding::look("a", "b", "c"));
        assert!(verdict(&[ok(), look()]).is_ok());
        let failed = verdict(&[ok(), Finding::broken("a", "b", "c"), look()]);
        assert!(failed.is_err_and(|failure| failure.exit == Exit::Unavailable));
    }
}
