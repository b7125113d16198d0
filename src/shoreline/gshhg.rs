//! Rings of the Global Self-consistent Hierarchical High-resolution Geography, as raw positions
//! with a table: for each ring one line `level area vertices south north offset length name`,
//! and at that offset in bytes so many bytes of little-endian `f32`, longitude and latitude in
//! turn.

use super::rings::{Land, Level, LonLat, Ring, ShorelineError};

/// Antarctica as the ice ends; level 6, as the rock begins, would be the same land again.
const ICE_FRONT: u64 = 5;

/// Reads the rings of all levels of land and water.
pub(super) fn read(table: &str, positions: &[u8]) -> Result<Land, ShorelineError> {
    let mut land = Land::default();
    for (index, line) in table.lines().enumerate() {
        let row = index + 1;
        let fault = |fault| ShorelineError::RingTable { line: row, fault };
        let row_of = Row::read(line).ok_or_else(|| fault("is not made of eight fields"))?;
        let Some(level) = row_of.level else { continue };
        let end = row_of.offset.checked_add(row_of.length);
        let bytes = end.and_then(|end| positions.get(row_of.offset..end));
        let bytes = bytes.ok_or_else(|| fault("points beyond the end of the positions"))?;
        if bytes.len() % 8 != 0 {
            return Err(fault("cuts a position in two"));
        }
        land.rings.push(Ring::new(row, bytes.chunks_exact(8).map(position).collect(), level)?);
    }
    if land.rings.is_empty() {
        return Err(ShorelineError::NoPolygons);
    }
    Ok(land)
}

struct Row {
    /// `None` for a ring that is left out.
    level: Option<Level>,
    offset: usize,
    length: usize,
}

impl Row {
    fn read(line: &str) -> Option<Self> {
        let fields: Vec<&str> = line.split_ascii_whitespace().collect();
        let [level, _area, _vertices, _south, _north, offset, length, _name] = fields[..] else {
            return None;
        };
        let level = level.parse().ok()?;
        let level = if level == ICE_FRONT { Some(Level::Land) } else { Level::from_number(level) };
        Some(Self { level, offset: offset.parse().ok()?, length: length.parse().ok()? })
    }
}

fn position(bytes: &[u8]) -> LonLat {
    let degrees = |at: usize| {
        let four = [bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]];
        f64::from(f32::from_le_bytes(four))
    };
    LonLat { lon: degrees(0), lat: degrees(4) }
}
