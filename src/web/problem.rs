//! What went wrong, as a document for programs (RFC 9457).

use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

use crate::daemon::{FilingError, Illness};
use crate::plan::{Fault, Faults};
use crate::store::StoreError;
use crate::watch::Refusal;

const NOT_FILED: &str = "nothing was filed";

/// A problem, with words for a paddler.
#[derive(Clone, Debug)]
pub(super) struct Problem {
    pub(super) status: StatusCode,
    pub(super) detail: String,
    faults: Vec<Fault>,
    illnesses: Vec<Illness>,
    retry_after_s: Option<u32>,
    /// For how long the oldest alert waits that is due, where health is asked for.
    oldest_unsent_alert_s: Option<i64>,
}

impl Problem {
    pub(super) fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        let detail = detail.into();
        Problem {
            status,
            detail,
            faults: Vec::new(),
            illnesses: Vec::new(),
            retry_after_s: None,
            oldest_unsent_alert_s: None,
        }
    }

    pub(super) fn retry_after_s(self, seconds: u32) -> Self {
        Problem { retry_after_s: Some(seconds), ..self }
    }

    /// Says in the answer's head when to come again, where that helps.
    pub(super) fn say_when(&self, headers: &mut HeaderMap) {
        if let Some(seconds) = self.retry_after_s {
            headers.insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
    }

    pub(super) fn ill(illnesses: Vec<Illness>, oldest_unsent_alert_s: i64) -> Self {
        let told: Vec<_> =
            illnesses.iter().map(|one| format!("{}: {}", one.what, one.mend)).collect();
        let problem = Problem::new(StatusCode::SERVICE_UNAVAILABLE, told.join("; "));
        let oldest_unsent_alert_s = Some(oldest_unsent_alert_s);
        Problem { illnesses, oldest_unsent_alert_s, ..problem }.retry_after_s(5)
    }

    /// An address or link that is unknown, or that has expired: nobody can tell which.
    pub(super) fn nothing_here() -> Self {
        Problem::new(StatusCode::NOT_FOUND, super::words::GONE)
    }

    pub(super) fn no_key() -> Self {
        let detail = "this needs a filing key that is in force: Authorization: Bearer KEY. The \
                      keeper of this service makes them with `shorelamp key add`";
        Problem::new(StatusCode::UNAUTHORIZED, detail)
    }

    pub(super) fn not_allowed(detail: &str) -> Self {
        Problem::new(StatusCode::FORBIDDEN, detail)
    }

    /// A plan that is not there, or that another key filed.
    pub(super) fn none_of_yours() -> Self {
        let detail = "no plan of this ref was filed with this key; look at the ref once more, or \
                      use the key that filed it, or a keeper's";
        Problem::new(StatusCode::NOT_FOUND, detail)
    }

    /// The program itself failed over a request.
    pub(super) fn of_a_panic() -> Self {
        let detail = "this service has a fault, and failed over what it was asked. Whether it was \
                      done can't be told: look at the plan before you rely on it, and tell the \
                      keeper";
        Problem::new(StatusCode::INTERNAL_SERVER_ERROR, detail)
    }

    /// Something in the body that can't be taken; nothing was done.
    pub(super) fn unusable(detail: impl Into<String>) -> Self {
        Problem::new(StatusCode::UNPROCESSABLE_ENTITY, detail)
    }

    /// An amendment that was not made.
    pub(super) fn not_amended(error: FilingError) -> Self {
        const UNCHANGED: &str = "nothing was changed, and the plan stands as it was";
        match error {
            FilingError::Faults(faults) => Problem::of_faults(UNCHANGED, &faults),
            FilingError::TooManyAtOnce => too_many(UNCHANGED, &error, 10),
            FilingError::TooManyNaming { .. }
            | FilingError::TooManyOfCrew { .. }
            | FilingError::TooManyStrangers(_) => too_many(UNCHANGED, &error, 86_400),
            FilingError::WantsNoLetters { .. } | FilingError::CrewWantsNoLetters { .. } => {
                Problem::unusable(format!("{UNCHANGED}: {error}"))
            }
            FilingError::Store(StoreError::OtherBody) => Problem::unusable(format!(
                "this idempotency key was used for another change already; {UNCHANGED}. Use a new \
                 key for a new change"
            )),
            error => error.into(),
        }
    }

    /// A key that has too many plans judged at once.
    pub(super) fn too_many_judged() -> Self {
        let detail = "several plans of this key are being judged already; nothing was judged or \
                      filed now. Try again in a moment. A plan can be filed unjudged: it is judged \
                      then";
        Problem::new(StatusCode::TOO_MANY_REQUESTS, detail).retry_after_s(5)
    }

    fn of_faults(undone: &str, faults: &Faults) -> Self {
        let list = faults.list();
        let detail = match list {
            [only] => format!("{undone}: {only}"),
            _ => format!("{undone}; {} things must be mended first:\n{faults}", list.len()),
        };
        Problem { faults: list.to_vec(), ..Problem::unusable(detail) }
    }
}

impl From<Faults> for Problem {
    fn from(faults: Faults) -> Self {
        Problem::of_faults(NOT_FILED, &faults)
    }
}

impl From<Refusal> for Problem {
    fn from(refusal: Refusal) -> Self {
        Problem::new(StatusCode::CONFLICT, refusal.to_string())
    }
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::Refused(refusal) => refusal.into(),
            StoreError::NoSuchPlan => {
                Problem::new(StatusCode::NOT_FOUND, "there is no plan of this ref")
            }
            StoreError::OtherBody => Problem::unusable(
                "this idempotency key has filed another plan already; nothing was filed now. Use \
                 a new key for a new plan",
            ),
            StoreError::ThrownAway => Problem::new(
                StatusCode::GONE,
                "this plan was thrown away before it reached us, so it is NOT filed. To file it \
                 after all, send it as a new one",
            ),
            StoreError::ThrownTooOften => {
                let detail = "this key has thrown away very many plans within a day, so this one \
                              is NOT thrown away: were it to arrive later, it would be filed";
                Problem::new(StatusCode::TOO_MANY_REQUESTS, detail).retry_after_s(86_400)
            }
            error if error.is_transient() => {
                tracing::error!(%error, "a request can't be answered");
                let detail = "the service's database does not answer, and nothing was done. Try \
                              again in a moment; if you were filing, the plan is NOT filed";
                Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail).retry_after_s(5)
            }
            error => {
                tracing::error!(%error, "a request can't be answered");
                let detail = "something in the service's database can't be read, and nothing was \
                              done. Its keeper must look at its log";
                Problem::new(StatusCode::INTERNAL_SERVER_ERROR, detail)
            }
        }
    }
}

impl From<FilingError> for Problem {
    fn from(error: FilingError) -> Self {
        match error {
            FilingError::Faults(faults) => faults.into(),
            FilingError::TooManyByKey(_) | FilingError::TooManyOpen(_) => {
                too_many(NOT_FILED, &error, 3600)
            }
            FilingError::TooManyAtOnce => too_many(NOT_FILED, &error, 10),
            FilingError::TooManyNaming { .. }
            | FilingError::TooManyOfCrew { .. }
            | FilingError::TooManyStrangers(_) => too_many(NOT_FILED, &error, 86_400),
            FilingError::WantsNoLetters { .. } | FilingError::CrewWantsNoLetters { .. } => {
                Problem::unusable(format!("{NOT_FILED}: {error}"))
            }
            FilingError::DiskFull => {
                Problem::new(StatusCode::INSUFFICIENT_STORAGE, error.to_string())
            }
            FilingError::Unreadable { ref source, .. } => {
                tracing::error!(error = %source, "a filing that came before can't be read");
                Problem::new(StatusCode::SERVICE_UNAVAILABLE, error.to_string()).retry_after_s(5)
            }
            FilingError::Store(error) => error.into(),
            FilingError::Secrets(error) => {
                tracing::error!(%error, "a plan can't be filed");
                let detail = "the service can't make what it must keep secret of this plan, and \
                              nothing was filed; its keeper must look at its log";
                Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail).retry_after_s(60)
            }
        }
    }
}

fn too_many(undone: &str, error: &FilingError, retry_after_s: u32) -> Problem {
    let detail = format!("{undone}: {error}");
    Problem::new(StatusCode::TOO_MANY_REQUESTS, detail).retry_after_s(retry_after_s)
}

impl Problem {
    /// As a document.
    pub(super) fn document(&self) -> serde_json::Value {
        #[derive(Serialize)]
        struct Document<'a> {
            r#type: &'a str,
            title: &'a str,
            status: u16,
            detail: &'a str,
            #[serde(skip_serializing_if = "<[Fault]>::is_empty")]
            faults: &'a [Fault],
            #[serde(skip_serializing_if = "Vec::is_empty")]
            illnesses: Vec<Ill>,
            #[serde(skip_serializing_if = "Option::is_none")]
            oldest_unsent_alert_s: Option<i64>,
        }
        #[derive(Serialize)]
        struct Ill {
            what: &'static str,
            mend: &'static str,
        }
        let illnesses = self.illnesses.iter();
        let document = Document {
            r#type: "about:blank",
            title: self.status.canonical_reason().unwrap_or("Error"),
            status: self.status.as_u16(),
            detail: &self.detail,
            faults: &self.faults,
            illnesses: illnesses.map(|one| Ill { what: one.what, mend: one.mend }).collect(),
            oldest_unsent_alert_s: self.oldest_unsent_alert_s,
        };
        serde_json::to_value(document).unwrap_or_default()
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let mut response = (self.status, axum::Json(self.document())).into_response();
        let headers = response.headers_mut();
        let json = HeaderValue::from_static("application/problem+json");
        headers.insert(header::CONTENT_TYPE, json);
        self.say_when(headers);
        if self.status == StatusCode::UNAUTHORIZED {
            headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        response
    }
}
