//! The naive model: a list of what happened, and what follows from it. Times are minutes after the
//! return time as it was filed.

/// What can happen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Deed {
    Nothing,
    /// One of the crew of two is ashore.
    Ashore(usize),
    AllAshore,
    CalledOff,
    /// A later return, by so many minutes.
    Extended(i64),
    /// Whatever closed the plan last is taken back.
    TakenBack,
    OnIt(usize),
    Called(usize),
    RelayDown,
    RelayUp,
}

/// Something that happened and was accepted.
#[derive(Clone, Debug)]
pub struct Happened {
    pub at: i64,
    pub what: What,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    Closed,
    Reopened,
    Extended(i64),
}

pub const GRACE: i64 = 15;
/// Minutes after overdue at which contact 1, all contacts, and all contacts are written to.
const RUNGS: [(i64, &str); 3] = [(0, "overdue"), (15, "overdue"), (30, "call-rescue")];

/// What a contact may have heard last. While an alert stands, what came of withdrawals and changes
/// counts for nothing: an alert waits for no other letter, so those may come after it.
pub fn last_words(
    contact: usize,
    all: &[Happened],
    heard: &[&str],
    now: i64,
) -> (Vec<&'static str>, Vec<&'static str>) {
    let alerted = heard.iter().any(|kind| ["overdue", "call-rescue"].contains(kind));
    let closed = all.iter().rev().find_map(|one| match one.what {
        What::Closed => Some(true),
        What::Reopened => Some(false),
        What::Extended(_) => None,
    });
    if closed == Some(true) {
        let over = match (alerted, heard.is_empty()) {
            (true, _) => vec!["stand-down"],
            (false, false) => vec!["home"],
            // Who never heard of the plan need not hear that it is over.
            (false, true) => vec![],
        };
        return (over, vec![]);
    }
    match alert(contact, all, now) {
        Some(kind) => (vec![kind], vec!["withdrawn", "changed"]),
        None => (vec!["filed", "changed", "withdrawn"], vec![]),
    }
}

/// The alert that a contact must have had by now; none while nothing is overdue for them.
fn alert(contact: usize, all: &[Happened], now: i64) -> Option<&'static str> {
    let mut overdue = GRACE;
    let mut begins = i64::MIN;
    for one in all {
        match one.what {
            What::Extended(by) => (overdue, begins) = (overdue + by, one.at),
            What::Reopened => begins = one.at,
            What::Closed => {}
        }
    }
    // Where the ladder begins late, its highest rung that is due goes at once, and the others keep
    // their distance from it.
    let start = begins.max(overdue);
    let first = RUNGS.iter().rposition(|(after, _)| overdue + after <= start)?;
    let gone = |rung: &usize| start + RUNGS[*rung].0 - RUNGS[first].0 <= now;
    let top = (first..RUNGS.len()).rfind(gone)?;
    // The first rung is contact 1's alone.
    (contact == 0 || top > 0).then_some(RUNGS[top].1)
}
