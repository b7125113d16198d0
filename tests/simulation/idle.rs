//! Simulated time stands still while the database works. SQLite runs on threads of its own, of
//! which the runtime knows nothing: before it parks, and so before its clock jumps to the next
//! timer, it waits here until every other thread of this process sleeps.

use std::fs::{self, File};
use std::os::unix::fs::{FileExt, MetadataExt};
use std::sync::Mutex;

static THREADS: Mutex<Threads> = Mutex::new(Threads { links: 0, stats: Vec::new() });

struct Threads {
    /// How many links the folder had when it was read: one for each thread, and two.
    links: u64,
    stats: Vec<File>,
}

/// Waits until all other threads sleep.
pub fn wait() {
    let mut threads = THREADS.lock().expect("no panic while it is held");
    loop {
        threads.refresh();
        if threads.all_sleep() {
            return;
        }
        std::thread::yield_now();
    }
}

impl Threads {
    fn refresh(&mut self) {
        let links = fs::metadata("/proc/self/task").map_or(0, |folder| folder.nlink());
        if links == self.links {
            return;
        }
        self.links = links;
        self.stats.clear();
        let own = fs::read_link("/proc/thread-self").ok();
        let own = own.as_ref().and_then(|path| path.file_name());
        for entry in fs::read_dir("/proc/self/task").into_iter().flatten().flatten() {
            // While the runtime's own blocking threads work, its clock stands still without this.
            let name = fs::read(entry.path().join("comm")).unwrap_or_default();
            if Some(entry.file_name().as_os_str()) != own
                && !name.starts_with(b"tokio-rt")
                && let Ok(stat) = File::open(entry.path().join("stat"))
            {
                self.stats.push(stat);
            }
        }
    }

    fn all_sleep(&mut self) -> bool {
        let mut bytes = [0; 96];
        for stat in &self.stats {
            // A thread that has ended can't be read.
            let Ok(length) = stat.read_at(&mut bytes, 0) else { continue };
            // The state follows the name, which stands in brackets and may hold some itself.
            let state = bytes[..length].iter().rposition(|one| *one == b')').map(|at| at + 2);
            if !matches!(state.and_then(|at| bytes.get(at)), Some(b'S' | b'Z' | b'X')) {
                return false;
            }
        }
        true
    }
}
