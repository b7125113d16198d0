//! What holds for every request: its size and time, where it may come from, and the headers of
//! its answer.

use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::extract::{Request, State};
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::http::{Method, StatusCode, Uri};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use http_body_util::BodyExt;

use super::heads::is_own;
use super::listening::Peer;
use super::page::{Sorry, gone};
use super::problem::Problem;
use super::room::Rooms;
use super::seats::Seat;
use crate::daemon::Daemon;
use crate::guarded::{Panicked, guarded_while, to_its_end};

/// The largest body that is read: a plan of many waypoints has about a tenth of it.
pub(super) const MOST_BYTES: usize = 256 * 1024;
/// What is read further and thrown away, so that a client that sends too much still hears why.
const MOST_BYTES_DRAINED: usize = 64 * 1024 * 1024;
/// What a person types on a page is smaller; it waits for nobody.
const SMALL_BYTES: usize = 16 * 1024;
static LARGE_BODIES: Rooms = Rooms::new();
const LONGEST_BODY: Duration = Duration::from_secs(20);
const LONGEST_ANSWER: Duration = Duration::from_secs(30);

/// Nothing but what lies here, no script inside a page, and in no frame (where a browser knows
/// `frame-ancestors`, HTML has it pass over `X-Frame-Options`). Workers go by `script-src` (CSP 3,
/// 6.8.3: a worker falls back to `child-src`, then `script-src`, then `default-src`).
const OURS_ONLY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; \
                         connect-src 'self'; img-src 'self'; manifest-src 'self'; \
                         form-action 'self'; base-uri 'none'; frame-ancestors 'none'";
const A_YEAR: &str = "max-age=31536000";

/// A request over which the program fails is refused by itself.
pub(super) async fn unfailing(request: Request, next: Next) -> Response {
    let uri = request.uri().clone();
    match guarded_while(next.run(request)).await {
        Ok(answer) => answer,
        Err(Panicked) => shown(&uri, Problem::of_a_panic()),
    }
}

/// Reads the whole body before anything else is done, within its size and time.
pub(super) async fn whole_body(request: Request, next: Next) -> Response {
    let (parts, body) = request.into_parts();
    let uri = parts.uri.clone();
    let from = parts.extensions.get::<Peer>().map(|Peer(address)| *address);
    let bytes = match tokio::time::timeout(LONGEST_BODY, read(body, from)).await {
        Ok(Ok(bytes)) => bytes,
        Ok(Err(problem)) => return shown(&uri, problem),
        Err(_) => return shown(&uri, too_slow()),
    };
    // Its seat was given to another while it came: nothing may be done that it never hears of.
    if parts
        .extensions
        .get::<Arc<Seat>>()
        .is_some_and(|seat| !seat.has_spoken(only_reads(&parts.method)))
    {
        return shown(&uri, too_slow());
    }
    let reads = only_reads(&parts.method);
    let request = Request::from_parts(parts, Body::from(bytes));
    let answer = tokio::time::timeout(LONGEST_ANSWER, next.run(request));
    // What has arrived whole is done, though its sender be gone, or its seat another's.
    match if reads { answer.await } else { to_its_end(answer).await } {
        Ok(answer) => answer,
        Err(_) => shown(&uri, no_answer()),
    }
}

/// Whether nothing is done by it.
pub(super) fn only_reads(method: &Method) -> bool {
    matches!(*method, Method::GET | Method::HEAD | Method::OPTIONS)
}

async fn read(mut body: Body, from: Option<IpAddr>) -> Result<Bytes, Problem> {
    let mut bytes = Vec::new();
    let mut length: usize = 0;
    let mut room = None;
    while let Some(frame) = body.frame().await {
        let frame = frame.map_err(|_| broken_off())?;
        let Some(data) = frame.data_ref() else { continue };
        length = length.saturating_add(data.len());
        if length > SMALL_BYTES && room.is_none() {
            // Kept until the body is whole; it never closes.
            room = Some(LARGE_BODIES.one(from).await.ok_or_else(too_many)?);
        }
        if length <= MOST_BYTES {
            bytes.extend_from_slice(data);
        } else if length > MOST_BYTES_DRAINED {
            break;
        }
    }
    if length > MOST_BYTES { Err(too_large()) } else { Ok(bytes.into()) }
}

fn too_large() -> Problem {
    let detail = "this is larger than 256 kB, which no plan needs to be; nothing was filed. Thin \
                  the route out, or shorten the notes";
    Problem::new(StatusCode::PAYLOAD_TOO_LARGE, detail)
}

fn too_many() -> Problem {
    let detail = "several large requests are on their way from your address already; nothing was \
                  changed. Send this one again when they have come to their end";
    Problem::new(StatusCode::TOO_MANY_REQUESTS, detail).retry_after_s(20)
}

fn too_slow() -> Problem {
    let detail = "the request took too long to arrive; nothing was changed. Send it again";
    Problem::new(StatusCode::REQUEST_TIMEOUT, detail)
}

fn broken_off() -> Problem {
    let detail = "the request broke off before its end; nothing was changed. Send it again";
    Problem::new(StatusCode::BAD_REQUEST, detail)
}

fn no_answer() -> Problem {
    let detail = "the service did not answer in time, and we can't tell whether this was done. \
                  Send the same again: with the same idempotency key it is done once only";
    Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail).retry_after_s(5)
}

/// Refuses a change that a page of somebody else's makes a browser send.
pub(super) async fn own_pages_only(
    State(daemon): State<Daemon>,
    request: Request,
    next: Next,
) -> Response {
    let base_url = &daemon.house().base_url;
    let only_reads = matches!(*request.method(), Method::GET | Method::HEAD | Method::OPTIONS);
    if only_reads || is_own(request.headers(), is_api(request.uri()), base_url) {
        return next.run(request).await;
    }
    let detail = format!(
        "this came from a page that is not of this service; nothing was changed. Open {base_url} \
         itself and try again there"
    );
    shown(request.uri(), Problem::new(StatusCode::FORBIDDEN, detail))
}

/// Adds what tells a browser to keep the pages to itself.
pub(super) async fn headers(
    State(daemon): State<Daemon>,
    request: Request,
    next: Next,
) -> Response {
    // A style or a script is no page: what is said of pages would only make it heavier.
    let is_page = !super::assets::is_asset(request.uri().path());
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    if !is_page {
        return response;
    }
    let mut set = |name: HeaderName, value: &'static str| {
        headers.insert(name, HeaderValue::from_static(value));
    };
    set(header::CONTENT_SECURITY_POLICY, OURS_ONLY);
    set(header::REFERRER_POLICY, "no-referrer");
    set(HeaderName::from_static("cross-origin-resource-policy"), "same-origin");
    set(HeaderName::from_static("cross-origin-opener-policy"), "same-origin");
    set(HeaderName::from_static("x-robots-tag"), "none");
    if daemon.house().base_url.starts_with("https:") {
        set(header::STRICT_TRANSPORT_SECURITY, A_YEAR);
    }
    if !headers.contains_key(header::CACHE_CONTROL) {
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    response
}

/// The answer where there is nothing.
pub(super) async fn nothing_here(uri: Uri) -> Response {
    if is_api(&uri) { Problem::nothing_here().into_response() } else { gone() }
}

/// The answer to a method that an address does not take.
pub(super) async fn not_that_way(uri: Uri) -> Response {
    let detail = "this address does not take that method; nothing was changed";
    shown(&uri, Problem::new(StatusCode::METHOD_NOT_ALLOWED, detail))
}

fn is_api(uri: &Uri) -> bool {
    uri.path().starts_with("/api/")
}

/// A problem as the reader takes it: a document for a program, a page for a person.
pub(super) fn shown(uri: &Uri, problem: Problem) -> Response {
    if is_api(uri) { problem.into_response() } else { Sorry::from(problem).into_response() }
}

#[cfg(test)]
mod tests {
    use std::convert::Infallible;
    use std::net::SocketAddr;
    use std::process::Command;

    use axum::Router;
    use axum::middleware::from_fn;
    use axum::routing::get;
    use futures_util::stream;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    use tokio::net::{TcpListener, TcpStream};
    use tokio_util::sync::CancellationToken;

    use super::*;
    use crate::web::serve;

    async fn fails(uri: Uri) -> String {
        assert!(uri.path().is_empty(), "Zqasthma");
        String::new()
    }

    /// A body that comes bit by bit, as the live board's does, and panics at its second.
    async fn breaks_off() -> Body {
        Body::from_stream(stream::unfold(0, async |at| {
            if at > 0 {
                // What came before is on its way.
                tokio::task::yield_now().await;
            }
            assert!(at == 0, "Zqasthma");
            Some((Ok::<_, Infallible>("It begins."), at + 1))
        }))
    }

    /// A service of which some pages panic.
    async fn served() -> SocketAddr {
        let router = Router::new()
            .route("/fails", get(fails))
            .route("/api/v1/fails", get(fails))
            .route("/works", get(async || "It works."))
            .route("/breaks-off", get(breaks_off))
            .layer(from_fn(unfailing));
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let at = listener.local_addr().unwrap();
        tokio::spawn(serve(listener, router, CancellationToken::new()));
        at
    }

    /// The head and the body of one answer; the connection is kept.
    async fn asked(connection: &mut TcpStream, path: &str) -> (String, String) {
        let request = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n");
        connection.write_all(request.as_bytes()).await.unwrap();
        let mut head = Vec::new();
        while !head.ends_with(b"\r\n\r\n") {
            head.push(connection.read_u8().await.unwrap());
        }
        let head = String::from_utf8(head).unwrap().to_lowercase();
        let (_, length) = head.split_once("content-length: ").unwrap();
        let mut body = vec![0; length.lines().next().unwrap().parse().unwrap()];
        connection.read_exact(&mut body).await.unwrap();
        (head, String::from_utf8(body).unwrap())
    }

    async fn goes_on_after_a_panic() {
        let at = served().await;
        let mut connection = TcpStream::connect(at).await.unwrap();
        let (head, body) = asked(&mut connection, "/fails").await;
        assert!(head.starts_with("http/1.1 500 ") && head.contains("text/html"), "{head}");
        assert!(body.contains("<html") && !body.contains("Zqasthma"), "{body}");
        let (head, body) = asked(&mut connection, "/api/v1/fails").await;
        assert!(head.starts_with("http/1.1 500 "), "{head}");
        assert!(head.contains("content-type: application/problem+json"), "{head}");
        let problem: serde_json::Value = serde_json::from_str(&body).unwrap();
        assert!(problem["status"] == 500 && !body.contains("Zqasthma"), "{body}");
        let (head, body) = asked(&mut connection, "/works").await;
        assert!(head.starts_with("http/1.1 200 ") && body == "It works.", "{head}{body}");
        // What has begun can only end; it ends its own connection alone.
        let mut other = TcpStream::connect(at).await.unwrap();
        other.write_all(b"GET /breaks-off HTTP/1.1\r\nHost: localhost\r\n\r\n").await.unwrap();
        let mut said = String::new();
        other.read_to_string(&mut said).await.unwrap();
        assert!(said.contains("It begins.") && !said.contains("Zqasthma"), "{said}");
        let (head, _) = asked(&mut connection, "/works").await;
        assert!(head.starts_with("http/1.1 200 "), "{head}");
    }

    #[tokio::test]
    async fn a_request_that_panics_is_answered_and_its_connection_goes_on() {
        goes_on_after_a_panic().await;
    }

    #[tokio::test]
    #[ignore = "a process for the next test"]
    async fn one_that_ends_with_other_panics() {
        crate::guarded::end_with_other_panics();
        goes_on_after_a_panic().await;
        println!("went on");
    }

    /// As the service runs: there a panic that no guard holds ends the process.
    #[test]
    fn a_request_that_panics_ends_no_process() {
        let name = "web::guard::tests::one_that_ends_with_other_panics";
        let ended = Command::new(std::env::current_exe().unwrap())
            .args(["--ignored", "--exact", name, "--nocapture"])
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&ended.stdout);
        assert!(ended.status.success() && said.contains("went on"), "{said}");
        assert!(!String::from_utf8_lossy(&ended.stderr).contains("Zqasthma"));
    }
}
