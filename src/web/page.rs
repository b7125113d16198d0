//! What every page is made with.

use askama::Template;
use axum::http::{StatusCode, header};
use axum::response::{Html, IntoResponse, Response};

use super::problem::Problem;
use super::words;
use crate::daemon::FilingError;
use crate::daemon::secrets::SecretsError;

/// A filled template as an answer.
pub(super) fn html(status: StatusCode, page: &impl Template) -> Response {
    match page.render() {
        Ok(text) => (status, Html(text)).into_response(),
        Err(error) => {
            tracing::error!(%error, "a page can't be written");
            let text = "This page can't be written. Nothing was changed.";
            (StatusCode::INTERNAL_SERVER_ERROR, text).into_response()
        }
    }
}

/// To another page, by GET.
pub(super) fn see_other(to: &str) -> Response {
    (StatusCode::SEE_OTHER, [(header::LOCATION, to.to_owned())]).into_response()
}

/// What stands where nothing is: the same for an unknown link and an expired one.
pub(super) fn gone() -> Response {
    Sorry::gone().into_response()
}

/// A page that says what went wrong.
#[derive(Debug)]
pub(super) struct Sorry(Problem);

#[derive(Template)]
#[template(path = "sorry.html")]
struct SorryPage<'a> {
    headline: &'a str,
    detail: String,
}

impl Sorry {
    pub(super) fn gone() -> Self {
        Sorry(Problem::nothing_here())
    }
}

impl Sorry {
    /// The same for a program.
    pub(super) fn into_problem(self) -> Problem {
        self.0
    }
}

impl<T: Into<Problem>> From<T> for Sorry {
    fn from(problem: T) -> Self {
        Sorry(problem.into())
    }
}

impl From<SecretsError> for Problem {
    fn from(error: SecretsError) -> Self {
        FilingError::Secrets(error).into()
    }
}

impl IntoResponse for Sorry {
    fn into_response(self) -> Response {
        let Sorry(problem) = self;
        let headline = match problem.status {
            StatusCode::NOT_FOUND => "Nothing here",
            StatusCode::FORBIDDEN => "Not from here",
            status if status.is_client_error() => "That did not work",
            _ => "Out of order",
        };
        let detail = format!("{}.", words::sentence(&problem.detail));
        let mut page = html(problem.status, &SorryPage { headline, detail });
        problem.say_when(page.headers_mut());
        page
    }
}
