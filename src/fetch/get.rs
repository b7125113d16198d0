//! One question to a service: bounded in time, size and number of attempts.
//!
//! What is fresh in the cache is not asked for again; what is older is asked for with its marks
//! (RFC 9110, 13.1), so that an unchanged answer costs the service nothing. After a failure the
//! same question waits, longer each time; what was kept then stands in and says so.

use std::collections::BTreeMap;
use std::panic::resume_unwind;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use reqwest::header::{ACCEPT, ETAG, HeaderMap, IF_MODIFIED_SINCE, IF_NONE_MATCH, LAST_MODIFIED};
use reqwest::redirect::{self, Action, Policy};
use reqwest::{Client, ClientBuilder, Response, StatusCode, Url};
use tokio::sync::Semaphore;
use tokio::task::spawn_blocking;

use super::cache::{Cache, Kept};
use crate::guarded::guarded;

/// The longest answer that is read, in bytes. Tables have the newest row first, so that what comes
/// after it is old.
const MOST_BYTES: usize = 768 * 1024;
const MOST_REDIRECTS: usize = 3;
/// So many answers are read at once. The longest takes its reader some hundredths of a second and up to
/// some twenty times its own size.
const READ_AT_ONCE: usize = 2;
/// The first pause after a failure; it doubles with each further one.
const PAUSE: Duration = Duration::from_secs(5);
const LONGEST_PAUSE: Duration = Duration::from_secs(300);

/// A question.
#[derive(Clone, Copy, Debug)]
pub(super) struct Question<'a> {
    pub(super) url: &'a str,
    pub(super) accept: &'a str,
    /// For so long an answer is as good as a new one.
    pub(super) fresh_s: u64,
    /// Whether a server's own error is asked again at once, a single time: some services stumble
    /// over one request and answer the next.
    pub(super) again: bool,
}

/// An answer.
#[derive(Clone, Debug)]
pub(super) struct Reply {
    pub(super) status: StatusCode,
    pub(super) text: String,
    /// Why this is an earlier answer, if it is.
    pub(super) kept: Option<String>,
}

/// Asks, and remembers whom not to ask again at once.
#[derive(Clone, Debug)]
pub(super) struct Getter {
    client: Result<Client, String>,
    deadline: Duration,
    cache: Option<Cache>,
    failures: Arc<Mutex<BTreeMap<String, Failure>>>,
    hands: Arc<Semaphore>,
}

#[derive(Clone, Debug)]
struct Failure {
    pause: Duration,
    until: Instant,
    why: String,
}

impl Getter {
    pub(super) fn new(keeper_email: &str, deadline: Duration) -> Self {
        // An error means that one is installed already, which is as good.
        let _ = rustls::crypto::ring::default_provider().install_default();
        let agent = user_agent(keeper_email);
        let builder = || plain_client(&agent);
        // A machine without any trusted certificates can still ask a service of its own by http.
        let client = builder().build().or_else(|_| builder().tls_certs_only([]).build());
        let client = client.map_err(|error| format!("could not be asked: {}", causes(&error)));
        let hands = Arc::new(Semaphore::new(READ_AT_ONCE));
        Getter { client, deadline, cache: None, failures: Arc::default(), hands }
    }

    pub(super) fn keeping(self, cache: Cache) -> Self {
        Getter { cache: Some(cache), ..self }
    }

    /// Reads an answer away from the threads that send alerts. It is a stranger's: what reading it costs is
    /// theirs to choose, within what is read. Whoever no longer waits for it frees no hand: that
    /// is free once it is read.
    pub(super) async fn read<T: Send + 'static>(
        &self,
        text: String,
        read: impl FnOnce(&str) -> T + Send + 'static,
    ) -> Result<T, String> {
        // They never close; without one it is read all the same.
        let hand = Arc::clone(&self.hands).acquire_owned().await.ok();
        let reading = spawn_blocking(move || {
            let said = guarded(|| read(&text));
            drop(hand);
            said
        });
        match reading.await {
            Ok(Ok(said)) => Ok(said),
            // Whoever asked has a guard of their own.
            Ok(Err(panicked)) => resume_unwind(Box::new(panicked)),
            Err(_) => Err("was not read: the program ends".to_owned()),
        }
    }

    /// The answer with status 200, of whatever age its question allows.
    pub(super) async fn text(&self, question: Question<'_>) -> Result<Reply, String> {
        let reply = self.reply(question).await?;
        match reply.status {
            StatusCode::OK => Ok(reply),
            status => Err(format!("answered `{status}`")),
        }
    }

    /// The answer, whatever its status.
    pub(super) async fn reply(&self, question: Question<'_>) -> Result<Reply, String> {
        let kept = match &self.cache {
            Some(cache) => cache.kept(question.url).await,
            None => None,
        };
        if let Some(kept) = kept.as_ref().filter(|kept| kept.is_fresh(question.fresh_s)) {
            return Ok(Reply { status: StatusCode::OK, text: kept.body.clone(), kept: None });
        }
        let asked = match self.paused(question.url) {
            Some(why) => Err(why),
            None => self.ask(question, kept.as_ref()).await,
        };
        let stands_in = |why| match &kept {
            Some(kept) => {
                Ok(Reply { status: StatusCode::OK, text: kept.body.clone(), kept: Some(why) })
            }
            None => Err(why),
        };
        match asked {
            Ok(reply) if reply.status.is_server_error() && kept.is_some() => {
                stands_in(format!("answered `{}`", reply.status))
            }
            Ok(reply) => Ok(reply),
            Err(why) => stands_in(why),
        }
    }

    async fn ask(&self, question: Question<'_>, kept: Option<&Kept>) -> Result<Reply, String> {
        let client = self.client.as_ref().map_err(Clone::clone)?;
        let marks = kept.map(marks).unwrap_or_default();
        let read = async {
            let first = self.once(client, question, marks.clone()).await?;
            let stumbled = first.0 == StatusCode::INTERNAL_SERVER_ERROR;
            if question.again && stumbled && retry_after(&first.1).is_none() {
                return self.once(client, question, marks).await;
            }
            Ok(first)
        };
        let mut attempt = Attempt { getter: self, url: question.url, settled: false };
        let (status, heads, text) = read.await.map_err(|error: reqwest::Error| {
            let why = self.told(&error);
            attempt.failed(&why, None);
            // Where nobody can be reached at all, nothing else needs to be tried at once.
            if error.is_connect() {
                self.note_failure(origin(question.url), &why, None);
            }
            why
        })?;
        if status == StatusCode::TOO_MANY_REQUESTS || status.is_server_error() {
            attempt.failed(&format!("answered `{status}`"), retry_after(&heads));
            return Ok(Reply { status, text, kept: None });
        }
        attempt.succeeded();
        match (status, kept, &self.cache) {
            (StatusCode::NOT_MODIFIED, Some(kept), Some(cache)) => {
                let text = kept.body.clone();
                cache.keep(question.url, kept.clone().renewed()).await;
                Ok(Reply { status: StatusCode::OK, text, kept: None })
            }
            (StatusCode::OK, _, Some(cache)) => {
                let mark = |name| Some(heads.get(name)?.to_str().ok()?.to_owned());
                let kept = Kept::new(&text, mark(ETAG), mark(LAST_MODIFIED));
                cache.keep(question.url, kept).await;
                Ok(Reply { status, text, kept: None })
            }
            _ => Ok(Reply { status, text, kept: None }),
        }
    }

    async fn once(
        &self,
        client: &Client,
        question: Question<'_>,
        marks: HeaderMap,
    ) -> Result<(StatusCode, HeaderMap, String), reqwest::Error> {
        let asked = client.get(question.url).header(ACCEPT, question.accept).headers(marks);
        let response = asked.timeout(self.deadline).send().await?;
        let (status, heads) = (response.status(), response.headers().clone());
        Ok((status, heads, body(response).await?))
    }

    fn told(&self, error: &reqwest::Error) -> String {
        if error.is_timeout() {
            return late(self.deadline);
        }
        if error.is_redirect() {
            return format!("sent us on more than {MOST_REDIRECTS} times");
        }
        format!("could not be reached: {}", causes(error))
    }

    /// Why this is not asked again yet.
    fn paused(&self, url: &str) -> Option<String> {
        let failures = self.failures.lock().unwrap_or_else(PoisonError::into_inner);
        let now = Instant::now();
        let failed = [url, origin(url)].into_iter().filter_map(|key| failures.get(key));
        let failure = failed.filter(|failure| failure.until > now).max_by_key(|one| one.until)?;
        Some(format!("{} and is not asked again for a while", failure.why))
    }

    fn note_failure(&self, url: &str, why: &str, asked_pause: Option<Duration>) {
        let mut failures = self.failures.lock().unwrap_or_else(PoisonError::into_inner);
        let now = Instant::now();
        let pause = failures.get(url).map_or(PAUSE, |old| LONGEST_PAUSE.min(old.pause * 2));
        failures.retain(|_, old| old.until + LONGEST_PAUSE > now);
        let until = now + asked_pause.unwrap_or(pause).max(pause);
        failures.insert(url.to_owned(), Failure { pause, until, why: why.to_owned() });
    }

    fn forget_failure(&self, url: &str) {
        let mut failures = self.failures.lock().unwrap_or_else(PoisonError::into_inner);
        failures.remove(url);
        failures.remove(origin(url));
    }
}

/// An attempt that has not ended. Given up by whoever waits for it, it counts as failed.
struct Attempt<'a> {
    getter: &'a Getter,
    url: &'a str,
    settled: bool,
}

impl Attempt<'_> {
    fn failed(&mut self, why: &str, asked_pause: Option<Duration>) {
        self.settled = true;
        self.getter.note_failure(self.url, why, asked_pause);
    }

    fn succeeded(&mut self) {
        self.settled = true;
        self.getter.forget_failure(self.url);
    }
}

impl Drop for Attempt<'_> {
    fn drop(&mut self) {
        if !self.settled {
            self.getter.note_failure(self.url, &late(self.getter.deadline), None);
        }
    }
}

/// The scheme and host of an address.
fn origin(url: &str) -> &str {
    let host_at = url.find("://").map_or(0, |at| at + 3);
    let end = url[host_at..].find('/').map_or(url.len(), |at| host_at + at);
    &url[..end]
}

/// What is said of a service that was too slow.
pub(super) fn late(deadline: Duration) -> String {
    format!("did not answer within {} s", deadline.as_secs_f64())
}

fn marks(kept: &Kept) -> HeaderMap {
    let marks = [(IF_NONE_MATCH, &kept.etag), (IF_MODIFIED_SINCE, &kept.last_modified)];
    let given = marks.into_iter().filter_map(|(name, mark)| Some((name, mark.as_ref()?)));
    given.filter_map(|(name, mark)| Some((name, mark.parse().ok()?))).collect()
}

/// Seconds that a service asks us to wait, up to an hour.
fn retry_after(heads: &HeaderMap) -> Option<Duration> {
    let seconds: u64 = heads.get("retry-after")?.to_str().ok()?.trim().parse().ok()?;
    Some(Duration::from_secs(seconds.min(3600)))
}

async fn body(mut response: Response) -> Result<String, reqwest::Error> {
    let mut body = Vec::new();
    while let Some(chunk) = response.chunk().await? {
        body.extend_from_slice(&chunk);
        if body.len() >= MOST_BYTES {
            cut_to_whole_lines(&mut body);
            break;
        }
    }
    // A comment in an older encoding must not cost the reading; another encoding altogether is no
    // table.
    Ok(String::from_utf8_lossy(&body).into_owned())
}

fn cut_to_whole_lines(body: &mut Vec<u8>) {
    body.truncate(MOST_BYTES);
    let whole = body.iter().rposition(|byte| *byte == b'\n').unwrap_or(0);
    body.truncate(whole);
}

fn plain_client(agent: &str) -> ClientBuilder {
    let builder = Client::builder().user_agent(agent).referer(false);
    builder.redirect(Policy::custom(within_the_service))
}

/// A service may send us on to another place of its own, and nowhere else: what asks from here may reach
/// what nobody outside can.
fn within_the_service(attempt: redirect::Attempt<'_>) -> Action {
    if attempt.previous().len() > MOST_REDIRECTS {
        return attempt.error("too often");
    }
    let asked = attempt.previous().first();
    match asked.is_some_and(|asked| is_of_same_service(asked, attempt.url())) {
        true => attempt.follow(),
        false => attempt.stop(),
    }
}

fn is_of_same_service(asked: &Url, next: &Url) -> bool {
    let plainer = asked.scheme() == "https" && next.scheme() != "https";
    asked.host() == next.host() && asked.port() == next.port() && !plainer
}

/// Only what a header field can carry.
fn user_agent(keeper_email: &str) -> String {
    let address: String = keeper_email.chars().filter(char::is_ascii_graphic).collect();
    format!("shorelamp/{} ({address})", env!("CARGO_PKG_VERSION"))
}

/// The innermost cause: it says what went wrong; the outer ones only that something did. No words of a
/// service's are in it: what is read of its certificate or answer is quoted, and cut off here.
fn causes(error: &dyn std::error::Error) -> String {
    let mut innermost = error;
    while let Some(cause) = innermost.source() {
        innermost = cause;
    }
    let told = innermost.to_string();
    let ours = told.split(['"', '`', '(']).next().unwrap_or_default().trim_end();
    match ours {
        // What the system says of a name that nobody can resolve, or of a machine without a network.
        _ if ours.starts_with("failed to lookup address information") => {
            "its address could not be looked up".to_owned()
        }
        _ if ours.starts_with("invalid peer certificate") => {
            "its certificate can't be trusted".to_owned()
        }
        _ => ours.to_owned(),
    }
}
