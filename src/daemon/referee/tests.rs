//! Clocks that are set, stand still, or were off.

use super::*;

/// The machine's clocks, and a hand that sets the wall clock.
struct Machine {
    read: Readings,
    referee: Referee,
}

fn noon() -> DateTime<Utc> {
    "2026-06-14T12:00:00Z".parse().unwrap()
}

impl Machine {
    fn new() -> Self {
        let read = Readings { wall: noon(), since_boot: TimeDelta::hours(5), synchronised: true };
        Machine { read, referee: Referee::new(read, None) }
    }

    fn set_wall(&mut self, by: TimeDelta, synchronised: bool) {
        self.read.wall += by;
        self.read.synchronised = synchronised;
    }

    /// Lets seconds pass, looking each second; the ruling at the end.
    fn pass(&mut self, seconds: i64) -> DateTime<Utc> {
        let mut ruled = self.referee.rule(self.read);
        for _ in 0..seconds {
            self.read.wall += TimeDelta::seconds(1);
            self.read.since_boot += TimeDelta::seconds(1);
            ruled = self.referee.rule(self.read);
        }
        ruled
    }
}

/// A machine that starts with its clock ten years ahead has no clock of its own to compare
/// with; only what is synchronised tells how much time has really passed.
#[test]
fn time_that_no_clock_of_ours_has_counted_is_vouched_for_or_not() {
    let years = TimeDelta::days(3650);
    let since_boot = TimeDelta::minutes(1);
    let first = |wall, synchronised| Readings { wall, since_boot, synchronised };
    let mut machine = Machine::new();
    machine.pass(5);
    let known = machine.referee.agreement();
    assert_eq!(known.unvouched, TimeDelta::zero());
    machine.read = first(noon() + years, false);
    machine.referee = Referee::resume(machine.read, Some(noon()), known, false);
    machine.pass(86_400);
    assert_eq!(machine.referee.unvouched(), years, "a day more has passed, no ten years");
    // The service starts again, then the machine does an hour later.
    let known = machine.referee.agreement();
    let again = Referee::resume(machine.read, Some(machine.read.wall), known, true);
    assert_eq!(again.unvouched(), years);
    let hour = TimeDelta::hours(1);
    let alive = machine.read.wall;
    machine.read = first(alive + hour, true);
    machine.referee = Referee::resume(machine.read, Some(alive), known, false);
    machine.pass(59);
    assert_eq!(machine.referee.unvouched(), years + hour);
    machine.pass(2);
    assert_eq!(machine.referee.unvouched(), TimeDelta::zero(), "synchronised for a minute");
    // The keeper's word is as good.
    machine.referee = Referee::new(first(noon() + years, false), Some(noon()));
    assert_eq!(machine.referee.unvouched(), years);
    machine.referee.accept(machine.read);
    assert_eq!(machine.referee.unvouched(), TimeDelta::zero());
}

#[test]
fn clocks_that_agree_make_no_dispute() {
    let mut machine = Machine::new();
    assert_eq!(machine.pass(3600), noon() + TimeDelta::hours(1));
    // A slew of a second in an hour is no step.
    machine.set_wall(TimeDelta::milliseconds(900), true);
    machine.pass(1);
    assert_eq!(machine.referee.dispute(), None);
}

#[test]
fn a_sleeping_machine_is_no_dispute() {
    let mut machine = Machine::new();
    machine.read.wall += TimeDelta::hours(8);
    machine.read.since_boot += TimeDelta::hours(8);
    assert_eq!(machine.pass(0), noon() + TimeDelta::hours(8));
    assert_eq!(machine.referee.dispute(), None);
}

#[test]
fn a_step_by_a_synchronised_clock_is_believed_after_a_minute() {
    for hours in [-87_600, -2, 2, 87_600] {
        let mut machine = Machine::new();
        machine.pass(10);
        machine.set_wall(TimeDelta::hours(hours), true);
        assert_eq!(machine.pass(59), noon() + TimeDelta::seconds(69), "{hours}");
        assert!(machine.referee.dispute().is_some_and(|dispute| !dispute.unresolved));
        let stepped = noon() + TimeDelta::hours(hours) + TimeDelta::seconds(70);
        assert_eq!(machine.pass(1), stepped);
        assert_eq!(machine.referee.dispute(), None);
    }
}

#[test]
fn a_step_that_nobody_vouches_for_leaves_the_sooner_clock() {
    let mut forward = Machine::new();
    forward.set_wall(TimeDelta::hours(1), false);
    assert_eq!(forward.pass(119), noon() + TimeDelta::seconds(119));
    assert_eq!(forward.pass(1), noon() + TimeDelta::hours(1) + TimeDelta::seconds(120));
    assert!(forward.referee.dispute().is_some_and(|dispute| dispute.unresolved));
    let mut back = Machine::new();
    back.set_wall(TimeDelta::hours(-1), false);
    assert_eq!(back.pass(600), noon() + TimeDelta::seconds(600));
    assert!(back.referee.dispute().is_some_and(|dispute| dispute.unresolved));
}

#[test]
fn a_clock_that_stands_still_is_never_believed() {
    for synchronised in [true, false] {
        let mut machine = Machine::new();
        machine.read.synchronised = synchronised;
        for second in 1..=600 {
            machine.read.since_boot += TimeDelta::seconds(1);
            let ruled = machine.referee.rule(machine.read);
            let behind = noon() + TimeDelta::seconds(second) - ruled;
            assert!(behind <= TOLERANCE, "{behind} behind after {second} s");
        }
        let dispute = machine.referee.dispute().expect("a dispute");
        assert!(dispute.unresolved && !dispute.vouched);
    }
}

/// Whoever watches from outside is told of a clock that nobody vouches for, and not of one that
/// a time service has set.
#[test]
fn a_clock_is_vouched_for_once_it_is_synchronised_and_runs_alike() {
    let vouched = |machine: &Machine| machine.referee.dispute().map(|dispute| dispute.vouched);
    let mut machine = Machine::new();
    machine.set_wall(TimeDelta::hours(1), true);
    machine.pass(1);
    assert_eq!(vouched(&machine), Some(true));
    machine.read.synchronised = false;
    machine.pass(1);
    assert_eq!(vouched(&machine), Some(false));
    let mut standing = Machine::new();
    for second in 1..=110 {
        standing.read.since_boot += TimeDelta::seconds(1);
        standing.referee.rule(standing.read);
        assert!(second < 15 || vouched(&standing) == Some(false), "{second}");
    }
}

#[test]
fn a_clock_that_a_time_service_slows_down_is_no_dispute() {
    let mut machine = Machine::new();
    for _ in 0..600 {
        machine.read.since_boot += TimeDelta::seconds(1);
        // chrony.conf(5): maxslewrate, 83 333 ppm unless it is told another.
        machine.read.wall += TimeDelta::microseconds(1_000_000 - 83_333);
        assert_eq!(machine.referee.rule(machine.read), machine.read.wall);
    }
    assert_eq!(machine.referee.dispute(), None);
}

#[test]
fn a_second_step_has_to_wait_again() {
    let mut machine = Machine::new();
    machine.set_wall(TimeDelta::hours(1), true);
    machine.pass(50);
    machine.set_wall(TimeDelta::hours(1), true);
    assert_eq!(machine.pass(30), noon() + TimeDelta::seconds(80));
    assert_eq!(machine.pass(30), noon() + TimeDelta::hours(2) + TimeDelta::seconds(110));
}

#[test]
fn a_wall_clock_that_comes_back_ends_the_dispute() {
    let mut machine = Machine::new();
    machine.set_wall(TimeDelta::hours(3), false);
    machine.pass(30);
    machine.set_wall(TimeDelta::hours(-3), false);
    assert_eq!(machine.pass(0), noon() + TimeDelta::seconds(30));
    assert_eq!(machine.referee.dispute(), None);
}

#[test]
fn a_clock_that_fell_back_while_the_machine_was_off_goes_on_from_what_was_written_down() {
    let read = Machine::new().read;
    let written = noon() + TimeDelta::hours(6);
    let mut referee = Referee::new(read, Some(written));
    assert!(referee.dispute().is_some_and(|dispute| dispute.unresolved), "before any ruling");
    assert_eq!(referee.rule(read), written);
    let ahead = TimeDelta::hours(-6);
    assert_eq!(
        referee.dispute(),
        Some(Dispute { wall_ahead: ahead, unresolved: true, vouched: true })
    );
    // The kernel vouches for the wall clock: a minute later it is believed.
    let later = |seconds| Readings {
        wall: read.wall + TimeDelta::seconds(seconds),
        since_boot: read.since_boot + TimeDelta::seconds(seconds),
        synchronised: true,
    };
    assert_eq!(referee.rule(later(59)), written + TimeDelta::seconds(59));
    assert_eq!(referee.rule(later(60)), noon() + TimeDelta::seconds(60));
    assert_eq!(referee.dispute(), None);
}

/// The service starts again some seconds later, on the same machine or after its restart; the
/// ruling at once, and what the referee holds of the clocks.
fn started_again(machine: &Machine, later_s: i64, same_boot: bool) -> (DateTime<Utc>, Referee) {
    let later = TimeDelta::seconds(later_s);
    let since_boot = if same_boot { machine.read.since_boot + later } else { later };
    let read = Readings { wall: machine.read.wall + later, since_boot, ..machine.read };
    let known = machine.referee.agreement();
    let mut referee = Referee::resume(read, Some(machine.read.wall - later), known, same_boot);
    (referee.rule(read), referee)
}

#[test]
fn a_dispute_outlives_a_restart_of_the_service() {
    let mut machine = Machine::new();
    machine.set_wall(TimeDelta::hours(5), false);
    machine.pass(60);
    let (ruled, referee) = started_again(&machine, 10, true);
    assert_eq!(ruled, noon() + TimeDelta::seconds(70), "the boot clock rules for two minutes");
    assert!(referee.dispute().is_some_and(|dispute| !dispute.unresolved));
    let (ruled, referee) = started_again(&machine, 60, true);
    assert_eq!(ruled, noon() + TimeDelta::hours(5) + TimeDelta::seconds(120));
    assert!(referee.dispute().is_some_and(|dispute| dispute.unresolved), "letters say so");
}

#[test]
fn a_clock_set_ahead_while_the_service_was_down_is_not_believed_either() {
    let mut machine = Machine::new();
    machine.pass(60);
    machine.set_wall(TimeDelta::hours(5), false);
    let (ruled, referee) = started_again(&machine, 10, true);
    assert_eq!(ruled, noon() + TimeDelta::seconds(70));
    let ahead = Dispute { wall_ahead: TimeDelta::hours(5), unresolved: false, vouched: false };
    assert_eq!(referee.dispute(), Some(ahead));
}

#[test]
fn a_dispute_outlives_a_restart_of_the_machine_and_is_unresolved_at_once() {
    let mut machine = Machine::new();
    machine.set_wall(TimeDelta::hours(5), false);
    machine.pass(60);
    let (ruled, referee) = started_again(&machine, 600, false);
    assert_eq!(ruled, noon() + TimeDelta::hours(5) + TimeDelta::seconds(660), "the sooner one");
    assert!(referee.dispute().is_some_and(|dispute| dispute.unresolved), "letters say so");
    // The clock is right again: what was written down last is no longer ahead of it.
    let read = Readings { wall: noon(), since_boot: TimeDelta::zero(), synchronised: false };
    let late = noon() + TimeDelta::hours(5);
    let mut referee = Referee::resume(read, Some(late), machine.referee.agreement(), false);
    assert_eq!(referee.rule(read), late);
}

#[test]
fn a_machine_that_was_off_for_long_is_no_dispute() {
    let mut machine = Machine::new();
    machine.pass(60);
    for same_boot in [true, false] {
        let (ruled, referee) = started_again(&machine, 86_400, same_boot);
        assert_eq!(ruled, noon() + TimeDelta::seconds(86_460));
        assert_eq!(referee.dispute(), None);
    }
}

#[test]
fn a_mark_of_the_same_second_is_no_dispute() {
    let read = Machine::new().read;
    for written in [TimeDelta::seconds(1), TimeDelta::seconds(-30), TimeDelta::days(-9)] {
        let mut referee = Referee::new(read, Some(noon() + written));
        referee.rule(read);
        assert_eq!(referee.dispute(), None, "{written}");
    }
}

#[test]
fn whoever_vouches_for_the_wall_clock_ends_the_dispute() {
    let mut machine = Machine::new();
    machine.set_wall(TimeDelta::hours(-3), false);
    machine.pass(200);
    assert!(machine.referee.dispute().is_some());
    machine.referee.accept(machine.read);
    assert_eq!(machine.referee.dispute(), None);
    let accepted = noon() - TimeDelta::hours(3) + TimeDelta::seconds(200);
    assert_eq!(machine.pass(0), accepted);
}

#[test]
fn time_never_runs_backwards_by_more_than_a_believed_step() {
    let mut machine = Machine::new();
    let mut last = machine.pass(0);
    for (by, synchronised) in [(5, false), (-5, false), (600, false), (-600, true), (1, true)] {
        machine.set_wall(TimeDelta::seconds(by), synchronised);
        for _ in 0..50 {
            let now = machine.pass(1);
            assert!(now >= last - TOLERANCE, "{by}");
            last = now;
        }
    }
}

/// The service may start again while a time service sets the clock: it has a minute from then.
#[test]
fn a_dispute_that_a_restart_finds_open_may_be_vouched_for_from_then_on() {
    let mut machine = Machine::new();
    machine.set_wall(TimeDelta::hours(5), true);
    machine.pass(40);
    let (_, referee) = started_again(&machine, 5, true);
    let dispute = referee.dispute().expect("a dispute");
    assert!(dispute.vouched && !dispute.unresolved, "{dispute:?}");
}

/// Whatever was written down, what is kept for longer has its bound, and a date stands it.
#[test]
fn nobody_is_asked_to_keep_anything_for_longer_than_a_century() {
    let read = Machine::new().read;
    let known = |unvouched| Agreement {
        wall: noon(),
        since_boot: read.since_boot,
        disputed_since: None,
        unvouched,
    };
    for unvouched in [MOST_UNVOUCHED, TimeDelta::MAX] {
        for not_before in [None, Some(DateTime::<Utc>::MIN_UTC), Some(noon())] {
            let referee = Referee::resume(read, not_before, known(unvouched), false);
            assert_eq!(referee.unvouched(), MOST_UNVOUCHED, "{not_before:?}");
        }
    }
}
