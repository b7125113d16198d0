//! What is wrong with a plan, and how to mend it.

use std::fmt;

use serde::Serialize;

/// One fault: where it is, what stands there, and how to mend it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// The key, as `crew[2].phone` (counted from 1); empty for the text as a whole.
    pub key: String,
    /// What stands there, cut to a line; empty where nothing stands.
    pub value: String,
    /// What is wrong and what to write instead, as a sentence for the paddler.
    pub mend: String,
}

/// Every fault of a plan, up to a hundred; never empty.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(transparent)]
pub struct Faults(Vec<Fault>);

impl Faults {
    /// A single fault.
    #[must_use]
    pub fn one(key: &str, value: impl Into<String>, mend: impl Into<String>) -> Self {
        Faults(vec![Fault::new(key, value, mend)])
    }

    /// The given faults, or `None` if there are none. Beyond a hundred only their number is kept:
    /// the answer must not grow with what somebody sends.
    #[must_use]
    pub fn some(mut faults: Vec<Fault>) -> Option<Self> {
        const MOST: usize = 100;
        if let Some(more) = faults.len().checked_sub(MOST).filter(|more| *more > 0) {
            faults.truncate(MOST);
            faults.push(Fault::new("", "", format!("and {more} more; mend these first")));
        }
        (!faults.is_empty()).then_some(Faults(faults))
    }

    /// The faults in the order of the plan.
    #[must_use]
    pub fn list(&self) -> &[Fault] {
        &self.0
    }
}

impl Fault {
    /// A fault whose key and value are cut to what fits on a line, without control characters.
    #[must_use]
    pub fn new(key: &str, value: impl Into<String>, mend: impl Into<String>) -> Self {
        Fault { key: one_line(key), value: one_line(&value.into()), mend: mend.into() }
    }
}

/// The text's first sixty characters, with a sign for each that would break the line.
fn one_line(text: &str) -> String {
    const LONGEST: usize = 60;
    let visible =
        |c: char| if c.is_control() || is_line_break(c) || turns_text(c) { '␤' } else { c };
    let mut line: String = text.chars().take(LONGEST).map(visible).collect();
    if text.chars().nth(LONGEST).is_some() {
        line.push('…');
    }
    line
}

/// The line breaks of Unicode that are not control characters.
pub(super) fn is_line_break(c: char) -> bool {
    matches!(c, '\u{2028}' | '\u{2029}')
}

/// The signs that turn the text behind them round (UAX #9, "explicit directional" formatting): with
/// one in a name, a telephone number that stands after it is read backwards. Address books put them
/// round numbers, unseen, so they are left out and nobody is blamed.
pub(crate) fn turns_text(c: char) -> bool {
    matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

impl fmt::Display for Fault {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !self.key.is_empty() {
            write!(out, "{}", self.key)?;
            if !self.value.is_empty() {
                write!(out, " = {}", self.value)?;
            }
            write!(out, ": ")?;
        }
        write!(out, "{}", self.mend)
    }
}

impl fmt::Display for Faults {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, fault) in self.0.iter().enumerate() {
            let line_break = if at == 0 { "" } else { "\n" };
            write!(out, "{line_break}{fault}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Faults {}
