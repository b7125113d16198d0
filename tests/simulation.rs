//! Worlds in which everything goes wrong that a script of faults can bring about, with the real
//! watch, post, mail client and SQLite, on simulated time and a simulated network; and a judge who
//! knows which faults were on and sees only what was said and what arrived.
//!
//! `SIM_WORLDS=500 SIM_PLANS=2000 SIM_SEED=1 cargo test --release --test simulation` runs long;
//! a world is replayed with its seed and `SIM_WORLDS=1`.

#![allow(clippy::expect_used)]

#[path = "simulation/chance.rs"]
mod chance;
#[path = "simulation/idle.rs"]
mod idle;
#[path = "simulation/oracle.rs"]
mod oracle;
#[path = "simulation/script.rs"]
mod script;
#[path = "simulation/time.rs"]
mod time;
#[path = "simulation/wire.rs"]
mod wire;
#[path = "simulation/world.rs"]
mod world;

use std::path::Path;
use std::time::{Duration, Instant};

use oracle::Verdict;
use script::Script;

fn from_environment(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

/// The database is kept in memory where the machine has such a place.
fn folder() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    let folder = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() };
    folder.expect("a folder")
}

fn world(seed: u64, plans: usize) -> Verdict {
    let script = Script::draw(seed, plans);
    let folder = folder();
    let seen = world::run(&script, folder.path());
    oracle::judge(&script, &seen)
}

#[test]
fn nothing_is_missed_and_nobody_alarmed_for_nothing() {
    let worlds = from_environment("SIM_WORLDS", 1);
    let plans = from_environment("SIM_PLANS", 50);
    let first = from_environment("SIM_SEED", 2);
    let longest = Duration::from_secs(from_environment("SIM_MINUTES", 60) * 60);
    let began = Instant::now();
    let mut all = Verdict::default();
    let mut last = first;
    for seed in first..first + worlds {
        if began.elapsed() > longest {
            break;
        }
        all.add(world(seed, usize::try_from(plans).expect("a number of plans")));
        last = seed;
        if worlds > 2 {
            println!("seed {seed}: {} plans so far, {:.0?}", all.plans, began.elapsed());
        }
    }
    println!(
        "seeds {first} to {last}: {} plans, {} letters, {} alerts, {} owed beyond doubt, {} went \
         again, {} faults, {:.0?}",
        all.plans,
        all.letters,
        all.alerts,
        all.owed,
        all.again,
        all.faults.len(),
        began.elapsed()
    );
    for fault in all.faults.iter().take(20) {
        println!("{fault}");
    }
    assert!(
        all.faults.is_empty(),
        "{} faults; replay with SIM_SEED and SIM_WORLDS=1",
        all.faults.len()
    );
    assert!(all.owed > 0, "nothing was ever owed: the worlds are too small");
}

/// Prints one plan of one world as it is drawn: `SIM_SEED=1 SIM_PLAN=6`.
#[test]
#[ignore = "for looking at a world"]
fn show() {
    let plans = usize::try_from(from_environment("SIM_PLANS", 20)).expect("a number of plans");
    let script = Script::draw(from_environment("SIM_SEED", 2), plans);
    let plan = usize::try_from(from_environment("SIM_PLAN", 0)).expect("a number");
    println!("{:#?}\n{:#?}\n{:#?}", script.troubles, script.outages, script.lives[plan]);
}
