//! The log beside the database, SQLite's WAL, looked at before SQLite reads it.
//!
//! SQLite reads the log up to the first frame that is not as it was written, and passes over the rest
//! without a word. At its end that is right: what was on its way when the power went was never
//! acknowledged. In its middle it would forget plans and check-ins that were.
//!
//! The form is that of <https://sqlite.org/fileformat2.html#walformat>.

use std::fs::File;
use std::io::{self, BufReader, ErrorKind, Read};
use std::path::Path;

const HEADER: usize = 32;
const FRAME_HEADER: usize = 24;
/// The header's first word; its lowest bit tells the order of bytes in sums.
const MAGIC: u32 = 0x377f_0682;
/// SQLite's own bounds.
const PAGES: std::ops::RangeInclusive<usize> = 512..=65_536;
/// So many ends of changes behind what can't be read may be left from cuts of the power. Each change
/// was on the disk before the next was written. Three such cuts, each in the middle of what the one
/// before it left, look like damage: then alerts are held for nothing, once.
const LEFT_BY_CUTS: usize = 2;

/// Whether changes that were acknowledged stand behind a frame that is not as it was written.
pub(super) fn is_damaged(path: &Path) -> io::Result<bool> {
    let mut log = BufReader::with_capacity(1 << 16, File::open(path)?);
    let mut header = [0; HEADER];
    if !fill(&mut log, &mut header)? {
        return Ok(false);
    }
    let page = usize::try_from(word(&header, 8)).unwrap_or(0);
    if word(&header, 0) & !1 != MAGIC || !PAGES.contains(&page) {
        // Nothing is known of what follows; a log of any length was not for nothing.
        return Ok(std::fs::metadata(path)?.len() > 4 * 65_536);
    }
    let mut sum = Sum { big_endian: header[3] & 1 == 1, of: (0, 0) };
    sum.add(&header[..24]);
    let mut sound = sum.of == (word(&header, 24), word(&header, 28));
    let mut salts = sound.then(|| (word(&header, 16), word(&header, 20)));
    let (mut ends, mut frame) = (0, vec![0; FRAME_HEADER + page]);
    while fill(&mut log, &mut frame)? {
        let own = (word(&frame, 8), word(&frame, 12));
        // Frames with other salts are of an earlier time, which is in the database already.
        if own != *salts.get_or_insert(own) {
            sound = false;
            continue;
        }
        if sound {
            sum.add(&frame[..8]);
            sum.add(&frame[FRAME_HEADER..]);
            sound = sum.of == (word(&frame, 16), word(&frame, 20));
        }
        if !sound {
            if ends >= LEFT_BY_CUTS {
                return Ok(true);
            }
            ends += usize::from(word(&frame, 4) != 0);
        }
    }
    Ok(false)
}

/// The sums of the log: each goes on from the one before it.
struct Sum {
    big_endian: bool,
    of: (u32, u32),
}

impl Sum {
    fn add(&mut self, bytes: &[u8]) {
        let read = if self.big_endian { u32::from_be_bytes } else { u32::from_le_bytes };
        let (words, _) = bytes.as_chunks::<4>();
        let (pairs, _) = words.as_chunks::<2>();
        for [one, two] in pairs {
            self.of.0 = self.of.0.wrapping_add(read(*one)).wrapping_add(self.of.1);
            self.of.1 = self.of.1.wrapping_add(read(*two)).wrapping_add(self.of.0);
        }
    }
}

/// A number of the log, the high byte first; 0 where there is none.
fn word(bytes: &[u8], at: usize) -> u32 {
    let word = bytes.get(at..).and_then(|from| from.first_chunk::<4>());
    word.map_or(0, |word| u32::from_be_bytes(*word))
}

/// Whether there was enough to fill it.
fn fill(from: &mut impl Read, bytes: &mut [u8]) -> io::Result<bool> {
    match from.read_exact(bytes) {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == ErrorKind::UnexpectedEof => Ok(false),
        Err(error) => Err(error),
    }
}
