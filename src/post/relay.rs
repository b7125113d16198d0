//! One relay: the way there, and a letter handed over in steps.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::{Arc, Mutex};
use std::time::Duration;

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
    last: Mutex<Option<Known>>,
    /// The network it is reached by; none for the machine's own.
    network: Option<Arc<dyn Network>>,
}

/// An address at which a relay was reached.
#[derive(Clone, Copy)]
struct Known {
    address: SocketAddr,
    /// Whether nobody answered there since.
    in_vain: bool,
}

/// A name's servers that have not answered by then may take longer than an alert has; meanwhile the
/// relay is where it was.
const QUICK_ANSWER: Duration = Duration::from_secs(2);

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
            last: Mutex::new(None),
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
                    *locked(&self.last) = Some(Known { address: *address, in_vain: false });
                    return Ok(tcp);
                }
                Ok(Err(error)) => failure = error,
                Err(_) => failure = io::ErrorKind::TimedOut.into(),
            }
        }
        if let Some(last) = &mut *locked(&self.last) {
            last.in_vain = true;
        }
        Err(failure)
    }

    async fn addresses(&self, until: Instant) -> io::Result<Vec<SocketAddr>> {
        let asked = async { Ok(lookup_host((&*self.host, self.port)).await?.collect()) };
        self.addresses_by(asked, until).await
    }

    /// What the name's servers say; where they say nothing, where it was reached last.
    async fn addresses_by(
        &self,
        asked: impl Future<Output = io::Result<Vec<SocketAddr>>>,
        until: Instant,
    ) -> io::Result<Vec<SocketAddr>> {
        let last = *locked(&self.last);
        let patience = match last {
            Some(Known { in_vain: false, .. }) => Instant::now() + QUICK_ANSWER,
            _ => until,
        };
        match (timeout_at(patience.min(share_of(until, 2)), asked).await, last) {
            (Ok(Ok(found)), _) => Ok(found),
            (_, Some(last)) => Ok(vec![last.address]),
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

#[cfg(test)]
mod tests {
    use super::*;

    fn relay(host: &str, port: u16) -> Relay {
        let settings = settings::Relay {
            host: host.to_owned(),
            port,
            security: Security::None,
            username: None,
            password_file: None,
            ca_file: None,
        };
        Relay::new(&settings, "lamp.example.org").unwrap()
    }

    fn soon() -> Instant {
        Instant::now() + Duration::from_secs(60)
    }

    /// No name below `.invalid` is ever found (RFC 6761, 6.4).
    #[tokio::test]
    async fn a_name_that_is_not_found_any_more_leads_where_it_led_last() {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let mut relay = relay("localhost", listener.local_addr().unwrap().port());
        relay.reach(soon()).await.unwrap();
        relay.host = "relay.invalid".to_owned();
        relay.reach(soon()).await.expect("by the address of before");
        *locked(&relay.last) = None;
        assert!(relay.reach(soon()).await.is_err(), "it was the address, and not the name");
    }

    #[tokio::test(start_paused = true)]
    async fn servers_of_names_that_say_nothing_hold_an_alert_up_for_seconds() {
        let relay = relay("relay.example.org", 25);
        let waited = async |known| {
            *locked(&relay.last) = known;
            let began = Instant::now();
            let found = relay.addresses_by(std::future::pending(), soon()).await;
            (found.map_err(|error| error.kind()), began.elapsed())
        };
        let address = "192.0.2.25:25".parse().unwrap();
        let known = |in_vain| Some(Known { address, in_vain });
        assert_eq!(waited(known(false)).await, (Ok(vec![address]), QUICK_ANSWER));
        // It may have moved: then its name has longer.
        let half = Duration::from_secs(30);
        assert_eq!(waited(known(true)).await, (Ok(vec![address]), half));
        assert_eq!(waited(None).await, (Err(io::ErrorKind::TimedOut), half));
    }
}
