//! The program itself beside very many open plans: how soon it is ready, how fast alerts leave, how
//! much memory it takes, and how soon the first alert leaves after kill -9.
//!
//! Two plans are filed as ever; the others are copies of the first one's rows, each with its own
//! ref and its own checksums.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use sha2::{Digest, Sha256};
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};
use sqlx::{Connection, Executor, Row};

use super::Spread;
use super::house::Lamp;
use super::sink::Sink;

const FALLING_DUE: i64 = 400;
/// How many copies one statement makes.
const TOGETHER: usize = 500;
/// Alerts after a kill.
const AFTER_KILL: i64 = 20;

pub async fn open_plans(open: usize) {
    let sink = Sink::in_this_process();
    let lamp = Lamp::lit(&sink).await;
    let template = lamp.file(0, lamp.begin + TimeDelta::days(3)).await;
    lamp.all_sent().await;
    let dark = lamp.put_out().await;
    let began = Instant::now();
    fill(&dark.folder().join("shorelamp.db"), &template, open).await;
    println!("{open} open plans copied in {:.0?}", began.elapsed());
    let lamp = dark.light_again(&sink, Utc::now()).await;
    let first_at = Utc::now() + TimeDelta::seconds(60);
    let mut due = Vec::new();
    for at in 0..FALLING_DUE {
        let overdue_at = first_at + TimeDelta::milliseconds(50 * at);
        due.push((file(&lamp, at, overdue_at).await, overdue_at));
    }
    let killed_at = first_at + TimeDelta::milliseconds(50 * FALLING_DUE) + TimeDelta::seconds(5);
    for at in 0..AFTER_KILL {
        file(&lamp, FALLING_DUE + at, killed_at + TimeDelta::seconds(1)).await;
    }
    let dark = lamp.put_out().await;
    let port = free_port();
    let settings = settings(dark.folder(), port, sink.port);
    let (mut child, ready) = start(&settings, port);
    println!(
        "start to ready: {ready:.0?}; {} s before the first alert",
        (first_at - Utc::now()).num_seconds()
    );
    sleep_until(first_at + TimeDelta::milliseconds(50 * FALLING_DUE) + TimeDelta::seconds(2)).await;
    let alerts = sink.alerts();
    let late = |(plan, overdue_at): &(String, DateTime<Utc>)| {
        let came: Vec<_> = alerts.iter().filter(|(_, about)| about == plan).collect();
        assert_eq!(came.len(), 1, "one alert a plan");
        (came[0].0 - *overdue_at).num_milliseconds()
    };
    println!(
        "{FALLING_DUE} alerts, 20 a second: due to the relay {}",
        Spread::of(due.iter().map(late).collect())
    );
    println!("memory: {}", memory(&child));
    sleep_until(killed_at).await;
    child.kill().expect("killed");
    child.wait().expect("gone");
    sleep_until(killed_at + TimeDelta::seconds(3)).await;
    let exec_at = Utc::now();
    let (mut child, ready) = start(&settings, port);
    sleep_until(exec_at + TimeDelta::seconds(5)).await;
    let first = sink.alerts().iter().map(|(at, _)| *at).min().expect("an alert");
    println!(
        "after kill -9: ready in {ready:.0?}, first alert {} ms after the start",
        (first - exec_at).num_milliseconds()
    );
    child.kill().expect("killed");
    child.wait().expect("gone");
}

async fn file(lamp: &Lamp, at: i64, overdue_at: DateTime<Utc>) -> String {
    let to = format!("dunstan{at}@{}.example.org", at % 50);
    lamp.file_to(&to, overdue_at - TimeDelta::seconds(1), "1s").await
}

async fn sleep_until(at: DateTime<Utc>) {
    tokio::time::sleep((at - Utc::now()).to_std().unwrap_or_default()).await;
}

/// Starts the program; how long it took until `/healthz` said 200.
fn start(settings: &Path, port: u16) -> (Child, Duration) {
    let began = Instant::now();
    let mut command = Command::new(env!("CARGO_BIN_EXE_shorelamp"));
    command.args(["serve", "--config"]).arg(settings).stdout(Stdio::null()).stderr(Stdio::null());
    let child = command.spawn().expect("started");
    while !is_ready(port) {
        assert!(began.elapsed() < Duration::from_secs(60), "it never gets ready");
        std::thread::sleep(Duration::from_millis(1));
    }
    (child, began.elapsed())
}

fn is_ready(port: u16) -> bool {
    let ask = || -> std::io::Result<bool> {
        let mut tcp = TcpStream::connect(("127.0.0.1", port))?;
        tcp.write_all(b"GET /healthz HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")?;
        let mut answer = String::new();
        tcp.read_to_string(&mut answer)?;
        Ok(answer.starts_with("HTTP/1.1 200"))
    };
    ask().unwrap_or(false)
}

fn memory(child: &Child) -> String {
    let status = std::fs::read_to_string(format!("/proc/{}/status", child.id())).expect("read");
    let lines =
        status.lines().filter(|line| line.starts_with("VmRSS") || line.starts_with("VmHWM"));
    lines
        .map(|line| line.split_whitespace().collect::<Vec<_>>().join(" "))
        .collect::<Vec<_>>()
        .join(", ")
}

fn free_port() -> u16 {
    let free = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    free.local_addr().expect("an address").port()
}

fn settings(folder: &Path, port: u16, relay: u16) -> std::path::PathBuf {
    let path = folder.join("shorelamp.toml");
    let text = format!(
        r#"
[service]
name = "Madrona Point"
listen = "127.0.0.1:{port}"
base_url = "http://127.0.0.1:{port}"
data_dir = "."
[mail]
from = "Shorelamp <lamp@example.org>"
[[mail.relay]]
host = "127.0.0.1"
port = {relay}
security = "none"
"#
    );
    std::fs::write(&path, text).expect("written");
    path
}

/// Copies the rows of a plan. Their keys rise, so that every index grows at its end, and nothing is
/// written twice: a fill that is broken off is begun anew.
async fn fill(path: &Path, template: &str, copies: usize) {
    let options = SqliteConnectOptions::new().filename(path);
    let mut connection = SqliteConnection::connect_with(&options).await.expect("opened");
    let fast = "PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; PRAGMA cache_size = -200000; \
                PRAGMA locking_mode = EXCLUSIVE";
    connection.execute(fast).await.expect("set");
    let row = sqlx::query(
        "SELECT state_json, card_json FROM plans JOIN spares ON plan = ref WHERE ref = $1",
    );
    let row = row.bind(template).fetch_one(&mut connection).await.expect("the template");
    let (state, card): (String, String) = (row.get(0), row.get(1));
    for from in (0..copies).step_by(TOGETHER) {
        if from % (100 * TOGETHER) == 0 {
            let commit = if from == 0 { "BEGIN" } else { "COMMIT; BEGIN" };
            connection.execute(commit).await.expect("begun");
        }
        let refs: Vec<String> =
            (from..copies.min(from + TOGETHER)).map(|at| format!("{template}-{at:07}")).collect();
        copy(&mut connection, template, &refs, &state, &card).await;
    }
    connection.execute("COMMIT").await.expect("committed");
    connection.close().await.expect("closed");
}

async fn copy(
    connection: &mut SqliteConnection,
    template: &str,
    refs: &[String],
    state: &str,
    card: &str,
) {
    let places: Vec<_> = (0..refs.len())
        .map(|at| format!("(${}, ${}, ${})", 3 * at + 2, 3 * at + 3, 3 * at + 4))
        .collect();
    let places = places.join(", ");
    for (table, columns, values) in COPIES {
        let whose = if *table == "plans" { "ref" } else { "plan" };
        let text = format!(
            "INSERT INTO {table} ({columns}) SELECT {values} FROM {table} AS t, (VALUES {places}) AS new WHERE t.{whose} = $1"
        );
        let mut insert = sqlx::query(sqlx::AssertSqlSafe(text)).bind(template);
        for one in refs {
            insert = insert.bind(one).bind(sum(one, state)).bind(sum(one, card));
        }
        insert.execute(&mut *connection).await.expect("copied");
    }
}

const COPIES: &[(&str, &str, &str)] = &[
    (
        "plans",
        "ref, state_json, version, filed_at, due_at, next_at, closed_at, key_id, idempotency, \
         body_hash, state_sum",
        // Filed two days ago: what a key files in an hour is counted at each filing.
        "new.column1, state_json, version, filed_at - 172800000, due_at, next_at, closed_at, \
         key_id, idempotency, body_hash, new.column2",
    ),
    ("papers", "plan, plan_json, review_json", "new.column1, plan_json, review_json"),
    (
        "spares",
        "plan, first_json, card_json, card_sum, overdue_at, wake_at",
        "new.column1, first_json, card_json, new.column3, overdue_at, wake_at",
    ),
    (
        "events",
        "plan, number, at, event_json, idempotency",
        "new.column1, number, at, event_json, idempotency",
    ),
    (
        "letters",
        "id, plan, round, cause, recipient, kind, lane, scheduled_at, queued_at, state, attempt, \
         failures, next_try_at, lease_until, settled_at, note",
        "new.column1 || '-' || id, new.column1, round, cause, recipient, kind, lane, \
         scheduled_at, queued_at, state, attempt, failures, next_try_at, lease_until, settled_at, \
         note",
    ),
    ("links", "hash, plan, purpose, who", "new.column1 || '-' || hash, new.column1, purpose, who"),
    (
        "named_addresses",
        "hash, plan, contact, filed_at",
        "new.column1 || '-' || hash, new.column1, contact, filed_at",
    ),
];

/// As the store sums a text that belongs to a plan.
fn sum(plan_ref: &str, text: &str) -> String {
    let hash = Sha256::new().chain_update(plan_ref).chain_update(text).finalize();
    hash.iter().take(8).map(|byte| format!("{byte:02x}")).collect()
}
