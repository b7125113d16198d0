//! A form as it comes in.

use axum::Form;
use axum::extract::{FromRequest, Request};
use axum::http::StatusCode;

use super::page::Sorry;
use super::problem::Problem;
use super::typed::Typed;
use crate::daemon::Daemon;
use crate::daemon::secrets::token_hash;

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

impl Typed {
    /// A key for doing once what this very form asks for: the same form sent twice is one deed,
    /// one with any other word in it is another.
    pub(super) fn idempotency(&self) -> String {
        token_hash(&self.whole())
    }
}
