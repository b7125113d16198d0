//! What is done with the head of a request and with a form: they open nothing that they should not.
//! `tests/fuzz_corpus.rs` does the same with what is kept in the corpus.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use axum::http::{HeaderMap, HeaderName, HeaderValue};

use super::heads::{asks, bearer, content_type, cookie, form_token, is_form_token, is_own, whose};

const BASE: &str = "https://lamp.example.org";
const COOKIE: &str = "__Host-shorelamp";

/// The lines of a head, `name: value` each, as a server takes them.
pub fn head(data: &[u8]) {
    let mut headers = HeaderMap::new();
    for line in data.split(|byte| *byte == b'\n').take(100) {
        let Some(colon) = line.iter().position(|byte| *byte == b':') else { continue };
        let name = HeaderName::from_bytes(&line[..colon]);
        let value = HeaderValue::from_bytes(line[colon + 1..].trim_ascii());
        if let (Ok(name), Ok(value)) = (name, value) {
            headers.append(name, value);
        }
    }
    let has = |name: &str, text: &[u8]| {
        let mut lines = headers.get_all(name).iter();
        lines.any(|line| line.as_bytes().windows(text.len().max(1)).any(|part| part == text))
    };
    if let Some(key) = bearer(&headers) {
        assert!(key.is_empty() || has("authorization", key.as_bytes()));
    }
    if let Some(secret) = cookie(&headers, COOKIE) {
        assert!(!secret.contains(';') && has("cookie", COOKIE.as_bytes()));
        assert!(secret.is_empty() || has("cookie", secret.as_bytes()));
        token(secret, &headers);
    }
    if let Some(kind) = content_type(&headers) {
        assert!(!kind.contains(';') && !kind.bytes().any(|byte| byte.is_ascii_uppercase()));
    }
    changes(&headers);
    forwarded(&headers);
}

/// Who may change something: by the W3C's Fetch Metadata and the Origin header, told otherwise than
/// in the code.
fn changes(headers: &HeaderMap) {
    let first = |name: &str| headers.get(name).map(HeaderValue::as_bytes);
    let (site, origin) = (first("sec-fetch-site"), first("origin"));
    for api in [false, true] {
        let foreign_site = site.is_some_and(|site| site != b"same-origin" && site != b"none");
        let foreign_origin =
            origin.is_some_and(|origin| origin != BASE.as_bytes() && origin != b"null");
        let hidden = origin == Some(b"null");
        let vouched = site == Some(b"same-origin") || (site.is_none() && !api);
        let expected = !foreign_site && !foreign_origin && (!hidden || vouched);
        assert_eq!(is_own(headers, api, BASE), expected, "{headers:?}");
    }
}

/// Only our own proxy is believed when it says whom it asks for.
fn forwarded(headers: &HeaderMap) {
    let stranger = IpAddr::V4(Ipv4Addr::new(192, 0, 2, 7));
    assert_eq!(asks(stranger, headers), stranger);
    for proxy in [IpAddr::V4(Ipv4Addr::LOCALHOST), IpAddr::V6(Ipv6Addr::LOCALHOST)] {
        let one = asks(proxy, headers);
        assert_eq!(whose(one), one, "one of a subscriber's addresses stands for all");
        if !headers.contains_key("x-forwarded-for") {
            assert_eq!(one, whose(proxy));
        }
    }
}

/// A form's token opens the form that it was made for, and no other text does.
fn token(secret: &str, headers: &HeaderMap) {
    let once = "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";
    let ours = form_token(secret, once);
    assert!(is_form_token(secret, once, &ours));
    let told = headers.get("x-token").map(HeaderValue::as_bytes).unwrap_or_default();
    let told = String::from_utf8_lossy(told);
    assert!(!is_form_token(secret, once, &told) || *told == ours);
}
