//! The settings file: read once, by the command that runs, and handed down in parts.
//!
//! Everything that can be checked without asking the machine is checked here, and every fault is
//! told at once with its line. What depends on the machine (does the folder exist, does the relay
//! answer) is the business of whoever uses it.

mod dkim;
mod fault;
mod ladder;
mod mail;
mod outside;
mod privacy;
mod relay;
mod rescue;
mod service;
mod shown;
mod water;

pub use dkim::Dkim;
pub use fault::{SettingsError, SettingsFault};
pub use mail::{Mail, Mailbox};
pub use outside::{Canary, Heartbeat};
pub use privacy::{Retention, Tls};
pub use relay::{Relay, SecretError, Security};
pub use service::{Limits, Service};
pub use water::{Services, ShorelineFiles, Station, StationService, Water};

use std::path::Path;

use serde::Deserialize;
use toml::Spanned;

use crate::letter::Rescue;
use crate::watch::Ladder;
use fault::Found;

/// A checked settings file, in parts.
#[derive(Clone, Debug)]
pub struct Settings {
    /// Who runs the service, where it listens, where it keeps its plans.
    pub service: Service,
    /// Whom an alert tells a contact to call, in the order of the file; the last one has no area.
    pub rescues: Vec<Rescue>,
    /// Whose letters, and how they leave.
    pub mail: Mail,
    /// When what goes to whom.
    pub ladder: Ladder,
    /// Where the shore is.
    pub shoreline: ShorelineFiles,
    /// Where the water's temperature comes from.
    pub water: Water,
    /// How much one key or address may ask for.
    pub limits: Limits,
    /// How long closed plans are kept.
    pub retention: Retention,
}

/// The file as it is written.
#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct Written {
    service: service::Written,
    rescue: Vec<Spanned<rescue::Written>>,
    mail: mail::Written,
    ladder: ladder::Written,
    shoreline: water::WrittenShoreline,
    water: water::Written,
    limits: Limits,
    retention: privacy::Written,
}

impl Settings {
    /// Reads the text of a settings file; relative paths in it start from `folder`, the folder
    /// in which the file lies.
    ///
    /// # Errors
    /// Every fault at once, or the place where the text stops being a settings file.
    pub fn read(text: &str, folder: &Path) -> Result<Self, SettingsError> {
        let written: Written =
            toml::from_str(text).map_err(|error| SettingsError::unreadable(text, &error))?;
        let mut found = Found::new(text);
        let settings = check(written, folder, &mut found);
        match (settings, found.into_error()) {
            (Some(settings), None) => Ok(settings),
            (_, Some(error)) => Err(error),
            // A part that is missing has said why; should one forget, this still is no panic.
            (None, None) => Err(SettingsError::one(text, 0..0, "these settings can't be read")),
        }
    }
}

/// Checks every part before it gives up, so that all the faults are found.
fn check(written: Written, folder: &Path, found: &mut Found<'_>) -> Option<Settings> {
    let service = service::check(written.service, folder, found);
    let rescues = rescue::check(written.rescue, found);
    let mail = mail::check(written.mail, service.as_ref(), folder, found);
    let has_keeper = service.as_ref().is_none_or(|service| service.keeper_email.is_some());
    let ladder = ladder::check(written.ladder, has_keeper, found);
    let shoreline = water::check_shoreline(written.shoreline, folder, found);
    let water = water::check(written.water, found);
    let retention = privacy::check(&written.retention, found);
    Some(Settings {
        service: service?,
        rescues: rescues?,
        mail: mail?,
        ladder: ladder?,
        shoreline: shoreline?,
        water: water?,
        limits: written.limits,
        retention: retention?,
    })
}
