//! What is wrong with a settings file: shown with its line, a caret under the place, and the mend.

use std::fmt;
use std::ops::Range;

use toml::Spanned;

use super::shown::{host_alone, on_one_line, open_part, shown};

/// Every fault found in a settings file, in the order of its lines; never empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SettingsError(Vec<SettingsFault>);

/// One fault of a settings file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SettingsFault {
    /// The line, counted from 1.
    pub line: usize,
    /// The column in characters, counted from 1.
    pub column: usize,
    /// The line as it stands in the file; what may be a secret is left out.
    pub source: String,
    /// How many characters of `source` stand before the caret.
    pub indent: usize,
    /// How many the caret underlines; at least 1.
    pub width: usize,
    /// What is wrong, and what to write instead.
    pub mend: String,
}

impl SettingsError {
    /// A single fault at a range of bytes of the text.
    pub(super) fn one(text: &str, span: Range<usize>, mend: impl Into<String>) -> Self {
        SettingsError(vec![locate(text, span, mend.into())])
    }

    /// The fault at which the parser itself stopped.
    pub(super) fn unreadable(text: &str, error: &toml::de::Error) -> Self {
        Self::one(text, error.span().unwrap_or(0..0), mended(error.message()))
    }

    /// The faults in the order of the lines.
    #[must_use]
    pub fn list(&self) -> &[SettingsFault] {
        &self.0
    }
}

impl fmt::Display for SettingsError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, fault) in self.0.iter().enumerate() {
            let gap = if at == 0 { "" } else { "\n\n" };
            write!(out, "{gap}{fault}")?;
        }
        Ok(())
    }
}

impl std::error::Error for SettingsError {}

impl fmt::Display for SettingsFault {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = self.line.to_string();
        let margin = " ".repeat(number.len());
        let indent = " ".repeat(self.indent);
        let caret = "^".repeat(self.width);
        writeln!(out, "line {}, column {}:", self.line, self.column)?;
        writeln!(out, "{margin} |\n{number} | {}\n{margin} | {indent}{caret}", self.source)?;
        write!(out, "{}", self.mend)
    }
}

/// Gathers the faults of one text, so that all of them can be told at once.
pub(super) struct Found<'a> {
    text: &'a str,
    faults: Vec<SettingsFault>,
}

impl<'a> Found<'a> {
    pub(super) fn new(text: &'a str) -> Self {
        Found { text, faults: Vec::new() }
    }

    /// Notes a fault at a range of bytes of the text.
    pub(super) fn at(&mut self, span: Range<usize>, mend: impl Into<String>) {
        self.faults.push(locate(self.text, span, mend.into()));
    }

    /// Notes a fault about a value, which is named in front of the mend: `"x" is no …`.
    pub(super) fn about(&mut self, value: &Spanned<String>, mend: impl fmt::Display) {
        let named = on_one_line(&open_part(value.get_ref()));
        self.at(value.span(), format!("`{named}` {mend}"));
    }

    /// The value parsed, or a fault that says why it can't be.
    pub(super) fn parse<T>(&mut self, value: &Spanned<String>) -> Option<T>
    where
        T: std::str::FromStr<Err: fmt::Display>,
    {
        self.read(value, |text| text.parse::<T>())
    }

    /// What `read` makes of the value, or a fault with its words.
    pub(super) fn read<T, E: fmt::Display>(
        &mut self,
        value: &Spanned<String>,
        read: impl FnOnce(&str) -> Result<T, E>,
    ) -> Option<T> {
        read(value.get_ref()).map_err(|error| self.about(value, error)).ok()
    }

    /// What `read` makes of a web address whose path may be a secret; a fault names its host alone.
    pub(super) fn read_address<T, E: fmt::Display>(
        &mut self,
        value: &Spanned<String>,
        read: impl FnOnce(&str) -> Result<T, E>,
    ) -> Option<T> {
        let named = on_one_line(&host_alone(value.get_ref()));
        let told = |error: E| self.at(value.span(), format!("`{named}` {error}"));
        read(value.get_ref()).map_err(told).ok()
    }

    /// The error, if there is any fault.
    pub(super) fn into_error(mut self) -> Option<SettingsError> {
        self.faults.sort_by_key(|fault| (fault.line, fault.column));
        (!self.faults.is_empty()).then_some(SettingsError(self.faults))
    }
}

/// The parser's words without the value that it may repeat, with the mend that it can't know.
fn mended(message: &str) -> String {
    if message.contains("unknown field `password`") {
        return "a password never stands in the settings: write it into a file that only the \
                service may read, and name that file with `password_file`"
            .to_owned();
    }
    let message = message.trim_end();
    match (message.find("string \""), message.rfind('"')) {
        (Some(from), Some(to)) => format!("{}a string{}", &message[..from], &message[to + 1..]),
        _ => message.to_owned(),
    }
}

fn locate(text: &str, span: Range<usize>, mend: String) -> SettingsFault {
    let start = text.floor_char_boundary(span.start);
    let end = text.floor_char_boundary(span.end).max(start);
    let line_start = text[..start].rfind('\n').map_or(0, |at| at + 1);
    let line_end = text[start..].find('\n').map_or(text.len(), |at| start + at);
    let place = start - line_start..end.min(line_end) - line_start;
    let (source, caret) = shown(&text[line_start..line_end], place);
    SettingsFault {
        line: text[..start].matches('\n').count() + 1,
        column: text[line_start..start].chars().count() + 1,
        source,
        indent: caret.start,
        width: caret.len().max(1),
        mend,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_caret_stands_under_the_place() {
        let text = "[a]\n\tname = \"é\"\n";
        let at = text.find("\"é\"").map_or(0..0, |at| at..at + 4);
        let fault = locate(text, at, "is wrong".to_owned());
        assert_eq!(
            fault.to_string(),
            "line 2, column 9:\n  |\n2 |  name = \"é\"\n  |         ^^^\nis wrong"
        );
    }

    #[test]
    fn a_secret_is_not_shown() {
        let text = "password = \"hunter2\"";
        assert!(!locate(text, 0..8, String::new()).to_string().contains("hunter2"));
    }

    #[test]
    fn a_place_beyond_the_text_is_its_end() {
        let fault = locate("é", 1..99, String::new());
        assert_eq!((fault.line, fault.column, fault.width), (1, 1, 1));
    }
}
