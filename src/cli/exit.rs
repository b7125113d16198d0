//! How a command ends: the number for the shell, the words for the person.

use std::fmt;

/// What a command comes to.
pub(super) type Done<T = ()> = Result<T, Failure>;

/// The exit codes of `sysexits.h` that the commands use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub(super) enum Exit {
    /// The command line.
    Usage = 64,
    /// The plan, or what was asked of it.
    BadData = 65,
    /// A file that is not there.
    NoInput = 66,
    /// The service, or something that it needs, can't be had now.
    Unavailable = 69,
    /// The program itself.
    Software = 70,
    /// A file can't be made.
    CantCreate = 73,
    /// Reading or writing failed.
    Io = 74,
    /// It can't be done now, and a mail server is to try again.
    TempFail = 75,
    /// The key does not allow it.
    NotAllowed = 77,
    /// The settings, or what they name.
    BadSettings = 78,
}

/// Why a command did not do its work.
#[derive(Debug)]
pub(super) struct Failure {
    pub(super) exit: Exit,
    words: String,
}

impl Failure {
    /// `words` say what is wrong, where, and how to mend it.
    pub(super) fn new(exit: Exit, words: impl fmt::Display) -> Self {
        Failure { exit, words: words.to_string() }
    }

    /// The same, as what may be done later: a mail server that started the command keeps its mail, and
    /// tells nobody that it came to nothing.
    pub(super) fn for_now(self) -> Self {
        Failure { exit: Exit::TempFail, ..self }
    }

    /// The same, with words in front that must not be overlooked.
    pub(super) fn headed(self, head: &str) -> Self {
        Failure { words: format!("{head}\n{}", self.words), ..self }
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(&self.words)
    }
}
