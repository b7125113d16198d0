//! The judge: sees what people said and were answered, the faults, and what arrived.

use super::script::{Deed, END, SECOND, Script};

/// A letter that reached its reader.
#[derive(Clone, Debug)]
pub struct Arrival {
    pub at: i64,
    pub contact: usize,
    pub kind: &'static str,
    pub key: String,
    /// Whether the post was told.
    pub settled: bool,
}

/// What was seen from outside: for each deed when it was answered and whether it applied.
#[derive(Debug, Default)]
pub struct Seen {
    pub said: Vec<(i64, Deed, bool)>,
    pub arrivals: Vec<Arrival>,
    /// What the page said of the plan, and when.
    pub looks: Vec<(i64, &'static str)>,
}

/// A silence of 20 s, the longest wait for the next attempt (66 s), a pass, and a letter's way.
const LONG_ENOUGH: i64 = 92 * SECOND;
/// From the time of something to the watch's noticing it.
const A_PASS: i64 = 2 * SECOND;
/// A letter's longest way from the last look to its reader.
pub const LONGEST_WAY: i64 = 2 * SECOND;

/// What holds from one time on.
#[derive(Clone, Debug)]
struct Terms {
    from: i64,
    open: bool,
    overdue: i64,
    asked: Vec<usize>,
}

/// What held when, told from what was answered alone.
fn terms(script: &Script, seen: &Seen) -> Vec<Terms> {
    let first =
        Terms { from: 0, open: true, overdue: script.due + script.grace, asked: vec![0, 1] };
    let mut all = vec![first.clone()];
    let (mut now, mut ashore, mut by_word) = (first, vec![false; script.crew], false);
    let mut last = Vec::new();
    for (at, deed, applied) in &seen.said {
        if !applied {
            continue;
        }
        match deed {
            Deed::CheckIn(who) if !ashore[*who] => {
                ashore[*who] = true;
                last.push(deed.clone());
            }
            Deed::CallOff | Deed::CloseByHand if now.open => {
                by_word = true;
                last.push(deed.clone());
            }
            // Whoever takes back a word that somebody is ashore says that they are out: a trip that
            // had been called off before is open again too.
            Deed::TakeBack => {
                if let Some(Deed::CheckIn(who)) = last.pop() {
                    ashore[who] = false;
                }
                by_word = false;
            }
            Deed::Extend(by) => now.overdue += by,
            Deed::Amend(due_in, asked) => {
                now.overdue = at + due_in + script.grace;
                now.asked.clone_from(asked);
            }
            _ => continue,
        }
        now.from = *at;
        now.open = !by_word && ashore.contains(&false);
        all.push(now.clone());
    }
    all
}

pub fn judge(script: &Script, seen: &Seen) -> (usize, Vec<String>) {
    let mut faults = Vec::new();
    let terms = terms(script, seen);
    let owed = missed(script, seen, &terms, &mut faults);
    spurious(seen, &terms, &mut faults);
    ended(script, seen, &terms, &mut faults);
    too_soon(script, seen, &terms, &mut faults);
    shown(script, seen, &terms, &mut faults);
    for (at, one) in seen.arrivals.iter().enumerate() {
        let again = seen.arrivals[..at].iter().find(|other| other.key == one.key && other.settled);
        if let Some(first) = again {
            faults.push(format!("went again though it was answered: {first:?} {one:?}"));
        }
    }
    (owed, faults)
}

fn is_alert(one: &Arrival) -> bool {
    matches!(one.kind, "overdue" | "call-rescue")
}

fn missed(script: &Script, seen: &Seen, terms: &[Terms], faults: &mut Vec<String>) -> usize {
    let mut owed = 0;
    for (at, held) in terms.iter().enumerate().filter(|(_, held)| held.open) {
        // One of two ashore changes no term: what it owed before it still owes.
        let until = terms[at + 1..].iter().find(|next| differs(held, next));
        let until = until.map_or(END, |next| next.from);
        if at > 0 && !differs(&terms[at - 1], held) {
            continue;
        }
        let living: Vec<usize> =
            held.asked.iter().copied().filter(|contact| script.always_lives(*contact)).collect();
        let Some(first) = living.first() else { continue };
        // The first rung reached an address that ceased to exist after it: the second is the next.
        let overdue_from = held.from.max(held.overdue);
        let reached = |contact: &usize| {
            !script.always_lives(*contact) && script.lives_until[*contact] > overdue_from
        };
        let skipped = usize::from(held.asked.first().is_some_and(reached));
        for (from, until) in script.good(overdue_from, until) {
            let any = ["overdue", "call-rescue"].as_slice();
            let rungs: [(&[&str], &[usize]); 3] =
                [(any, &[*first]), (any, &living), (&["call-rescue"], &living)];
            for (rung_at, (kinds, readers)) in script.rungs().into_iter().zip(rungs).skip(skipped) {
                let by = from + LONG_ENOUGH + rung_at + 2 * SECOND;
                for reader in readers.iter().filter(|_| by <= until) {
                    owed += 1;
                    let came = seen.arrivals.iter().any(|one| {
                        one.contact == *reader
                            && kinds.contains(&one.kind)
                            && (overdue_from..=by).contains(&one.at)
                    });
                    if !came {
                        faults.push(format!("missed: {kinds:?} to {reader} by {by}, {held:?}"));
                    }
                }
            }
        }
    }
    owed
}

fn differs(one: &Terms, other: &Terms) -> bool {
    (one.open, one.overdue, &one.asked) != (other.open, other.overdue, &other.asked)
}

fn spurious(seen: &Seen, terms: &[Terms], faults: &mut Vec<String>) {
    for alert in seen.arrivals.iter().filter(|one| is_alert(one)) {
        // By anything that held while it was on its way.
        let mut held = terms.iter().enumerate().filter(|(at, one)| {
            let until = terms.get(at + 1).map_or(i64::MAX, |next| next.from);
            one.from <= alert.at && until >= alert.at - LONGEST_WAY
        });
        let owed = held.any(|(_, one)| {
            one.open && one.overdue <= alert.at && one.asked.contains(&alert.contact)
        });
        if !owed {
            faults.push(format!("spurious: {alert:?}"));
        }
    }
}

/// Who was alerted is stood down, who was told of the plan hears that it is over.
fn ended(script: &Script, seen: &Seen, terms: &[Terms], faults: &mut Vec<String>) {
    let Some(end) = terms.last().filter(|last| !last.open) else {
        faults.push("it was not closed by the end".to_owned());
        return;
    };
    let at = terms.iter().rev().take_while(|one| !one.open).last().map_or(end.from, |one| one.from);
    for contact in (0..3).filter(|contact| script.always_lives(*contact)) {
        let mut mine = seen.arrivals.iter().filter(|one| one.contact == contact);
        let alerted = mine.clone().any(is_alert);
        let told = mine.clone().any(|one| one.kind == "filed");
        let last = |kind| move |one: &Arrival| one.kind == kind && one.at >= at;
        let stood_down = mine.clone().any(last("stand-down"));
        if alerted && !stood_down {
            faults.push(format!("contact {contact} was alerted and never stood down"));
        }
        if told && !stood_down && !mine.any(last("home")) {
            faults.push(format!("contact {contact} never heard that it is over"));
        }
    }
}

/// Nobody is hurried without a cause: each rung keeps its distance from the one before, after an
/// outage as well. A contact who can't act, or whose address is gone, is a cause; then this says
/// nothing.
fn too_soon(script: &Script, seen: &Seen, terms: &[Terms], faults: &mut Vec<String>) {
    let cant_act = |(_, deed, _): &(i64, Deed, bool)| matches!(deed, Deed::CantAct(_));
    if seen.said.iter().any(cant_act) || !(0..3).all(|contact| script.always_lives(contact)) {
        return;
    }
    let rungs = script.rungs();
    for (at, held) in terms.iter().enumerate().filter(|(_, held)| held.open) {
        if at > 0 && !differs(&terms[at - 1], held) {
            continue;
        }
        let until = terms[at + 1..].iter().find(|next| differs(held, next));
        let until = until.map_or(END, |next| next.from);
        // The first moment at which anything could go out: that much of the ladder is behind then.
        let begun = held.from.max(held.overdue);
        let begun = script.down_until(begun).unwrap_or(begun);
        let behind = rungs.iter().filter(|rung| held.overdue + **rung <= begun).count();
        let soonest = |rung: usize| match behind {
            0 => held.overdue + rungs[rung],
            _ => begun + (rungs[rung] - rungs[behind - 1]).max(0),
        };
        // What was on its way before says nothing of these terms.
        let mine = seen.arrivals.iter().filter(|one| is_alert(one));
        let mine = mine.filter(|one| (held.from + LONGEST_WAY..until).contains(&one.at));
        for alert in mine {
            let rung = match (alert.kind, held.asked.first() == Some(&alert.contact)) {
                ("overdue", true) => 0,
                ("overdue", false) => 1,
                _ => 2,
            };
            if alert.at < soonest(rung) {
                faults.push(format!("before {}: {alert:?}, {held:?}", soonest(rung)));
            }
        }
    }
}

/// Whoever looks at the plan's page reads how it stands.
fn shown(script: &Script, seen: &Seen, terms: &[Terms], faults: &mut Vec<String>) {
    for (at, says) in &seen.looks {
        let Some(held) = terms.iter().rev().find(|held| held.from <= *at) else { continue };
        // At that very moment it may be either; just awake, it has not looked at the clock yet.
        let just = |since: i64| (since..=since + A_PASS).contains(at);
        let awake = script.down.iter().any(|(_, up)| just(*up));
        if terms.iter().any(|one| one.from == *at) || just(held.overdue) || awake {
            continue;
        }
        let is = match (held.open, held.overdue < *at) {
            (false, _) => "closed",
            (true, false) => "armed",
            (true, true) => "overdue",
        };
        if is != *says {
            faults.push(format!("at {at} the page says {says}, and it is {is}: {held:?}"));
        }
    }
}
