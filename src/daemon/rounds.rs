//! Whose alerts go next while more are due than can leave at once: those of each key in turn, so that
//! nobody who files very many for one moment makes all others' wait behind them.

use std::collections::{BTreeMap, BTreeSet};
use std::time::{Duration, Instant};

/// With more keys than these served, a new round begins.
const MOST_KEYS: usize = 100;
/// Where nobody else's are due, that is not looked for again before this: it costs a look at all that
/// wait.
const REST: Duration = Duration::from_secs(1);

/// The keys whose plans' alerts were claimed in this round, while more were due.
#[derive(Default)]
pub(super) struct Rounds {
    served: BTreeSet<String>,
    rests_until: Option<Instant>,
}

impl Rounds {
    /// The keys whose plans' alerts are to wait for all others'.
    pub(super) fn behind(&self, now: Instant) -> Vec<String> {
        match self.rests_until {
            Some(until) if now < until => Vec::new(),
            _ => self.served.iter().cloned().collect(),
        }
    }

    /// Alerts of plans of these keys were claimed, with those `behind` standing back; and whether as
    /// many as were asked for, so that more may wait.
    pub(super) fn claimed(
        &mut self,
        keys: BTreeSet<String>,
        behind: &[String],
        all: bool,
        now: Instant,
    ) {
        let nobody_else = all && !behind.is_empty() && keys.iter().all(|key| behind.contains(key));
        if !all || nobody_else || self.served.len() > MOST_KEYS {
            self.served.clear();
        }
        if nobody_else {
            self.rests_until = Some(now + REST);
        }
        if all {
            self.served.extend(keys);
        }
    }
}

/// What has each a key before it: those of each key in turn, those of one key in the order in which they
/// stand.
pub(super) fn in_turn<T>(all: Vec<(String, T)>) -> Vec<T> {
    let mut served: BTreeMap<String, usize> = BTreeMap::new();
    let mut turns: Vec<_> = all
        .into_iter()
        .map(|(key, one)| {
            let turn = served.entry(key).or_default();
            *turn += 1;
            (*turn, one)
        })
        .collect();
    turns.sort_by_key(|(turn, _)| *turn);
    turns.into_iter().map(|(_, one)| one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn keys(all: &[&str]) -> BTreeSet<String> {
        all.iter().map(|&key| key.to_owned()).collect()
    }

    #[test]
    fn each_key_has_its_turn_and_nobody_is_looked_for_in_vain_all_the_time() {
        let (mut rounds, now) = (Rounds::default(), Instant::now());
        assert!(rounds.behind(now).is_empty());
        rounds.claimed(keys(&["A"]), &[], true, now);
        assert_eq!(rounds.behind(now), ["A"]);
        rounds.claimed(keys(&["B"]), &["A".to_owned()], true, now);
        assert_eq!(rounds.behind(now), ["A", "B"], "a third has its turn before the first again");
        let both = ["A".to_owned(), "B".to_owned()];
        rounds.claimed(keys(&["A"]), &both, true, now);
        assert!(rounds.behind(now).is_empty(), "nobody else waits");
        assert_eq!(rounds.behind(now + REST), ["A"]);
        rounds.claimed(keys(&["A", "C"]), &["A".to_owned()], false, now + REST);
        assert!(rounds.behind(now + REST).is_empty(), "nobody waits any more");
        // That fewer came than were asked for says nothing of whose they were.
        rounds.claimed(BTreeSet::new(), &["A".to_owned()], false, now + REST);
        rounds.claimed(keys(&["A"]), &[], true, now + REST);
        assert_eq!(rounds.behind(now + REST), ["A"], "looked for at once");
    }

    #[test]
    fn of_each_key_one_goes_and_of_one_key_the_first_goes_first() {
        let all = ["A1", "A2", "A3", "B1", "C1", "B2"];
        let all = all.map(|one| (one[..1].to_owned(), one)).to_vec();
        assert_eq!(in_turn(all), ["A1", "B1", "C1", "A2", "B2", "A3"]);
    }
}
