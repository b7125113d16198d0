//! What stands in a request's head, read as text that anybody may have written: who asks, from
//! where, and whether it is one of our own pages that does.

use std::net::IpAddr;

use axum::http::{HeaderMap, header};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use hmac::{Hmac, KeyInit, Mac};
use sha2::{Digest, Sha256};

/// The key that a program sends.
pub(super) fn bearer(headers: &HeaderMap) -> Option<&str> {
    let (scheme, secret) = headers.get(header::AUTHORIZATION)?.to_str().ok()?.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then_some(secret.trim())
}

/// The value of the first cookie of this name.
pub(super) fn cookie<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let lines = headers.get_all(header::COOKIE).iter().filter_map(|line| line.to_str().ok());
    let pairs = lines.flat_map(|line| line.split(';')).filter_map(|pair| pair.split_once('='));
    pairs.map(|(key, value)| (key.trim(), value.trim())).find(|(key, _)| *key == name).map(|x| x.1)
}

/// The content type without its parameters, in small letters.
pub(super) fn content_type(headers: &HeaderMap) -> Option<String> {
    let value = headers.get(header::CONTENT_TYPE)?.to_str().ok()?;
    Some(value.split(';').next()?.trim().to_ascii_lowercase())
}

/// Whether a request comes from our own pages, or from no browser at all. A browser that is told
/// to send no referrer calls its origin `null`; if it is too old to send `Sec-Fetch-Site` too, a
/// page still takes it: the secret in a page's address, or the token in its form, is proof enough.
pub(super) fn is_own(headers: &HeaderMap, api: bool, base_url: &str) -> bool {
    let text = |name: &str| headers.get(name).map(|value| value.to_str().unwrap_or("unreadable"));
    let site = text("sec-fetch-site");
    if !matches!(site, None | Some("same-origin" | "none")) {
        return false;
    }
    match text("origin") {
        None => true,
        Some("null") => site == Some("same-origin") || (site.is_none() && !api),
        Some(origin) => origin == base_url,
    }
}

/// Who asks; behind a proxy of our own, whom that says it asks for.
pub(super) fn asks(peer: IpAddr, headers: &HeaderMap) -> IpAddr {
    // Of several lines the last is our proxy's own.
    let mut lines = headers.get_all("x-forwarded-for").iter();
    match lines.next_back().and_then(|line| line.to_str().ok()) {
        Some(line) if peer.to_canonical().is_loopback() => {
            // What stands before the last comma was there before our proxy, and may be anything.
            let last = line.rsplit(',').next().unwrap_or_default().trim();
            last.parse::<IpAddr>().map_or(whose(peer), whose)
        }
        _ => whose(peer),
    }
}

/// Of IPv6 a subscriber has 64 bits to choose from (RFC 6177 gives a site that much and more).
pub(super) fn whose(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(address) => {
            let [a, b, c, d, ..] = address.segments();
            IpAddr::from([a, b, c, d, 0, 0, 0, 0])
        }
        address => address,
    }
}

/// The token of a form that was served to the device with this secret in its cookie. No other page
/// can know it: it is a keyed hash under that secret.
pub(super) fn form_token(secret: &str, once: &str) -> String {
    URL_SAFE_NO_PAD.encode(mac(secret, once).finalize().into_bytes())
}

/// Whether this is that token.
pub(super) fn is_form_token(secret: &str, once: &str, token: &str) -> bool {
    let Ok(token) = URL_SAFE_NO_PAD.decode(token) else { return false };
    mac(secret, once).verify_slice(&token).is_ok()
}

fn mac(secret: &str, once: &str) -> Hmac<Sha256> {
    // HMAC takes a key of any length; hashed first, it fills half a block.
    let mut block = [0; 64];
    block[..32].copy_from_slice(&Sha256::digest(secret.as_bytes()));
    let mut mac = Hmac::<Sha256>::new(&block.into());
    mac.update(format!("form {once}").as_bytes());
    mac
}

#[cfg(test)]
mod tests {
    use axum::http::{HeaderName, HeaderValue};

    use super::*;

    const BASE: &str = "https://lamp.example.org";

    fn own(pairs: &[(&'static str, &'static str)], api: bool) -> bool {
        let headers = pairs
            .iter()
            .map(|(name, value)| (HeaderName::from_static(name), HeaderValue::from_static(value)));
        is_own(&headers.collect(), api, BASE)
    }

    /// What browsers send for a form on a page with `Referrer-Policy: no-referrer`: an origin of
    /// `null` (Fetch Standard, "append a request Origin header") and, since 2023 in all of them,
    /// `Sec-Fetch-Site` (W3C Fetch Metadata).
    #[test]
    fn only_our_own_pages_and_programs_change_anything() {
        assert!(own(&[], true), "a program");
        assert!(own(&[("origin", BASE)], true));
        assert!(own(&[("origin", "null"), ("sec-fetch-site", "same-origin")], false));
        assert!(own(&[("origin", "null")], false), "an old browser on our page");
        assert!(!own(&[("origin", "null")], true));
        assert!(!own(&[("origin", "https://evil.example.org")], true));
        assert!(!own(&[("origin", "https://evil.example.org")], false));
        assert!(!own(&[("origin", "http://lamp.example.org")], false), "another scheme");
        assert!(!own(&[("origin", "https://lamp.example.org.evil.example.org")], false));
        for site in ["cross-site", "same-site", "unheard-of"] {
            assert!(!own(&[("sec-fetch-site", site)], false));
            assert!(!own(&[("origin", BASE), ("sec-fetch-site", site)], false));
        }
    }

    #[test]
    fn all_of_a_subscribers_addresses_are_one() {
        let whose = |text: &str| whose(text.parse().unwrap());
        assert_eq!(whose("2001:db8::1"), whose("2001:db8::ffff:1"));
        assert_ne!(whose("2001:db8::1"), whose("2001:db8:0:1::1"));
        assert_eq!(whose("::ffff:192.0.2.1"), whose("192.0.2.1"));
    }

    fn from(peer: &str, forwarded: &[&str]) -> String {
        let mut headers = HeaderMap::new();
        for line in forwarded {
            headers.append("x-forwarded-for", line.parse().unwrap());
        }
        asks(peer.parse().unwrap(), &headers).to_string()
    }

    #[test]
    fn nobody_has_more_tries_by_saying_that_they_are_somebody_else() {
        assert_eq!(from("192.0.2.7", &["198.51.100.1"]), "192.0.2.7", "no proxy of ours");
        for proxy in ["127.0.0.1", "::1", "::ffff:127.0.0.1"] {
            assert_eq!(from(proxy, &["10.9.8.7, 192.0.2.7"]), "192.0.2.7", "{proxy}");
            assert_eq!(from(proxy, &["a text that is no address"]), from(proxy, &[]));
        }
        assert_eq!(from("2001:db8::1", &[]), from("2001:db8::ffff:1", &[]), "one subscriber");
    }
}
