//! A letter as HTML: nothing remote, no forms, no script; dark text on light, opaque blocks.

use askama::Template;

use super::block::{Block, Draft};
use super::brief::{Brief, Row};
use super::words;

/// Mail programs cut longer letters (Gmail from about 102 kB); this leaves room for what relays
/// add.
pub(super) const LONGEST_BYTES: usize = 30_000;

/// What the letter says where its HTML had to be cut.
const CUT_NOTE: &str = "Some of this was too long for a mail program and was cut here. It stands in full in the \
     plain-text part of this letter and on your page.";

#[derive(Template)]
#[template(path = "letter.html")]
struct Page<'a> {
    subject: &'a str,
    lead: &'a [String],
    blocks: &'a [Block],
    cut_note: Option<&'static str>,
}

#[derive(Template)]
#[template(path = "brief.html")]
struct BriefPart<'a> {
    brief: &'a Brief,
}

impl Brief {
    /// The brief as a piece of HTML with everything escaped, for a page.
    #[must_use]
    pub fn html(&self) -> String {
        // Writing into a String has no way to fail.
        BriefPart { brief: self }.render().unwrap_or_default()
    }
}

/// The first of these cuts under which the letter is short enough: how many rows of a list, how
/// many characters of a text.
const CUTS: [(usize, usize); 7] =
    [(usize::MAX, usize::MAX), (60, 600), (24, 200), (24, 110), (22, 70), (10, 80), (5, 50)];

/// The longest label, in characters, once something has to be cut.
const LONGEST_LABEL: usize = 60;

/// The whole letter, its long lists and texts cut only as far as its size demands.
pub(super) fn render(draft: &Draft) -> String {
    let mut letter = String::new();
    for (rows, characters) in CUTS {
        let whole = rows == usize::MAX;
        let blocks: Vec<Block> = if whole {
            draft.blocks.clone()
        } else {
            draft.blocks.iter().map(|block| cut(block, rows, characters)).collect()
        };
        letter = page(draft, &blocks, !whole);
        if weight(&letter) <= LONGEST_BYTES {
            return letter;
        }
        if (rows, characters) == CUTS[CUTS.len() - 1] {
            return shortest(draft, blocks);
        }
    }
    letter
}

/// What it takes on the line, where each line ends with two bytes.
fn weight(letter: &str) -> usize {
    letter.len() + letter.matches('\n').count()
}

fn page(draft: &Draft, blocks: &[Block], is_cut: bool) -> String {
    let cut_note = is_cut.then_some(CUT_NOTE);
    let (subject, lead) = (&draft.subject, &draft.lead);
    // Writing into a String has no way to fail; without HTML the text still goes.
    Page { subject, lead, blocks, cut_note }.render().unwrap_or_default()
}

/// Leaves out the last blocks, which matter least, until the letter is short enough.
fn shortest(draft: &Draft, mut blocks: Vec<Block>) -> String {
    let footer = blocks.pop();
    loop {
        let mut kept = blocks.clone();
        kept.extend(footer.clone());
        let letter = page(draft, &kept, true);
        if weight(&letter) <= LONGEST_BYTES || blocks.pop().is_none() {
            return letter;
        }
    }
}

fn cut(block: &Block, rows: usize, characters: usize) -> Block {
    let short = |text: &String| words::cut(text, characters);
    match block {
        Block::Rows(all) => {
            let row =
                |row: &Row| Row::new(words::cut(&row.label, LONGEST_LABEL), short(&row.value));
            let mut kept: Vec<Row> = all.iter().take(rows).map(row).collect();
            if all.len() > rows {
                kept.push(Row::new("…", format!("{} more lines", all.len() - rows)));
            }
            Block::Rows(kept)
        }
        Block::List(all) => {
            let mut kept: Vec<String> = all.iter().take(rows).map(short).collect();
            if all.len() > rows {
                kept.push(format!("{} more", all.len() - rows));
            }
            Block::List(kept)
        }
        other => other.clone(),
    }
}
