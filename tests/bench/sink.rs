//! Mail servers that take everything: Postfix's smtp-sink where `SMTP_SINK` names it, else one in
//! this process, which also shows the letters that it got.

use std::process::{Child, Command};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use chrono::{DateTime, Utc};
use shorelamp::settings::{Relay, Security};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufStream};
use tokio::net::{TcpListener, TcpStream};

pub struct Sink {
    pub port: u16,
    pub name: &'static str,
    heard: Heard,
    child: Option<Child>,
}

/// When an alert came, and which plan's it was.
type Alerted = (DateTime<Utc>, String);

/// What the sink in this process got.
#[derive(Clone, Default)]
struct Heard {
    last: Arc<Mutex<Vec<u8>>>,
    /// Which plan's alert came when.
    alerts: Arc<Mutex<Vec<Alerted>>>,
}

/// Letters to this domain are taken, and never answered.
pub const SILENT: &str = "@silent.example.org";

impl Sink {
    /// `SMTP_SINK`, or one in this process.
    pub fn of_the_machine() -> Sink {
        let Ok(program) = std::env::var("SMTP_SINK") else { return Sink::in_this_process() };
        let free = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
        let port = free.local_addr().expect("an address").port();
        drop(free);
        let address = format!("127.0.0.1:{port}");
        let mut command = Command::new(program);
        let child = command.args(["-u", "nobody", &address, "1024"]).spawn().expect("smtp-sink");
        while std::net::TcpStream::connect(&address).is_err() {
            std::thread::sleep(Duration::from_millis(20));
        }
        Sink { port, name: "smtp-sink", heard: Heard::default(), child: Some(child) }
    }

    pub fn in_this_process() -> Sink {
        let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
        let port = listener.local_addr().expect("an address").port();
        let heard = Heard::default();
        let kept = heard.clone();
        std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
            runtime.expect("a runtime").block_on(serve(listener, kept));
        });
        Sink { port, name: "a sink in this process", heard, child: None }
    }

    pub fn last_letter(&self) -> Vec<u8> {
        self.heard.last.lock().expect("unpoisoned").clone()
    }

    /// When each alert came, and the plan it is about; told once.
    pub fn alerts(&self) -> Vec<(DateTime<Utc>, String)> {
        std::mem::take(&mut self.heard.alerts.lock().expect("unpoisoned"))
    }

    pub fn relay(&self) -> Relay {
        Relay {
            host: "127.0.0.1".to_owned(),
            port: self.port,
            security: Security::None,
            username: None,
            password_file: None,
            ca_file: None,
        }
    }
}

impl Drop for Sink {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            child.kill().expect("killed");
            child.wait().expect("gone");
        }
    }
}

impl Heard {
    fn take(&self, letter: Vec<u8>) {
        let text = String::from_utf8_lossy(&letter);
        let field = |name: &str| text.lines().find_map(|line| line.strip_prefix(name));
        if let (Some("overdue"), Some(plan)) =
            (field("Shorelamp-Kind: "), field("Shorelamp-Plan: "))
        {
            let alert = (Utc::now(), plan.to_owned());
            self.alerts.lock().expect("unpoisoned").push(alert);
        }
        *self.last.lock().expect("unpoisoned") = letter;
    }
}

async fn serve(listener: std::net::TcpListener, heard: Heard) {
    listener.set_nonblocking(true).expect("set");
    let listener = TcpListener::from_std(listener).expect("a listener");
    while let Ok((tcp, _)) = listener.accept().await {
        tcp.set_nodelay(true).expect("set");
        tokio::spawn(talk(BufStream::new(tcp), heard.clone()));
    }
}

async fn talk(mut stream: BufStream<TcpStream>, heard: Heard) -> Option<()> {
    say(&mut stream, "220 sink").await?;
    let mut silent = false;
    loop {
        let line = line(&mut stream).await?;
        match line.get(..4)? {
            b"DATA" => {
                say(&mut stream, "354 go on").await?;
                let mut letter = Vec::new();
                loop {
                    let line = self::line(&mut stream).await?;
                    if line == b".\r\n" {
                        break;
                    }
                    letter.extend_from_slice(line.strip_prefix(b".").unwrap_or(&line));
                }
                if silent {
                    std::future::pending::<()>().await;
                }
                heard.take(letter);
                say(&mut stream, "250 taken").await?;
            }
            b"RCPT" => {
                silent = String::from_utf8_lossy(&line).contains(SILENT);
                say(&mut stream, "250 ok").await?;
            }
            _ => say(&mut stream, "250 ok").await?,
        }
    }
}

async fn line(stream: &mut BufStream<TcpStream>) -> Option<Vec<u8>> {
    let mut line = Vec::new();
    let read = stream.read_until(b'\n', &mut line).await.ok()?;
    (read > 0).then_some(line)
}

async fn say(stream: &mut BufStream<TcpStream>, text: &str) -> Option<()> {
    stream.write_all(format!("{text}\r\n").as_bytes()).await.ok()?;
    stream.flush().await.ok()
}
