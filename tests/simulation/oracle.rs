//! The judge. It sees what was said and answered, which faults were on when, when the service was
//! up, and which letters arrived: never the code's own state.
//!
//! Missed: there was a time during which an alert was owed, its plan open beyond doubt, the service
//! up, and one relay without any fault, for long enough; and nothing came. Spurious: an alert came
//! to a contact before overdue, or after an answered closing, extension or amendment, by more than a
//! letter may have been under way.

use std::collections::BTreeMap;

use super::script::{Deed, GRACE, Life, SECOND, SPACING, Script};
use super::wire::Arrival;
use super::world::{Said, Seen, Story, address};

/// What an attempt may take when it began while a relay was at fault (twice the deadline of 20 s,
/// with up to 5 s of a head start), its longest wait for the next (a minute and a tenth), and some.
const LONG_ENOUGH: i64 = (45 + 66 + 19) * SECOND;
/// From the last look to the final dot: two answers, each at most 21 ms on its way, and what the
/// database takes.
const ROUND_TRIP: i64 = 500;
/// The same where the network may have been parted meanwhile: until the client gives up.
const ROUND_TRIP_AT_FAULT: i64 = 46 * SECOND;

/// What was found.
#[derive(Debug, Default)]
pub struct Verdict {
    pub plans: usize,
    pub letters: usize,
    pub alerts: usize,
    /// Spans in which an alert was owed and had to come.
    pub owed: usize,
    pub again: usize,
    pub faults: Vec<String>,
}

impl Verdict {
    pub fn add(&mut self, other: Verdict) {
        self.plans += other.plans;
        self.letters += other.letters;
        self.alerts += other.alerts;
        self.owed += other.owed;
        self.again += other.again;
        self.faults.extend(other.faults);
    }
}

struct Judge<'a> {
    script: &'a Script,
    seen: &'a Seen,
    verdict: Verdict,
}

pub fn judge(script: &Script, seen: &Seen) -> Verdict {
    let mut judge = Judge { script, seen, verdict: Verdict::default() };
    let mut by_plan: BTreeMap<&str, Vec<&Arrival>> = BTreeMap::new();
    for arrival in &seen.arrivals {
        by_plan.entry(&arrival.plan_ref).or_default().push(arrival);
    }
    judge.verdict.letters = seen.arrivals.len();
    judge.verdict.alerts = seen.arrivals.iter().filter(|one| is_alert(one)).count();
    for (plan, story) in seen.stories.iter().enumerate() {
        let Some(plan_ref) = &story.plan_ref else { continue };
        judge.verdict.plans += 1;
        let arrivals = by_plan.remove(plan_ref.as_str()).unwrap_or_default();
        judge.missed(plan, story, &arrivals);
        judge.spurious(plan, story, &arrivals);
        judge.ended(plan, story, &arrivals);
    }
    judge.repeated();
    judge.verdict
}

fn is_alert(arrival: &Arrival) -> bool {
    matches!(arrival.kind.as_str(), "overdue" | "call-rescue")
}

/// A span in which a plan was open beyond doubt.
struct Open {
    from: i64,
    until: i64,
    /// From when its crew was overdue.
    overdue: i64,
    /// What went before this counts for nothing: it was closed, or other terms held.
    anew: i64,
    /// Whether it had ever been closed.
    again: bool,
}

/// When the crew is overdue after this.
fn overdue_after(deed: &Deed, overdue: i64) -> i64 {
    match deed {
        Deed::Extend { by_s } => overdue + i64::from(*by_s) * SECOND,
        Deed::Amend { due } => due + GRACE,
        _ => overdue,
    }
}

/// The spans in which it is certain that a plan was open, and on what terms.
fn open(life: &Life, story: &Story) -> Vec<Open> {
    let mut spans = Vec::new();
    let (mut overdue, mut anew, mut again) = (life.due + GRACE, 0, false);
    let mut from = None;
    for ((_, deed), said) in life.deeds.iter().zip(&story.said) {
        let (began, ended) = match *said {
            Said::NotYet => break,
            Said::Unanswered(began) => (began, None),
            Said::Done(began, ended) => (began, Some((ended, true))),
            Said::Refused(began, ended) => (began, Some((ended, false))),
        };
        match deed {
            Deed::File => from = ended.map(|(ended, _)| ended),
            Deed::OnIt(_) | Deed::Called(_) | Deed::CantAct(_) => {}
            _ => {
                if let Some(since) = from {
                    spans.push(Open { from: since, until: began, overdue, anew, again });
                }
                let Some((ended, done)) = ended else { return spans };
                if !done {
                    from = from.map(|_| ended);
                } else if deed.closes() {
                    (from, again) = (None, true);
                } else {
                    overdue = overdue_after(deed, overdue);
                    (from, anew) = (Some(ended), began);
                }
            }
        }
    }
    let until = super::script::END;
    spans.extend(from.map(|from| Open { from, until, overdue, anew, again }));
    spans
}

/// The spans in which a plan was closed beyond doubt.
fn closed(life: &Life, story: &Story) -> Vec<(i64, i64)> {
    let mut spans: Vec<(i64, i64)> = Vec::new();
    for ((_, deed), said) in life.deeds.iter().zip(&story.said) {
        match (deed, *said) {
            (deed, Said::Done(_, ended)) if deed.closes() => spans.push((ended, i64::MAX)),
            (Deed::TakeBack, Said::Done(began, _) | Said::Unanswered(began)) => {
                if let Some(last) = spans.last_mut() {
                    last.1 = began;
                }
            }
            _ => {}
        }
    }
    spans
}

impl Judge<'_> {
    /// The spans, within this one, in which the service was up and one relay was without a fault.
    fn good(&self, from: i64, until: i64) -> Vec<(i64, i64)> {
        let mut spans = Vec::new();
        for &(up, down) in &self.seen.up {
            for relay in 0..self.script.relays {
                let mut here = up.max(from);
                let end = down.min(until);
                let mut troubles: Vec<_> =
                    self.script.troubles.iter().filter(|one| one.relay == relay).collect();
                troubles.sort_by_key(|one| one.from);
                for trouble in troubles {
                    if trouble.from > here && here < end {
                        spans.push((here, trouble.from.min(end)));
                    }
                    here = here.max(trouble.to);
                }
                if here < end {
                    spans.push((here, end));
                }
            }
        }
        spans
    }

    fn missed(&mut self, plan: usize, story: &Story, arrivals: &[&Arrival]) {
        let life = &self.script.lives[plan];
        let living: Vec<usize> = (0..2).filter(|contact| life.alive[*contact]).collect();
        for span in open(life, story) {
            for (from, until) in self.good(span.from, span.until) {
                if !span.again && from + LONG_ENOUGH <= until {
                    self.must_have(plan, arrivals, &["filed"], &living, (0, from + LONG_ENOUGH));
                }
            }
            for (from, until) in self.good(span.from.max(span.overdue), span.until) {
                // The first rung goes to contact 1; one whose address is refused brings the next.
                let any = ["overdue", "call-rescue"];
                let rungs: [(&[&str], &[usize]); 3] =
                    [(&any, &living[..1]), (&any, &living), (&["call-rescue"], &living)];
                for (higher, (kinds, readers)) in (0..).zip(rungs) {
                    let by = from + LONG_ENOUGH + higher * (SPACING + 2 * SECOND);
                    if by <= until {
                        self.verdict.owed += readers.len();
                        self.must_have(
                            plan,
                            arrivals,
                            kinds,
                            readers,
                            (span.overdue.max(span.anew), by),
                        );
                    }
                }
            }
        }
    }

    fn must_have(
        &mut self,
        plan: usize,
        arrivals: &[&Arrival],
        kinds: &[&str],
        contacts: &[usize],
        (from, by): (i64, i64),
    ) {
        for &contact in contacts {
            let to = address(plan, contact);
            let came = arrivals.iter().any(|one| {
                kinds.contains(&one.kind.as_str()) && one.to == to && (from..=by).contains(&one.at)
            });
            if !came {
                let came: Vec<_> =
                    arrivals.iter().map(|one| (one.at, &one.to, &one.kind)).collect();
                self.fault(
                    plan,
                    format!("missed: no {kinds:?} to {to} between {from} and {by}: {came:?}"),
                );
            }
        }
    }

    fn spurious(&mut self, plan: usize, story: &Story, arrivals: &[&Arrival]) {
        let life = &self.script.lives[plan];
        for alert in arrivals.iter().filter(|one| is_alert(one)) {
            if !alert.to.starts_with("contact") {
                continue;
            }
            let at_fault = self.script.ails(alert.relay, alert.at - ROUND_TRIP_AT_FAULT, alert.at);
            let allowed = if at_fault { ROUND_TRIP_AT_FAULT } else { ROUND_TRIP };
            let left = alert.at - allowed;
            // By the terms that were certain when it left at the latest; of those said since, or not
            // answered, any may have held.
            let (mut now, mut overdue) = (life.due + GRACE, life.due + GRACE);
            for ((_, deed), said) in life.deeds.iter().zip(&story.said) {
                match *said {
                    Said::Done(_, ended) if ended < left => {
                        now = overdue_after(deed, now);
                        overdue = now;
                    }
                    Said::Done(began, _) | Said::Unanswered(began) if began <= alert.at => {
                        now = overdue_after(deed, now);
                        overdue = overdue.min(now);
                    }
                    _ => {}
                }
            }
            if alert.at < overdue {
                self.fault(plan, format!("spurious: before {overdue}: {alert:?}"));
            }
            if closed(life, story).iter().any(|&(from, to)| from < left && alert.at < to) {
                self.fault(plan, format!("spurious: after the closing: {alert:?}"));
            }
        }
    }

    /// Who was alerted is stood down, who was told of the plan hears that it is over.
    fn ended(&mut self, plan: usize, story: &Story, arrivals: &[&Arrival]) {
        let life = &self.script.lives[plan];
        let last = closed(life, story).pop().filter(|(_, to)| *to == i64::MAX);
        let Some((closed, _)) = last else {
            self.fault(plan, "it was not closed by the end".to_owned());
            return;
        };
        for contact in (0..2).filter(|contact| life.alive[*contact]) {
            let to = address(plan, contact);
            let mine: Vec<_> = arrivals.iter().filter(|one| one.to == to).collect();
            let alerted = mine.iter().any(|one| is_alert(one));
            let ends = mine.iter().filter(|one| one.at >= closed - 1000);
            let stood_down = ends.clone().any(|one| one.kind == "stand-down");
            let home = ends.clone().any(|one| one.kind == "home");
            if alerted && !stood_down {
                self.fault(plan, format!("{to} was alerted and never stood down"));
            }
            let told = mine.iter().any(|one| one.kind == "filed");
            if told && !alerted && !home && !stood_down {
                self.fault(plan, format!("{to} never heard that it is over"));
            }
        }
    }

    /// A letter that was answered does not come again, unless the service was cut off just then.
    fn repeated(&mut self) {
        let mut by_id: BTreeMap<&str, Vec<&Arrival>> = BTreeMap::new();
        for arrival in &self.seen.arrivals {
            by_id.entry(&arrival.id).or_default().push(arrival);
        }
        let mut faults = Vec::new();
        for (id, arrivals) in by_id {
            self.verdict.again += arrivals.len() - 1;
            let first = arrivals[0];
            let same = |one: &&Arrival| (&one.to, &one.kind) == (&first.to, &first.kind);
            if !arrivals.iter().all(same) {
                faults.push(format!("one id for two letters: {arrivals:?}"));
            }
            for pair in arrivals.windows(2) {
                let known = pair[0].answered.is_some_and(|answered| {
                    let cut = |&(_, down): &(i64, i64)| {
                        (pair[0].at - ROUND_TRIP..=answered + ROUND_TRIP).contains(&down)
                    };
                    let relay = pair[0].relay;
                    let ailed = (0..self.script.relays).any(|one| {
                        self.script.ails(
                            one,
                            pair[0].at - ROUND_TRIP_AT_FAULT,
                            answered + ROUND_TRIP,
                        )
                    });
                    !self.seen.up.iter().any(cut) && !ailed && relay < self.script.relays
                });
                if known {
                    faults.push(format!("went again though it was answered: {id} {pair:?}"));
                }
            }
        }
        for fault in faults {
            self.fault(usize::MAX, fault);
        }
    }

    fn fault(&mut self, plan: usize, what: String) {
        let seed = self.script.seed;
        self.verdict.faults.push(format!("seed {seed}, plan {plan}: {what}"));
    }
}
