//! Being told to stop.

use tokio::signal::unix::{Signal, SignalKind, signal};

use super::exit::{Done, Exit, Failure};

/// The signals that tell a program to stop: SIGTERM and SIGINT.
pub(super) struct Stops {
    terminate: Signal,
    interrupt: Signal,
}

impl Stops {
    /// Hears them from now on.
    pub(super) fn new() -> Done<Self> {
        let listen = |kind| {
            signal(kind).map_err(|error| {
                Failure::new(Exit::Software, format!("signals can't be heard: {error}"))
            })
        };
        Ok(Stops {
            terminate: listen(SignalKind::terminate())?,
            interrupt: listen(SignalKind::interrupt())?,
        })
    }

    /// Waits for the next of them.
    pub(super) async fn next(&mut self) {
        tokio::select! {
            _ = self.terminate.recv() => {}
            _ = self.interrupt.recv() => {}
        }
    }
}
