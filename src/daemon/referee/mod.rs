//! Which clock rules when the machine's two clocks disagree. Pure.
//!
//! The wall clock can be set, by hand or by a time service, to anything; the boot clock only ever
//! counts. As long as both advance alike the wall clock rules. When they part by more than two
//! seconds, at once or within twenty, they are in *dispute*: for two minutes the boot clock rules,
//! counted on from the last agreement. A wall clock that the kernel has called synchronised for a
//! minute of the dispute, and that ran with the boot clock meanwhile, is believed. Failing that,
//! the clock that alerts sooner rules, and letters say so: a false alarm is mended by a telephone
//! call, a missed one is not.
//!
//! A restart of the service changes nothing of that, for what the referee [knows](Agreement) is
//! written down. A restart of the machine begins the boot clock anew: then a dispute that was open
//! stays so, with nothing left to resolve it but a synchronised clock or the keeper.

use chrono::{DateTime, TimeDelta, Utc};

/// How far the clocks may part between two looks.
const TOLERANCE: TimeDelta = TimeDelta::seconds(2);
/// For how long an agreement is held against the wall clock before a newer one takes its place: one
/// that stands still, or runs at half its pace, is never far from a second ago. Short enough for a
/// clock that a time service speeds up or slows down by a twelfth (chrony's `maxslewrate`).
const AGREEMENT_HOLDS: TimeDelta = TimeDelta::seconds(20);
/// For how long the boot clock rules.
const BOOT_CLOCK_RULES: TimeDelta = TimeDelta::minutes(2);
/// For how long a clock must be called synchronised before it is believed.
const BELIEVED_AFTER: TimeDelta = TimeDelta::minutes(1);
/// From the beginning of a dispute until the kernel vouches for the wall clock, where it does: a time
/// service sets the clock, and then says that it is synchronised.
const VOUCHED_WITHIN: TimeDelta = TimeDelta::seconds(10);

/// More than any clock is wrong by; what is reckoned with it stays within what a date can hold.
pub(super) const MOST_UNVOUCHED: TimeDelta = TimeDelta::days(36_525);

/// What the machine's clocks say at one moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Readings {
    /// The clock on the wall.
    pub wall: DateTime<Utc>,
    /// The time since the machine started, sleep included.
    pub since_boot: TimeDelta,
    /// Whether the kernel holds the wall clock to be synchronised with the world.
    pub synchronised: bool,
}

/// A dispute between the clocks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Dispute {
    /// How far the wall clock is ahead of where it should be; negative when it is behind.
    pub wall_ahead: TimeDelta,
    /// Whether the two minutes are over without a synchronised clock: letters are then sent by
    /// the clock that alerts sooner, and say so.
    pub unresolved: bool,
    /// Whether the kernel has held the wall clock to be synchronised since the dispute began or was
    /// first looked at, or soon after, and it has run as the boot clock does: then it is on its way
    /// to being believed.
    pub vouched: bool,
}

/// What a referee knows, for the next one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Agreement {
    /// The wall time of the last agreement.
    pub wall: DateTime<Utc>,
    /// The time since boot at that moment.
    pub since_boot: TimeDelta,
    /// When the dispute that is open began, by the boot clock.
    pub disputed_since: Option<TimeDelta>,
    /// As [`Referee::unvouched`].
    pub unvouched: TimeDelta,
}

/// The referee.
#[derive(Clone, Copy, Debug)]
pub struct Referee {
    /// The last agreement: this wall time at this time since boot.
    agreed: DateTime<Utc>,
    agreed_at: TimeDelta,
    /// When the dispute began, by the boot clock.
    disputed_since: Option<TimeDelta>,
    /// Since when the disputed wall clock has been synchronised without a break, and how far it
    /// was ahead then: one that does not run as the boot clock does is no clock to believe.
    synchronised_since: Option<(TimeDelta, TimeDelta)>,
    dispute: Option<Dispute>,
    /// When this referee first looked, since the last agreement: a dispute may be older.
    looks_since: TimeDelta,
    unvouched: TimeDelta,
    /// Since when a wall clock without dispute has been synchronised without a break.
    vouched_since: Option<TimeDelta>,
}

impl Referee {
    /// A referee who first looks now. A wall clock that says less than `not_before` went back
    /// while the machine was off, when no boot clock ran: a dispute from the start, and, as
    /// nothing else can tell, unresolved at once.
    #[must_use]
    pub fn new(first: Readings, not_before: Option<DateTime<Utc>>) -> Self {
        let agreed = not_before.map_or(first.wall, |least| least.max(first.wall));
        let wall_ahead = first.wall - agreed;
        let disputed = wall_ahead < -TOLERANCE;
        let passed = not_before.map_or(TimeDelta::zero(), |least| first.wall - least);
        Referee {
            agreed,
            agreed_at: first.since_boot,
            disputed_since: disputed.then(|| first.since_boot - BOOT_CLOCK_RULES),
            synchronised_since: None,
            dispute: disputed.then_some(Dispute { wall_ahead, unresolved: true, vouched: false }),
            looks_since: first.since_boot,
            unvouched: passed.clamp(TimeDelta::zero(), MOST_UNVOUCHED),
            vouched_since: None,
        }
    }

    /// A referee who goes on from what an earlier one knew.
    #[must_use]
    pub fn resume(
        first: Readings,
        not_before: Option<DateTime<Utc>>,
        known: Agreement,
        same_boot: bool,
    ) -> Self {
        let by_boot = known.wall + (first.since_boot - known.since_boot);
        let ahead = |by: DateTime<Utc>| first.wall - by > TOLERANCE;
        let as_before =
            |new: Referee| Referee { unvouched: both(new.unvouched, known.unvouched), ..new };
        if same_boot && (first.wall - by_boot).abs() <= TOLERANCE {
            return as_before(Referee::new(first, None));
        }
        if same_boot && ahead(by_boot) {
            let since = known.disputed_since.unwrap_or(first.since_boot);
            return as_before(Referee::disputing(first, known.wall, known.since_boot, since));
        }
        let open = known.disputed_since.is_some() && not_before.is_none_or(|at| first.wall >= at);
        if !same_boot && open && ahead(known.wall) {
            let since = first.since_boot - BOOT_CLOCK_RULES;
            return as_before(Referee::disputing(first, known.wall, first.since_boot, since));
        }
        as_before(Referee::new(first, not_before))
    }

    fn disputing(
        first: Readings,
        agreed: DateTime<Utc>,
        agreed_at: TimeDelta,
        since: TimeDelta,
    ) -> Self {
        let mut referee = Referee {
            agreed,
            agreed_at,
            disputed_since: Some(since),
            synchronised_since: None,
            dispute: None,
            looks_since: first.since_boot,
            unvouched: TimeDelta::zero(),
            vouched_since: None,
        };
        referee.rule(first);
        referee
    }

    /// What the next referee should know.
    #[must_use]
    pub fn agreement(&self) -> Agreement {
        Agreement {
            wall: self.agreed,
            since_boot: self.agreed_at,
            disputed_since: self.disputed_since,
            unvouched: self.unvouched,
        }
    }

    /// How much of the time is known by a wall clock alone that nobody vouches for: while the
    /// service or its machine was off, no other clock ran. Zero once the kernel has called it
    /// synchronised for a minute.
    #[must_use]
    pub fn unvouched(&self) -> TimeDelta {
        self.unvouched
    }

    /// The time by which the service acts.
    pub fn rule(&mut self, read: Readings) -> DateTime<Utc> {
        let by_boot = self.agreed + (read.since_boot - self.agreed_at);
        let wall_ahead = read.wall - by_boot;
        if wall_ahead.abs() <= TOLERANCE {
            let since = self.vouched_since.unwrap_or(read.since_boot);
            self.vouched_since = read.synchronised.then_some(since);
            if read.synchronised && read.since_boot - since >= BELIEVED_AFTER {
                self.unvouched = TimeDelta::zero();
            }
            let holds = read.since_boot - self.agreed_at < AGREEMENT_HOLDS;
            return if holds && self.dispute.is_none() { read.wall } else { self.agree(read) };
        }
        self.vouched_since = None;
        // A second step within a dispute is a new dispute.
        let stepped = |dispute: Dispute| (wall_ahead - dispute.wall_ahead).abs() > TOLERANCE;
        if self.dispute.is_some_and(stepped) {
            self.disputed_since = None;
            self.synchronised_since = None;
        }
        let since = *self.disputed_since.get_or_insert(read.since_boot);
        let runs_alike = |ahead: TimeDelta| (wall_ahead - ahead).abs() <= TOLERANCE;
        let so_far = self.synchronised_since.filter(|&(_, ahead)| runs_alike(ahead));
        self.synchronised_since =
            read.synchronised.then(|| so_far.unwrap_or((read.since_boot, wall_ahead)));
        let believed = |(since, _)| read.since_boot - since >= BELIEVED_AFTER;
        if self.synchronised_since.is_some_and(believed) {
            self.unvouched = TimeDelta::zero();
            return self.agree(read);
        }
        let unresolved = read.since_boot - since >= BOOT_CLOCK_RULES;
        // One that stands still is synchronised anew again and again.
        let began = since.max(self.looks_since);
        let soon = |(vouched_since, _)| vouched_since - began <= VOUCHED_WITHIN;
        let vouched = self.synchronised_since.is_some_and(soon);
        self.dispute = Some(Dispute { wall_ahead, unresolved, vouched });
        if unresolved { read.wall.max(by_boot) } else { by_boot }
    }

    /// Believes the wall clock from now on.
    pub fn accept(&mut self, read: Readings) {
        self.unvouched = TimeDelta::zero();
        self.agree(read);
    }

    /// The dispute as of the last ruling.
    #[must_use]
    pub fn dispute(&self) -> Option<Dispute> {
        self.dispute
    }

    fn agree(&mut self, read: Readings) -> DateTime<Utc> {
        let (unvouched, vouched_since) = (self.unvouched, self.vouched_since);
        *self = Referee { unvouched, vouched_since, ..Referee::new(read, None) };
        read.wall
    }
}

/// Two spans that nobody vouches for, one after the other.
fn both(one: TimeDelta, other: TimeDelta) -> TimeDelta {
    one.checked_add(&other).unwrap_or(MOST_UNVOUCHED).min(MOST_UNVOUCHED)
}

#[cfg(test)]
mod tests;
