//! The simulated network, with relays that follow the script and a mailbox that keeps what arrived.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll};
use std::time::Duration;

use lettre::transport::smtp::client::AsyncTokioStream;
use shorelamp::post::{Connecting, Network};
use tokio::io::{
    AsyncBufReadExt, AsyncRead, AsyncWrite, AsyncWriteExt, BufReader, DuplexStream, ReadBuf, duplex,
};
use tokio::time::sleep;

use super::script::{Fault, Script};
use super::time::Timeline;

/// A letter whose final dot has come.
#[derive(Clone, Debug)]
pub struct Arrival {
    pub at: i64,
    pub relay: usize,
    pub to: String,
    pub plan_ref: String,
    pub kind: String,
    pub id: String,
    /// When its 250 was sent, if it was.
    pub answered: Option<i64>,
}

/// The network.
#[derive(Clone)]
pub struct Sea(Arc<Parts>);

struct Parts {
    script: Script,
    time: Timeline,
    mailbox: Mutex<Vec<Arrival>>,
    /// The addresses that no relay knows.
    unknown: Vec<String>,
}

impl Sea {
    pub fn new(script: Script, time: Timeline, unknown: Vec<String>) -> Self {
        Sea(Arc::new(Parts { script, time, mailbox: Mutex::default(), unknown }))
    }

    pub fn mailbox(&self) -> Vec<Arrival> {
        self.0.mailbox.lock().expect("whole").clone()
    }

    fn fault(&self, relay: usize) -> Option<Fault> {
        self.0.script.fault(relay, self.0.time.now()).map(|trouble| trouble.fault)
    }

    /// Waits while the network is parted.
    async fn pass(&self, relay: usize) {
        while let Some(trouble) = self.0.script.fault(relay, self.0.time.now()) {
            if trouble.fault != Fault::Parted {
                return;
            }
            sleep(millis(trouble.to - self.0.time.now())).await;
        }
    }
}

pub fn millis(ms: i64) -> Duration {
    Duration::from_millis(u64::try_from(ms).unwrap_or(0))
}

impl Network for Sea {
    fn connect<'a>(&'a self, _host: &'a str, port: u16) -> Connecting<'a> {
        let relay = usize::from(port) - 1;
        Box::pin(async move {
            self.pass(relay).await;
            sleep(Duration::from_millis(3)).await;
            if self.fault(relay) == Some(Fault::Refuses) {
                return Err(io::ErrorKind::ConnectionRefused.into());
            }
            let (near, far) = duplex(1 << 16);
            let sea = self.clone();
            tokio::spawn(async move {
                let _broken = serve(sea, relay, far).await;
            });
            Ok(Box::new(Wire(near)) as Box<dyn AsyncTokioStream>)
        })
    }
}

async fn serve(sea: Sea, relay: usize, far: DuplexStream) -> io::Result<()> {
    let mut far = BufReader::new(far);
    let mut to = String::new();
    if sea.fault(relay) == Some(Fault::Silent) {
        std::future::pending::<()>().await;
    }
    if sea.fault(relay) == Some(Fault::Closed) {
        return say(&sea, relay, &mut far, "421 4.3.2 closed for now").await;
    }
    say(&sea, relay, &mut far, "220 relay.example.org").await?;
    let mut line = String::new();
    loop {
        line.clear();
        if far.read_line(&mut line).await? == 0 {
            return Ok(());
        }
        sea.pass(relay).await;
        let command = line.trim_end();
        let verb = command.split([' ', ':']).next().unwrap_or_default().to_ascii_uppercase();
        match verb.as_str() {
            "EHLO" => say(&sea, relay, &mut far, "250-relay.example.org\r\n250 8BITMIME").await?,
            "RCPT" => {
                let address = command.split(['<', '>']).nth(1).unwrap_or_default();
                address.clone_into(&mut to);
                let answer = match sea.fault(relay) {
                    Some(Fault::Later) => "451 4.3.0 come back later",
                    _ if sea.0.unknown.contains(&to) => "550 5.1.1 no such user",
                    _ => "250 2.1.5 ok",
                };
                say(&sea, relay, &mut far, answer).await?;
            }
            "DATA" => {
                say(&sea, relay, &mut far, "354 go on").await?;
                if !take_letter(&sea, relay, &mut far, &to).await? {
                    return Ok(());
                }
            }
            "QUIT" => return say(&sea, relay, &mut far, "221 2.0.0 bye").await,
            _ => say(&sea, relay, &mut far, "250 2.0.0 ok").await?,
        }
    }
}

/// Reads a letter and keeps it; whether the connection goes on.
async fn take_letter(
    sea: &Sea,
    relay: usize,
    far: &mut BufReader<DuplexStream>,
    to: &str,
) -> io::Result<bool> {
    let mut letter = String::new();
    let mut line = String::new();
    loop {
        line.clear();
        if far.read_line(&mut line).await? == 0 || sea.fault(relay) == Some(Fault::Drops) {
            return Ok(false);
        }
        sea.pass(relay).await;
        if line.trim_end() == "." {
            break;
        }
        letter.push_str(&line);
    }
    let field = |name: &str| {
        let line = letter.lines().find_map(|line| line.strip_prefix(name));
        line.unwrap_or_default().trim().to_owned()
    };
    let arrival = Arrival {
        at: sea.0.time.now(),
        relay,
        to: to.to_owned(),
        plan_ref: field("Shorelamp-Plan:"),
        kind: field("Shorelamp-Kind:"),
        id: field("Message-ID:"),
        answered: None,
    };
    let place = {
        let mut mailbox = sea.0.mailbox.lock().expect("whole");
        mailbox.push(arrival);
        mailbox.len() - 1
    };
    match sea.fault(relay) {
        Some(Fault::Breaks) => return Ok(false),
        Some(Fault::Swallows) => std::future::pending::<()>().await,
        _ => {}
    }
    say(sea, relay, far, "250 2.0.0 taken").await?;
    sea.0.mailbox.lock().expect("whole")[place].answered = Some(sea.0.time.now());
    Ok(true)
}

/// Every answer takes a moment on its way.
async fn say(
    sea: &Sea,
    relay: usize,
    far: &mut BufReader<DuplexStream>,
    answer: &str,
) -> io::Result<()> {
    let spread = sea.0.time.now().rem_euclid(17);
    sleep(millis(4 + spread)).await;
    sea.pass(relay).await;
    far.write_all(format!("{answer}\r\n").as_bytes()).await?;
    far.flush().await
}

/// A connection in the form that the client takes.
#[derive(Debug)]
struct Wire(DuplexStream);

impl AsyncTokioStream for Wire {
    fn peer_addr(&self) -> io::Result<SocketAddr> {
        Ok(SocketAddr::from(([127, 0, 0, 1], 25)))
    }
}

impl AsyncRead for Wire {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_read(context, buffer)
    }
}

impl AsyncWrite for Wire {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.0).poll_write(context, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_shutdown(context)
    }
}
