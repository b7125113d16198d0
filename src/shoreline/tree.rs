//! Edges of a line on the earth, packed in a tree of boxes, to find the nearest one.
//!
//! Everything lies in three flat arrays of integers, so that a tree of the whole planet can be
//! written to a file and looked up there without reading it in:
//!
//! - `vertices`: runs of up to 16 edges that follow each other on one line. Each run carries one
//!   vertex more before and after, which tells the side at its ends.
//! - `run_starts`: where each run begins in `vertices`, and where the last one ends.
//! - `nodes`: the boxes of 16 children each, the root first, then level by level. Child `s` of
//!   the level's node `n` is number `16 n + s` of the next level; below the last level lie runs.

use super::ecef::{GRID_PER_M, GridPoint, Point, between, cross, dot, length, minus};

/// Children of a node, and edges of a run, at most.
const FAN: usize = 16;

/// 16^7 runs are more than a `u32` of vertices can hold; seven levels and the runs below.
const DEEPEST: usize = 8;

/// Room for a walk that leaves up to 15 siblings behind at every level.
const STACK: usize = FAN * DEEPEST;

/// A line that follows the shore: its vertices, preceded and followed by one vertex that is not
/// part of it but tells how it goes on. Neighbours differ; land lies on the left.
pub(super) struct Chain(pub(super) Vec<GridPoint>);

/// An edge, by the index of its first vertex.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Edge(u32);

/// The nearest edge, and where on it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hit {
    pub(super) edge: Edge,
    /// The straight distance in metres.
    pub(super) chord_m: f64,
    /// How far along the edge the nearest point lies, 0 to 1.
    share: f64,
}

#[derive(Debug)]
pub(super) struct EdgeTree {
    vertices: Vec<GridPoint>,
    run_starts: Vec<u32>,
    nodes: Vec<Node>,
    /// Where each level begins in `nodes`, the root's first; and how many runs and nodes there
    /// are in the level below it.
    levels: Vec<Level>,
}

#[derive(Clone, Copy, Debug)]
struct Level {
    start: usize,
    children: usize,
}

impl EdgeTree {
    /// Packs the chains. `None` if there is no edge in them.
    pub(super) fn build(chains: &[Chain]) -> Option<Self> {
        let mut runs: Vec<Run> = chains.iter().flat_map(Run::cut).collect();
        if runs.is_empty() {
            return None;
        }
        arrange(&mut runs, FAN.pow(DEEPEST as u32 - 1));
        let mut vertices = Vec::with_capacity(runs.iter().map(|run| run.points.len()).sum());
        let mut run_starts = vec![0];
        for run in &runs {
            vertices.extend_from_slice(run.points);
            run_starts.push(vertices.len() as u32);
        }
        let boxes = runs.iter().map(|run| run.bounds).collect();
        let (nodes, levels) = stack_levels(boxes);
        Some(Self { vertices, run_starts, nodes, levels })
    }

    /// The edge nearest to a point (metres).
    pub(super) fn nearest(&self, at_m: Point) -> Hit {
        let at = at_m.map(|axis_m| axis_m * GRID_PER_M);
        let at_grid = at.map(|axis| axis.round() as i32);
        let mut best = self.foot(Edge(1), at);
        let mut limit = box_limit(best.squared);
        let mut waiting = [Waiting::default(); STACK];
        let mut count = 1;
        while count > 0 {
            count -= 1;
            let Waiting { squared, level, index } = waiting[count];
            if squared >= limit {
                continue;
            }
            let Some(&Level { start, children }) = self.levels.get(level as usize) else {
                let closer = self.nearest_in_run(index as usize, at, best);
                if closer.squared < best.squared {
                    best = closer;
                    limit = box_limit(best.squared);
                }
                continue;
            };
            let first_child = index as usize * FAN;
            let squares = self.nodes[start + index as usize].squared_distances(at_grid);
            let pushed = count;
            for (slot, &squared) in squares.iter().take(children - first_child).enumerate() {
                if squared < limit {
                    let index = (first_child + slot) as u32;
                    waiting[count] = Waiting { squared, level: level + 1, index };
                    count += 1;
                }
            }
            // The nearest child comes off first.
            waiting[pushed..count].sort_unstable_by(|a, b| b.squared.total_cmp(&a.squared));
        }
        Hit { edge: best.edge, chord_m: best.squared.sqrt() / GRID_PER_M, share: best.share }
    }

    /// The straight distance from a point to an edge, in metres.
    pub(super) fn chord_m(&self, edge: Edge, at_m: Point) -> f64 {
        let foot = self.foot(edge, at_m.map(|axis_m| axis_m * GRID_PER_M));
        foot.squared.sqrt() / GRID_PER_M
    }

    /// The point of the edge that is nearest, in metres.
    pub(super) fn foot_m(&self, hit: Hit) -> Point {
        let (from, to) = (self.vertex(hit.edge, 0), self.vertex(hit.edge, 1));
        between(from, to, hit.share).map(|axis| axis / GRID_PER_M)
    }

    /// Whether the point (metres) whose nearest edge this is lies on the edge's left, which is
    /// land. At a vertex the sum of both edges' normals decides: one edge alone would be wrong on
    /// one side of every sharp headland.
    pub(super) fn on_left(&self, hit: Hit, at_m: Point) -> bool {
        let at = at_m.map(|axis_m| axis_m * GRID_PER_M);
        let vertex = |step| self.vertex(hit.edge, step);
        let left = |from: i32, up: Point| {
            let normal = cross(up, minus(vertex(from + 1), vertex(from)));
            let size = length(normal);
            normal.map(|axis| if size > 0.0 { axis / size } else { 0.0 })
        };
        let corner = |step: i32| {
            let (before, after) = (left(step - 1, vertex(step)), left(step, vertex(step)));
            let sum = std::array::from_fn(|axis| before[axis] + after[axis]);
            dot(sum, minus(at, vertex(step)))
        };
        let side = if hit.share <= 0.0 {
            corner(0)
        } else if hit.share >= 1.0 {
            corner(1)
        } else {
            dot(left(0, vertex(0)), minus(at, vertex(0)))
        };
        side > 0.0
    }

    fn nearest_in_run(&self, run: usize, at: Point, mut best: Foot) -> Foot {
        for first in self.run_starts[run] + 1..self.run_starts[run + 1] - 2 {
            let foot = self.foot(Edge(first), at);
            if foot.squared < best.squared {
                best = foot;
            }
        }
        best
    }

    /// In grid units.
    fn foot(&self, edge: Edge, at: Point) -> Foot {
        let (from, to) = (self.vertex(edge, 0), self.vertex(edge, 1));
        let (along, away) = (minus(to, from), minus(at, from));
        let share = (dot(away, along) / dot(along, along)).clamp(0.0, 1.0);
        let gap = minus(away, along.map(|axis| axis * share));
        Foot { edge, squared: dot(gap, gap), share }
    }

    /// The vertex so many steps on from the edge's first one, -1 to 2.
    fn vertex(&self, edge: Edge, step: i32) -> Point {
        self.vertices[edge.0.wrapping_add_signed(step) as usize].map(f64::from)
    }
}

/// The nearest point of an edge; the distance squared, in grid units.
#[derive(Clone, Copy)]
struct Foot {
    edge: Edge,
    squared: f64,
    share: f64,
}

/// A node or run still to be looked at.
#[derive(Clone, Copy, Default)]
struct Waiting {
    squared: f32,
    index: u32,
    level: u32,
}

/// No box at this squared distance or farther can hold a closer edge: it allows for the query
/// point's rounding to the grid and for the rounding of `f32`.
fn box_limit(squared: f64) -> f32 {
    let reach = squared.sqrt() + 1.0;
    (reach * reach * (1.0 + 1e-6)) as f32
}

/// The boxes of 16 children, axis by axis, as the processor's lanes like them.
#[derive(Clone, Debug, Default)]
#[repr(C)]
struct Node {
    lowest: [[i32; FAN]; 3],
    highest: [[i32; FAN]; 3],
}

impl Node {
    fn squared_distances(&self, at: GridPoint) -> [f32; FAN] {
        let mut squares = [0.0; FAN];
        for ((lowest, highest), at) in self.lowest.iter().zip(&self.highest).zip(at) {
            for slot in 0..FAN {
                let gap = (lowest[slot] - at).max(at - highest[slot]).max(0) as f32;
                squares[slot] += gap * gap;
            }
        }
        squares
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
}

impl<'a> Run<'a> {
    /// Cuts a chain into runs of about equal size.
    fn cut(chain: &'a Chain) -> impl Iterator<Item = Run<'a>> {
        let edges = chain.0.len().saturating_sub(3);
        let size = edges.div_ceil(edges.div_ceil(FAN).max(1)).max(1);
        (0..edges).step_by(size).map(move |first| {
            let points = &chain.0[first..(first + size).min(edges) + 3];
            Run { points, bounds: Bounds::around(&points[1..points.len() - 1]) }
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
fn stack_levels(mut boxes: Vec<Bounds>) -> (Vec<Node>, Vec<Level>) {
    let mut stacked: Vec<(Vec<Node>, usize)> = Vec::new();
    loop {
        let nodes: Vec<Node> = boxes.chunks(FAN).map(node_around).collect();
        let above = boxes.chunks(FAN).map(|few| few.iter().copied().reduce(Bounds::with));
        let above = above.flatten().collect();
        stacked.push((nodes, boxes.len()));
        boxes = above;
        if boxes.len() <= 1 {
            break;
        }
    }
    let (mut nodes, mut levels) = (Vec::new(), Vec::new());
    for (level, children) in stacked.into_iter().rev() {
        levels.push(Level { start: nodes.len(), children });
        nodes.extend(level);
    }
    (nodes, levels)
}

fn node_around(children: &[Bounds]) -> Node {
    let mut node = Node::default();
    for (slot, bounds) in children.iter().enumerate() {
        for axis in 0..3 {
            node.lowest[axis][slot] = bounds.lowest[axis];
            node.highest[axis][slot] = bounds.highest[axis];
        }
    }
    node
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::ecef::{point, to_grid};
    use super::*;
    use proptest::prelude::*;

    fn chain(points: &[(f64, f64)]) -> Chain {
        Chain(points.iter().map(|&(lat, lon)| to_grid(point(lat, lon))).collect())
    }

    #[test]
    fn no_edges_no_tree() {
        assert!(EdgeTree::build(&[]).is_none());
        assert!(EdgeTree::build(&[chain(&[(0.0, 0.0), (0.0, 1.0), (0.0, 2.0)])]).is_none());
    }

    /// Land north of a sharp headland that points south: on both sides of its tip's prolongation
    /// there is water.
    #[test]
    fn the_side_at_a_sharp_tip() {
        let tip = chain(&[(2.0, -0.2), (1.0, -0.1), (0.0, 0.0), (1.0, 0.1), (2.0, 0.2)]);
        let tree = EdgeTree::build(&[tip]).unwrap();
        for lon in [-0.3, -0.01, 0.0, 0.01, 0.3] {
            let at = point(-0.5, lon);
            assert!(!tree.on_left(tree.nearest(at), at), "{lon}");
        }
        let inside = point(0.5, 0.0);
        assert!(tree.on_left(tree.nearest(inside), inside));
    }

    proptest! {
        /// Every level of the tree against a look at each edge in turn.
        #[test]
        fn finds_what_a_full_scan_finds(
            walk in prop::collection::vec((-0.05f64..0.05, -0.05f64..0.05), 5..900),
            start in (-89.0f64..89.0, -180.0f64..180.0),
            at in (-90.0f64..90.0, -180.0f64..180.0),
            near in any::<bool>(),
        ) {
            let mut here = start;
            let mut points: Vec<GridPoint> = walk.iter().map(|step| {
                here = (here.0 + step.0, here.1 + step.1);
                to_grid(point(here.0, here.1))
            }).collect();
            points.dedup();
            prop_assume!(points.len() > 3);
            let (half, rest) = points.split_at(points.len() / 2);
            let tree = EdgeTree::build(&[Chain(half.to_vec()), Chain(rest.to_vec())]);
            let Some(tree) = tree else { return Ok(()) };
            let at = if near { point(start.0 + at.0 / 900.0, start.1) } else { point(at.0, at.1) };
            let scanned = (0..tree.run_starts.len() - 1)
                .flat_map(|run| tree.run_starts[run] + 1..tree.run_starts[run + 1] - 2)
                .map(|edge| tree.chord_m(Edge(edge), at))
                .fold(f64::INFINITY, f64::min);
            let hit = tree.nearest(at);
            prop_assert_eq!(hit.chord_m, scanned);
            prop_assert!((length(minus(tree.foot_m(hit), at)) - scanned).abs() < 1e-6);
        }
    }
}
