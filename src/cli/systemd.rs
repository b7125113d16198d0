//! What systemd is told: that the service is ready, that it lives, and how it is.
//!
//! The watchdog is fed by the judgement that `/healthz` gives. It is left to bite where a start
//! mends what is wrong: a watch or a post that hangs, or a process that does not come to its
//! turn at all. A relay that is down or a disk that is full is told in words and to the keeper: a
//! start would mend nothing, and would lose the alerts that only the running service knows of.

use std::time::Duration;

use sd_notify::NotifyState;
use tokio_util::sync::CancellationToken;

use crate::daemon::{Daemon, Illness};

/// Between looks before the service is ready, and after.
const UNTIL_READY: Duration = Duration::from_millis(20);
const BETWEEN_LOOKS: Duration = Duration::from_secs(5);
/// The watchdog is fed so many times before it would bite.
const FED_BEFORE_BITING: u32 = 3;

/// What is told at one look.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Report {
    feed: bool,
    status: String,
}

/// Tells systemd until `stop`; without one, nothing happens.
pub(super) async fn keep_informed(daemon: Daemon, stop: CancellationToken) {
    let pause = sd_notify::watchdog_enabled()
        .map_or(BETWEEN_LOOKS, |bites_after| (bites_after / FED_BEFORE_BITING).min(BETWEEN_LOOKS));
    let mut ready = false;
    while !stop.is_cancelled() {
        if !ready && daemon.is_ready() {
            ready = true;
            tell(&[NotifyState::Ready]);
        }
        let report = report(&daemon.illnesses());
        if report.feed {
            tell(&[NotifyState::Watchdog]);
        }
        tell(&[NotifyState::Status(&report.status)]);
        tokio::select! {
            () = stop.cancelled() => break,
            () = tokio::time::sleep(if ready { pause } else { UNTIL_READY }) => {}
        }
    }
    tell(&[NotifyState::Stopping]);
}

fn report(illnesses: &[Illness]) -> Report {
    let whats: Vec<_> = illnesses.iter().map(|illness| illness.what).collect();
    let status = match whats.is_empty() {
        true => "an alert could go out".to_owned(),
        false => format!("AN ALERT MAY NOT GO OUT: {}", whats.join("; ")),
    };
    Report { feed: !illnesses.iter().any(|illness| illness.restart_mends), status }
}

fn tell(state: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(state) {
        tracing::debug!(%error, "systemd can't be told");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ill(what: &'static str, restart_mends: bool) -> Illness {
        Illness { what, mend: "", restart_mends }
    }

    #[test]
    fn only_what_a_start_mends_lets_the_watchdog_bite() {
        let well = Report { feed: true, status: "an alert could go out".to_owned() };
        assert_eq!(report(&[]), well);
        let relay = report(&[ill("no relay", false)]);
        assert!(relay.feed && relay.status == "AN ALERT MAY NOT GO OUT: no relay");
        let hangs = report(&[ill("no relay", false), ill("the watch hangs", true)]);
        assert!(!hangs.feed && hangs.status.ends_with("no relay; the watch hangs"));
    }
}
