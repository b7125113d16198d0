//! What would notice that the service is gone, and what would bring it back.

use std::path::Path;

use chrono::{DateTime, TimeDelta, Utc};

use super::Finding;
use crate::settings::{Mail, Service, Settings};

/// A backup older than this would lose more than a day's plans and answers. Common practice, no
/// source.
const BACKUP_AGE: TimeDelta = TimeDelta::hours(26);
/// Where systemd keeps what it knows of a unit while it runs.
const UNIT: &str = "shorelamp.service";

pub(super) fn look(settings: &Settings, backed_up: Option<DateTime<Utc>>) -> Vec<Finding> {
    let service = &settings.service;
    vec![
        heartbeat(service),
        canary(service, &settings.mail),
        backup(backed_up, Utc::now()),
        watchdog(Path::new("/run/systemd/system"), &["/etc/systemd/system", "/lib/systemd/system"]),
    ]
}

fn heartbeat(service: &Service) -> Finding {
    const PART: &str = "heartbeat";
    match &service.heartbeat {
        // The whole address is a secret: who knows it can keep the alarm quiet.
        Some(heartbeat) => {
            let host = heartbeat.url.host_str().unwrap_or_default();
            Finding::ok(PART, format!("{host} hears from us every {}", heartbeat.every))
        }
        None => Finding::look(
            PART,
            "no other machine notices when this one is gone",
            "have one expect a word from us, and write its address under [service.heartbeat]; or \
             have one ask /healthz each minute",
        ),
    }
}

fn canary(service: &Service, mail: &Mail) -> Finding {
    const PART: &str = "canary";
    let Some(canary) = &service.canary else {
        let mend = "write [service.canary] with `to`, a mailbox that you look at";
        return Finding::look(PART, "nothing tries the whole road to a mailbox", mend);
    };
    let every = canary.every;
    let to = &canary.to;
    match &canary.folder {
        Some(folder) if !folder.is_dir() => Finding::broken(
            PART,
            format!("its letters should arrive in {}, which is not there", folder.display()),
            "name the folder where mail for it arrives, and let the service read it",
        ),
        Some(folder) => Finding::ok(
            PART,
            format!("a test alert to {to} every {every}, looked for in {}", folder.display()),
        ),
        None if mail.relays.is_empty() => {
            let mend = "name `folder` under [service.canary], so that it is looked for";
            Finding::look(PART, format!("a test alert to {to} every {every} becomes a file"), mend)
        }
        None => Finding::ok(
            PART,
            format!("a test alert to {to} every {every}, counted as well once a relay takes it"),
        ),
    }
}

fn backup(backed_up: Option<DateTime<Utc>>, now: DateTime<Utc>) -> Finding {
    const PART: &str = "backup";
    let mend = "have `shorelamp backup FILE` run every night, onto another disk";
    let Some(at) = backed_up else {
        return Finding::look(PART, "none was made yet", mend);
    };
    let what = format!("the last is of {}", at.format("%-d %b %Y, %H:%M UTC"));
    match now - at > BACKUP_AGE {
        true => Finding::look(PART, format!("{what}, more than a day ago"), mend),
        false => Finding::ok(PART, what),
    }
}

/// Whether a systemd that runs here has a unit of ours that it watches over.
fn watchdog(running: &Path, folders: &[&str]) -> Finding {
    const PART: &str = "watchdog";
    let mend = "install deploy/shorelamp.service, or have something else start it again when it \
                ends or hangs";
    if !running.is_dir() {
        return Finding::look(PART, "this machine runs without systemd", mend);
    }
    let units = folders.iter().map(|folder| Path::new(folder).join(UNIT));
    let Some(text) = units.filter_map(|unit| std::fs::read_to_string(unit).ok()).next() else {
        return Finding::look(PART, format!("systemd has no {UNIT}"), mend);
    };
    let has = |key: &str| text.lines().any(|line| line.trim().starts_with(key));
    if has("WatchdogSec=") && has("Type=notify") && has("Restart=") {
        return Finding::ok(PART, format!("systemd starts {UNIT} again when it ends or hangs"));
    }
    let what = format!("{UNIT} lacks Type=notify, WatchdogSec= or Restart=");
    Finding::look(PART, what, "take them over from deploy/shorelamp.service")
}

#[cfg(test)]
mod tests {
    use super::super::State;
    use super::*;

    #[test]
    fn a_backup_of_yesterday_is_too_old() {
        let now: DateTime<Utc> = "2026-06-14T12:00:00Z".parse().unwrap();
        let aged = |hours| backup(Some(now - TimeDelta::hours(hours)), now).state;
        assert_eq!([aged(1), aged(26), aged(27)], [State::Ok, State::Ok, State::Look]);
        assert_eq!(backup(None, now).state, State::Look);
    }

    /// The unit that we ship is one that is found well.
    #[test]
    fn a_unit_without_a_watchdog_is_told_of() {
        let folder = tempfile::tempdir().unwrap();
        let here = folder.path().to_str().unwrap();
        let ask = |running| watchdog(running, &["/nowhere", here]).state;
        assert_eq!(ask(Path::new("/nowhere")), State::Look, "no systemd");
        assert_eq!(ask(folder.path()), State::Look, "no unit");
        std::fs::write(folder.path().join(UNIT), "[Service]\nType=exec\nRestart=always").unwrap();
        assert_eq!(ask(folder.path()), State::Look, "no watchdog");
        let shipped = concat!(env!("CARGO_MANIFEST_DIR"), "/deploy/shorelamp.service");
        std::fs::copy(shipped, folder.path().join(UNIT)).unwrap();
        assert_eq!(ask(folder.path()), State::Ok);
    }
}
