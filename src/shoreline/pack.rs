//! A shoreline as one file, looked up where it lies: a head, what there is to say about the data
//! (JSON), and the arrays of its tree. All numbers are little-endian.
//!
//! | byte | what |
//! | --- | --- |
//! | 0 | [`MAGIC`] |
//! | 8 | version, `u32` |
//! | 12 | length of the JSON, `u32` |
//! | 16 | nodes, runs, vertices: `u32` each |
//! | 28 | nothing (0) |
//! | 32 | length of the file, `u64` |
//! | 40 | XXH3 of the arrays, `u64` |
//! | 48 | XXH3 of bytes 0 to 48 and the JSON, `u64` |
//! | 56 | nothing (0) |
//! | 64 | the JSON, filled up with spaces to a multiple of 64 |
//! | then | nodes, vertices, run starts (one more than runs), levels |

use std::io::{self, Write};
use std::sync::Arc;

use bytemuck::cast_slice;
use serde::{Deserialize, Serialize};
use thiserror::Error;
use xxhash_rust::xxh3::{Xxh3, xxh3_64};

use super::build::Packed;
use super::coverage::Coverage;
use super::ecef::GridPoint;
use super::tree::{Bytes, EdgeTree, Layout, Node};

#[cfg(target_endian = "big")]
compile_error!("packs are looked up where they lie, and their numbers are little-endian");

/// The first eight bytes of a pack. The first is no text, the last two are lost in a copy made
/// as text.
pub const MAGIC: [u8; 8] = *b"\x89SHORE\r\n";

const VERSION: u32 = 1;

const HEAD: usize = 64;

/// Longer than any licence's name.
const LONGEST_JSON: usize = 1 << 20;

/// Why a file is no pack.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum PackError {
    /// It begins otherwise.
    #[error("is no shoreline pack")]
    Foreign,
    /// A later or earlier format.
    #[error(
        "is a shoreline pack of version {found}, and this program reads version {VERSION}; import \
         it again"
    )]
    OtherVersion {
        /// The version that it says.
        found: u32,
    },
    /// Fewer bytes than it says, or more.
    #[error("is a shoreline pack of {expected} bytes, but has {found}: it was not copied whole")]
    OtherLength {
        /// What it says.
        expected: u64,
        /// What it has.
        found: u64,
    },
    /// The bytes are not those that were written.
    #[error("is a damaged shoreline pack: {0}; import it again")]
    Damaged(&'static str),
}

/// What there is to say about the data.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct About {
    /// What people call it; empty if nobody said.
    pub name: String,
    /// The licence it is under; empty if nobody said.
    #[serde(default)]
    pub licence: String,
    /// Whom the licence asks to name, and how; empty for nobody.
    #[serde(default)]
    pub attribution: String,
    /// How far the shore of the sea may lie from the true one, in metres.
    pub accuracy_m: f64,
    /// The same for lakes and what is in them; `None` if it does not differ.
    #[serde(default)]
    pub lake_accuracy_m: Option<f64>,
    /// The box it was cut to; `None` for the whole earth.
    #[serde(default)]
    pub coverage: Option<Coverage>,
}

impl About {
    pub(super) fn has_accuracy(&self) -> bool {
        let is_distance = |metres: f64| metres.is_finite() && metres >= 0.0;
        is_distance(self.accuracy_m) && self.lake_accuracy_m.is_none_or(is_distance)
    }
}

/// Writes a pack.
pub(super) fn write(packed: &Packed, about: &About, out: &mut impl Write) -> io::Result<()> {
    let mut json = serde_json::to_vec(about)?;
    json.resize(json.len().next_multiple_of(HEAD), b' ');
    let arrays: [&[u8]; 4] = [
        cast_slice(&packed.nodes),
        cast_slice(&packed.vertices),
        cast_slice(&packed.run_starts),
        &packed.levels,
    ];
    let length = HEAD + json.len() + arrays.iter().map(|array| array.len()).sum::<usize>();
    let mut hash = Xxh3::new();
    arrays.iter().for_each(|array| hash.update(array));

    let mut head = [0; HEAD];
    head[..8].copy_from_slice(&MAGIC);
    let counts = [json.len(), packed.nodes.len(), packed.levels.len(), packed.vertices.len()];
    let numbers = [VERSION].into_iter().chain(counts.map(|count| count as u32));
    for (at, number) in (8..).step_by(4).zip(numbers) {
        head[at..at + 4].copy_from_slice(&number.to_le_bytes());
    }
    head[32..40].copy_from_slice(&(length as u64).to_le_bytes());
    head[40..48].copy_from_slice(&hash.digest().to_le_bytes());
    let checksum = head_checksum(&head, &json);
    head[48..56].copy_from_slice(&checksum.to_le_bytes());

    out.write_all(&head)?;
    out.write_all(&json)?;
    arrays.iter().try_for_each(|array| out.write_all(array))
}

/// A pack whose head has been checked.
pub(super) struct Opened {
    pub(super) about: About,
    pub(super) tree: EdgeTree,
    pub(super) arrays: Arrays,
}

/// Where the arrays lie, and what they must sum up to.
#[derive(Clone, Copy, Debug)]
pub(super) struct Arrays {
    start: usize,
    checksum: u64,
}

/// Opens a pack by its head, without a look at the rest.
pub(super) fn open(bytes: Bytes) -> Result<Opened, PackError> {
    let all = (*bytes).as_ref();
    let head = all.get(..HEAD).filter(|head| head.starts_with(&MAGIC)).ok_or(PackError::Foreign)?;
    let u32_at = |at: usize| u32::from_le_bytes(std::array::from_fn(|byte| head[at + byte]));
    let u64_at = |at: usize| u64::from_le_bytes(std::array::from_fn(|byte| head[at + byte]));
    if u32_at(8) != VERSION {
        return Err(PackError::OtherVersion { found: u32_at(8) });
    }
    let (expected, found) = (u64_at(32), all.len() as u64);
    if expected != found {
        return Err(PackError::OtherLength { expected, found });
    }
    let json_length = u32_at(12) as usize;
    let json = all
        .get(HEAD..HEAD + json_length.min(LONGEST_JSON))
        .filter(|json| head_checksum(head, json) == u64_at(48))
        .ok_or(PackError::Damaged("its head does not sum up"))?;
    let about: About =
        serde_json::from_slice(json).map_err(|_| PackError::Damaged("its head makes no sense"))?;
    if !about.has_accuracy() {
        return Err(PackError::Damaged("its accuracy is no distance"));
    }
    let start = HEAD + json.len();
    let layout = layout(start, [u32_at(16), u32_at(20), u32_at(24)])
        .filter(|layout| layout.levels.end == all.len())
        .ok_or(PackError::Damaged("its parts do not fill it"))?;
    let arrays = Arrays { start, checksum: u64_at(40) };
    let tree = EdgeTree::new(Arc::clone(&bytes), layout);
    let tree = tree.ok_or(PackError::Damaged("its parts do not belong together"))?;
    Ok(Opened { about, tree, arrays })
}

/// Whether the arrays are those that were written: a look at every byte.
pub(super) fn verify(bytes: &[u8], arrays: Arrays) -> Result<(), PackError> {
    let sum = bytes.get(arrays.start..).map(xxh3_64);
    if sum == Some(arrays.checksum) {
        return Ok(());
    }
    Err(PackError::Damaged("its shore does not sum up"))
}

/// A tree alone, in memory.
pub(super) fn in_memory(packed: &Packed) -> Option<EdgeTree> {
    let about = About::default();
    open(to_bytes(packed, &about)?).ok().map(|opened| opened.tree)
}

/// A pack in memory.
pub(super) fn to_bytes(packed: &Packed, about: &About) -> Option<Bytes> {
    let mut bytes = Vec::new();
    write(packed, about, &mut bytes).ok()?;
    Some(aligned(&bytes))
}

/// A copy that lies as a mapped file would: the arrays want an address that divides by four.
fn aligned(bytes: &[u8]) -> Bytes {
    struct Words(Vec<u64>, usize);
    impl AsRef<[u8]> for Words {
        fn as_ref(&self) -> &[u8] {
            let all: &[u8] = cast_slice(&self.0);
            all.get(..self.1).unwrap_or(all)
        }
    }
    Arc::new(Words(bytemuck::pod_collect_to_vec(bytes), bytes.len()))
}

fn layout(start: usize, [nodes, runs, vertices]: [u32; 3]) -> Option<Layout> {
    let mut end = start;
    let mut part = |count: usize, size: usize| {
        let begin = end;
        end = begin.checked_add(count.checked_mul(size)?)?;
        Some(begin..end)
    };
    Some(Layout {
        nodes: part(nodes as usize, size_of::<Node>())?,
        vertices: part(vertices as usize, size_of::<GridPoint>())?,
        run_starts: part(runs as usize + 1, size_of::<u32>())?,
        levels: part(runs as usize, 1)?,
    })
}

fn head_checksum(head: &[u8], json: &[u8]) -> u64 {
    let mut hash = Xxh3::new();
    hash.update(&head[..48]);
    hash.update(json);
    hash.digest()
}
