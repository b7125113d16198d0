//! One relay: the way there, and a letter handed over in steps.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::{Arc, Mutex};

use lettre::Address;
use lettre::transport::smtp;
use lettre::transport::smtp::authentication::{Credentials, Mechanism};
use lettre::transport::smtp::client::{AsyncSmtpConnection, AsyncTokioStream};
use lettre::transport::smtp::commands::{Data, Mail, Quit, Rcpt, Rset, Starttls};
use lettre::transport::smtp::extension::ClientId;
use lettre::transport::smtp::response::Response;
use secrecy::{ExposeSecret, SecretString};
use thiserror::Error;
use tokio::net::{TcpStream, lookup_host};
use tokio::time::{Instant, timeout_at};

use super::error::{Phase, SendError, on_one_line};
use super::pool::locked;
use super::tls::{Private, Tls, TrustError};
use crate::settings::{self, SecretError, Security};

/// A network other than the machine's own, for relays without TLS: a simulated one.
pub trait Network: Send + Sync {
    /// Connects to a relay.
    fn connect<'a>(&'a self, host: &'a str, port: u16) -> Connecting<'a>;
}

/// A connection on its way.
pub type Connecting<'a> =
    Pin<Box<dyn Future<Output = io::Result<Box<dyn AsyncTokioStream>>> + Send + 'a>>;

/// A relay that can be reached.
pub struct Relay {
    host: String,
    port: u16,
    /// `host:port`, as errors and receipts call it.
    name: String,
    hello: ClientId,
    way: Way,
    login: Option<(String, SecretString)>,
    /// Where it was reached last: names fail to resolve more often than addresses change.
    last_address: Mutex<Option<SocketAddr>>,
    /// The network it is reached by; none for the machine's own.
    network: Option<Arc<dyn Network>>,
}

/// How the connection is kept private.
enum Way {
    Plain,
    Starttls(Tls),
    Tls(Tls),
}

/// What a relay's settings lack on this machine.
#[derive(Debug, Error)]
pub enum RelayError {
    /// The password can't be had.
    #[error(transparent)]
    Secret(#[from] SecretError),
    /// No private connection can be made.
    #[error(transparent)]
    Trust(#[from] TrustError),
}

/// A connection on which letters can be handed over, one after the other.
pub struct Session {
    connection: AsyncSmtpConnection,
    relay: String,
}

/// The relay has taken the letter.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Receipt {
    /// The relay, as `host:port`, or the file.
    pub by: String,
    /// Its words, which often hold the number under which it keeps the letter.
    pub said: String,
}

impl Relay {
    /// A relay as its settings describe it; `hello` is how we introduce ourselves.
    ///
    /// # Errors
    /// Its password or its certificates can't be read.
    pub fn new(settings: &settings::Relay, hello: &str) -> Result<Self, RelayError> {
        let login = settings.username.clone().zip(settings.password()?);
        let tls = || Tls::new(&settings.host, settings.ca_file.as_deref());
        let way = match settings.security {
            Security::None => Way::Plain,
            Security::Starttls => Way::Starttls(tls()?),
            Security::Tls => Way::Tls(tls()?),
        };
        Ok(Relay {
            host: settings.host.clone(),
            port: settings.port,
            name: settings.to_string(),
            hello: ClientId::Domain(hello.to_owned()),
            way,
            login,
            last_address: Mutex::new(None),
            network: None,
        })
    }

    /// The same relay, reached by this network where it asks for no TLS.
    #[must_use]
    pub fn through(self, network: Option<Arc<dyn Network>>) -> Self {
        Relay { network, ..self }
    }

    /// Its name, `host:port`.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Connects, makes the connection private as the settings demand it, and logs in.
    ///
    /// # Errors
    /// Always of class [`Transport`](super::SendClass::Transport).
    pub async fn open(&self, until: Instant) -> Result<Session, SendError> {
        match timeout_at(until, self.connected(until)).await {
            Ok(opened) => opened,
            Err(_) => Err(SendError::silence(Phase::Opening, &self.name)),
        }
    }

    async fn connected(&self, until: Instant) -> Result<Session, SendError> {
        let failed = |error: io::Error| SendError::transport(Phase::Opening, &self.name, error);
        let stream: Box<dyn AsyncTokioStream> = match (&self.way, &self.network) {
            (Way::Plain, Some(network)) => {
                network.connect(&self.host, self.port).await.map_err(failed)?
            }
            (Way::Plain, None) => Box::new(self.reach(until).await.map_err(failed)?),
            (Way::Tls(tls), _) => {
                let tcp = self.reach(until).await.map_err(failed)?;
                Box::new(Private::from_first_byte(tls.wrap(tcp).await.map_err(failed)?))
            }
            (Way::Starttls(tls), _) => {
                let tcp = self.reach(until).await.map_err(failed)?;
                let tcp = self.ask_for_tls(tcp).await?;
                Box::new(Private::after_greeting(tls.wrap(tcp).await.map_err(failed)?))
            }
        };
        let refused = |error| SendError::from_smtp(Phase::Opening, &self.name, &error);
        let mut connection = AsyncSmtpConnection::connect_with_transport(stream, &self.hello)
            .await
            .map_err(refused)?;
        if let Some((user, password)) = &self.login {
            let login = Credentials::new(user.clone(), password.expose_secret().to_owned());
            let answer = connection.auth(&[Mechanism::Plain, Mechanism::Login], &login).await;
            self.require(235, answer)?;
        }
        Ok(Session { connection, relay: self.name.clone() })
    }

    /// Tries every address of the name, each with its share of the time that is left.
    async fn reach(&self, until: Instant) -> io::Result<TcpStream> {
        let addresses = self.addresses(until).await?;
        let mut failure = io::Error::other("the name has no address");
        for (at, address) in addresses.iter().enumerate() {
            let share = share_of(until, addresses.len() - at);
            match timeout_at(share, TcpStream::connect(address)).await {
                Ok(Ok(tcp)) => {
                    // Without it, every answer waits 40 ms for a packet that has nothing to wait for.
                    tcp.set_nodelay(true)?;
                    *locked(&self.last_address) = Some(*address);
                    return Ok(tcp);
                }
                Ok(Err(error)) => failure = error,
                Err(_) => failure = io::ErrorKind::TimedOut.into(),
            }
        }
        Err(failure)
    }

    async fn addresses(&self, until: Instant) -> io::Result<Vec<SocketAddr>> {
        let asked = timeout_at(share_of(until, 2), lookup_host((&*self.host, self.port))).await;
        let last = *locked(&self.last_address);
        match (asked, last) {
            (Ok(Ok(found)), _) => Ok(found.collect()),
            (_, Some(last)) => Ok(vec![last]),
            (Ok(Err(error)), None) => Err(error),
            (Err(_), None) => Err(io::ErrorKind::TimedOut.into()),
        }
    }

    /// The plain beginning of STARTTLS. What the relay sent beyond its answer goes away with the
    /// first connection, so that nobody on the way can put words into the private one (RFC 3207,
    /// 4.2: knowledge from before the handshake is discarded).
    async fn ask_for_tls(&self, tcp: TcpStream) -> Result<TcpStream, SendError> {
        let failed = |error: io::Error| SendError::transport(Phase::Opening, &self.name, error);
        let plain = tcp.into_std().map_err(failed)?;
        let kept = plain.try_clone().map_err(failed)?;
        let plain = Box::new(TcpStream::from_std(plain).map_err(failed)?);
        let mut plain = AsyncSmtpConnection::connect_with_transport(plain, &self.hello)
            .await
            .map_err(|error| SendError::from_smtp(Phase::Opening, &self.name, &error))?;
        if !plain.can_starttls() {
            let said = "offers no STARTTLS, and the settings forbid a plain connection";
            return Err(SendError::transport(Phase::Opening, &self.name, said));
        }
        let answer = plain.command(Starttls).await;
        self.require(220, answer)?;
        drop(plain);
        TcpStream::from_std(kept).map_err(failed)
    }

    fn require(&self, code: u16, answer: Result<Response, smtp::Error>) -> Result<(), SendError> {
        expect(code, answer, Phase::Opening, &self.name).map(|_| ())
    }
}

impl Session {
    /// Says from whom and to whom the next letter goes. It has not gone yet: the caller looks
    /// once more whether it is still wanted, and then gives it or takes it [back](Self::reset).
    ///
    /// # Errors
    /// Any class but a refusal of the letter.
    pub async fn envelope(
        &mut self,
        from: &Address,
        to: &Address,
        until: Instant,
    ) -> Result<(), SendError> {
        let mail = Mail::new(Some(from.clone()), Vec::new());
        self.command(250, mail, Phase::Sender, until).await?;
        let rcpt = Rcpt::new(to.clone(), Vec::new());
        self.command(250, rcpt, Phase::Recipient, until).await?;
        Ok(())
    }

    /// Hands over the letter, whose lines end in CR LF.
    ///
    /// # Errors
    /// Any class; one that is [in doubt](SendError::in_doubt) may have been taken all the same.
    pub async fn data(&mut self, letter: &[u8], until: Instant) -> Result<Receipt, SendError> {
        self.command(354, Data, Phase::Data, until).await?;
        // The line break before the final dot is the connection's.
        let letter = letter.strip_suffix(b"\r\n").unwrap_or(letter);
        let answer = timeout_at(until, self.connection.message(letter)).await;
        let answer = answer.map_err(|_| SendError::silence(Phase::Letter, &self.relay))?;
        let answer = expect(250, answer, Phase::Letter, &self.relay)?;
        let said = on_one_line(&answer.message().collect::<Vec<_>>().join(" "));
        Ok(Receipt { by: self.relay.clone(), said })
    }

    /// Takes back the envelope, and so also finds out whether the relay is still there.
    ///
    /// # Errors
    /// Of class [`Transport`](super::SendClass::Transport): the session is of no more use.
    pub async fn reset(&mut self, until: Instant) -> Result<(), SendError> {
        self.command(250, Rset, Phase::Opening, until).await
    }

    /// Takes leave; whether the relay hears it does not matter.
    pub async fn quit(mut self, until: Instant) {
        let _ = timeout_at(until, self.connection.command(Quit)).await;
    }

    async fn command(
        &mut self,
        code: u16,
        command: impl std::fmt::Display,
        phase: Phase,
        until: Instant,
    ) -> Result<(), SendError> {
        let answer = timeout_at(until, self.connection.command(command)).await;
        let answer = answer.map_err(|_| SendError::silence(phase, &self.relay))?;
        expect(code, answer, phase, &self.relay).map(|_| ())
    }
}

/// An answer counts only if it is the one that belongs here: a relay that is out of step could
/// otherwise seem to have taken a letter. 251 is as good for a recipient (RFC 5321, 4.3.2).
fn expect(
    code: u16,
    answer: Result<Response, smtp::Error>,
    phase: Phase,
    relay: &str,
) -> Result<Response, SendError> {
    let answer = answer.map_err(|error| SendError::from_smtp(phase, relay, &error))?;
    let heard = u16::from(answer.code());
    if heard == code || (phase == Phase::Recipient && heard == 251) {
        return Ok(answer);
    }
    let said = format!("answered {heard} where {code} belongs");
    Err(SendError::transport(phase, relay, said))
}

/// The moment by which one of so many tries must be done, if each is to have as long.
pub(super) fn share_of(until: Instant, tries: usize) -> Instant {
    let now = Instant::now();
    let left = until.saturating_duration_since(now);
    now + left / u32::try_from(tries.max(1)).unwrap_or(u32::MAX)
}
