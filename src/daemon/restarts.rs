//! Starts that no stop came before: a service that ends again and again by itself, and is started
//! again by whoever supervises it, tells its keeper so.

use std::fs;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use tokio::time::timeout;

use super::Daemon;
use super::keeper::{Trouble, leave_in_folder, trouble_letter};

/// In the data folder, beside the database, which may be what it ends over.
const FILE: &str = "starts";
/// So many starts
const MANY: usize = 5;
/// within this are told of,
const WITHIN: TimeDelta = TimeDelta::minutes(10);
/// at most once in this.
const BETWEEN_LETTERS: TimeDelta = TimeDelta::hours(1);
/// The watch waits no longer for that letter. It must go first: it may be the watch that ends it.
const LONGEST: Duration = Duration::from_secs(5);

/// The starts since the last stop.
#[derive(Default, Serialize, Deserialize)]
struct Starts {
    at: Vec<DateTime<Utc>>,
    told_at: Option<DateTime<Utc>>,
}

impl Starts {
    /// Takes in a start; whether the keeper is to hear of it.
    fn add(&mut self, now: DateTime<Utc>) -> bool {
        let lately = |at: &DateTime<Utc>, within| *at <= now && now - *at < within;
        self.at.retain(|at| lately(at, WITHIN));
        self.at.push(now);
        let told = self.told_at.is_some_and(|at| lately(&at, BETWEEN_LETTERS));
        let tell = self.at.len() >= MANY && !told;
        self.told_at = if tell { Some(now) } else { self.told_at };
        tell
    }
}

impl Daemon {
    /// Notes a start. What can't be read was not noted, and what can't be written is not told of.
    pub(super) async fn note_start(&self) {
        let (path, now) = (self.0.store.data_dir().join(FILE), self.now());
        let noted = fs::read_to_string(&path).ok();
        let noted = noted.and_then(|text| serde_json::from_str(&text).ok());
        let mut starts: Starts = noted.unwrap_or_default();
        let tell = starts.add(now);
        let written = serde_json::to_string(&starts).map_err(std::io::Error::from);
        if let Err(error) = written.and_then(|text| fs::write(&path, text)) {
            tracing::warn!(%error, "that the service starts can't be noted");
        }
        if let Some(letter) =
            trouble_letter(&self.0.house, &again_and_again(), now).filter(|_| tell)
            && !matches!(timeout(LONGEST, self.hand_over(&letter)).await, Ok(Ok(())))
        {
            leave_in_folder(self, &letter).await;
        }
    }

    /// It stops as it was told to.
    pub(super) fn note_stop(&self) {
        // One that stays counts for ten minutes.
        let _ = fs::remove_file(self.0.store.data_dir().join(FILE));
    }
}

fn again_and_again() -> Trouble {
    let minutes = WITHIN.num_minutes();
    Trouble {
        topic: "restarts".to_owned(),
        what: format!(
            "the service was started {MANY} times within {minutes} minutes and ended by itself in \
             between; alerts go out late or not at all while it does"
        ),
        mend: vec![
            "Look at its log: what it ended over stands before each start.".to_owned(),
            "Look at the board (`shorelamp board`), and reach the crews of the open plans and their \
             contacts yourself until it has run for ten minutes."
                .to_owned(),
        ],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_starts_within_ten_minutes_are_told_of_once_an_hour() {
        let second = |s| DateTime::UNIX_EPOCH + TimeDelta::seconds(s);
        let mut starts = Starts::default();
        let told: Vec<i64> = (0..3700).step_by(2).filter(|s| starts.add(second(*s))).collect();
        assert_eq!(told, [8, 3608]);
        let mut seldom = Starts::default();
        assert!(!(0..100).any(|at| seldom.add(second(at * 150))), "four in ten minutes");
        // A clock that was set back makes nobody wait for it.
        assert!(!starts.add(second(0)) && starts.at.len() == 1);
    }
}
