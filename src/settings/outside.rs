//! What shows others, and the keeper, that the service works: a heartbeat, and a test alert.

use std::path::{Path, PathBuf};

use reqwest::Url;
use serde::Deserialize;
use toml::Spanned;

use super::fault::Found;
use crate::measure::Span;
use crate::plan::read_email;

/// A word to another machine, which raises the alarm when it does not come.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Heartbeat {
    /// What is asked for.
    pub url: Url,
    /// How often.
    pub every: Span,
}

/// An invented plan that goes overdue, to try the whole road.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Canary {
    /// Whom its letters go to: a mailbox of the keeper's, never a contact's.
    pub to: String,
    /// Where its letters arrive, if that is a folder that we can read: then it is looked whether
    /// they have.
    pub folder: Option<PathBuf>,
    /// How often.
    pub every: Span,
    /// How long its alert may take from the moment it is due.
    pub within: Span,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenHeartbeat {
    url: Spanned<String>,
    every: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenCanary {
    to: Spanned<String>,
    folder: Option<PathBuf>,
    every: Option<Spanned<String>>,
    within: Option<Spanned<String>>,
}

pub(super) fn heartbeat(written: &WrittenHeartbeat, found: &mut Found<'_>) -> Option<Heartbeat> {
    let url = found.read_address(&written.url, address);
    let every = span(written.every.as_ref(), Span::from_seconds(60), found);
    Some(Heartbeat { url: url?, every: every? })
}

pub(super) fn canary(
    written: &WrittenCanary,
    folder: &Path,
    found: &mut Found<'_>,
) -> Option<Canary> {
    let to = found.read(&written.to, read_email);
    let every = span(written.every.as_ref(), Span::from_hours(1), found);
    let within = span(written.within.as_ref(), Span::from_minutes(5), found);
    let folder = written.folder.as_ref().map(|written| folder.join(written));
    Some(Canary { to: to?, folder, every: every?, within: within? })
}

fn span(written: Option<&Spanned<String>>, usual: Span, found: &mut Found<'_>) -> Option<Span> {
    match written {
        Some(written) => found.read(written, |text| {
            let span: Span = text.parse().map_err(|error| format!("{error}"))?;
            match span.seconds() {
                1..=86_400 => Ok(span),
                _ => Err("is out of range; write 1s to 1d".to_owned()),
            }
        }),
        None => Some(usual),
    }
}

/// An http or https address; what stands in its path or behind a `?` is the listener's business.
fn address(text: &str) -> Result<Url, &'static str> {
    const FORM: &str = "is not a web address; write it like https://watcher.example.org/ours";
    let url = Url::parse(text).map_err(|_| FORM)?;
    if !matches!(url.scheme(), "http" | "https") || url.host_str().is_none() {
        return Err(FORM);
    }
    if !url.username().is_empty() || url.password().is_some() {
        return Err("has a user name or a password in it; take an address that needs none");
    }
    Ok(url)
}
