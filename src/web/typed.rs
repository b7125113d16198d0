//! What a person typed into a form.

use std::collections::BTreeMap;

use axum::Form;
use axum::extract::{FromRequest, Request};
use axum::http::StatusCode;

use super::page::Sorry;
use super::problem::Problem;
use crate::daemon::Daemon;
use crate::daemon::secrets::token_hash;

/// The fields of a form as they were sent: of a field that came several times, every value.
#[derive(Clone, Debug, Default)]
pub(super) struct Typed(BTreeMap<String, Vec<String>>);

impl FromRequest<Daemon> for Typed {
    type Rejection = Sorry;

    async fn from_request(request: Request, daemon: &Daemon) -> Result<Self, Sorry> {
        let Form(pairs) =
            Form::<Vec<(String, String)>>::from_request(request, daemon).await.map_err(|_| {
                let detail = "this is not what the form on the page sends; nothing was changed";
                Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, detail)
            })?;
        Ok(Typed::from_iter(pairs))
    }
}

impl FromIterator<(String, String)> for Typed {
    fn from_iter<I: IntoIterator<Item = (String, String)>>(pairs: I) -> Self {
        let mut fields: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for (name, value) in pairs {
            fields.entry(name).or_default().push(value);
        }
        Typed(fields)
    }
}

impl Typed {
    /// The fields in a body that a form sent, or a page in its way.
    pub(super) fn of_bytes(body: &[u8]) -> Self {
        form_urlencoded::parse(body).into_owned().collect()
    }

    /// The value of a field, trimmed; empty where it did not come.
    pub(super) fn get(&self, name: &str) -> &str {
        self.all(name).first().map_or("", |value| value.trim())
    }

    /// Every value of a field.
    pub(super) fn all(&self, name: &str) -> &[String] {
        self.0.get(name).map_or(&[], Vec::as_slice)
    }

    /// A key for doing once what this very form asks for: the same form sent twice is one deed,
    /// one with any other word in it is another.
    pub(super) fn idempotency(&self) -> String {
        token_hash(&format!("{:?}", self.0))
    }
}
