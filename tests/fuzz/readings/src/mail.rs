//! What is done with a mail to the address for reports: it is no report, or what is read of it can
//! be printed and looked up. `tests/fuzz_corpus.rs` does the same with what is kept in the corpus.

use super::report::{Report, letter_of, read_report, return_path};

const BOUNCES: &str = "bounces@lamp.example.org";

/// A mail, whatever it holds.
pub fn bounce(data: &[u8]) {
    if let Some(report) = read_report(data) {
        sound(&report);
    }
}

/// What was read of it can be printed, stored and looked up.
pub fn sound(report: &Report) {
    // For the keeper's terminal and for the database.
    assert!(report.said.chars().count() <= 200 && !report.said.contains(char::is_control));
    assert!(report.sent_to.len() <= 20);
    assert!(report.failed || !report.for_content, "{report:?}");
    if report.failed {
        // Nothing but an `Action` says so.
        let is_cut = report.said.chars().count() == 200;
        let says_so = report.said.starts_with("failed, ") || report.said.contains("; failed, ");
        assert!(says_so || is_cut, "{report:?}");
        for spared in ["delivered, ", "relayed, ", "expanded, "] {
            assert!(!report.said.starts_with(spared), "{report:?}");
        }
    }
    for address in &report.sent_to {
        let Some((letter, tag)) = letter_of(BOUNCES, address) else { continue };
        // What is taken for ours is what we would have written, capitals aside.
        let again = return_path(BOUNCES, letter, tag).expect("an address");
        assert!(again.eq_ignore_ascii_case(address), "{address} {again}");
    }
}
