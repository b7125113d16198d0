//! Filing under an id that the device made: sent again it is filed once, looked up it tells what
//! became of it, thrown away it can never be filed.
//!
//! The answer is a receipt. It repeats the id and the hash of what was sent, so that no answer of
//! anything else on the way (a sign-in page, a cache) can be taken for it.

use axum::Json;
use axum::body::Bytes;
use axum::extract::{FromRequestParts, Path, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use serde_json::json;
use sha2::{Digest, Sha256};

use super::draft::Draft;
use super::form::Form;
use super::receipt::Receipt;
use crate::daemon::{Daemon, FilingError};
use crate::plan::{Faults, Plan};
use crate::store::{FiledAs, Key, Known, StoreError};
use crate::web::api::body;
use crate::web::heads::content_type;
use crate::web::key::{Bearer, Device};
use crate::web::problem::Problem;
use crate::web::typed::Typed;

const FORM: &str = "application/x-www-form-urlencoded";

/// Who files: a program by its key, or a device that holds one.
pub(super) struct Filer(pub(super) Key);

impl FromRequestParts<Daemon> for Filer {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, daemon: &Daemon) -> Result<Self, Problem> {
        if parts.headers.contains_key(header::AUTHORIZATION) {
            let Bearer(key) = Bearer::from_request_parts(parts, daemon).await?;
            return Ok(Filer(key));
        }
        let device = Option::<Device>::from_request_parts(parts, daemon).await;
        let device = device.map_err(|sorry| sorry.into_problem())?;
        device.map(|device| Filer(device.key)).ok_or_else(|| {
            let detail = "this device holds no key that is in force, so nothing was filed. Ask \
                          whoever runs this service for a key's link, and open it on this device";
            Problem::new(StatusCode::UNAUTHORIZED, detail)
        })
    }
}

/// The id that a device gave its filing: a UUID, or a text like one.
struct Id(String);

impl Id {
    fn of(text: String) -> Result<Self, Problem> {
        let plain = |c: char| c.is_ascii_alphanumeric() || c == '-';
        if (16..=64).contains(&text.len()) && text.chars().all(plain) {
            return Ok(Id(text));
        }
        let detail =
            "an id has 16 to 64 letters, digits and hyphens, like a UUID; nothing was done";
        Err(Problem::new(StatusCode::BAD_REQUEST, detail))
    }
}

/// What was sent: the form of the page, or a plan's document.
enum Sent {
    Form(Box<Draft>),
    Document,
}

/// Files what was sent under this id; what came under it before is answered again.
pub(super) async fn put(
    State(daemon): State<Daemon>,
    Filer(key): Filer,
    Path(id): Path<String>,
    headers: HeaderMap,
    bytes: Bytes,
) -> Result<Response, Problem> {
    let Id(id) = Id::of(id)?;
    let (plan, sent) = match read(&headers, &bytes) {
        Ok(read) => read,
        Err(Unread::Faults(faults, sent)) => return Ok(to_mend(&id, &faults, &sent)),
        Err(Unread::Problem(problem)) => return Err(problem),
    };
    let known = daemon.store().known_as(&key.id, &id).await?;
    if known == Known::ThrownAway {
        return Err(StoreError::ThrownAway.into());
    }
    match daemon.file(&key, &plan, Some(&id), &bytes).await {
        Ok(filed) => {
            let sha256 = Some(sha256(&bytes));
            let status = if known == Known::Nothing { StatusCode::CREATED } else { StatusCode::OK };
            Ok((status, Json(Receipt::of(&daemon, &id, sha256, &filed.status))).into_response())
        }
        Err(FilingError::Faults(faults)) => Ok(to_mend(&id, &faults, &sent)),
        Err(error) => Err(error.into()),
    }
}

/// What became of this id.
pub(super) async fn get(
    State(daemon): State<Daemon>,
    Filer(key): Filer,
    Path(id): Path<String>,
) -> Result<Response, Problem> {
    let Id(id) = Id::of(id)?;
    match daemon.store().known_as(&key.id, &id).await? {
        Known::Filed(filed) => Ok(Json(receipt(&daemon, &id, filed).await?).into_response()),
        Known::Nothing => Ok(told(StatusCode::NOT_FOUND, &id, "nothing came under this id")),
        Known::ThrownAway => Ok(told(StatusCode::GONE, &id, "this was thrown away")),
    }
}

/// Throws this id away for good; a plan that was filed under it is not touched, and comes back.
pub(super) async fn delete(
    State(daemon): State<Daemon>,
    Filer(key): Filer,
    Path(id): Path<String>,
) -> Result<Response, Problem> {
    let Id(id) = Id::of(id)?;
    match daemon.store().throw_away(&key.id, &id, daemon.now()).await? {
        None => Ok(Json(json!({"id": id, "thrown_away": true})).into_response()),
        Some(filed) => {
            let receipt = receipt(&daemon, &id, filed).await?;
            Ok((StatusCode::CONFLICT, Json(receipt)).into_response())
        }
    }
}

async fn receipt(daemon: &Daemon, id: &str, filed: FiledAs) -> Result<Receipt, Problem> {
    let status = daemon.status(&filed.plan_ref).await?;
    let sha256 = Some(daemon.body_sha256(&filed.body_hash));
    Ok(Receipt::of(daemon, id, sha256, &status))
}

fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

enum Unread {
    Faults(Faults, Sent),
    Problem(Problem),
}

fn read(headers: &HeaderMap, bytes: &Bytes) -> Result<(Plan, Sent), Unread> {
    if content_type(headers).as_deref() == Some(FORM) {
        let draft = Box::new(Draft::of(&Typed::of_bytes(bytes)));
        return match draft.plan() {
            Ok(plan) => Ok((plan, Sent::Form(draft))),
            Err(faults) => Err(Unread::Faults(faults, Sent::Form(draft))),
        };
    }
    match body::plan_or_faults(headers, bytes) {
        Ok(Ok(plan)) => Ok((plan, Sent::Document)),
        Ok(Err(faults)) => Err(Unread::Faults(faults, Sent::Document)),
        Err(problem) => Err(Unread::Problem(problem)),
    }
}

/// What is wrong with one field of the form.
#[derive(Serialize)]
pub(super) struct Wrong {
    /// The field's id on the page; `None` where it has none of its own.
    field: Option<String>,
    label: String,
    text: String,
}

/// Everything that is wrong, by the fields of the form.
pub(super) fn wrongs(draft: &Draft, faults: &Faults) -> Vec<Wrong> {
    let faults = Form::of(draft, Some(faults)).faults.into_iter();
    faults.map(|one| Wrong { field: one.id, label: one.label, text: one.text }).collect()
}

fn to_mend(id: &str, faults: &Faults, sent: &Sent) -> Response {
    let mut document = Problem::from(faults.clone()).document();
    document["id"] = json!(id);
    if let Sent::Form(draft) = sent {
        document["fields"] = json!(wrongs(draft, faults));
    }
    problem(StatusCode::UNPROCESSABLE_ENTITY, document)
}

fn told(status: StatusCode, id: &str, detail: &str) -> Response {
    let mut document = Problem::new(status, detail).document();
    document["id"] = json!(id);
    problem(status, document)
}

fn problem(status: StatusCode, document: serde_json::Value) -> Response {
    let kind = [(header::CONTENT_TYPE, "application/problem+json")];
    (status, kind, document.to_string()).into_response()
}
