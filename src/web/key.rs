//! Who asks: a program with a key in its header, or a device with one in its cookie.

use axum::extract::{FromRequestParts, OptionalFromRequestParts};
use axum::http::header;
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue};
use hmac::{Hmac, KeyInit, Mac};
use sha2::{Digest, Sha256};

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;

use super::page::Sorry;
use super::problem::Problem;
use crate::daemon::Daemon;
use crate::store::Key;

const A_YEAR_S: u32 = 365 * 86_400;

/// The key of a program.
pub(super) struct Bearer(pub(super) Key);

impl FromRequestParts<Daemon> for Bearer {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, daemon: &Daemon) -> Result<Self, Problem> {
        let secret = bearer(&parts.headers).ok_or_else(Problem::no_key)?;
        daemon.key(secret).await?.map(Bearer).ok_or_else(Problem::no_key)
    }
}

fn bearer(headers: &HeaderMap) -> Option<&str> {
    let (scheme, secret) = headers.get(header::AUTHORIZATION)?.to_str().ok()?.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then_some(secret.trim())
}

/// A device that opened a key's link.
pub(super) struct Device {
    pub(super) key: Key,
    secret: String,
}

impl OptionalFromRequestParts<Daemon> for Device {
    type Rejection = Sorry;

    async fn from_request_parts(parts: &mut Parts, daemon: &Daemon) -> Result<Option<Self>, Sorry> {
        let Some(secret) = cookie(&parts.headers, cookie_name(daemon)) else { return Ok(None) };
        let key = daemon.key(secret).await?;
        Ok(key.map(|key| Device { key, secret: secret.to_owned() }))
    }
}

impl Device {
    /// The token of a form that was served to this device. No other page can know it: it is a
    /// keyed hash under the secret in the cookie.
    pub(super) fn form_token(&self, once: &str) -> String {
        URL_SAFE_NO_PAD.encode(self.mac(once).finalize().into_bytes())
    }

    /// Whether this is that token.
    pub(super) fn owns_form(&self, once: &str, token: &str) -> bool {
        let Ok(token) = URL_SAFE_NO_PAD.decode(token) else { return false };
        self.mac(once).verify_slice(&token).is_ok()
    }

    fn mac(&self, once: &str) -> Hmac<Sha256> {
        // HMAC takes a key of any length; hashed first, it fills half a block.
        let mut block = [0; 64];
        block[..32].copy_from_slice(&Sha256::digest(self.secret.as_bytes()));
        let mut mac = Hmac::<Sha256>::new(&block.into());
        mac.update(format!("form {once}").as_bytes());
        mac
    }
}

/// The cookie that makes a device hold a key.
pub(super) fn set_cookie(daemon: &Daemon, secret: &str) -> Option<HeaderValue> {
    let secure = if has_tls(daemon) { "; Secure" } else { "" };
    let name = cookie_name(daemon);
    let cookie =
        format!("{name}={secret}; Path=/; Max-Age={A_YEAR_S}; HttpOnly; SameSite=Lax{secure}");
    let mut value = HeaderValue::try_from(cookie).ok()?;
    value.set_sensitive(true);
    Some(value)
}

fn cookie_name(daemon: &Daemon) -> &'static str {
    if has_tls(daemon) { "__Host-shorelamp" } else { "shorelamp" }
}

fn has_tls(daemon: &Daemon) -> bool {
    daemon.house().base_url.starts_with("https:")
}

fn cookie<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let lines = headers.get_all(header::COOKIE).iter().filter_map(|line| line.to_str().ok());
    let pairs = lines.flat_map(|line| line.split(';')).filter_map(|pair| pair.split_once('='));
    pairs.map(|(key, value)| (key.trim(), value.trim())).find(|(key, _)| *key == name).map(|x| x.1)
}
