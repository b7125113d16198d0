//! Rings of land turned into chains of real shore: false shore dropped, long edges split.

use std::collections::{BTreeMap, BTreeSet};

use super::ShorelineError;
use super::build::Chain;
use super::coverage::Coverage;
use super::ecef::{GRID_PER_M, GridPoint, between, length, minus, point, to_grid};
use super::rings::{Level, LonLat, Ring};

/// How far an edge, straight in longitude and latitude, may stray from the straight pieces that
/// stand for it: down towards the earth's centre or to a side.
const STRAY_M: f64 = 0.025;

/// The shore of these rings. Edges along 180 degrees, along a side of the box the data was cut
/// to, or at a pole are no shore; nor are those along which two polygons were cut apart.
pub(super) fn shore(
    rings: &[Ring],
    coverage: Option<&Coverage>,
) -> Result<Vec<Chain>, ShorelineError> {
    let seams = Seams::of(rings);
    let is_false = |from: LonLat, to: LonLat| {
        (from.lon.abs() == 180.0 && to.lon.abs() == 180.0)
            || (from.lat.abs() == 90.0 && to.lat == from.lat)
            || coverage.is_some_and(|coverage| coverage.along_a_side(from, to))
            || seams.has(from, to)
    };
    let mut chains = Vec::with_capacity(rings.len());
    let mut open = Vec::new();
    for ring in rings {
        let points = &ring.points;
        let real: Vec<bool> = points.windows(2).map(|edge| !is_false(edge[0], edge[1])).collect();
        refuse_uncut(points, &real)?;
        match real.iter().position(|real| !real) {
            None => chains.extend(closed_chain(ring)),
            Some(gap) => open.extend(open_chains(ring, &real, gap)),
        }
    }
    join(&mut open);
    chains.extend(open.into_iter().map(Open::into_chain));
    Ok(chains)
}

/// Closed or open lines that nobody asks the side of.
pub(super) fn plain(lines: &[Vec<LonLat>]) -> Vec<Chain> {
    lines
        .iter()
        .filter_map(|line| {
            let points = split_line(line);
            let (&first, &last) = (points.first()?, points.last()?);
            Some(Open { before: first, points, after: last, level: Level::Land }.into_chain())
        })
        .collect()
}

/// Where polygons were cut apart: edges along a meridian or parallel that one ring goes one way
/// and another ring the other way. Large data sets come in tiles, and Antarctica in halves.
struct Seams(BTreeSet<[GridPoint; 2]>);

impl Seams {
    fn of(rings: &[Ring]) -> Self {
        let edges = rings.iter().flat_map(|ring| ring.points.windows(2));
        let straight: BTreeSet<[GridPoint; 2]> = edges
            .filter(|edge| could_be_cut(edge[0], edge[1]))
            .map(|edge| on_grid(edge[0], edge[1]))
            .collect();
        let twice = straight.iter().filter(|[from, to]| straight.contains(&[*to, *from]));
        Self(twice.copied().collect())
    }

    fn has(&self, from: LonLat, to: LonLat) -> bool {
        could_be_cut(from, to) && !self.0.is_empty() && self.0.contains(&on_grid(from, to))
    }
}

fn could_be_cut(from: LonLat, to: LonLat) -> bool {
    (from.lon == to.lon) != (from.lat == to.lat)
}

fn on_grid(from: LonLat, to: LonLat) -> [GridPoint; 2] {
    [from, to].map(|at| to_grid(point(at.lat, at.lon)))
}

fn refuse_uncut(ring: &[LonLat], real: &[bool]) -> Result<(), ShorelineError> {
    let uncut = ring
        .windows(2)
        .zip(real)
        .find(|(edge, real)| **real && (edge[1].lon - edge[0].lon).abs() > 180.0);
    match uncut {
        None => Ok(()),
        Some((edge, _)) => Err(ShorelineError::NotCutAt180 {
            from: edge[0].lon,
            to: edge[1].lon,
            lat: edge[0].lat,
        }),
    }
}

fn closed_chain(ring: &Ring) -> Option<Chain> {
    let points = split_line(&ring.points);
    let last_but_one = *points.len().checked_sub(2).and_then(|at| points.get(at))?;
    let second = *points.get(1)?;
    Some(Open { before: last_but_one, points, after: second, level: ring.level }.into_chain())
}

/// A part of a ring between two pieces of false shore.
struct Open {
    points: Vec<GridPoint>,
    before: GridPoint,
    after: GridPoint,
    level: Level,
}

impl Open {
    fn into_chain(self) -> Chain {
        let mut points = Vec::with_capacity(self.points.len() + 2);
        points.push(self.before);
        points.extend(self.points);
        points.push(self.after);
        Chain { points, level: self.level }
    }
}

/// The stretches of real shore of a ring that has false shore, first of all at edge `gap`.
fn open_chains(ring: &Ring, real: &[bool], gap: usize) -> Vec<Open> {
    let edges = real.len();
    let vertex = |edge: usize| ring.points[edge % edges];
    let mut chains = Vec::new();
    let mut edge = gap + 1;
    while edge < gap + edges {
        if !real[edge % edges] {
            edge += 1;
            continue;
        }
        let first = edge;
        while real[edge % edges] {
            edge += 1;
        }
        let line: Vec<LonLat> = (first..=edge).map(vertex).collect();
        let points = split_line(&line);
        let before = split_line(&[vertex(first), vertex(first + edges - 1)]);
        let after = split_line(&[vertex(edge), vertex(edge + 1)]);
        if points.len() > 1 {
            let next = |line: Vec<GridPoint>| line.get(1).copied().unwrap_or(line[0]);
            let (before, after) = (next(before), next(after));
            chains.push(Open { points, before, after, level: ring.level });
        }
    }
    chains
}

/// Where one stretch ends and another begins at the same point, the shore goes on: so it does
/// across 180 degrees. The side of the land at such a vertex comes from both.
fn join(open: &mut [Open]) {
    let starts: BTreeMap<GridPoint, usize> =
        open.iter().enumerate().map(|(index, chain)| (chain.points[0], index)).collect();
    for index in 0..open.len() {
        let points = &open[index].points;
        let (last, last_but_one) = (points[points.len() - 1], points[points.len() - 2]);
        if let Some(&next) = starts.get(&last) {
            open[index].after = open[next].points[1];
            open[next].before = last_but_one;
        }
    }
}

/// A line's vertices on the grid, with as many more between them as its edges need; no two
/// neighbours alike.
fn split_line(line: &[LonLat]) -> Vec<GridPoint> {
    let mut points: Vec<GridPoint> = Vec::with_capacity(line.len() + 2);
    for (index, &to) in line.iter().enumerate() {
        let here = to_grid(point(to.lat, to.lon));
        let last = points.last().copied();
        if last == Some(here) {
            continue;
        }
        if last.is_some_and(|last| may_stray(last, here)) {
            split_edge(line[index - 1], to, &mut points);
        }
        points.push(here);
    }
    points.dedup();
    points
}

/// A quick look, without an angle: an edge of length L sinks by L^2 / 8R and leaves its great
/// circle by at most that times the tangent of the latitude.
fn may_stray(from: GridPoint, to: GridPoint) -> bool {
    let [from, to] = [from, to].map(|at| at.map(f64::from));
    let length_m = length(minus(to, from)) / GRID_PER_M;
    let tan_lat =
        from[2].abs().max(to[2].abs()) / from[0].hypot(from[1]).min(to[0].hypot(to[1])).max(1.0);
    length_m * length_m * (1.0 + tan_lat) / (8.0 * 6.3e6) > STRAY_M
}

/// Adds the points between an edge's ends that it needs.
fn split_edge(from: LonLat, to: LonLat, points: &mut Vec<GridPoint>) {
    let middle = LonLat { lon: (from.lon + to.lon) / 2.0, lat: (from.lat + to.lat) / 2.0 };
    let on_earth = |at: LonLat| point(at.lat, at.lon);
    let straight = between(on_earth(from), on_earth(to), 0.5);
    if length(minus(on_earth(middle), straight)) <= STRAY_M {
        return;
    }
    split_edge(from, middle, points);
    points.push(to_grid(on_earth(middle)));
    split_edge(middle, to, points);
}
