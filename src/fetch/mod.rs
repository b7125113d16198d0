//! Asks observation services, briefly. No answer is a fact that the review shows, never an error
//! that stops a filing.

mod ndbc;

use std::time::Duration;

use reqwest::redirect::Policy;
use reqwest::{Client, ClientBuilder};
use tokio::task::JoinSet;

use crate::conditions::{Answer, Observations, Station};

/// The longest answer that is read, in bytes. Tables have the newest row first, so that what comes
/// after it is old.
const MOST_BYTES: usize = 512 * 1024;
const MOST_REDIRECTS: usize = 3;

/// Asks stations for what they observe.
#[derive(Clone, Debug)]
pub struct Asker {
    client: Result<Client, String>,
    deadline: Duration,
}

impl Asker {
    /// How long a station has for all of its answer, unless the settings say otherwise.
    pub const DEADLINE: Duration = Duration::from_secs(3);

    /// An asker that names itself and the keeper's address to the services, as they ask of
    /// programs, and gives each station so long for all of its answer.
    #[must_use]
    pub fn new(keeper_email: &str, deadline: Duration) -> Self {
        // An error means that one is installed already, which is as good.
        let _ = rustls::crypto::ring::default_provider().install_default();
        let agent = user_agent(keeper_email);
        let builder = || plain_client(&agent);
        // A machine without any trusted certificates can still ask a service of its own by http.
        let client = builder().build().or_else(|_| builder().tls_certs_only([]).build());
        let client = client.map_err(|error| format!("could not be asked: {}", causes(&error)));
        Asker { client, deadline }
    }

    /// Asks all of them at once and answers in their order, within the deadline.
    pub async fn ask(&self, stations: &[Station]) -> Vec<Answer> {
        let mut asked = JoinSet::new();
        for (at, station) in stations.iter().cloned().enumerate() {
            let asker = self.clone();
            asked.spawn(async move { (at, asker.ask_one(&station).await) });
        }
        let unfinished = || Err("was not asked to the end".to_owned());
        let mut answers: Vec<_> = stations
            .iter()
            .map(|station| Answer { station: station.clone(), said: unfinished() })
            .collect();
        while let Some(done) = asked.join_next().await {
            if let Ok((at, said)) = done {
                answers[at].said = said;
            }
        }
        answers
    }

    async fn ask_one(&self, station: &Station) -> Result<Observations, String> {
        let client = self.client.as_ref().map_err(Clone::clone)?;
        let url = ndbc::url(station)?;
        let body = self.body(client, &url).await?;
        ndbc::read(&body).map_err(|error| format!("can't be used: {error}"))
    }

    async fn body(&self, client: &Client, url: &str) -> Result<String, String> {
        let failed = |error: reqwest::Error| self.told(&error);
        let sent = client.get(url).timeout(self.deadline).send().await;
        let mut response = sent.map_err(failed)?;
        if response.status() != reqwest::StatusCode::OK {
            return Err(format!("answered `{}`", response.status()));
        }
        let mut body = Vec::new();
        while let Some(chunk) = response.chunk().await.map_err(failed)? {
            body.extend_from_slice(&chunk);
            if body.len() >= MOST_BYTES {
                cut_to_whole_lines(&mut body);
                break;
            }
        }
        // A comment in an older encoding must not cost the reading; another encoding altogether is
        // no table.
        Ok(String::from_utf8_lossy(&body).into_owned())
    }

    fn told(&self, error: &reqwest::Error) -> String {
        if error.is_timeout() {
            return format!("did not answer within {} s", self.deadline.as_secs_f64());
        }
        if error.is_redirect() {
            return format!("sent us on more than {MOST_REDIRECTS} times");
        }
        format!("could not be reached: {}", causes(error))
    }
}

fn plain_client(agent: &str) -> ClientBuilder {
    Client::builder().user_agent(agent).redirect(Policy::limited(MOST_REDIRECTS))
}

/// Only what a header field can carry.
fn user_agent(keeper_email: &str) -> String {
    let address: String = keeper_email.chars().filter(char::is_ascii_graphic).collect();
    format!("shorelamp/{} ({address})", env!("CARGO_PKG_VERSION"))
}

fn cut_to_whole_lines(body: &mut Vec<u8>) {
    body.truncate(MOST_BYTES);
    let whole = body.iter().rposition(|byte| *byte == b'\n').unwrap_or(0);
    body.truncate(whole);
}

/// The innermost cause: it says what went wrong; the outer ones only that something did.
fn causes(error: &dyn std::error::Error) -> String {
    let mut innermost = error;
    while let Some(cause) = innermost.source() {
        innermost = cause;
    }
    innermost.to_string()
}
