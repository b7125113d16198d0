//! `demo`: the whole story on this machine, with the real service and durations of seconds.

mod buoy;
mod contact;
mod plan;
mod postbox;
mod stage;
mod story;

use std::net::SocketAddr;

use clap::Args;

use super::exit::Done;
use super::stops::Stops;

/// Tell the whole story on this machine: the real service, invented people, seconds for minutes
#[derive(Debug, Args)]
pub(super) struct Demo {
    /// End after the story, with 0 if every letter that it promises was seen
    #[arg(long)]
    exit: bool,
    /// Hand the letters to a mail server instead of a folder, like 127.0.0.1:2525
    #[arg(long, value_name = "HOST:PORT", value_parser = server)]
    smtp: Option<Server>,
}

/// A mail server, reached without TLS.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Server {
    host: String,
    port: u16,
}

impl Demo {
    pub(super) async fn run(self) -> Done {
        let mut stops = Stops::new()?;
        tokio::select! {
            done = self.play() => done,
            () = stops.next() => Ok(()),
        }
    }

    async fn play(&self) -> Done {
        let stage = stage::Stage::set(self.smtp.as_ref()).await?;
        story::tell(&stage).await?;
        if self.exit {
            return stage.clear().await;
        }
        super::print::say("\nThe service stays up for you to look round; Ctrl-C ends it.")?;
        stage.last().await
    }
}

/// `host:port`, an IPv6 address in brackets.
fn server(text: &str) -> Result<Server, &'static str> {
    const FORM: &str = "write it like 127.0.0.1:2525";
    if let Ok(address) = text.parse::<SocketAddr>() {
        return Ok(Server { host: address.ip().to_string(), port: address.port() });
    }
    let (host, port) = text.rsplit_once(':').ok_or(FORM)?;
    match port.parse() {
        Ok(port) if !host.is_empty() => Ok(Server { host: host.to_owned(), port }),
        _ => Err(FORM),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mail_servers() {
        let found = |host: &str, port| Ok(Server { host: host.to_owned(), port });
        assert_eq!(server("127.0.0.1:2525"), found("127.0.0.1", 2525));
        assert_eq!(server("[::1]:25"), found("::1", 25));
        assert_eq!(server("mail.example.org:25"), found("mail.example.org", 25));
        for text in ["", "mail", "mail:", ":25", "mail:99999"] {
            assert!(server(text).is_err(), "{text}");
        }
    }
}
