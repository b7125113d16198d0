//! Reads what a request carries.

use axum::http::{HeaderMap, StatusCode};
use serde::de::DeserializeOwned;

use crate::plan::{Faults, Plan, read_json, read_toml};
use crate::web::heads::content_type;
use crate::web::problem::Problem;

const LONGEST_IDEMPOTENCY_KEY: usize = 200;

/// The plan in a body, in the language that its content type names.
pub(super) fn plan(headers: &HeaderMap, body: &[u8]) -> Result<Plan, Problem> {
    Ok(plan_or_faults(headers, body)??)
}

/// The same, with everything that is wrong with the plan kept apart from what is wrong with the
/// request.
pub(in crate::web) fn plan_or_faults(
    headers: &HeaderMap,
    body: &[u8],
) -> Result<Result<Plan, Faults>, Problem> {
    let read = match content_type(headers).as_deref() {
        Some("application/json") => read_json,
        Some("application/toml") => read_toml,
        _ => {
            let detail = "send a plan as application/json or application/toml, and say which in \
                          Content-Type; nothing was filed";
            return Err(Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, detail));
        }
    };
    let text = std::str::from_utf8(body).map_err(|error| {
        let at = error.valid_up_to();
        Problem::unusable(format!(
            "nothing was filed: this is no text in UTF-8 (byte {at} is wrong); save the plan as \
             UTF-8 and send it again"
        ))
    })?;
    let no_files = |_: &str| {
        let mend = "stands for a file that this service can't see; send its waypoints instead \
                    (`shorelamp file` does so by itself)";
        Err(mend.to_owned())
    };
    Ok(read(text, &no_files))
}

/// The client's key for doing something once.
pub(super) fn idempotency(headers: &HeaderMap) -> Result<Option<&str>, Problem> {
    let Some(value) = headers.get("idempotency-key") else { return Ok(None) };
    match value.to_str() {
        Ok(key) if (1..=LONGEST_IDEMPOTENCY_KEY).contains(&key.len()) => Ok(Some(key)),
        _ => Err(Problem::new(
            StatusCode::BAD_REQUEST,
            "an Idempotency-Key has 1 to 200 plain characters; nothing was done",
        )),
    }
}

/// A small JSON object; an empty body counts as `{}`.
pub(super) fn object<T: DeserializeOwned>(body: &[u8], form: &str) -> Result<T, Problem> {
    let body = if body.trim_ascii().is_empty() { b"{}" } else { body };
    serde_json::from_slice(body).map_err(|error| {
        Problem::unusable(format!("nothing was changed: {error}. Send JSON like {form}"))
    })
}
