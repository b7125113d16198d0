//! How a device comes to hold a key: by its link, or by typing it.
//!
//! Whoever opens a link gets the key that is in it. A device that holds a key already is asked
//! first: else somebody could send a link of a key of their own, and read what is filed from then
//! on.

use askama::Template;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};

use crate::daemon::Daemon;
use crate::daemon::secrets::new_key;
use crate::store::Key;
use crate::web::key::{Device, set_cookie};
use crate::web::page::{Sorry, html, see_other};
use crate::web::typed::Typed;

#[derive(Template)]
#[template(path = "no_key.html")]
struct NoKey<'a> {
    service: &'a str,
    refused: bool,
}

#[derive(Template)]
#[template(path = "other_key.html")]
struct OtherKey<'a> {
    held: &'a str,
    other: &'a str,
    secret: &'a str,
    once: String,
    token: String,
}

/// What stands where a device holds no key.
pub(super) fn no_key(daemon: &Daemon, refused: bool) -> Response {
    let status = if refused { StatusCode::NOT_FOUND } else { StatusCode::OK };
    html(status, &NoKey { service: &daemon.house().name, refused })
}

/// Opening a key's link makes this device hold the key, and changes nothing else.
pub(super) async fn open(
    State(daemon): State<Daemon>,
    device: Option<Device>,
    headers: HeaderMap,
    Path(secret): Path<String>,
) -> Result<Response, Sorry> {
    let key = daemon.key(&secret).await?.ok_or_else(Sorry::gone)?;
    // A picture or a frame in somebody's page is no opening.
    if headers.get("sec-fetch-dest").is_some_and(|what| what != "document") {
        return Err(Sorry::gone());
    }
    match device {
        Some(device) if device.key.id != key.id => ask(&device, &key, &secret),
        _ => hold(&daemon, &secret),
    }
}

/// A key, or its link, that somebody typed or pasted: the same as opening the link.
pub(super) async fn typed(
    State(daemon): State<Daemon>,
    device: Option<Device>,
    headers: HeaderMap,
    typed: Typed,
) -> Result<Response, Sorry> {
    let secret = typed.get("key").rsplit('/').next().unwrap_or_default().trim();
    let Some(key) = daemon.key(secret).await? else { return Ok(no_key(&daemon, true)) };
    match device {
        Some(device) if device.key.id == key.id => hold(&daemon, secret),
        Some(device) if device.owns_form(typed.get("once"), typed.get("token")) => {
            hold(&daemon, secret)
        }
        Some(device) => ask(&device, &key, secret),
        // An old browser that may have been sent here by a foreign page, without its cookie: with
        // the next request it sends that too.
        None if hides_its_page(&headers) => Ok(see_other(&format!("/key/{secret}"))),
        None => hold(&daemon, secret),
    }
}

fn hides_its_page(headers: &HeaderMap) -> bool {
    headers.get(header::ORIGIN).is_some_and(|origin| origin == "null")
        && !headers.contains_key("sec-fetch-site")
}

fn hold(daemon: &Daemon, secret: &str) -> Result<Response, Sorry> {
    let mut headers = HeaderMap::new();
    headers.insert(header::SET_COOKIE, set_cookie(daemon, secret).ok_or_else(Sorry::gone)?);
    Ok((headers, see_other("/")).into_response())
}

/// Asks whether this device shall hold another key from now on.
fn ask(device: &Device, key: &Key, secret: &str) -> Result<Response, Sorry> {
    let once = new_key()?;
    let token = device.form_token(&once);
    let (held, other) = (device.key.name.as_str(), key.name.as_str());
    Ok(html(StatusCode::OK, &OtherKey { held, other, secret, once, token }))
}
