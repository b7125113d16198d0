//! How long plans are kept, how the pages are reached safely, and whom to tell of a weakness.

use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;

use super::fault::Found;
use crate::measure::Span;
use crate::plan::read_email;

/// As long as a closing can be taken back: what is forgotten sooner could alert nobody again.
const SHORTEST_S: u32 = 86_400;
const LONGEST_S: u32 = 366 * 86_400;

/// How long plans are kept once they are closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Retention {
    /// The whole plan.
    pub closed: Span,
    /// Name, address and telephone of a contact who never answered.
    pub unconfirmed: Span,
}

impl Default for Retention {
    fn default() -> Self {
        Retention { closed: Span::from_hours(7 * 24), unconfirmed: Span::from_hours(24) }
    }
}

/// The certificate under which the daemon itself serves its pages.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tls {
    /// The certificate with those that vouch for it, in PEM.
    pub certificate: PathBuf,
    /// Its private key, in PEM.
    pub key: PathBuf,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Written {
    closed: Option<Spanned<String>>,
    unconfirmed: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenTls {
    certificate: PathBuf,
    key: PathBuf,
}

pub(super) fn check(written: &Written, found: &mut Found<'_>) -> Option<Retention> {
    let usual = Retention::default();
    let mut read = |written: &Option<Spanned<String>>, usual| match written {
        Some(written) => found.read(written, kept_for),
        None => Some(usual),
    };
    let (closed, unconfirmed) =
        (read(&written.closed, usual.closed), read(&written.unconfirmed, usual.unconfirmed));
    Some(Retention { closed: closed?, unconfirmed: unconfirmed? })
}

fn kept_for(text: &str) -> Result<Span, String> {
    let span: Span = text.parse().map_err(|error| format!("{error}"))?;
    match span.seconds() {
        SHORTEST_S..=LONGEST_S => Ok(span),
        ..SHORTEST_S => Err("is shorter than the day in which a closing can be taken back, and \
                             then contacts must be there to be alerted; write 24h or more"
            .to_owned()),
        _ => Err("is longer than a year; write 7d, say".to_owned()),
    }
}

pub(super) fn tls(written: &WrittenTls, folder: &Path) -> Tls {
    Tls { certificate: folder.join(&written.certificate), key: folder.join(&written.key) }
}

/// A contact as RFC 9116 wants it: a URI. A bare address becomes one.
pub(super) fn security_contact(text: &str) -> Result<String, &'static str> {
    const FORM: &str =
        "is neither an email address nor a web address; write it like keeper@example.org";
    if text.chars().any(|c| c.is_control() || c.is_whitespace()) {
        return Err(FORM);
    }
    if let Ok(email) = read_email(text.strip_prefix("mailto:").unwrap_or(text)) {
        return Ok(format!("mailto:{email}"));
    }
    let url = super::service::web_address(text).map_err(|_| FORM)?;
    if url.scheme() == "https" { Ok(url.to_string()) } else { Err("must begin with https://") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plans_are_kept_for_a_day_at_least() {
        assert_eq!(kept_for("7d").unwrap(), Retention::default().closed);
        assert!(kept_for("24h").is_ok());
        for text in ["23h", "0s", "400d", "soon"] {
            assert!(kept_for(text).is_err(), "{text}");
        }
    }

    #[test]
    fn a_security_contact_is_a_uri() {
        assert_eq!(security_contact("keeper@example.org").unwrap(), "mailto:keeper@example.org");
        assert_eq!(security_contact("mailto:a@example.org").unwrap(), "mailto:a@example.org");
        assert!(security_contact("https://example.org/report").is_ok());
        for text in ["", "http://example.org/", "a b@example.org", "a@example.org\r\nExpires: x"] {
            assert!(security_contact(text).is_err(), "{text:?}");
        }
    }
}
