//! Talks to the running service over HTTP, with a key.

use std::fs;
use std::path::PathBuf;
use std::time::Duration;

use clap::Args;
use reqwest::header::CONTENT_TYPE;
use reqwest::redirect::Policy;
use reqwest::{Client as Http, Method, RequestBuilder, Response, StatusCode};
use secrecy::{ExposeSecret, SecretString};
use serde_json::Value;

use super::exit::{Done, Exit, Failure};
use super::print::plain;
use crate::settings::Settings;

const LONGEST_CONNECT: Duration = Duration::from_secs(5);
/// The service itself gives up after half a minute.
const LONGEST_ANSWER: Duration = Duration::from_secs(40);
const KEY_VARIABLE: &str = "SHORELAMP_KEY";

/// How the key is given, alike for all commands that need one.
#[derive(Debug, Args)]
pub(super) struct KeyArgs {
    /// The file that holds the key; else it is taken from SHORELAMP_KEY
    #[arg(long, value_name = "FILE")]
    key_file: Option<PathBuf>,
}

/// The service, and the key to speak to it with.
pub(super) struct Client {
    http: Http,
    base_url: String,
    key: SecretString,
}

/// What became of a request.
#[derive(Debug)]
pub(super) enum Outcome {
    /// It was done, and this is the answer.
    Done(Value),
    /// It was refused: nothing was done.
    Refused(Failure),
    /// It never left: nobody answers there.
    NotSent(String),
    /// It left, and no answer says whether it was done.
    Unclear(String),
}

impl KeyArgs {
    fn key(&self) -> Done<SecretString> {
        let missing = |words: String| Failure::new(Exit::NotAllowed, words);
        let key = match &self.key_file {
            Some(path) => fs::read_to_string(path).map_err(|error| {
                missing(format!("the key file {} can't be read: {error}", path.display()))
            })?,
            None => std::env::var(KEY_VARIABLE).unwrap_or_default(),
        };
        match key.trim() {
            "" => Err(missing(format!(
                "this needs a key: put it into {KEY_VARIABLE}, or name its file with --key-file. \
                 The keeper of the service makes one with `shorelamp key add`"
            ))),
            key => Ok(SecretString::from(key)),
        }
    }
}

impl Client {
    /// A client of the service in the settings, with the key that was given.
    pub(super) fn new(settings: &Settings, key: &KeyArgs) -> Done<Self> {
        Self::with_key(&settings.service.base_url, key.key()?)
    }

    /// A client with this key.
    pub(super) fn with_key(base_url: &str, key: SecretString) -> Done<Self> {
        Ok(Client { http: http(base_url)?, base_url: base_url.to_owned(), key })
    }

    /// Asks for a document.
    pub(super) async fn get(&self, path: &str) -> Done<Value> {
        self.settle(self.send(self.request(Method::GET, path)).await)
    }

    /// Has something done that must not be done twice: the same `once` with the same body is done
    /// one time only.
    pub(super) async fn post_once(&self, path: &str, body: &Value, once: &str) -> Outcome {
        let request = self.request(Method::POST, path).header("Idempotency-Key", once);
        self.send(request.json(body)).await
    }

    /// Nobody answers where the service should be.
    pub(super) fn nobody(&self, why: &str) -> Failure {
        let words = format!(
            "no Shorelamp daemon answers at {} ({why}). Is it running (`shorelamp serve`), and is \
             `base_url` right?",
            self.base_url
        );
        Failure::new(Exit::Unavailable, words)
    }

    fn request(&self, method: Method, path: &str) -> RequestBuilder {
        let url = format!("{}{path}", self.base_url);
        self.http.request(method, url).bearer_auth(self.key.expose_secret())
    }

    async fn send(&self, request: RequestBuilder) -> Outcome {
        match request.send().await {
            Ok(response) => self.read(response).await,
            Err(error) if error.is_connect() || error.is_builder() => {
                Outcome::NotSent(innermost(&error))
            }
            Err(error) => Outcome::Unclear(innermost(&error)),
        }
    }

    async fn read(&self, response: Response) -> Outcome {
        let status = response.status();
        let is_problem = response
            .headers()
            .get(CONTENT_TYPE)
            .is_some_and(|kind| kind.as_bytes().starts_with(b"application/problem+json"));
        let body: Value = match response.json().await {
            Ok(body) => body,
            Err(error) if status.is_success() => return Outcome::Unclear(innermost(&error)),
            Err(_) => Value::Null,
        };
        if status.is_success() {
            return Outcome::Done(body);
        }
        let detail = plain(body["detail"].as_str().unwrap_or_default());
        match status {
            _ if !is_problem => Outcome::Refused(self.stranger(status)),
            _ if status.is_server_error() => Outcome::Unclear(detail),
            _ => Outcome::Refused(Failure::new(exit_of(status), detail)),
        }
    }

    /// What answers there is something else.
    fn stranger(&self, status: StatusCode) -> Failure {
        let words = format!(
            "what answers at {} is no Shorelamp: it says `{status}`. Is `base_url` right, and does \
             the web server in front pass everything on?",
            self.base_url
        );
        Failure::new(Exit::Unavailable, words)
    }

    /// The answer, or why there is none.
    pub(super) fn settle(&self, outcome: Outcome) -> Done<Value> {
        match outcome {
            Outcome::Done(body) => Ok(body),
            Outcome::Refused(failure) => Err(failure),
            Outcome::NotSent(why) => Err(self.nobody(&why)),
            Outcome::Unclear(why) => Err(Failure::new(
                Exit::Unavailable,
                format!(
                    "the service at {} gave no clear answer ({why}), so we can't tell whether this \
                     was done. Look at the crew's page or the board before you do it again",
                    self.base_url
                ),
            )),
        }
    }
}

fn exit_of(status: StatusCode) -> Exit {
    match status {
        StatusCode::UNAUTHORIZED | StatusCode::FORBIDDEN => Exit::NotAllowed,
        StatusCode::TOO_MANY_REQUESTS => Exit::Unavailable,
        _ => Exit::BadData,
    }
}

/// An HTTP client for one service. It follows nobody to another place, for it holds a key.
pub(super) fn http(base_url: &str) -> Done<Http> {
    // An error means that one is installed already, which is as good.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let mut builder = Http::builder()
        .redirect(Policy::none())
        .connect_timeout(LONGEST_CONNECT)
        .timeout(LONGEST_ANSWER);
    if !base_url.starts_with("https:") {
        // Without TLS there is nobody to trust, and this machine is reached through no proxy.
        builder = builder.tls_certs_only([]).no_proxy();
    }
    builder.build().map_err(|error| {
        Failure::new(Exit::Software, format!("no connection can be made: {}", innermost(&error)))
    })
}

/// The innermost cause: it says what went wrong; the outer ones only that something did.
pub(super) fn innermost(error: &dyn std::error::Error) -> String {
    let mut innermost = error;
    while let Some(cause) = innermost.source() {
        innermost = cause;
    }
    plain(&innermost.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exit_codes_of_refusals() {
        assert_eq!(exit_of(StatusCode::UNAUTHORIZED), Exit::NotAllowed);
        assert_eq!(exit_of(StatusCode::FORBIDDEN), Exit::NotAllowed);
        assert_eq!(exit_of(StatusCode::UNPROCESSABLE_ENTITY), Exit::BadData);
        assert_eq!(exit_of(StatusCode::NOT_FOUND), Exit::BadData);
    }
}
