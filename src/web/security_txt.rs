//! Where a weakness of the service is told of (RFC 9116).

use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use chrono::{SecondsFormat, TimeDelta};

use super::page::gone;
use crate::daemon::Daemon;

pub(super) const PATH: &str = "/.well-known/security.txt";
/// RFC 9116, 2.5.5: less than a year is recommended. Whoever runs the service answers for the
/// contact as long as it stands in the settings, so the day moves along.
const HOLDS: TimeDelta = TimeDelta::days(180);

pub(super) async fn show(State(daemon): State<Daemon>) -> Response {
    let house = daemon.house();
    let Some(contact) = &house.security_contact else { return gone() };
    let expires = (daemon.now() + HOLDS).to_rfc3339_opts(SecondsFormat::Secs, true);
    let text = format!(
        "Contact: {contact}\nExpires: {expires}\nPreferred-Languages: en\nCanonical: {}{PATH}\n",
        house.base_url
    );
    ([(header::CONTENT_TYPE, "text/plain; charset=utf-8")], text).into_response()
}
