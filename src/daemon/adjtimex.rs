//! Asks the kernel whether it holds the wall clock to be synchronised.

/// Whether a time service has lately told the kernel that the clock is right. A kernel that can't
/// be asked is no witness: `false`.
// The call writes into a struct that we own and reads nothing else; no safe crate offers it.
#[must_use]
#[allow(unsafe_code)]
pub fn is_synchronised() -> bool {
    // SAFETY: all-zero bytes are a valid `timex`, whose `modes` 0 asks for nothing to be changed;
    // the pointer is to a live, exclusively borrowed value.
    let (state, asked) = unsafe {
        let mut asked: libc::timex = std::mem::zeroed();
        (libc::adjtimex(&raw mut asked), asked)
    };
    state >= 0 && state != libc::TIME_ERROR && asked.status & libc::STA_UNSYNC == 0
}

#[cfg(test)]
mod tests {
    /// `adjtimex` prints the same status; here only that asking twice tells the same and does not
    /// move the clock by a second.
    #[test]
    fn asking_changes_nothing() {
        let before = chrono::Utc::now();
        assert_eq!(super::is_synchronised(), super::is_synchronised());
        let after = chrono::Utc::now();
        assert!((after - before).num_seconds().abs() <= 1);
    }
}
