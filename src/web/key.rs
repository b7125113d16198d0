//! Who asks: a program with a key in its header, or a device with one in its cookie.

use axum::extract::{FromRequestParts, OptionalFromRequestParts};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue};

use super::deed::Notice;
use super::heads::{bearer, cookie, form_token, is_form_token};
use super::making::{Kept, turn_to_tell};
use super::page::Sorry;
use super::problem::Problem;
use crate::daemon::{Asked, Daemon};
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
    /// Whether its key is in force and a keeper's; where that can't be looked up, it was so far.
    pub(super) async fn is_keepers(&self, daemon: &Daemon) -> bool {
        daemon.key(&self.secret).await.map_or(true, |key| key.is_some_and(|key| key.keeper))
    }

    /// Waits for the turn to show by its key what came of a form.
    pub(super) async fn turn_to_tell(
        &self,
        daemon: &Daemon,
        notice: &Notice,
    ) -> Result<Kept, Sorry> {
        turn_to_tell(daemon, Asked::Key(&self.secret), notice).await
    }

    /// The token of a form that was served to this device.
    pub(super) fn form_token(&self, once: &str) -> String {
        form_token(&self.secret, once)
    }

    /// Whether this is that token.
    pub(super) fn owns_form(&self, once: &str, token: &str) -> bool {
        is_form_token(&self.secret, once, token)
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

/// The secrets of the keys that a request comes with, in force or not.
pub(super) fn secrets<'a>(
    headers: &'a HeaderMap,
    daemon: &Daemon,
) -> impl Iterator<Item = &'a str> {
    [bearer(headers), cookie(headers, cookie_name(daemon))].into_iter().flatten()
}

fn cookie_name(daemon: &Daemon) -> &'static str {
    if has_tls(daemon) { "__Host-shorelamp" } else { "shorelamp" }
}

fn has_tls(daemon: &Daemon) -> bool {
    daemon.house().base_url.starts_with("https:")
}
