//! The ladder as the settings file says it, read into the watch's own rungs.

use std::ops::Range;

use serde::Deserialize;
use toml::Spanned;

use super::fault::Found;
use crate::measure::Span;
use crate::watch::{Anchor, Ladder, LadderFault, Rung, RungKind, To};

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Written {
    grace: Option<Spanned<String>>,
    repeat: Option<Spanned<String>>,
    pause: Option<Spanned<String>>,
    rung: Option<Spanned<Vec<WrittenRung>>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenRung {
    at: Spanned<String>,
    to: Spanned<Vec<Spanned<String>>>,
    kind: RungKind,
}

/// The longest grace, and the longest time between two letters of a ladder.
const LONGEST: Span = Span::from_hours(48);
/// The most rungs: each is a letter to read.
const MOST_RUNGS: usize = 40;
/// The most contacts of a plan.
const MOST_CONTACTS: usize = 20;

pub(super) fn check(written: Written, has_keeper: bool, found: &mut Found<'_>) -> Option<Ladder> {
    let grace = span(written.grace.as_ref(), 15, found);
    let repeat = span(written.repeat.as_ref(), 10, found);
    let pause = span(written.pause.as_ref(), 15, found);
    let rungs = match &written.rung {
        Some(list) => rungs(list, has_keeper, found),
        None => Some(usual_rungs()),
    };
    let (grace, repeat, pause) = (grace?, repeat?, pause?);
    Ladder::new(rungs?, grace, repeat, pause)
        .map_err(|faults| {
            for fault in faults {
                let place = place(&written, &fault, grace);
                found.at(place, fault.to_string());
            }
        })
        .ok()
}

fn usual_rungs() -> Vec<Rung> {
    let rung = |anchor, minutes: i64, to: &[To], kind| Rung {
        anchor,
        offset_s: minutes * 60,
        to: to.to_vec(),
        kind,
    };
    vec![
        rung(Anchor::Due, -30, &[To::Crew], RungKind::Reminder),
        rung(Anchor::Due, 0, &[To::Crew], RungKind::Due),
        rung(Anchor::Overdue, 0, &[To::Contact(1)], RungKind::Overdue),
        rung(Anchor::Overdue, 15, &[To::Contacts], RungKind::Overdue),
        rung(Anchor::Overdue, 30, &[To::Contacts, To::Keeper], RungKind::CallRescue),
    ]
}

fn span(
    written: Option<&Spanned<String>>,
    usual_minutes: u32,
    found: &mut Found<'_>,
) -> Option<Span> {
    let Some(written) = written else { return Some(Span::from_minutes(usual_minutes)) };
    let span = found.parse::<Span>(written)?;
    if span > LONGEST {
        found.about(written, format!("is too long; write {LONGEST} at most"));
        return None;
    }
    Some(span)
}

fn rungs(
    written: &Spanned<Vec<WrittenRung>>,
    has_keeper: bool,
    found: &mut Found<'_>,
) -> Option<Vec<Rung>> {
    let list = written.get_ref();
    if list.len() > MOST_RUNGS {
        found.at(written.span(), format!("has more than {MOST_RUNGS} rungs; leave some out"));
        return None;
    }
    // All are read before one that failed counts, so that each fault is found.
    let read: Vec<_> = list.iter().map(|rung| self::rung(rung, has_keeper, found)).collect();
    read.into_iter().collect()
}

fn rung(written: &WrittenRung, has_keeper: bool, found: &mut Found<'_>) -> Option<Rung> {
    let time = found.read(&written.at, time);
    let to: Vec<_> =
        written.to.get_ref().iter().map(|text| recipient(text, has_keeper, found)).collect();
    let (anchor, offset_s) = time?;
    Some(Rung { anchor, offset_s, to: to.into_iter().collect::<Option<_>>()?, kind: written.kind })
}

/// `due-30m`, `overdue`, `overdue+1h30m`: the moment, and the seconds after it.
fn time(text: &str) -> Result<(Anchor, i64), String> {
    const FORM: &str = "is not a rung's time; write it like `due-30m`, `overdue` or `overdue+15m`";
    let text = text.trim();
    let (anchor, offset) = text.split_at(text.find(['+', '-']).unwrap_or(text.len()));
    let anchor = match anchor.trim_end() {
        "due" => Anchor::Due,
        "overdue" => Anchor::Overdue,
        _ => return Err(FORM.to_owned()),
    };
    let Some(sign) = offset.chars().next() else { return Ok((anchor, 0)) };
    let span: Span = offset[1..].parse().map_err(|_| FORM.to_owned())?;
    if span > LONGEST {
        return Err(format!("is more than {LONGEST} away; write a shorter time"));
    }
    let seconds = i64::from(span.seconds());
    Ok((anchor, if sign == '-' { -seconds } else { seconds }))
}

fn recipient(written: &Spanned<String>, has_keeper: bool, found: &mut Found<'_>) -> Option<To> {
    let to = found.read(written, named)?;
    if to == To::Keeper && !has_keeper {
        let mend = "has no address: write `keeper_email` under [service], or take the keeper out";
        found.about(written, mend);
        return None;
    }
    Some(to)
}

fn named(text: &str) -> Result<To, &'static str> {
    const FORM: &str =
        "is nobody a rung can go to; write `crew`, `contact:1`, `contacts`, `keeper`";
    match text {
        "crew" => Ok(To::Crew),
        "contacts" => Ok(To::Contacts),
        "keeper" => Ok(To::Keeper),
        _ => match text.strip_prefix("contact:").map(str::parse) {
            Some(Ok(number)) if (1..=MOST_CONTACTS).contains(&number) => Ok(To::Contact(number)),
            _ => Err(FORM),
        },
    }
}

/// Where in the text a fault of the ladder lies; rungs are counted from 1 in the file's order.
fn place(written: &Written, fault: &LadderFault, grace: Span) -> Range<usize> {
    let list = written.rung.as_ref();
    let rungs = list.map_or(&[][..], |list| list.get_ref());
    let rung = |number: &usize| rungs.get(number - 1);
    let place = match fault {
        LadderFault::TooEarly(number) | LadderFault::TooFar(number) => {
            rung(number).map(|rung| rung.at.span())
        }
        LadderFault::WrongReader(number) | LadderFault::Nobody(number) => {
            rung(number).map(|rung| rung.to.span())
        }
        LadderFault::LastRung => last(rungs, grace).map(|rung| rung.at.span()),
        LadderFault::Repeat => written.repeat.as_ref().map(Spanned::span),
    };
    place.or(list.map(Spanned::span)).unwrap_or(0..0)
}

/// The rung that comes last in time.
fn last(rungs: &[WrittenRung], grace: Span) -> Option<&WrittenRung> {
    let after_due_s = |rung: &&WrittenRung| match time(rung.at.get_ref()) {
        Ok((Anchor::Due, offset_s)) => offset_s,
        Ok((Anchor::Overdue, offset_s)) => offset_s + i64::from(grace.seconds()),
        Err(_) => i64::MIN,
    };
    rungs.iter().max_by_key(after_due_s)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_of_rungs() {
        assert_eq!(time("due-30m"), Ok((Anchor::Due, -1800)));
        assert_eq!(time("due"), Ok((Anchor::Due, 0)));
        assert_eq!(time(" overdue + 1h30m "), Ok((Anchor::Overdue, 5400)));
        assert_eq!(time("overdue+4s"), Ok((Anchor::Overdue, 4)));
        for text in ["", "late", "overdue+", "overdue15m", "due+-3m", "due+3", "+3m", "due+500h"] {
            assert!(time(text).is_err(), "{text}");
        }
    }

    #[test]
    fn recipients_of_rungs() {
        assert_eq!(named("contact:2"), Ok(To::Contact(2)));
        for text in ["contact:0", "contact:21", "contact:", "contact:-1", "everybody", ""] {
            assert!(named(text).is_err(), "{text}");
        }
    }
}
