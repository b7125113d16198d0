//! Starts that no stop came before, and those that come to nothing: a service that ends again and again
//! by itself, and is started again by whoever supervises it, tells its keeper so, and so does one that
//! can't start.

use std::fs;
use std::path::Path;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use tokio::time::timeout;

use super::handing::hand_over;
use super::keeper::{Trouble, leave_in_folder, trouble_letter};
use super::telling::WHO_HAS_THE_PORT;
use super::{Daemon, House};
use crate::post::Post;

/// In the data folder, beside the database, which may be what it ends over.
const FILE: &str = "starts";
/// So many starts
const MANY: usize = 5;
/// within this are told of,
const WITHIN: TimeDelta = TimeDelta::minutes(10);
/// at most once in this.
const BETWEEN_LETTERS: TimeDelta = TimeDelta::hours(1);
/// The file that says that a failed start was told of, and when.
const FAILED: &str = "start-failed";
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
        // An error means that no start failed before.
        let _ = fs::remove_file(self.store().data_dir().join(FAILED));
        let (path, now) = (self.store().data_dir().join(FILE), self.now());
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
        let _ = fs::remove_file(self.store().data_dir().join(FILE));
    }

    /// Tells the keeper that it does not start for want of its port, while no plan is open; `is_taken`:
    /// somebody else has it.
    pub async fn tell_of_no_port(&self, why: &str, is_taken: bool) {
        let trouble = Trouble {
            topic: "start".to_owned(),
            what: format!("the service can't start, and nobody can file; no plan is open: {why}"),
            mend: match is_taken {
                true => WHO_HAS_THE_PORT.map(str::to_owned).to_vec(),
                false => vec!["Mend that, and start the service again.".to_owned()],
            },
        };
        tell_once(&self.0.house, &self.0.post, self.store().data_dir(), &trouble).await;
    }
}

/// Tells the keeper that the service could not start, and that nobody watches. For whoever starts
/// it, when there is no service yet that could tell.
pub async fn tell_of_failed_start(house: &House, post: &Post, data_dir: &Path, why: &str) {
    let trouble = Trouble {
        topic: "start".to_owned(),
        what: format!("the service can't start, and NOBODY WATCHES the open plans: {why}"),
        mend: vec!["Mend that, and start the service again.".to_owned()],
    };
    tell_once(house, post, data_dir, &trouble).await;
}

/// Once an hour, though it may be started again every few seconds.
async fn tell_once(house: &House, post: &Post, data_dir: &Path, trouble: &Trouble) {
    let mark = data_dir.join(FAILED);
    let told = fs::metadata(&mark).and_then(|file| file.modified()).ok();
    let ago = told.and_then(|at| at.elapsed().ok()).and_then(|ago| TimeDelta::from_std(ago).ok());
    if ago.is_some_and(|ago| ago < BETWEEN_LETTERS) {
        return;
    }
    let Some(letter) = trouble_letter(house, trouble, Utc::now()) else { return };
    match hand_over(post, &letter).await {
        // Where it can't be marked, it is told again: better often than never.
        Ok(()) => drop(fs::write(&mark, "")),
        Err(error) => {
            let why = error.in_log();
            tracing::warn!(why, "the keeper can't be told that the service does not start");
        }
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
