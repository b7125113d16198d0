//! Packs chains of shore into the arrays of a tree.

use std::fmt;
use std::io::{self, Write};

use super::chains;
use super::ecef::GridPoint;
use super::pack::{self, About};
use super::rings::{Land, Level, ShorelineError};
use super::tree::{FAN, Node};

/// A line that follows the shore. Neighbours differ; land lies on the left.
pub(super) struct Chain {
    /// Its vertices, preceded and followed by one vertex that is not part of it but tells how it
    /// goes on.
    pub(super) points: Vec<GridPoint>,
    /// What it is the shore of.
    pub(super) level: Level,
}

/// Shore ready to be written: the arrays of a tree.
#[derive(Default)]
pub struct Packed {
    pub(super) nodes: Vec<Node>,
    pub(super) vertices: Vec<GridPoint>,
    pub(super) run_starts: Vec<u32>,
    pub(super) levels: Vec<u8>,
}

impl Packed {
    /// Packs the shore of this land: without edges where it was merely cut, and with long edges
    /// split so that they follow the earth.
    ///
    /// # Errors
    /// [`ShorelineError::NoShore`], [`ShorelineError::NotCutAt180`].
    pub fn of_land(land: &Land) -> Result<Self, ShorelineError> {
        let chains = chains::shore(&land.rings, land.coverage.as_ref())?;
        Self::of(&chains).ok_or(ShorelineError::NoShore)
    }

    /// Writes a pack.
    ///
    /// # Errors
    /// Whatever `out` says.
    pub fn write(&self, about: &About, out: &mut impl Write) -> io::Result<()> {
        pack::write(self, about, out)
    }

    /// Packs the chains. `None` if there is no edge in them, or more than a tree can hold.
    pub(super) fn of(chains: &[Chain]) -> Option<Self> {
        let mut runs: Vec<Run> = chains.iter().flat_map(Run::cut).collect();
        let vertices: usize = runs.iter().map(|run| run.points.len()).sum();
        if runs.is_empty() || u32::try_from(vertices).is_err() {
            return None;
        }
        arrange(&mut runs, FAN.pow(7));
        let mut packed = Packed {
            vertices: Vec::with_capacity(vertices),
            run_starts: vec![0],
            ..Self::default()
        };
        for run in &runs {
            packed.vertices.extend_from_slice(run.points);
            packed.run_starts.push(packed.vertices.len() as u32);
            packed.levels.push(run.level.number());
        }
        packed.nodes = stack(runs.iter().map(|run| run.bounds).collect());
        Some(packed)
    }
}

impl fmt::Debug for Packed {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.debug_struct("Packed").field("runs", &self.levels.len()).finish_non_exhaustive()
    }
}

#[derive(Clone, Copy)]
struct Bounds {
    lowest: GridPoint,
    highest: GridPoint,
}

impl Bounds {
    fn around(points: &[GridPoint]) -> Self {
        points[1..]
            .iter()
            .fold(Bounds { lowest: points[0], highest: points[0] }, |bounds, &point| {
                bounds.with(Bounds { lowest: point, highest: point })
            })
    }

    fn with(self, other: Self) -> Self {
        Bounds {
            lowest: std::array::from_fn(|axis| self.lowest[axis].min(other.lowest[axis])),
            highest: std::array::from_fn(|axis| self.highest[axis].max(other.highest[axis])),
        }
    }

    fn middle(&self, axis: usize) -> i64 {
        i64::from(self.lowest[axis]) + i64::from(self.highest[axis])
    }
}

/// Up to 16 edges of a chain, with the vertex before and after.
struct Run<'a> {
    points: &'a [GridPoint],
    bounds: Bounds,
    level: Level,
}

impl<'a> Run<'a> {
    /// Cuts a chain into runs of about equal size.
    fn cut(chain: &'a Chain) -> impl Iterator<Item = Run<'a>> {
        let edges = chain.points.len().saturating_sub(3);
        let size = edges.div_ceil(edges.div_ceil(FAN).max(1)).max(1);
        (0..edges).step_by(size).map(move |first| {
            let points = &chain.points[first..(first + size).min(edges) + 3];
            let bounds = Bounds::around(&points[1..points.len() - 1]);
            Run { points, bounds, level: chain.level }
        })
    }
}

/// Orders the runs so that every 16, every 256 and so on of them lie close together: halves the
/// lot at its widest side, at a multiple of the largest such number, again and again.
fn arrange(runs: &mut [Run], block: usize) {
    if runs.len() <= FAN {
        return;
    }
    if runs.len() <= block {
        return arrange(runs, block / FAN);
    }
    let cut = runs.len().div_ceil(block) / 2 * block;
    let axis = widest_axis(runs);
    runs.select_nth_unstable_by_key(cut, |run| run.bounds.middle(axis));
    let (left, right) = runs.split_at_mut(cut);
    arrange(left, block);
    arrange(right, block);
}

fn widest_axis(runs: &[Run]) -> usize {
    let width = |&axis: &usize| {
        let middles = || runs.iter().map(|run| run.bounds.middle(axis));
        middles().max().zip(middles().min()).map(|(max, min)| max - min)
    };
    (0..3).max_by_key(width).unwrap_or(0)
}

/// The nodes above these boxes, root first.
fn stack(mut boxes: Vec<Bounds>) -> Vec<Node> {
    let mut stacked: Vec<Vec<Node>> = Vec::new();
    loop {
        stacked.push(boxes.chunks(FAN).map(node_around).collect());
        let above = boxes.chunks(FAN).map(|few| few.iter().copied().reduce(Bounds::with));
        boxes = above.flatten().collect();
        if boxes.len() <= 1 {
            break;
        }
    }
    stacked.into_iter().rev().flatten().collect()
}

fn node_around(children: &[Bounds]) -> Node {
    let mut node = Node::default();
    let [lowest, highest] = &mut node;
    for (slot, bounds) in children.iter().enumerate() {
        lowest.iter_mut().zip(bounds.lowest).for_each(|(axis, lowest)| axis[slot] = lowest);
        highest.iter_mut().zip(bounds.highest).for_each(|(axis, highest)| axis[slot] = highest);
    }
    node
}
