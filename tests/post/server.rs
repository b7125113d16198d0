//! A mail server that does as it is told, and remembers what it heard.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use rcgen::{CertifiedKey, generate_simple_self_signed};
use rustls::ServerConfig;
use rustls::pki_types::PrivateKeyDer;
use shorelamp::settings::{Relay, Security};
use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncWrite, AsyncWriteExt, BufStream};
use tokio::net::{TcpListener, TcpStream};
use tokio::time::timeout;
use tokio_rustls::TlsAcceptor;

/// What the server answers; `""` is to close the connection without a word, `"…"` is silence.
#[derive(Clone)]
pub struct Script {
    pub greeting: &'static str,
    pub ehlo: &'static str,
    pub starttls: &'static str,
    /// What it answers once the connection is private.
    pub ehlo_in_private: &'static str,
    pub auth: &'static str,
    pub mail: &'static str,
    pub rcpt: &'static str,
    pub data: &'static str,
    pub dot: &'static str,
    pub rset: &'static str,
    /// Closes the connection after so many letters.
    pub letters_a_connection: usize,
    pub tls_from_first_byte: bool,
    pub whims: Whims,
}

/// Faults beyond plain answers.
#[derive(Clone)]
pub struct Whims {
    /// The end of a recipient's address to whose letters it never answers; `""` for none.
    pub silent_for: &'static str,
    /// How long it waits before each byte of an answer.
    pub before_each_byte: Duration,
    /// The first letters that it takes without an answer.
    pub swallowed: usize,
    /// The first recipients whom it asks to come back later.
    pub greylisted: usize,
    /// The end of a recipient's address whose letters it wants later, as a relay that passes on what a
    /// recipient's own host says; `""` for none.
    pub later_for: &'static str,
    /// What stands in letters that it refuses for good; `""` for nothing.
    pub refuses: &'static str,
    /// The first letters in whose middle it resets the connection.
    pub resets: usize,
    /// So long after a letter, if no next one has begun, it says 421 and closes.
    pub leaves_after: Duration,
}

impl Whims {
    pub const NONE: Whims = Whims {
        silent_for: "",
        before_each_byte: Duration::ZERO,
        swallowed: 0,
        greylisted: 0,
        later_for: "",
        refuses: "",
        resets: 0,
        leaves_after: Duration::from_secs(600),
    };
}

pub const SILENCE: &str = "…";
pub const CLOSE: &str = "";

impl Default for Script {
    fn default() -> Self {
        Script {
            greeting: "220 relay.example.org",
            ehlo: "250-relay.example.org\r\n250 8BITMIME",
            starttls: "220 go ahead",
            ehlo_in_private: "250-relay.example.org\r\n250 AUTH PLAIN LOGIN",
            auth: "235 2.7.0 welcome",
            mail: "250 2.1.0 ok",
            rcpt: "250 2.1.5 ok",
            data: "354 go on",
            dot: "250 2.0.0 taken as 4711",
            rset: "250 2.0.0 ok",
            letters_a_connection: usize::MAX,
            tls_from_first_byte: false,
            whims: Whims::NONE,
        }
    }
}

/// A running server.
pub struct Server {
    pub port: u16,
    /// Its certificate, for a `ca_file`.
    pub certificate: String,
    heard: Arc<Mutex<Heard>>,
}

#[derive(Clone, Default)]
pub struct Heard {
    pub connections: usize,
    pub commands: Vec<String>,
    /// The letters between `DATA` and the final dot, dots unstuffed.
    pub letters: Vec<String>,
    swallowed: usize,
    greylisted: usize,
    resets: usize,
}

impl Server {
    pub async fn start(script: Script) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let (acceptor, certificate) = private();
        let heard = Arc::new(Mutex::new(Heard::default()));
        let told = Arc::clone(&heard);
        tokio::spawn(async move {
            while let Ok((tcp, _)) = listener.accept().await {
                told.lock().unwrap().connections += 1;
                tcp.set_nodelay(true).unwrap();
                if script.whims.resets > 0 {
                    // Closing then resets the connection.
                    tcp.set_zero_linger().unwrap();
                }
                tokio::spawn(serve(tcp, script.clone(), acceptor.clone(), Arc::clone(&told)));
            }
        });
        Server { port, certificate, heard }
    }

    pub fn heard(&self) -> Heard {
        self.heard.lock().unwrap().clone()
    }

    /// The settings of a relay that leads here.
    pub fn relay(&self, security: Security) -> Relay {
        Relay {
            host: "localhost".to_owned(),
            port: self.port,
            security,
            username: None,
            password_file: None,
            ca_file: None,
        }
    }
}

fn private() -> (TlsAcceptor, String) {
    let CertifiedKey { cert, signing_key } =
        generate_simple_self_signed(["localhost".to_owned()]).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let key = PrivateKeyDer::try_from(signing_key.serialize_der()).unwrap();
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(vec![cert.der().clone()], key)
        .unwrap();
    (TlsAcceptor::from(Arc::new(config)), cert.pem())
}

async fn serve(tcp: TcpStream, script: Script, acceptor: TlsAcceptor, heard: Arc<Mutex<Heard>>) {
    if script.tls_from_first_byte {
        let Ok(tls) = acceptor.accept(tcp).await else { return };
        let ehlo = script.ehlo_in_private;
        talk(BufStream::new(tls), &script, ehlo, true, &heard).await;
        return;
    }
    let plain = talk(BufStream::new(tcp), &script, script.ehlo, true, &heard).await;
    let Some(tcp) = plain else { return };
    let Ok(tls) = acceptor.accept(tcp.into_inner()).await else { return };
    talk(BufStream::new(tls), &script, script.ehlo_in_private, false, &heard).await;
}

/// Talks until the connection ends, or hands it back where it is to become private.
async fn talk<S: AsyncRead + AsyncWrite + Unpin>(
    mut stream: BufStream<S>,
    script: &Script,
    ehlo: &str,
    greets: bool,
    heard: &Mutex<Heard>,
) -> Option<BufStream<S>> {
    if greets {
        answer(&mut stream, script.greeting, &script.whims).await?;
    }
    let mut letters = 0;
    let mut to = String::new();
    let whims = &script.whims;
    let mut between_letters = false;
    loop {
        let patience = if between_letters { whims.leaves_after } else { Duration::MAX };
        let Ok(heard_line) = timeout(patience, line(&mut stream)).await else {
            answer(&mut stream, "421 4.4.2 idle for too long", whims).await;
            return None;
        };
        let line = heard_line?;
        between_letters = false;
        heard.lock().unwrap().commands.push(line.clone());
        let word = line.split([' ', ':']).next().unwrap_or_default().to_uppercase();
        let said = match &*word {
            "EHLO" => ehlo,
            "STARTTLS" => {
                answer(&mut stream, script.starttls, whims).await?;
                return Some(stream);
            }
            "AUTH" => script.auth,
            "MAIL" => script.mail,
            "RCPT" => {
                to = line.trim_end_matches('>').to_owned();
                let again = count(&mut heard.lock().unwrap().greylisted, whims.greylisted);
                if again { "450 4.2.0 greylisted" } else { script.rcpt }
            }
            "RSET" => script.rset,
            "DATA" if !script.data.starts_with("354") => script.data,
            "DATA" if !whims.later_for.is_empty() && to.ends_with(whims.later_for) => {
                "451 4.7.1 try again later"
            }
            "DATA" => {
                answer(&mut stream, script.data, whims).await?;
                if count(&mut heard.lock().unwrap().resets, whims.resets) {
                    self::line(&mut stream).await?;
                    return None;
                }
                let letter = letter(&mut stream).await?;
                let whole = letter.replace("=\r\n", "");
                let unwelcome = !whims.refuses.is_empty() && whole.contains(whims.refuses);
                let swallows = count(&mut heard.lock().unwrap().swallowed, whims.swallowed);
                heard.lock().unwrap().letters.push(letter);
                letters += 1;
                let silent = !whims.silent_for.is_empty() && to.ends_with(whims.silent_for);
                let said = match () {
                    () if unwelcome => "554 5.7.1 not with that in it",
                    () if swallows || silent => SILENCE,
                    () => script.dot,
                };
                answer(&mut stream, said, whims).await?;
                if letters >= script.letters_a_connection {
                    return None;
                }
                between_letters = true;
                continue;
            }
            "QUIT" => {
                answer(&mut stream, "221 bye", whims).await?;
                return None;
            }
            _ => "500 what?",
        };
        answer(&mut stream, said, whims).await?;
    }
}

/// Whether this is still one of the first so many.
fn count(so_far: &mut usize, most: usize) -> bool {
    *so_far += 1;
    *so_far <= most
}

async fn line<S: AsyncRead + AsyncWrite + Unpin>(stream: &mut BufStream<S>) -> Option<String> {
    let mut line = String::new();
    match stream.read_line(&mut line).await {
        Ok(0) | Err(_) => None,
        Ok(_) => Some(line.trim_end_matches(['\r', '\n']).to_owned()),
    }
}

async fn letter<S: AsyncRead + AsyncWrite + Unpin>(stream: &mut BufStream<S>) -> Option<String> {
    let mut letter = String::new();
    loop {
        let line = line(stream).await?;
        if line == "." {
            return Some(letter);
        }
        letter.push_str(line.strip_prefix('.').unwrap_or(&line));
        letter.push_str("\r\n");
    }
}

async fn answer<S: AsyncRead + AsyncWrite + Unpin>(
    stream: &mut BufStream<S>,
    text: &str,
    whims: &Whims,
) -> Option<()> {
    match text {
        CLOSE => return None,
        SILENCE => tokio::time::sleep(Duration::from_secs(600)).await,
        _ => {}
    }
    let text = format!("{text}\r\n");
    if whims.before_each_byte == Duration::ZERO {
        stream.write_all(text.as_bytes()).await.ok()?;
        return stream.flush().await.ok();
    }
    for byte in text.bytes() {
        tokio::time::sleep(whims.before_each_byte).await;
        stream.write_all(&[byte]).await.ok()?;
        stream.flush().await.ok()?;
    }
    Some(())
}
