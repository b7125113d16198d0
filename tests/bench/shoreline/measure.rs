//! Clocks, memory, and how figures are told.

use std::fmt::Display;

use cpu_time::ThreadTime;

/// What came out, and how long this thread was at work on it: others who keep the machine busy
/// do not count, but for what they push out of its caches.
pub fn seconds<T>(work: impl FnOnce() -> T) -> (T, f64) {
    let start = ThreadTime::now();
    let done = work();
    (done, start.elapsed().as_secs_f64())
}

pub struct Spread {
    pub median: f64,
    pub p99: f64,
}

pub fn spread(mut times: Vec<f64>) -> Spread {
    times.sort_by(f64::total_cmp);
    let at = |share: f64| times[((times.len() - 1) as f64 * share).round() as usize];
    Spread { median: at(0.5), p99: at(0.99) }
}

/// A line of this process's account with the kernel, in MB.
pub fn memory_mb(line: &str) -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let found = status.lines().find_map(|it| it.strip_prefix(line)?.strip_prefix(':'));
    let kib = found.and_then(|it| it.trim().strip_suffix(" kB")?.parse::<f64>().ok());
    kib.unwrap_or(f64::NAN) * 1024.0 / 1e6
}

pub fn report(key: &str, value: impl Display) {
    println!("{key}\t{value}");
}
