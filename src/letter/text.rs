//! A letter as plain text, complete by itself, in lines of at most 78 columns.

use textwrap::{Options, WordSeparator, WordSplitter};

use super::block::{Block, Callee, Draft};
use super::brief::{Brief, Row};
use super::words;

/// RFC 5322, 2.1.1: a line should have at most 78 characters.
pub(super) const COLUMNS: usize = 78;

pub(super) fn render(draft: &Draft) -> String {
    let mut parts: Vec<String> = draft.lead.iter().map(|line| paragraph(line, "", "")).collect();
    parts = vec![parts.join("\n")];
    parts.extend(draft.blocks.iter().map(block));
    parts.retain(|part| !part.is_empty());
    finish(&parts)
}

fn block(block: &Block) -> String {
    match block {
        Block::Heading(text) => heading(text, "="),
        Block::Section(text) => heading(text, "-"),
        Block::Para(text) | Block::Small(text) => paragraph(text, "", ""),
        Block::Steps(steps) => {
            let steps = steps.iter().enumerate();
            join(steps.map(|(at, step)| paragraph(step, &format!("{}. ", at + 1), "   ")))
        }
        Block::List(items) => join(items.iter().map(|item| paragraph(item, "- ", "  "))),
        Block::Rows(all) => rows(all),
        Block::Say(paragraphs) => {
            let say = paragraphs.iter().map(|text| paragraph(text, "  ", "  "));
            say.collect::<Vec<_>>().join("\n\n")
        }
        // All that it shows stands in words elsewhere.
        Block::Chart(_) => String::new(),
        Block::Call(callees) => join(callees.iter().map(callee)),
        // A link cut in two opens nothing.
        Block::Link(purpose, link) => format!("{}\n{link}", paragraph(purpose, "", "")),
    }
}

fn heading(text: &str, line: &str) -> String {
    let text = paragraph(text, "", "");
    let width = text.lines().map(textwrap::core::display_width).max().unwrap_or(0);
    format!("{text}\n{}", line.repeat(width))
}

fn rows(rows: &[Row]) -> String {
    join(rows.iter().map(row))
}

/// What people typed stands to the right of its label or further in, so that no line of it looks
/// like ours.
fn row(row: &Row) -> String {
    let mut lines = row.value.lines();
    let first =
        paragraph(&format!("{}: {}", row.label, lines.next().unwrap_or_default()), "", "    ");
    join([first].into_iter().chain(lines.map(|line| paragraph(line, "    ", "    "))))
}

fn callee(callee: &Callee) -> String {
    let name = paragraph(&format!("Call: {}", callee.name), "", "  ");
    let numbers = callee.numbers.iter().map(|number| {
        format!("    {}\n{}", number.dial, paragraph(&number.purpose, "      ", "      "))
    });
    let note = callee.note.iter().map(|note| paragraph(note, "    ", "    "));
    join([name].into_iter().chain(numbers).chain(note))
}

fn join(parts: impl Iterator<Item = String>) -> String {
    parts.collect::<Vec<_>>().join("\n")
}

fn paragraph(text: &str, first: &str, rest: &str) -> String {
    let options = Options::new(COLUMNS)
        .initial_indent(first)
        .subsequent_indent(rest)
        .word_separator(WordSeparator::AsciiSpace)
        .word_splitter(WordSplitter::NoHyphenation);
    textwrap::fill(text, options)
}

impl Brief {
    /// The brief as plain text, in lines of at most 78 columns.
    #[must_use]
    pub fn text(&self) -> String {
        let sections = self.sections.iter();
        let mut parts: Vec<String> = sections
            .map(|section| format!("{}\n{}", heading(&section.title, "-"), rows(&section.rows)))
            .collect();
        parts.push(format!(
            "{}\n{}",
            heading("Not told in this plan", "-"),
            join(self.not_told.iter().map(|item| paragraph(item, "- ", "  ")))
        ));
        finish(&parts)
    }
}

fn finish(parts: &[String]) -> String {
    parts.join("\n\n").replace(words::NO_BREAK, " ") + "\n"
}
