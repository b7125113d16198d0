//! What the same machine does without a plan, a watch or a database.

use std::time::Instant;

use lettre::address::Envelope;
use lettre::transport::smtp::PoolConfig;
use lettre::transport::smtp::client::AsyncSmtpConnection;
use lettre::transport::smtp::extension::ClientId;
use lettre::{AsyncSmtpTransport, AsyncTransport, Tokio1Executor};
use tokio::net::TcpStream;
use tokio::task::JoinSet;

use super::sink::Sink;

const CONNECTIONS: usize = 4;

/// The client's own connections over sockets with TCP_NODELAY, each sending one letter after the
/// other.
pub async fn without_delay(sink: &Sink, letter: &[u8], letters: usize) -> f64 {
    let mut tasks = JoinSet::new();
    let began = Instant::now();
    for _ in 0..CONNECTIONS {
        let (envelope, letter, port) = (envelope(), letter.to_vec(), sink.port);
        tasks.spawn(async move {
            let tcp = TcpStream::connect(("127.0.0.1", port)).await.expect("connected");
            tcp.set_nodelay(true).expect("set");
            let hello = ClientId::Domain("bench.example.org".to_owned());
            let connection =
                AsyncSmtpConnection::connect_with_transport(Box::new(tcp), &hello).await;
            let mut connection = connection.expect("greeted");
            for _ in 0..letters / CONNECTIONS {
                connection.send(&envelope, &letter).await.expect("taken");
            }
        });
    }
    while tasks.join_next().await.is_some() {}
    (letters / CONNECTIONS * CONNECTIONS) as f64 / began.elapsed().as_secs_f64()
}

/// The client's own transport with its own pool.
pub async fn stock_pool(sink: &Sink, letter: &[u8], letters: usize) -> f64 {
    let size = u32::try_from(CONNECTIONS).unwrap_or(1);
    let transport = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous("127.0.0.1")
        .port(sink.port)
        .pool_config(PoolConfig::new().max_size(size))
        .build();
    let envelope = envelope();
    let mut tasks = JoinSet::new();
    let began = Instant::now();
    for _ in 0..CONNECTIONS {
        let (transport, envelope, letter) = (transport.clone(), envelope.clone(), letter.to_vec());
        tasks.spawn(async move {
            for _ in 0..letters / CONNECTIONS {
                transport.send_raw(&envelope, &letter).await.expect("taken");
            }
        });
    }
    while tasks.join_next().await.is_some() {}
    (letters / CONNECTIONS * CONNECTIONS) as f64 / began.elapsed().as_secs_f64()
}

fn envelope() -> Envelope {
    let read = |text: &str| text.parse().expect("an address");
    let (from, to) = (read("lamp@example.org"), read("dunstan@example.org"));
    Envelope::new(Some(from), vec![to]).expect("an envelope")
}
