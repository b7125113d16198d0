//! Guessing links: how many of a million open anything, and whether an expired one can be told from
//! one that never was by the time that its answer takes. A measurement, no test.
//!
//! `cargo bench --bench guesses -- GUESSES PAIRS`

#![allow(clippy::unwrap_used)]

use std::hint::black_box;
use std::time::Instant;

#[allow(dead_code, reason = "pages need more of it")]
#[path = "../web/house.rs"]
mod house;

use house::{Lamp, plan, token};
use shorelamp::daemon::secrets::new_key;
use shorelamp::store::Purpose;

#[tokio::main]
async fn main() {
    let mut numbers = std::env::args().filter_map(|word| word.parse::<usize>().ok());
    let guesses = numbers.next().unwrap_or(1_000_000);
    let pairs = numbers.next().unwrap_or(20_000);
    let lamp = Lamp::lit().await;
    let filed = lamp.file(&plan()).await;
    let plan_ref = filed["ref"].as_str().unwrap();
    let page = lamp.contact_page(plan_ref, 0);
    let expired = token(&page).to_owned();
    assert!(lamp.daemon.visit(&expired, Purpose::Contact).await.unwrap().is_some(), "it opens");

    let (began, mut opened) = (Instant::now(), 0);
    for _ in 0..guesses {
        let guess = &new_key().unwrap()[..expired.len()];
        opened += usize::from(lamp.daemon.visit(guess, Purpose::Contact).await.unwrap().is_some());
    }
    println!("{guesses} guesses of a link in {:?}: {opened} opened", began.elapsed());

    let cancel = token(filed["links"]["cancel"].as_str().unwrap()).to_owned();
    lamp.post(&format!("/api/v1/cancel/{cancel}")).send().await.unwrap();
    lamp.move_clock(25 * 60);
    assert!(lamp.daemon.visit(&expired, Purpose::Contact).await.unwrap().is_none(), "expired");
    let (mut unknown_us, mut expired_us) = (Vec::new(), Vec::new());
    for at in 0..pairs {
        let unknown = new_key().unwrap()[..expired.len()].to_owned();
        let mut both = [(&unknown, &mut unknown_us), (&expired, &mut expired_us)];
        if at % 2 == 0 {
            both.reverse();
        }
        for (secret, times) in both {
            let began = Instant::now();
            black_box(lamp.daemon.visit(secret, Purpose::Contact).await.unwrap());
            times.push(began.elapsed().as_secs_f64() * 1e6);
        }
    }
    let (unknown, expired) = (of(&mut unknown_us), of(&mut expired_us));
    let t = (unknown.mean - expired.mean) / (unknown.spread + expired.spread).sqrt();
    println!(
        "{pairs} pairs, a twentieth at each end left out: unknown {:.2} µs, expired {:.2} µs, \
         Welch's t = {t:.2} (beyond ±4.5 they differ)",
        unknown.mean, expired.mean
    );
}

struct Times {
    mean: f64,
    /// The variance of the mean.
    spread: f64,
}

fn of(times: &mut [f64]) -> Times {
    times.sort_by(f64::total_cmp);
    let cut = times.len() / 20;
    let middle = &times[cut..times.len() - cut];
    #[allow(clippy::cast_precision_loss, reason = "some thousands")]
    let number = middle.len() as f64;
    let mean = middle.iter().sum::<f64>() / number;
    let variance = middle.iter().map(|time| (time - mean).powi(2)).sum::<f64>() / (number - 1.0);
    Times { mean, spread: variance / number }
}
