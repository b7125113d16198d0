//! What the service says of itself, on standard error.

use std::io::stderr;

use tracing_appender::non_blocking::{NonBlockingBuilder, WorkerGuard};
use tracing_subscriber::EnvFilter;

/// What is logged unless RUST_LOG says otherwise.
const LOGGED: &str = "info,sqlx=warn";
/// So many lines wait for whoever reads them; more are dropped.
const MOST_WAITING: usize = 4096;

/// Logs from now on, until what this gives is dropped. A thread of its own writes the lines: that nobody
/// reads them any more, or that they can't be written, must hold up nothing and end nothing.
pub(super) fn begin() -> WorkerGuard {
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(LOGGED));
    let lines = NonBlockingBuilder::default().buffered_lines_limit(MOST_WAITING);
    let (lines, writing) = lines.thread_name("log").finish(stderr());
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(lines);
    // An error means that somebody listens already.
    let _ = log.log_internal_errors(false).with_ansi(false).try_init();
    writing
}
