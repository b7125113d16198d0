//! What the same machine does without a plan, a watch or a database.

use std::time::{Duration, Instant};

use lettre::address::Envelope;
use lettre::transport::smtp::PoolConfig;
use lettre::{Address, AsyncSmtpTransport, AsyncTransport, Tokio1Executor};
use shorelamp::post::Relay;
use tokio::task::JoinSet;

use super::sink::Sink;

const CONNECTIONS: usize = 4;

/// The client's connections with TCP_NODELAY, each sending one letter after the other.
pub async fn without_delay(sink: &Sink, letter: &[u8], letters: usize) -> f64 {
    let (from, to) = addresses();
    let mut tasks = JoinSet::new();
    let began = Instant::now();
    for _ in 0..CONNECTIONS {
        let relay = Relay::new(&sink.relay(), "bench.example.org").expect("a relay");
        let (from, to, letter) = (from.clone(), to.clone(), letter.to_vec());
        tasks.spawn(async move {
            let until = tokio::time::Instant::now() + Duration::from_secs(600);
            let mut session = relay.open(until).await.expect("opened");
            for _ in 0..letters / CONNECTIONS {
                session.envelope(&from, &to, until).await.expect("an envelope");
                session.data(&letter, until).await.expect("a letter");
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
    let (from, to) = addresses();
    let envelope = Envelope::new(Some(from), vec![to]).expect("an envelope");
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

fn addresses() -> (Address, Address) {
    let read = |text: &str| text.parse().expect("an address");
    (read("lamp@example.org"), read("dunstan@example.org"))
}
