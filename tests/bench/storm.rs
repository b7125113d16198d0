//! How fast alerts leave: the real watch, post and database, and a mail server that takes all.
//!
//! `cargo bench --bench storm -- latency 1000` or `storm 10000`, `catch-up 10000`, `black-hole 400`,
//! `million 1000000`; the folder `BENCH_FOLDER` is on the disk to be measured, and `SMTP_SINK` is
//! Postfix's smtp-sink, without which a sink in this process takes the letters.

#![allow(clippy::expect_used)]

#[path = "bare.rs"]
mod bare;
#[path = "black_hole.rs"]
mod black_hole;
#[path = "house.rs"]
mod house;
#[path = "million.rs"]
mod million;
#[path = "sink.rs"]
mod sink;

use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};

use house::{Lamp, overdue_at};
use sink::Sink;

/// How many plans fall due one by one while the others are open.
const FALLING_DUE: usize = 400;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let number = words.get(1).map_or(1000, |word| word.parse().expect("a number"));
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    match words.first().map(String::as_str) {
        Some("latency") => runtime.block_on(latency(number)),
        Some("storm") => runtime.block_on(storm(number)),
        Some("catch-up") => runtime.block_on(catch_up(number)),
        Some("black-hole") => runtime.block_on(black_hole::beside_others(number)),
        Some("million") => runtime.block_on(million::open_plans(number)),
        _ => println!("say: latency, storm, catch-up, black-hole or million, and how many plans"),
    }
}

/// From the moment a crew is overdue to the relay's 250, written down, with so many plans open.
async fn latency(open: usize) {
    let sink = Sink::of_the_machine();
    let lamp = Lamp::lit(&sink).await;
    for at in 0..open {
        lamp.file(at, lamp.begin + TimeDelta::days(3)).await;
    }
    let due_at = |at: usize| {
        lamp.begin
            + TimeDelta::hours(6)
            + TimeDelta::milliseconds(50 * i64::try_from(at).unwrap_or(0))
    };
    let mut plans = Vec::new();
    for at in 0..FALLING_DUE {
        plans.push((lamp.file(open + at, due_at(at)).await, overdue_at(due_at(at))));
    }
    lamp.all_sent().await;
    lamp.set_clock(overdue_at(due_at(0)) - TimeDelta::seconds(2));
    lamp.wait_until(overdue_at(due_at(FALLING_DUE)) + TimeDelta::seconds(1)).await;
    lamp.all_sent().await;
    let mut taken = Vec::new();
    for (plan, overdue_at) in &plans {
        taken.push((lamp.alerted_at(plan).await - *overdue_at).num_milliseconds());
    }
    println!(
        "{} open plans, {FALLING_DUE} alerts, 20 a second, to {}: due to 250 {}",
        open + FALLING_DUE,
        sink.name,
        Spread::of(taken)
    );
}

/// Milliseconds, by how many took no longer.
pub struct Spread {
    p50: i64,
    /// The ninety-ninth percentile.
    pub p99: i64,
    most: i64,
}

impl Spread {
    /// Of at least one.
    pub fn of(mut taken: Vec<i64>) -> Self {
        taken.sort_unstable();
        let of = |share: usize| taken[(taken.len() - 1) * share / 100];
        Spread { p50: of(50), p99: of(99), most: of(100) }
    }
}

impl std::fmt::Display for Spread {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(out, "p50 {} ms, p99 {} ms, max {} ms", self.p50, self.p99, self.most)
    }
}

/// So many alerts due in the same second, over four connections.
async fn storm(alerts: usize) {
    let sink = Sink::of_the_machine();
    let letter = an_alert().await;
    let bare_rate = bare::without_delay(&sink, &letter, alerts).await;
    let lamp = Lamp::lit(&sink).await;
    let due_at = lamp.begin + TimeDelta::hours(6);
    let mut plans = Vec::new();
    for at in 0..alerts {
        plans.push(lamp.file(at, due_at).await);
    }
    lamp.all_sent().await;
    lamp.set_clock(overdue_at(due_at) - TimeDelta::seconds(3));
    lamp.wait_until(overdue_at(due_at)).await;
    let took = lamp.last_alert(&plans).await - overdue_at(due_at);
    let rate = alerts as f64 / (took.num_milliseconds() as f64 / 1000.0);
    let stock_rate = bare::stock_pool(&sink, &letter, 200).await;
    println!(
        "{alerts} alerts of {} bytes due at once, four connections, to {}: {:.2} s, {rate:.0}/s",
        letter.len(),
        sink.name,
        took.num_milliseconds() as f64 / 1000.0
    );
    println!(
        "bare client without delay, four connections: {bare_rate:.0}/s, ours {:.2} of it",
        rate / bare_rate
    );
    println!(
        "the client's own pool, four connections: {stock_rate:.0}/s, ours {:.0} times it",
        rate / stock_rate
    );
}

/// A start after a day's outage, with so many plans overdue.
async fn catch_up(overdue: usize) {
    let sink = Sink::of_the_machine();
    let lamp = Lamp::lit(&sink).await;
    let begin = lamp.begin;
    let mut plans = Vec::new();
    for at in 0..overdue {
        let due_at =
            begin + TimeDelta::hours(1) + TimeDelta::seconds(i64::try_from(at % 7200).unwrap_or(0));
        plans.push((due_at, lamp.file(at, due_at).await));
    }
    lamp.all_sent().await;
    let dark = lamp.put_out().await;
    let started = Instant::now();
    let lamp = dark.light_again(&sink, begin + TimeDelta::hours(27)).await;
    let ready = started.elapsed();
    let refs: Vec<String> = plans.iter().map(|(_, plan)| plan.clone()).collect();
    let last = lamp.last_alert(&refs).await;
    let took = last - (begin + TimeDelta::hours(27));
    println!(
        "{overdue} overdue after a day's outage, to {}: all alerted {:.2} s after the start (open in {ready:.0?})",
        sink.name,
        took.num_milliseconds() as f64 / 1000.0
    );
    plans.sort();
    let tenth = overdue / 10;
    let (mut first, mut rest) = (Vec::new(), Vec::new());
    for (at, (_, plan)) in plans.iter().enumerate() {
        let alerted_at = lamp.alerted_at(plan).await;
        if at < tenth { first.push(alerted_at) } else { rest.push(alerted_at) }
    }
    let mean = |times: &[DateTime<Utc>]| {
        let sum: i64 = times.iter().map(|at| (*at - begin).num_milliseconds()).sum();
        Duration::from_millis(
            u64::try_from(sum / i64::try_from(times.len()).unwrap_or(1)).unwrap_or(0),
        )
    };
    println!(
        "the most overdue tenth went {:.2} s before the others, on average",
        mean(&rest).as_secs_f64() - mean(&first).as_secs_f64()
    );
}

/// An alert as it leaves, for the bare clients to carry.
async fn an_alert() -> Vec<u8> {
    let sink = Sink::in_this_process();
    let lamp = Lamp::lit(&sink).await;
    let due_at = lamp.begin + TimeDelta::hours(6);
    let plan = lamp.file(0, due_at).await;
    lamp.all_sent().await;
    lamp.set_clock(overdue_at(due_at));
    lamp.last_alert(&[plan]).await;
    sink.last_letter()
}
