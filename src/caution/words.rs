//! Numbers and lists as a tired reader takes them in.

use chrono::{DateTime, Utc};

use crate::measure::Span;
use crate::plan::Times;

/// `1 h 30 min`: whole minutes.
pub(crate) fn span(seconds: f64) -> String {
    // The cast saturates, and a span is cut at its longest.
    let minutes = (seconds / 60.0).round() as u32;
    match minutes {
        0 => "no time".to_owned(),
        minutes => Span::from_minutes(minutes).spoken(),
    }
}

/// The time on the crew's clocks, with the day when it is not the launch's: `21:40 on 15 June`.
pub(crate) fn clock(times: &Times, at: DateTime<Utc>) -> String {
    let local = at.with_timezone(&times.zone);
    let launched = times.launch.at.with_timezone(&times.zone).date_naive();
    let form = if local.date_naive() == launched { "%H:%M" } else { "%H:%M on %-d %B" };
    local.format(form).to_string()
}

/// `a`, `a and b`, `a, b and c`; beyond `most` of them `a, b and 3 more`.
pub(crate) fn list<T: AsRef<str>>(items: &[T], most: usize) -> String {
    let shown: Vec<_> = items.iter().take(most).map(AsRef::as_ref).collect();
    let more = items.len() - shown.len();
    match (shown.split_last(), more) {
        (None, _) => String::new(),
        (Some(_), 1..) => format!("{} and {more} more", shown.join(", ")),
        (Some((last, [])), 0) => (*last).to_owned(),
        (Some((last, others)), 0) => format!("{} and {last}", others.join(", ")),
    }
}

/// The first word of a name.
pub(crate) fn first_name(name: &str) -> &str {
    name.split_whitespace().next().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_are_whole_minutes() {
        assert_eq!(span(5400.0), "1 h 30 min");
        assert_eq!(span(20.0), "no time");
    }

    #[test]
    fn a_first_name_is_the_first_word() {
        assert_eq!(first_name(" Ines\tHalloran "), "Ines");
        assert_eq!(first_name("מירלה\u{A0}סנדובל"), "מירלה");
        assert_eq!(first_name(""), "");
    }

    #[test]
    fn lists_are_cut() {
        assert_eq!(list::<&str>(&[], 3), "");
        assert_eq!(list(&["a"], 3), "a");
        assert_eq!(list(&["a", "b"], 3), "a and b");
        assert_eq!(list(&["a", "b", "c"], 3), "a, b and c");
        assert_eq!(list(&["a", "b", "c", "d", "e"], 3), "a, b, c and 2 more");
    }
}
