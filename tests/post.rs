//! Letters handed to a scripted mail server and to a folder.

#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "post/mime.rs"]
mod mime;
#[path = "post/report.rs"]
mod report;
#[path = "post/server.rs"]
mod server;

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use shorelamp::measure::Span;
use shorelamp::post::{Envelope, Handing, Phase, Post, Receipt, SendClass, SendError, Tried};
use shorelamp::settings::{Mail, Mailbox, Relay, Security};
use shorelamp::watch::Urgency;

use mime::letter;
use server::{CLOSE, SILENCE, Script, Server, Whims};

fn mail(relays: Vec<Relay>, deadline_s: u32) -> Mail {
    Mail {
        dkim: None,
        from: Mailbox { name: None, email: "lamp@example.org".to_owned() },
        bounces: None,
        folder: PathBuf::from("/nonexistent"),
        relays,
        deadline: Span::from_seconds(deadline_s),
        hello: "lamp.example.org".to_owned(),
    }
}

fn envelope() -> Envelope {
    letter().envelope()
}

async fn begin(post: &Post) -> Result<Handing, SendError> {
    begin_with(post, &envelope()).await
}

async fn begin_with(post: &Post, envelope: &Envelope) -> Result<Handing, SendError> {
    let place = post.place(&envelope.to, Urgency::Alert).await.unwrap();
    post.begin(&place, envelope, &Tried::default()).await
}

async fn send(post: &Post) -> Result<Receipt, SendError> {
    begin(post).await?.finish(&letter().build().unwrap()).await
}

/// One letter to one plain relay that follows the script.
async fn send_to(script: Script) -> (Result<Receipt, SendError>, Server) {
    let server = Server::start(script).await;
    let post = Post::new(&mail(vec![server.relay(Security::None)], 10)).unwrap();
    (send(&post).await, server)
}

async fn failure(script: Script) -> SendError {
    send_to(script).await.0.unwrap_err()
}

#[tokio::test]
async fn a_letter_is_taken_as_it_was_built() {
    let (sent, server) = send_to(Script::default()).await;
    let receipt = sent.unwrap();
    assert_eq!(receipt.by, format!("localhost:{}", server.port));
    assert_eq!(receipt.said, "2.0.0 taken as 4711");
    let heard = server.heard();
    assert_eq!(
        heard.commands,
        [
            "EHLO lamp.example.org",
            "MAIL FROM:<lamp@example.org>",
            "RCPT TO:<dunstan@example.org>",
            "DATA"
        ]
    );
    assert_eq!(heard.letters, [String::from_utf8(letter().build().unwrap()).unwrap()]);
}

#[tokio::test]
async fn nothing_goes_before_the_last_look() {
    let server = Server::start(Script::default()).await;
    let post = Post::new(&mail(vec![server.relay(Security::None)], 10)).unwrap();
    begin(&post).await.unwrap().abandon().await;
    drop(begin(&post).await.unwrap());
    let heard = server.heard();
    assert!(heard.letters.is_empty());
    assert!(!heard.commands.iter().any(|command| command == "DATA"));
    // The envelope that was taken back left a connection that serves again.
    assert_eq!(heard.connections, 1);
}

#[tokio::test]
async fn a_temporary_refusal_is_temporary() {
    let error = failure(Script { rcpt: "450 4.2.0 greylisted", ..Script::default() }).await;
    assert_eq!((error.class, error.phase), (SendClass::Temporary, Phase::Recipient));
    assert_eq!(error.code, Some(450));
    assert!(error.to_string().ends_with("450 4.2.0 greylisted"), "{error}");
}

#[tokio::test]
async fn an_unknown_recipient_is_refused() {
    let rcpt = "550-5.1.1 nobody\r\n550 5.1.1 by that name";
    let error = failure(Script { rcpt, ..Script::default() }).await;
    assert_eq!((error.class, error.code), (SendClass::RecipientRefused, Some(550)));
}

#[tokio::test]
async fn a_letter_that_is_not_wanted_is_refused() {
    let error = failure(Script { dot: "554 5.7.1 looks like spam", ..Script::default() }).await;
    assert_eq!((error.class, error.phase), (SendClass::MessageRefused, Phase::Letter));
    assert!(!error.in_doubt());
    let error = failure(Script { data: "554 no valid recipients", ..Script::default() }).await;
    assert_eq!((error.class, error.phase), (SendClass::MessageRefused, Phase::Data));
}

#[tokio::test]
async fn what_is_between_us_and_the_relay_is_not_the_recipients_fault() {
    for script in [
        Script { greeting: "421 too busy", ..Script::default() },
        Script { greeting: "554 no service", ..Script::default() },
        Script { greeting: CLOSE, ..Script::default() },
        Script { greeting: "HTTP/1.1 400 Bad Request", ..Script::default() },
        Script { ehlo: "502 no", ..Script::default() },
        Script { mail: "530 5.7.0 authentication required", ..Script::default() },
        Script { mail: "550 5.7.1 not your address", ..Script::default() },
        Script { rcpt: "421 4.3.2 closing", ..Script::default() },
        Script { rcpt: CLOSE, ..Script::default() },
        Script { data: CLOSE, ..Script::default() },
        // Out of step: a positive answer, but none that belongs there.
        Script { data: "250 ok", ..Script::default() },
        Script { rcpt: "354 go on", ..Script::default() },
    ] {
        let shown = (script.greeting, script.mail, script.rcpt, script.data);
        let error = failure(script).await;
        assert_eq!(error.class, SendClass::Transport, "{shown:?}: {error}");
        assert!(!error.in_doubt(), "{shown:?}: {error}");
    }
}

#[tokio::test]
async fn nobody_at_home_is_a_fault_of_the_way() {
    // The listener is gone at the end of the line, and its port then refuses connections.
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let relay = Relay {
        host: "127.0.0.1".to_owned(),
        port,
        security: Security::None,
        username: None,
        password_file: None,
        ca_file: None,
    };
    let error = send(&Post::new(&mail(vec![relay], 10)).unwrap()).await.unwrap_err();
    assert_eq!((error.class, error.phase), (SendClass::Transport, Phase::Opening));
}

#[tokio::test]
async fn silence_ends_at_the_deadline() {
    for (script, phase) in [
        (Script { greeting: SILENCE, ..Script::default() }, Phase::Opening),
        (Script { rcpt: SILENCE, ..Script::default() }, Phase::Recipient),
        (Script { dot: SILENCE, ..Script::default() }, Phase::Letter),
    ] {
        let server = Server::start(script).await;
        let post = Post::new(&mail(vec![server.relay(Security::None)], 1)).unwrap();
        let start = Instant::now();
        let error = send(&post).await.unwrap_err();
        assert!(start.elapsed() < Duration::from_secs(30), "{:?}", start.elapsed());
        assert_eq!((error.class, error.phase), (SendClass::Transport, phase));
        assert_eq!(error.in_doubt(), phase == Phase::Letter);
    }
}

#[tokio::test]
async fn a_connection_lost_at_the_final_dot_leaves_doubt() {
    let (sent, server) = send_to(Script { dot: CLOSE, ..Script::default() }).await;
    let error = sent.unwrap_err();
    assert_eq!(error.class, SendClass::Transport);
    assert!(error.in_doubt());
    assert_eq!(server.heard().letters.len(), 1, "it may well have been taken");
}

#[tokio::test]
async fn without_starttls_no_letter_and_no_password_goes() {
    let server = Server::start(Script::default()).await;
    let post = Post::new(&mail(vec![with_login(&server, Security::Starttls)], 10)).unwrap();
    let error = send(&post).await.unwrap_err();
    assert_eq!((error.class, error.phase), (SendClass::Transport, Phase::Opening));
    assert!(error.said.contains("no STARTTLS"), "{error}");
    assert!(server.heard().commands.iter().all(|command| command.starts_with("EHLO")));
}

/// A relay with a user, a password, and the server's own certificate trusted.
fn with_login(server: &Server, security: Security) -> Relay {
    let folder = tempfile::tempdir().unwrap().keep();
    let (password_file, ca_file) = (folder.join("password"), folder.join("ca.pem"));
    fs::write(&password_file, "over the bar\n").unwrap();
    fs::write(&ca_file, &server.certificate).unwrap();
    Relay {
        username: Some("lamp".to_owned()),
        password_file: Some(password_file),
        ca_file: Some(ca_file),
        ..server.relay(security)
    }
}

const OFFERS_TLS: Script = Script {
    greeting: "220 relay.example.org",
    ehlo: "250-relay.example.org\r\n250 STARTTLS",
    starttls: "220 go ahead",
    ehlo_in_private: "250-relay.example.org\r\n250 AUTH PLAIN LOGIN",
    auth: "235 2.7.0 welcome",
    mail: "250 ok",
    rcpt: "250 ok",
    data: "354 go on",
    dot: "250 taken",
    rset: "250 ok",
    letters_a_connection: usize::MAX,
    tls_from_first_byte: false,
    whims: Whims::NONE,
};

#[tokio::test]
async fn letters_go_over_starttls_and_over_tls_with_a_password() {
    for (security, tls_from_first_byte) in [(Security::Starttls, false), (Security::Tls, true)] {
        let server = Server::start(Script { tls_from_first_byte, ..OFFERS_TLS }).await;
        let post = Post::new(&mail(vec![with_login(&server, security)], 10)).unwrap();
        send(&post).await.unwrap();
        let heard = server.heard();
        assert_eq!(heard.letters.len(), 1);
        // RFC 4616: nothing, the user, the password, with NUL between; here in base64.
        let login = "AUTH PLAIN AGxhbXAAb3ZlciB0aGUgYmFy".to_owned();
        assert!(heard.commands.contains(&login), "{:?}", heard.commands);
    }
}

#[tokio::test]
async fn a_wrong_password_is_not_the_recipients_fault() {
    let script = Script { auth: "535 5.7.8 no", ..OFFERS_TLS };
    let server = Server::start(script).await;
    let post = Post::new(&mail(vec![with_login(&server, Security::Starttls)], 10)).unwrap();
    let error = send(&post).await.unwrap_err();
    assert_eq!((error.class, error.code), (SendClass::Transport, Some(535)));
    assert!(!format!("{error} {error:?}").contains("over the bar"));
}

#[tokio::test]
async fn a_certificate_that_nobody_vouches_for_gets_no_letter() {
    let server = Server::start(OFFERS_TLS).await;
    let other = Server::start(OFFERS_TLS).await;
    let relay = Relay { port: server.port, ..with_login(&other, Security::Starttls) };
    let post = Post::new(&mail(vec![relay], 10)).unwrap();
    let error = send(&post).await.unwrap_err();
    assert_eq!((error.class, error.phase), (SendClass::Transport, Phase::Opening));
    assert!(error.said.contains("certificate"), "{error}");
    assert!(server.heard().letters.is_empty());
}

#[tokio::test]
async fn a_certificate_of_another_name_gets_no_letter() {
    let server = Server::start(Script { tls_from_first_byte: true, ..OFFERS_TLS }).await;
    let relay = Relay { host: "127.0.0.1".to_owned(), ..with_login(&server, Security::Tls) };
    let error = send(&Post::new(&mail(vec![relay], 10)).unwrap()).await.unwrap_err();
    assert_eq!(error.class, SendClass::Transport);
    assert!(error.said.contains("certificate"), "{error}");
}

/// Words slipped in behind the answer to STARTTLS, before anything is private, would be answers
/// to commands that are not given yet (RFC 3207, 4.2 and 6): here to every one of them.
#[tokio::test]
async fn words_from_before_the_private_connection_count_for_nothing() {
    let starttls = "220 go ahead\r\n250 EHLO\r\n250 MAIL\r\n250 RCPT\r\n354 DATA\r\n250 taken";
    let script = Script { starttls, rcpt: "550 5.1.1 unknown", ..OFFERS_TLS };
    let server = Server::start(script).await;
    let relay =
        Relay { username: None, password_file: None, ..with_login(&server, Security::Starttls) };
    let error = send(&Post::new(&mail(vec![relay], 10)).unwrap()).await.unwrap_err();
    assert_eq!(error.class, SendClass::RecipientRefused, "{error}");
}

#[tokio::test]
async fn connections_are_used_again_and_lost_ones_replaced() {
    let server = Server::start(Script { letters_a_connection: 3, ..Script::default() }).await;
    let post = Post::new(&mail(vec![server.relay(Security::None)], 10)).unwrap();
    for _ in 0..7 {
        send(&post).await.unwrap();
    }
    let heard = server.heard();
    assert_eq!((heard.letters.len(), heard.connections), (7, 3));
}

#[tokio::test]
async fn the_next_relay_takes_over_and_the_first_is_passed_over_for_a_while() {
    let down = Server::start(Script { greeting: "421 too busy", ..Script::default() }).await;
    let up = Server::start(Script::default()).await;
    let relays = vec![down.relay(Security::None), up.relay(Security::None)];
    let post = Post::new(&mail(relays, 10)).unwrap();
    for _ in 0..3 {
        assert_eq!(send(&post).await.unwrap().by, format!("localhost:{}", up.port));
    }
    assert_eq!(down.heard().connections, 1);
}

#[tokio::test]
async fn a_silent_relay_leaves_time_for_the_next() {
    let silent = Server::start(Script { greeting: SILENCE, ..Script::default() }).await;
    let up = Server::start(Script::default()).await;
    let relays = vec![silent.relay(Security::None), up.relay(Security::None)];
    let post = Post::new(&mail(relays, 2)).unwrap();
    send(&post).await.unwrap();
}

#[tokio::test]
async fn a_relay_that_carries_nothing_for_strangers_is_not_the_last_word() {
    let denies = Script { rcpt: "550 5.7.1 relaying denied", ..Script::default() };
    let first = Server::start(denies.clone()).await;
    let up = Server::start(Script::default()).await;
    let busy = Server::start(Script { greeting: "421 too busy", ..Script::default() }).await;
    let to = |servers: &[&Server]| {
        let relays = servers.iter().map(|server| server.relay(Security::None)).collect();
        Post::new(&mail(relays, 10)).unwrap()
    };
    send(&to(&[&first, &up])).await.unwrap();
    // As long as another is only out of reach, the recipient is not refused.
    let error = send(&to(&[&busy, &first])).await.unwrap_err();
    assert_eq!(error.class, SendClass::Transport);
    let error = send(&to(&[&first])).await.unwrap_err();
    assert_eq!(error.class, SendClass::RecipientRefused);
}

#[tokio::test]
async fn an_address_that_is_none_is_refused_before_any_relay() {
    let server = Server::start(Script::default()).await;
    let post = Post::new(&mail(vec![server.relay(Security::None)], 10)).unwrap();
    for to in ["nobody", "a@example.org>\r\nRCPT TO:<b@example.org", "é@example.org", ""] {
        let begun = begin_with(&post, &Envelope { to: to.to_owned(), ..envelope() }).await;
        let Err(error) = begun else { panic!("{to} was taken") };
        assert_eq!(error.class, SendClass::RecipientRefused);
    }
    assert_eq!(server.heard().connections, 0);
}

#[test]
fn what_is_missing_on_this_machine_is_told_at_the_start() {
    let relay = |password_file, ca_file| Relay {
        host: "mail.example.org".to_owned(),
        port: 587,
        security: Security::Starttls,
        username: Some("lamp".to_owned()),
        password_file,
        ca_file,
    };
    let missing = Some(PathBuf::from("/nonexistent/file"));
    let Err(error) = Post::new(&mail(vec![relay(missing.clone(), None)], 10)) else { panic!() };
    assert!(error.to_string().contains("/nonexistent/file"), "{error}");
    let Err(error) = Post::new(&mail(vec![relay(None, missing)], 10)) else { panic!() };
    assert!(error.to_string().contains("ca_file /nonexistent/file"), "{error}");
}

#[tokio::test]
async fn without_a_relay_letters_are_files_for_their_owner_alone() {
    let folder = tempfile::tempdir().unwrap();
    let outgoing = folder.path().join("var/outgoing");
    let post = Post::new(&Mail { folder: outgoing.clone(), ..mail(Vec::new(), 10) }).unwrap();
    begin(&post).await.unwrap().abandon().await;
    let mut files = Vec::new();
    for _ in 0..3 {
        files.push(PathBuf::from(send(&post).await.unwrap().by));
    }
    let mut found: Vec<_> =
        fs::read_dir(&outgoing).unwrap().map(|entry| entry.unwrap().path()).collect();
    found.sort();
    assert_eq!(found, files, "in the order in which they were written, and nothing else");
    for (at, file) in files.iter().enumerate() {
        let name = file.file_name().unwrap().to_str().unwrap();
        assert!(name.ends_with(&format!("Z-overdue-k7pq2-{}.eml", at + 1)), "{name}");
        assert_eq!(fs::read(file).unwrap(), letter().build().unwrap());
        assert_eq!(fs::metadata(file).unwrap().permissions().mode() & 0o777, 0o600);
    }
    assert_eq!(fs::metadata(&outgoing).unwrap().permissions().mode() & 0o777, 0o700);
}

#[tokio::test]
async fn a_folder_that_cannot_be_made_is_a_fault_of_the_way() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let folder = file.path().join("outgoing");
    let post = Post::new(&Mail { folder, ..mail(Vec::new(), 10) }).unwrap();
    let error = send(&post).await.unwrap_err();
    assert_eq!((error.class, error.in_doubt()), (SendClass::Transport, false));
}

/// Prints a rate, and asserts only that every letter came: run it by hand with
/// `cargo test --release --test post -- --ignored --nocapture letters_a_second`.
#[tokio::test]
#[ignore = "a measurement"]
async fn letters_a_second_over_one_connection() {
    const LETTERS: usize = 5000;
    let server = Server::start(Script::default()).await;
    let post = Post::new(&mail(vec![server.relay(Security::None)], 60)).unwrap();
    let bytes = letter().build().unwrap();
    let start = Instant::now();
    for _ in 0..LETTERS {
        begin(&post).await.unwrap().finish(&bytes).await.unwrap();
    }
    let rate = LETTERS as f64 / start.elapsed().as_secs_f64();
    println!("{rate:.0} letters a second, {} bytes each", bytes.len());
    assert_eq!((server.heard().letters.len(), server.heard().connections), (LETTERS, 1));
}
