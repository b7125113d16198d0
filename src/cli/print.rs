//! Puts words on the terminal.

use std::fmt;
use std::io::{self, ErrorKind, Write};
use std::sync::mpsc;
use std::thread;
use std::time::Duration;

use serde_json::Value;

use super::exit::{Done, Exit, Failure};
use crate::plan::turns_text;

/// How long a line is waited for that nothing depends on.
const LONGEST_WRITE: Duration = Duration::from_secs(1);

/// Writes a line to standard output. A reader that has gone away (`| head`) is no failure.
pub(super) fn say(line: impl fmt::Display) -> Done {
    match writeln!(io::stdout().lock(), "{line}") {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => {
            Err(Failure::new(Exit::Io, format!("the answer can't be written: {error}")))
        }
        _ => Ok(()),
    }
}

/// Writes a document to standard output, indented.
pub(super) fn say_json(document: &Value) -> Done {
    say(format!("{document:#}"))
}

/// Writes a line to standard error; where that can't be done, nobody is left to tell.
pub(super) fn complain(line: impl fmt::Display) {
    let line = line.to_string();
    for_a_moment(move || {
        let _ = writeln!(io::stderr().lock(), "{line}");
    });
}

/// Writes a line to standard output, if that can be done.
pub(super) fn announce(line: String) {
    for_a_moment(move || {
        let _ = say(line);
    });
}

/// Into a pipe that is full, and that nobody empties, a write never ends: nothing begins or ends later for it.
fn for_a_moment(write: impl FnOnce() + Send + 'static) {
    let (writing, written) = mpsc::channel::<()>();
    thread::spawn(move || {
        write();
        drop(writing);
    });
    // An error means that it is done, or will never be.
    let _ = written.recv_timeout(LONGEST_WRITE);
}

/// What came from somewhere else, without anything that would move the cursor, colour the line or turn
/// it round.
pub(super) fn plain(text: &str) -> String {
    let is_sly = |c: char| (c.is_control() && c != '\n') || turns_text(c);
    text.chars().map(|c| if is_sly(c) { ' ' } else { c }).collect()
}

/// A moment as a person reads it, from RFC 3339: `Sat 15 May 2027, 12:20 (UTC-07:00)`; a text that
/// is none stays as it is.
pub(super) fn moment(text: &str) -> String {
    match chrono::DateTime::parse_from_rfc3339(text) {
        Ok(at) => at.format("%a %-d %b %Y, %H:%M (UTC%:z)").to_string(),
        Err(_) => plain(text),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_and_strangers_words() {
        assert_eq!(moment("2027-05-15T12:20:00-07:00"), "Sat 15 May 2027, 12:20 (UTC-07:00)");
        assert_eq!(moment("soon\u{1b}[2J"), "soon [2J");
        assert_eq!(plain("two\nlines \u{202e}sdrow"), "two\nlines  sdrow");
    }
}
