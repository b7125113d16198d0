//! The key with which letters are signed (DKIM, RFC 6376), where the keeper has one.

use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;

use super::fault::Found;
use super::relay::host;

/// In whose name letters are signed, and with which key.
#[derive(Clone, Debug)]
pub struct Dkim {
    /// The domain that answers for them.
    pub domain: String,
    /// The key's name below `_domainkey` in that domain.
    pub selector: String,
    /// The private key: PEM, RSA or Ed25519. It is read at the start alone.
    pub key_file: PathBuf,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Written {
    domain: Spanned<String>,
    selector: Spanned<String>,
    key_file: PathBuf,
}

/// `sender` is the address that letters come from: readers' servers count a signature only when
/// it is of that address's domain, or of one above it (RFC 7489, 3.1.1).
pub(super) fn check(
    written: &Written,
    sender: Option<&str>,
    folder: &Path,
    found: &mut Found<'_>,
) -> Option<Dkim> {
    let domain = found.read(&written.domain, domain);
    let selector = found.read(&written.selector, selector);
    let (domain, selector) = (domain?, selector?);
    if sender.is_some_and(|sender| !answers_for(&domain, sender)) {
        let mend = "is not the domain that letters come from; write what stands behind the @ of \
                    `from`";
        found.about(&written.domain, mend);
    }
    Some(Dkim { domain, selector, key_file: folder.join(&written.key_file) })
}

fn answers_for(domain: &str, sender: &str) -> bool {
    let host = sender.rsplit('@').next().unwrap_or_default().to_ascii_lowercase();
    host.strip_suffix(domain).is_some_and(|above| above.is_empty() || above.ends_with('.'))
}

fn domain(text: &str) -> Result<String, &'static str> {
    const MEND: &str = "is no domain; write it like example.org";
    let name = host(text).map_err(|_| MEND)?.to_ascii_lowercase();
    let is_address = name.parse::<std::net::IpAddr>().is_ok();
    if is_address || !name.contains('.') { Err(MEND) } else { Ok(name) }
}

/// Labels as in a host's name, parted by dots (RFC 6376, 3.1).
fn selector(text: &str) -> Result<String, &'static str> {
    let label = |label: &str| {
        let inside = label.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'-');
        (1..=63).contains(&label.len()) && inside && !label.starts_with('-')
    };
    match text.split('.').all(label) {
        true => Ok(text.to_ascii_lowercase()),
        false => Err("is no selector; write letters, digits and hyphens, like lamp2026"),
    }
}
