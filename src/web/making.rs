//! How answers about plans are made: each when its turn has come, and to the last packed byte away
//! from the threads that hear check-ins.

use std::panic::resume_unwind;
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Bytes, HttpBody};
use axum::extract::{FromRequestParts, RawPathParams, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, Uri, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use http_body_util::BodyExt;
use tokio::runtime::Handle;
use tokio::time::timeout;

use super::deed::Notice;
use super::guard::{only_reads, shown};
use super::key::secrets;
use super::page::Sorry;
use super::problem::Problem;
use super::unread::Unread;
use crate::daemon::{Asked, Daemon, TooMany, View};
use crate::guarded::guarded_while;

/// A longer text is packed elsewhere, whatever it is.
const LONG_BYTES: u64 = 32 * 1024;
/// Whoever would wait longer for their turn is told to come again.
const LONGEST_WAIT: Duration = Duration::from_secs(25);
/// It is known by then what became of a form, and soon told.
const LONGEST_TO_TELL: Duration = Duration::from_secs(10);
const BETWEEN_TRIES_S: u32 = 5;

/// The mark of an answer whose text is long.
#[derive(Clone)]
struct Long;

/// The turn in which an answer was written: kept until it is packed.
#[derive(Clone)]
pub(super) struct Kept(#[allow(dead_code, reason = "it is held")] Arc<View>);

impl Kept {
    pub(super) fn until_packed(self, mut answer: Response) -> Response {
        answer.extensions_mut().insert(self);
        answer
    }
}

/// Waits for the turn to show by this link or key why a form was not taken. Where too many look by it, that is
/// told without the page.
pub(super) async fn turn_to_tell(
    daemon: &Daemon,
    asked: Asked<'_>,
    notice: &Notice,
) -> Result<Kept, Sorry> {
    let viewed = timeout(LONGEST_TO_TELL, daemon.view(asked)).await;
    match viewed {
        Ok(Ok(Some(view))) => Ok(Kept(Arc::new(view))),
        Ok(Ok(None)) => Err(Sorry::gone()),
        Ok(Err(TooMany)) | Err(_) => {
            Err(Problem::new(notice.status, notice.text.trim_end_matches('.')).into())
        }
    }
}

/// Marks a long text before it is packed, for then its length is not known.
pub(super) async fn weighed(request: Request, next: Next) -> Response {
    let mut answer = next.run(request).await;
    let is_packed = answer.headers().contains_key(header::CONTENT_ENCODING);
    if !is_packed && answer.body().size_hint().exact().is_some_and(|bytes| bytes > LONG_BYTES) {
        answer.extensions_mut().insert(Long);
    }
    answer
}

/// Shows what is asked for when its turn has come. A deed waits for nobody; what is told
/// of it, if that is long, is packed elsewhere.
pub(super) async fn in_turn(
    State((daemon, unread)): State<(Daemon, Unread)>,
    request: Request,
    next: Next,
) -> Response {
    let (mut parts, body) = request.into_parts();
    let (asker, what) = (Asker::of(&parts), What::of(&daemon, &mut parts).await);
    let request = Request::from_parts(parts, body);
    let asked = what.as_ref().map(What::asked).unwrap_or_default();
    let viewed = match asker.only_reads && what.as_ref().is_some_and(|what| what.has_turn) {
        true => match timeout(LONGEST_WAIT, first_that_opens(&daemon, &asked)).await {
            Ok(Ok(viewed)) => viewed,
            Ok(Err(TooMany)) | Err(_) => return asker.told(too_many_asked(&asker.uri)),
        },
        false => None,
    };
    let (key_id, answer) = match (viewed, asked.first()) {
        (Some(view), _) => (Some(view.key_id.clone()), made(view, next.run(request)).await),
        (None, Some(Asked::Link(token))) if !asker.only_reads => {
            let Ok(deed) = daemon.deed(token) else { return asker.told(too_much_done()) };
            let answer = next.run(request).await;
            if answer.extensions().get::<Long>().is_none() {
                return answer;
            }
            let made = match answer.extensions().get::<Kept>().cloned() {
                Some(view) => made((deed, view), async { answer }).await,
                None => made((deed, daemon.hand().await), async { answer }).await,
            };
            (None, made)
        }
        // It is told soon that there is nothing; what is long all the same has its turn.
        _ => {
            let key_id = key_of(&daemon, &asked).await;
            let deed = match &key_id {
                Some(key_id) if !asker.only_reads => match daemon.deed_by_key(key_id) {
                    Ok(deed) => Some(deed),
                    Err(TooMany) => return asker.told(too_many_asked(&asker.uri)),
                },
                _ => None,
            };
            let answer = next.run(request).await;
            if answer.extensions().get::<Long>().is_none() {
                return answer;
            }
            let made = match (answer.extensions().get::<Kept>().cloned(), &key_id) {
                (Some(view), _) => made((deed, view), async { answer }).await,
                (None, Some(_)) => made((deed, daemon.hand().await), async { answer }).await,
                (None, None) => match daemon.hand_for_strangers().await {
                    Ok(hand) => made(hand, async { answer }).await,
                    Err(TooMany) => return asker.told(too_many_asked(&asker.uri)),
                },
            };
            (key_id, made)
        }
    };
    let Some((answer, bytes)) = answer else { return asker.told(Problem::of_a_panic()) };
    let key_id = match key_id {
        None => key_of(&daemon, &asked).await,
        known => known,
    };
    let waits = unread.answer(&key_id.unwrap_or_default(), answer, bytes);
    waits.unwrap_or_else(|| asker.told(too_much_unread(asker.only_reads)))
}

/// The turn of the first of these that opens anything: whatever else a request comes with, the page that
/// it gets is made by one of them.
async fn first_that_opens(daemon: &Daemon, asked: &[Asked<'_>]) -> Result<Option<View>, TooMany> {
    for &asked in asked {
        if let Some(view) = daemon.view(asked).await? {
            return Ok(Some(view));
        }
    }
    Ok(None)
}

/// The key whose plans the first of these opens that opens anything.
async fn key_of(daemon: &Daemon, asked: &[Asked<'_>]) -> Option<String> {
    for &asked in asked {
        if let Ok(Some(key_id)) = daemon.whose(asked).await {
            return Some(key_id);
        }
    }
    None
}

/// What is to be known of a request after it was handed on.
struct Asker {
    uri: Uri,
    only_reads: bool,
    takes_json: bool,
}

impl Asker {
    fn of(parts: &Parts) -> Self {
        let only_reads = only_reads(&parts.method);
        let takes_json = asks_json(&parts.headers);
        Asker { uri: parts.uri.clone(), only_reads, takes_json }
    }

    fn told(&self, problem: Problem) -> Response {
        if self.takes_json { problem.into_response() } else { shown(&self.uri, problem) }
    }
}

/// Whether a page's script asks, and not the browser by itself.
pub(super) fn asks_json(headers: &HeaderMap) -> bool {
    headers.get(header::ACCEPT).is_some_and(|accept| accept == "application/json")
}

/// By what a request comes, as far as it is about plans.
#[derive(Default)]
struct What {
    token: Option<String>,
    /// For a rescue service's link.
    plan_ref: Option<String>,
    /// The secrets of keys: a header's, a cookie's.
    secrets: Vec<String>,
    export: bool,
    /// Whether it is about plans, and waits for its turn where it only reads.
    has_turn: bool,
}

impl What {
    /// `None` for what stands in no line.
    async fn of(daemon: &Daemon, parts: &mut Parts) -> Option<Self> {
        // As the router has read it.
        let params = RawPathParams::from_request_parts(parts, &()).await.ok()?;
        let param = |name| {
            params.iter().find(|(known, _)| *known == name).map(|(_, value)| value.to_owned())
        };
        let path = parts.uri.path();
        let (token, plan_ref) = (param("token"), param("plan"));
        let is_own = path == "/" || param("plan_ref").is_some() || is_filing(path);
        let (export, has_turn) = (path.ends_with("/export"), is_own || token.is_some());
        let secrets = secrets(&parts.headers, daemon).map(str::to_owned).collect();
        Some(What { token, plan_ref, secrets, export, has_turn })
    }

    fn asked(&self) -> Vec<Asked<'_>> {
        match (&self.token, &self.plan_ref) {
            (Some(token), Some(plan_ref)) => vec![Asked::Rescue(plan_ref, token)],
            (Some(token), None) => vec![Asked::Link(token)],
            (None, _) if self.export => self.secrets.iter().map(|one| Asked::Export(one)).collect(),
            (None, _) => self.secrets.iter().map(|one| Asked::Key(one)).collect(),
        }
    }
}

fn is_filing(path: &str) -> bool {
    path.starts_with("/api/v1/filings/")
}

/// Makes an answer on a thread that nobody else waits for, and keeps what it is made by until its
/// text is whole, though nobody wait for it any more. `None` where the service ends.
async fn made(
    by: impl Send + 'static,
    answer: impl Future<Output = Response> + Send + 'static,
) -> Option<(Response, Bytes)> {
    let here = Handle::current();
    let whole = async {
        let (parts, body) = answer.await.into_parts();
        let bytes = body.collect().await.ok()?.to_bytes();
        Some((Response::from_parts(parts, axum::body::Body::empty()), bytes))
    };
    let task = tokio::task::spawn_blocking(move || {
        let made = here.block_on(guarded_while(whole));
        drop(by);
        made
    });
    match task.await {
        Ok(Ok(made)) => made,
        // The guard of whoever asked deals with it.
        Ok(Err(_)) => resume_unwind(Box::new("the program fails over what was asked")),
        Err(_) => None,
    }
}

/// The filing page takes a 429 as word that nothing was filed, which nobody has looked up here.
fn too_many_asked(uri: &Uri) -> Problem {
    let status = match is_filing(uri.path()) {
        true => StatusCode::SERVICE_UNAVAILABLE,
        false => StatusCode::TOO_MANY_REQUESTS,
    };
    let detail = "this is being asked for too often at once, by your own link or key; nothing was \
                  changed. Look again in a few seconds";
    Problem::new(status, detail).retry_after_s(BETWEEN_TRIES_S)
}

fn too_much_done() -> Problem {
    let detail = "too much is being sent by this link at once, and nothing was changed. Send it \
                  again in a few seconds";
    Problem::new(StatusCode::TOO_MANY_REQUESTS, detail).retry_after_s(BETWEEN_TRIES_S)
}

fn too_much_unread(only_reads: bool) -> Problem {
    let detail = match only_reads {
        true => "too many long answers are waiting to be read; look again in a few seconds",
        false => {
            "too many long answers are waiting to be read, and this one found no room: whether it \
             was done is not told here. Send the same again: with the same idempotency key it is \
             done once only"
        }
    };
    Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail).retry_after_s(BETWEEN_TRIES_S)
}
