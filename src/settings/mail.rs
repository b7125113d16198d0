//! Whose letters, and the relays or the folder through which they leave.

use std::fmt;

use std::net::IpAddr;
use std::path::{Path, PathBuf};

use email_address::{EmailAddress, Options};
use serde::Deserialize;
use toml::Spanned;

use super::dkim::{self, Dkim};
use super::fault::Found;
use super::relay::{self, Relay, host};
use super::service::{Service, line};
use crate::measure::Span;
use crate::plan::read_email;

/// How letters leave.
#[derive(Clone, Debug)]
pub struct Mail {
    /// Whom letters come from.
    pub from: Mailbox,
    /// Where letters are written when there is no relay.
    pub folder: PathBuf,
    /// The mailbox whose mail `shorelamp bounce` reads: letters then come from addresses under it.
    pub bounces: Option<String>,
    /// The relays, in the order in which they are tried.
    pub relays: Vec<Relay>,
    /// The key with which letters to relays are signed.
    pub dkim: Option<Dkim>,
    /// How long one attempt at handing over a letter may take, all in all.
    pub deadline: Span,
    /// How the daemon introduces itself to a relay: its host's name, or its address.
    pub hello: String,
}

/// A name, perhaps, and an address in plain ASCII.
#[derive(Clone, PartialEq, Eq)]
pub struct Mailbox {
    /// The name shown.
    pub name: Option<String>,
    /// The address.
    pub email: String,
}

/// It holds private text, so it can't print itself.
impl fmt::Debug for Mailbox {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("Mailbox")
    }
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Written {
    from: Option<Spanned<String>>,
    folder: Option<PathBuf>,
    deadline: Option<Spanned<String>>,
    hello: Option<Spanned<String>>,
    bounces: Option<Spanned<String>>,
    dkim: Option<dkim::Written>,
    relay: Vec<relay::Written>,
}

pub(super) fn check(
    written: Written,
    service: Option<&Service>,
    folder: &Path,
    found: &mut Found<'_>,
) -> Option<Mail> {
    let from = match (&written.from, written.relay.first()) {
        (Some(from), _) => found.read(from, mailbox),
        (None, Some(first)) => {
            let mend = "with a relay, say whom letters come from: `from = \"Shorelamp \
                        <lamp@example.org>\"` under [mail]";
            found.at(first.host.span(), mend);
            None
        }
        (None, None) => {
            let name = Some("Shorelamp".to_owned());
            Some(Mailbox { name, email: "shorelamp@localhost.invalid".to_owned() })
        }
    };
    let deadline = match &written.deadline {
        Some(written) => found.read(written, deadline),
        None => Some(Span::from_seconds(60)),
    };
    let hello = match &written.hello {
        Some(written) => found.read(written, hello),
        None => Some(service.map(own_host).unwrap_or_default()),
    };
    let bounces = match &written.bounces {
        Some(written) => Some(found.read(written, bounces)?),
        None => None,
    };
    let sender = from.as_ref().map(|from| from.email.as_str());
    let dkim = match &written.dkim {
        Some(written) => Some(dkim::check(written, sender, folder, found)?),
        None => None,
    };
    let relays: Vec<_> = written.relay.iter().map(|one| relay::check(one, folder, found)).collect();
    Some(Mail {
        from: from?,
        bounces,
        dkim,
        folder: folder.join(written.folder.unwrap_or_else(|| PathBuf::from("var/outgoing"))),
        relays: relays.into_iter().collect::<Option<_>>()?,
        deadline: deadline?,
        hello: hello?,
    })
}

fn hello(text: &str) -> Result<String, &'static str> {
    host(text).map(|host| address_literal(&host))
}

/// The host that stands in our links, which is the best name that we know of ourselves.
fn own_host(service: &Service) -> String {
    let url = reqwest::Url::parse(&service.base_url).ok();
    let host = url.as_ref().and_then(reqwest::Url::host_str).unwrap_or("localhost");
    address_literal(host.trim_matches(['[', ']']))
}

/// An address stands in brackets in a greeting (RFC 5321, 4.1.3); a name stands alone.
fn address_literal(host: &str) -> String {
    match host.parse() {
        Ok(IpAddr::V4(address)) => format!("[{address}]"),
        Ok(IpAddr::V6(address)) => format!("[IPv6:{address}]"),
        Err(_) => host.to_owned(),
    }
}

/// A letter's number and a tag are put behind the mailbox's name, which may have 64 bytes with them
/// (RFC 5321, 4.5.3.1.1).
fn bounces(text: &str) -> Result<String, String> {
    const LONGEST: usize = 64 - 1 - 32 - 1 - 12;
    let email = read_email(text)?;
    match email.split('@').next() {
        Some(mailbox) if mailbox.len() <= LONGEST && !mailbox.contains('+') => Ok(email),
        _ => Err(format!(
            "has a mailbox of more than {LONGEST} letters, or with a +; write it like \
             bounces@example.org"
        )),
    }
}

fn deadline(text: &str) -> Result<Span, String> {
    let span: Span = text.parse().map_err(|error| format!("{error}"))?;
    if (1..=600).contains(&span.seconds()) {
        return Ok(span);
    }
    Err("is out of range; write 1s to 10m".to_owned())
}

/// `Name <address>` or an address alone.
fn mailbox(text: &str) -> Result<Mailbox, String> {
    let options = Options::default().with_display_text().without_domain_literal();
    let read = EmailAddress::parse_with_options(text.trim(), options).map_err(|error| {
        format!("is no sender ({error}); write it like Shorelamp <lamp@example.org>")
    })?;
    let name = read.display_part().trim().trim_matches('"').trim();
    let name = match name {
        "" => None,
        name => Some(line(name)?),
    };
    Ok(Mailbox { name, email: read_email(read.email())? })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn senders_with_and_without_a_name() {
        for (text, name) in [
            ("Shorelamp <lamp@example.org>", Some("Shorelamp")),
            ("\"Madrona Point, the club\" <lamp@example.org>", Some("Madrona Point, the club")),
            ("Glühwürmchen <lamp@example.org>", Some("Glühwürmchen")),
            ("lamp@example.org", None),
        ] {
            let read = mailbox(text).unwrap_or_else(|error| panic!("{text}: {error}"));
            assert_eq!((read.name.as_deref(), &*read.email), (name, "lamp@example.org"), "{text}");
        }
        for text in [
            "",
            "Shorelamp",
            "Shorelamp <lamp>",
            "<lamp@example.org>",
            "a@example.org, b@example.org",
            "Lamp\r\nBcc: x@example.org <lamp@example.org>",
            "Lamp <lamp@example.org>\r\nBcc: x@example.org",
            "lämp@example.org",
        ] {
            assert!(mailbox(text).is_err(), "{text}");
        }
    }

    /// The forms of RFC 5321, 4.1.3.
    #[test]
    fn an_address_is_greeted_in_brackets() {
        assert_eq!(address_literal("127.0.0.1"), "[127.0.0.1]");
        assert_eq!(address_literal("::1"), "[IPv6:::1]");
        assert_eq!(address_literal("lamp.example.org"), "lamp.example.org");
    }
}
