//! Edges of a line on the earth, packed in a tree of boxes, to find the nearest one.
//!
//! Everything lies in flat arrays of integers, so that a tree of the whole planet can be looked
//! up where it lies in a file, without being read in:
//!
//! - `nodes`: the boxes of 16 children each, the root first, then level by level. Child `s` of
//!   the level's node `n` is number `16 n + s` of the next level; below the last level lie runs.
//! - `vertices`: runs of up to 16 edges that follow each other on one line. Each run carries one
//!   vertex more before and after, which tells the side at its ends.
//! - `run_starts`: where each run begins in `vertices`, and where the last one ends.
//! - `levels`: what each run is the shore of.
//!
//! Nothing here trusts the arrays: whatever they hold, a search ends and does not panic.

use std::ops::Range;
use std::sync::Arc;

use super::ecef::{GRID_PER_M, GridPoint, Point, between, cross, dot, length, minus};
use super::rings::Level;

/// Children of a node, and edges of a run, at most.
pub(super) const FAN: usize = 16;

/// 16^8 runs are more than a `u32` can count.
const DEEPEST: usize = 8;

/// Room for a walk that leaves up to 15 siblings behind at every level.
const STACK: usize = FAN * DEEPEST;

/// Bytes that somebody else keeps: a file mapped into memory, or memory itself. They must be the
/// same at every call.
pub type Bytes = Arc<dyn AsRef<[u8]> + Send + Sync>;

/// The boxes of 16 children, axis by axis, as the processor's lanes like them: the lowest
/// corners, then the highest.
pub(super) type Node = [[[i32; FAN]; 3]; 2];

/// An edge, by the index of its first vertex.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Edge(u32);

/// The nearest edge, and where on it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hit {
    pub(super) edge: Edge,
    run: u32,
    /// The straight distance in metres.
    pub(super) chord_m: f64,
    /// How far along the edge the nearest point lies, 0 to 1.
    share: f64,
}

/// Where the arrays lie in the bytes.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    pub(super) nodes: Range<usize>,
    pub(super) vertices: Range<usize>,
    pub(super) run_starts: Range<usize>,
    pub(super) levels: Range<usize>,
}

/// A packed tree, wherever its bytes lie.
pub(super) struct EdgeTree {
    bytes: Bytes,
    layout: Layout,
    storeys: Vec<Storey>,
}

impl std::fmt::Debug for EdgeTree {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.debug_struct("EdgeTree").field("layout", &self.layout).finish_non_exhaustive()
    }
}

/// A level of nodes: where it begins, and how many runs or nodes lie in the level below.
#[derive(Clone, Copy, Debug)]
pub(super) struct Storey {
    pub(super) start: usize,
    pub(super) children: usize,
}

impl EdgeTree {
    /// The tree in these bytes; `None` if they can't be one.
    pub(super) fn new(bytes: Bytes, layout: Layout) -> Option<Self> {
        let runs = layout.levels.len();
        let tree = Self { bytes, layout, storeys: storeys(runs) };
        let view = tree.view();
        let nodes = tree.storeys.last().map_or(0, |last| last.start + last.children.div_ceil(FAN));
        let whole = runs > 0
            && view.nodes.len() == nodes
            && view.levels.len() == runs
            && view.run_starts.len() == runs + 1
            && view.vertices.len() >= 4;
        whole.then_some(tree)
    }

    /// The arrays, to search in. Cheap, but not free: take it once a query.
    pub(super) fn view(&self) -> View<'_> {
        let bytes = (*self.bytes).as_ref();
        let part = |range: &Range<usize>| bytes.get(range.clone()).unwrap_or_default();
        View {
            nodes: bytemuck::try_cast_slice(part(&self.layout.nodes)).unwrap_or_default(),
            vertices: bytemuck::try_cast_slice(part(&self.layout.vertices)).unwrap_or_default(),
            run_starts: bytemuck::try_cast_slice(part(&self.layout.run_starts)).unwrap_or_default(),
            levels: part(&self.layout.levels),
            storeys: &self.storeys,
        }
    }

    /// How many edges there are.
    pub(super) fn edges(&self) -> usize {
        let view = self.view();
        view.vertices.len().saturating_sub(3 * view.levels.len())
    }
}

/// The levels of nodes above so many runs, the root's first.
pub(super) fn storeys(runs: usize) -> Vec<Storey> {
    let mut counts = vec![runs];
    while let Some(&below) = counts.last()
        && (below > 1 || counts.len() == 1)
    {
        counts.push(below.div_ceil(FAN));
    }
    let mut start = 0;
    counts
        .windows(2)
        .rev()
        .map(|pair| {
            let storey = Storey { start, children: pair[0] };
            start += pair[1];
            storey
        })
        .collect()
}

/// The arrays of a tree.
#[derive(Clone, Copy)]
pub(super) struct View<'a> {
    nodes: &'a [Node],
    vertices: &'a [GridPoint],
    run_starts: &'a [u32],
    levels: &'a [u8],
    storeys: &'a [Storey],
}

impl<'a> View<'a> {
    /// The edge nearest to a point (metres).
    pub(super) fn nearest(&self, at_m: Point) -> Hit {
        let at = at_m.map(|axis_m| axis_m * GRID_PER_M);
        let at_grid = at.map(|axis| axis.round() as i32);
        let mut best = Foot { edge: Edge(1), run: 0, squared: f64::INFINITY, share: 0.0 };
        let mut limit = f32::INFINITY;
        let mut waiting = [Waiting::default(); STACK];
        let mut count = 1;
        while count > 0 {
            count -= 1;
            let Waiting { squared, storey, index } = waiting[count];
            if squared >= limit {
                continue;
            }
            let Some(&Storey { start, children }) = self.storeys.get(storey as usize) else {
                let closer = self.nearest_in_run(index as usize, at, best);
                if closer.squared < best.squared {
                    best = closer;
                    limit = box_limit(best.squared);
                }
                continue;
            };
            let first_child = index as usize * FAN;
            let Some(node) = self.nodes.get(start + index as usize) else { continue };
            let squares = squared_distances(node, at_grid);
            let pushed = count;
            let present = children.saturating_sub(first_child);
            for (slot, &squared) in squares.iter().take(present).enumerate() {
                if squared < limit && count < STACK {
                    let index = (first_child + slot) as u32;
                    waiting[count] = Waiting { squared, storey: storey + 1, index };
                    count += 1;
                }
            }
            // The nearest child comes off first.
            waiting[pushed..count].sort_unstable_by(|a, b| b.squared.total_cmp(&a.squared));
        }
        best.hit()
    }

    /// All edges that come within a straight distance of a point, both in metres.
    pub(super) fn within(&self, chord_m: f64, at_m: Point) -> Vec<Hit> {
        let at = at_m.map(|axis_m| axis_m * GRID_PER_M);
        let farthest = (chord_m * GRID_PER_M).powi(2);
        let runs = self.run_numbers_within(chord_m, at_m).into_iter();
        let feet = runs.flat_map(|run| self.feet_in_run(run, at));
        feet.filter(|foot| foot.squared <= farthest).map(Foot::hit).collect()
    }

    /// The edges' vertices of all runs whose box comes within a straight distance of a point,
    /// both in metres.
    pub(super) fn runs_within(&self, chord_m: f64, at_m: Point) -> Vec<&'a [GridPoint]> {
        let runs = self.run_numbers_within(chord_m, at_m).into_iter();
        runs.filter_map(|run| self.run(run)?.1.split_last()?.1.get(1..)).collect()
    }

    fn run_numbers_within(&self, chord_m: f64, at_m: Point) -> Vec<usize> {
        let at = at_m.map(|axis_m| (axis_m * GRID_PER_M).round() as i32);
        let limit = box_limit((chord_m * GRID_PER_M).powi(2));
        let mut runs = Vec::new();
        let mut waiting = vec![(0, 0)];
        while let Some((storey, index)) = waiting.pop() {
            let Some(&Storey { start, children }) = self.storeys.get(storey) else {
                runs.push(index);
                continue;
            };
            let Some(node) = self.nodes.get(start + index) else { continue };
            let first_child = index * FAN;
            let squares = squared_distances(node, at).into_iter().enumerate();
            let near = squares
                .take(children.saturating_sub(first_child))
                .filter(|(_, squared)| *squared <= limit);
            waiting.extend(near.map(|(slot, _)| (storey + 1, first_child + slot)));
        }
        runs
    }

    /// The straight distance from a point to an edge, in metres.
    pub(super) fn chord_m(&self, edge: Edge, at_m: Point) -> f64 {
        let at = at_m.map(|axis_m| axis_m * GRID_PER_M);
        let foot = foot(edge, 0, [self.vertex(edge, 0), self.vertex(edge, 1)], at);
        foot.squared.sqrt() / GRID_PER_M
    }

    /// The point of the edge that is nearest, in metres.
    pub(super) fn foot_m(&self, hit: Hit) -> Point {
        let (from, to) = (self.vertex(hit.edge, 0), self.vertex(hit.edge, 1));
        between(from, to, hit.share).map(|axis| axis / GRID_PER_M)
    }

    /// Both ends of the edge, in metres.
    pub(super) fn ends_m(&self, hit: Hit) -> [Point; 2] {
        [0, 1].map(|step| self.vertex(hit.edge, step).map(|axis| axis / GRID_PER_M))
    }

    /// What the edge is the shore of.
    pub(super) fn level(&self, hit: Hit) -> Level {
        let number = self.levels.get(hit.run as usize).copied().unwrap_or_default();
        Level::from_number(number.into()).unwrap_or(Level::Land)
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
        for foot in self.feet_in_run(run, at) {
            if foot.squared < best.squared {
                best = foot;
            }
        }
        best
    }

    /// The nearest point of each edge of a run. A run of fewer than four vertices, or out of
    /// bounds, has no edge.
    fn feet_in_run(&self, run: usize, at: Point) -> impl Iterator<Item = Foot> + use<'a> {
        let (first, points) = self.run(run).unwrap_or_default();
        let edges = points.get(1..points.len().saturating_sub(1)).unwrap_or_default();
        edges.windows(2).zip(first + 1..).map(move |(ends, index)| {
            let ends = [ends[0].map(f64::from), ends[1].map(f64::from)];
            foot(Edge(index), run as u32, ends, at)
        })
    }

    /// The index of a run's first vertex, and its vertices.
    fn run(&self, run: usize) -> Option<(u32, &'a [GridPoint])> {
        let &[first, end] = self.run_starts.get(run..run + 2)? else { return None };
        let points = self.vertices.get(first as usize..end as usize)?;
        (points.len() > 3).then_some((first, points))
    }

    /// The vertex so many steps on from the edge's first one, -1 to 2.
    fn vertex(&self, edge: Edge, step: i32) -> Point {
        let index = edge.0.wrapping_add_signed(step) as usize;
        self.vertices.get(index).copied().unwrap_or_default().map(f64::from)
    }
}

/// The nearest point of an edge; the distance squared, in grid units.
#[derive(Clone, Copy)]
struct Foot {
    edge: Edge,
    run: u32,
    squared: f64,
    share: f64,
}

impl Foot {
    fn hit(self) -> Hit {
        let chord_m = self.squared.sqrt() / GRID_PER_M;
        Hit { edge: self.edge, run: self.run, chord_m, share: self.share }
    }
}

/// In grid units.
fn foot(edge: Edge, run: u32, [from, to]: [Point; 2], at: Point) -> Foot {
    let (along, away) = (minus(to, from), minus(at, from));
    let share = (dot(away, along) / dot(along, along)).clamp(0.0, 1.0);
    let gap = minus(away, along.map(|axis| axis * share));
    Foot { edge, run, squared: dot(gap, gap), share }
}

/// A node or run still to be looked at.
#[derive(Clone, Copy, Default)]
struct Waiting {
    squared: f32,
    index: u32,
    storey: u32,
}

/// No box at this squared distance or farther can hold a closer edge: it allows for the query
/// point's rounding to the grid and for the rounding of `f32`.
fn box_limit(squared: f64) -> f32 {
    let reach = squared.sqrt() + 1.0;
    (reach * reach * (1.0 + 1e-6)) as f32
}

fn squared_distances([lowest, highest]: &Node, at: GridPoint) -> [f32; FAN] {
    let mut squares = [0.0; FAN];
    for ((lowest, highest), at) in lowest.iter().zip(highest).zip(at) {
        for slot in 0..FAN {
            let below = lowest[slot].wrapping_sub(at);
            let gap = below.max(at.wrapping_sub(highest[slot])).max(0) as f32;
            squares[slot] += gap * gap;
        }
    }
    squares
}

#[cfg(test)]
mod tests {
    use super::super::build::{Chain, Packed};
    use super::super::ecef::{point, to_grid};
    use super::super::pack;
    use super::*;
    use proptest::prelude::*;

    fn chain(points: &[(f64, f64)]) -> Chain {
        let points = points.iter().map(|&(lat, lon)| to_grid(point(lat, lon))).collect();
        Chain { points, level: Level::Land }
    }

    fn tree(chains: &[Chain]) -> Option<EdgeTree> {
        pack::in_memory(&Packed::of(chains)?)
    }

    #[test]
    fn no_edges_no_tree() {
        assert!(tree(&[]).is_none());
        assert!(tree(&[chain(&[(0.0, 0.0), (0.0, 1.0), (0.0, 2.0)])]).is_none());
    }

    #[test]
    fn storeys_narrow_to_one_root() {
        let shape = |runs| {
            storeys(runs).iter().map(|storey| (storey.start, storey.children)).collect::<Vec<_>>()
        };
        assert_eq!(shape(1), [(0, 1)]);
        assert_eq!(shape(16), [(0, 16)]);
        assert_eq!(shape(17), [(0, 2), (1, 17)]);
        assert_eq!(shape(300), [(0, 2), (1, 19), (3, 300)]);
    }

    /// Land north of a sharp headland that points south: on both sides of its tip's prolongation
    /// there is water.
    #[test]
    fn the_side_at_a_sharp_tip() {
        let tip = chain(&[(2.0, -0.2), (1.0, -0.1), (0.0, 0.0), (1.0, 0.1), (2.0, 0.2)]);
        let tree = tree(&[tip]).unwrap();
        let view = tree.view();
        for lon in [-0.3, -0.01, 0.0, 0.01, 0.3] {
            let at = point(-0.5, lon);
            assert!(!view.on_left(view.nearest(at), at), "{lon}");
        }
        let inside = point(0.5, 0.0);
        assert!(view.on_left(view.nearest(inside), inside));
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
            let [half, rest] = [half, rest]
                .map(|part| Chain { points: part.to_vec(), level: Level::Lake });
            let Some(tree) = tree(&[half, rest]) else { return Ok(()) };
            let view = tree.view();
            let at = if near { point(start.0 + at.0 / 900.0, start.1) } else { point(at.0, at.1) };
            let scanned = (0..view.levels.len())
                .flat_map(|run| view.run_starts[run] + 1..view.run_starts[run + 1] - 2)
                .map(|edge| view.chord_m(Edge(edge), at))
                .fold(f64::INFINITY, f64::min);
            let hit = view.nearest(at);
            prop_assert_eq!(hit.chord_m, scanned);
            prop_assert_eq!(view.level(hit), Level::Lake);
            prop_assert!((length(minus(view.foot_m(hit), at)) - scanned).abs() < 1e-6);
        }
    }
}
