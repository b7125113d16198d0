//! What letters are built of.

/// A letter before it is written out.
#[derive(Clone, Debug)]
pub(super) struct Draft {
    /// One line, ready for a header.
    pub(super) subject: String,
    /// The first lines: what has happened and what it asks of the reader.
    pub(super) lead: Vec<String>,
    /// The rest, the most important first.
    pub(super) blocks: Vec<Block>,
}

/// A piece of a letter. Texts come cleaned; only a row's value may hold line breaks.
#[derive(Clone, Debug)]
pub(super) enum Block {
    Heading(String),
    /// A smaller heading.
    Section(String),
    Para(String),
    /// Numbered.
    Steps(Vec<String>),
    List(Vec<String>),
    Rows(Vec<super::Row>),
    /// Words to be read aloud.
    Say(Vec<String>),
    /// Whom to call.
    Call(Vec<Callee>),
    /// What the link opens, and the link.
    Link(String, String),
    /// The chart, in words; in the HTML the picture as well.
    Chart(String),
    /// Set smaller.
    Small(String),
}

/// Somebody to call.
#[derive(Clone, Debug)]
pub struct Callee {
    /// What they are called in a sentence.
    pub name: String,
    /// Their numbers, the one that works from anywhere first.
    pub numbers: Vec<Number>,
    /// What else is known of the numbers.
    pub note: Option<String>,
}

/// A number to dial and what it is for.
#[derive(Clone, Debug)]
pub struct Number {
    /// As it is written.
    pub dial: String,
    /// What it is for.
    pub purpose: String,
}

impl Block {
    pub(super) fn heading(text: &str) -> Block {
        Block::Heading(text.to_owned())
    }

    pub(super) fn para(text: &str) -> Block {
        Block::Para(text.to_owned())
    }
}

impl Number {
    /// Only what a telephone takes, for a `tel:` link.
    #[must_use]
    pub fn digits(&self) -> String {
        self.dial.chars().filter(|c| c.is_ascii_digit() || "+*#".contains(*c)).collect()
    }
}
