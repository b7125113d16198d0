//! A word to another machine while an alert could go out. When it stops, that machine raises the
//! alarm: it is the only thing that notices a service, or a whole machine, that is gone.

use std::time::Duration;

use reqwest::redirect::Policy;
use reqwest::{Client, ClientBuilder};
use tokio_util::sync::CancellationToken;

use super::Daemon;
use crate::settings::Heartbeat;

/// All of a heartbeat must be over by then.
const DEADLINE: Duration = Duration::from_secs(10);
/// After one that did not arrive.
const TRY_AGAIN: Duration = Duration::from_secs(15);
/// Before the first, and while something is wrong.
const UNTIL_WELL: Duration = Duration::from_secs(2);

impl Daemon {
    /// Sends heartbeats until `stop`: only while nothing would keep an alert from going out. They
    /// are plain questions for the address, with nothing of ours in them. One that does not arrive
    /// makes the service no worse, and is told where its keeper looks.
    pub async fn beat(self, heartbeat: Heartbeat, stop: CancellationToken) {
        // An error means that one is installed already, which is as good.
        let _ = rustls::crypto::ring::default_provider().install_default();
        let client = client().build().or_else(|_| client().tls_certs_only([]).build());
        let every = Duration::from_secs(heartbeat.every.seconds().into());
        while !stop.is_cancelled() {
            let pause = if self.illnesses().is_empty() {
                let beaten = match &client {
                    Ok(client) => beat(client, &heartbeat).await,
                    Err(error) => Err(words(error)),
                };
                self.note_heartbeat(beaten, every)
            } else {
                UNTIL_WELL
            };
            tokio::select! {
                () = stop.cancelled() => break,
                () = tokio::time::sleep(pause) => {}
            }
        }
    }

    /// Notes what came of one; how long to wait for the next.
    fn note_heartbeat(&self, beaten: Result<(), String>, every: Duration) -> Duration {
        let pause = if beaten.is_ok() { every } else { every.min(TRY_AGAIN) };
        if let Err(why) = &beaten {
            tracing::warn!(why, "the heartbeat did not arrive");
        }
        self.0.health.outside().heartbeat = Some(beaten.map(|()| self.now()));
        pause
    }
}

fn client() -> ClientBuilder {
    Client::builder()
        .user_agent("shorelamp")
        .redirect(Policy::none())
        .connect_timeout(DEADLINE)
        .timeout(DEADLINE)
}

/// The address is a secret of its own: whoever has it can keep the alarm quiet. So it stands in no
/// word of this.
async fn beat(client: &Client, heartbeat: &Heartbeat) -> Result<(), String> {
    let answer = client.get(heartbeat.url.clone()).send().await;
    let status = answer.map_err(|error| words(&error.without_url()))?.status();
    if status.is_success() { Ok(()) } else { Err(format!("the answer was `{status}`")) }
}

fn words(error: &reqwest::Error) -> String {
    let mut innermost: &dyn std::error::Error = error;
    while let Some(cause) = innermost.source() {
        innermost = cause;
    }
    if error.is_timeout() {
        "no answer within ten seconds".to_owned()
    } else {
        innermost.to_string()
    }
}
