//! The land inside a rectangle, out of lines that have it on their left.

use super::frame::{Rect, Xy};

/// How far from the side a line may end that was cut there.
const ON_SIDE: f64 = 1.5;

/// The rings that bound the land, to be filled by the even-odd rule; `None` if the lines do not
/// tell. `on_land` is asked only where no line comes in.
pub(super) fn area(
    lines: &[Vec<Xy>],
    inside: Rect,
    on_land: impl Fn(Xy) -> bool,
) -> Option<Vec<Vec<Xy>>> {
    let mut rings = Vec::new();
    let mut pieces = Vec::new();
    for piece in clipped(lines, inside) {
        if piece.first() == piece.last() {
            // An islet of fewer corners is a speck of no width.
            rings.extend((piece.len() > 3).then_some(piece));
        } else {
            pieces.push(Piece::new(piece, inside)?);
        }
    }
    if pieces.is_empty() {
        let [west, south] = [inside.west, inside.south];
        if on_land([west + inside.width() * 1e-3, south + inside.height() * 1e-3]) {
            rings.push(corners(inside).to_vec());
        }
        return Some(rings);
    }
    rings.extend(joined(&pieces, inside));
    Some(rings)
}

/// The parts of the lines inside a rectangle.
pub(super) fn clipped(lines: &[Vec<Xy>], inside: Rect) -> Vec<Vec<Xy>> {
    let mut pieces: Vec<Vec<Xy>> = Vec::new();
    for line in lines {
        let line = from_outside(line, inside);
        let mut going = false;
        for ends in line.windows(2) {
            let Some([enters, leaves]) = crossing(ends[0], ends[1], inside) else {
                going = false;
                continue;
            };
            let at = |share: f64| {
                [0, 1].map(|axis| ends[0][axis] + (ends[1][axis] - ends[0][axis]) * share)
            };
            match pieces.last_mut().filter(|_| going) {
                Some(piece) => piece.push(at(leaves)),
                None => pieces.push(vec![at(enters), at(leaves)]),
            }
            going = leaves >= 1.0;
        }
    }
    pieces
}

/// A closed line, turned so that it begins outside, if any of it is there.
fn from_outside(line: &[Xy], inside: Rect) -> Vec<Xy> {
    let outside = line.iter().position(|at| !contains(inside, *at));
    match outside {
        Some(first) if line.first() == line.last() && line.len() > 1 => {
            let ring = &line[..line.len() - 1];
            let first = first % ring.len();
            ring[first..].iter().chain(&ring[..=first]).copied().collect()
        }
        _ => line.to_vec(),
    }
}

fn contains(inside: Rect, [x, y]: Xy) -> bool {
    (inside.west..=inside.east).contains(&x) && (inside.south..=inside.north).contains(&y)
}

/// The part of an edge inside a rectangle, as shares of its way (Liang and Barsky's way).
fn crossing(from: Xy, to: Xy, inside: Rect) -> Option<[f64; 2]> {
    let (mut enters, mut leaves) = (0.0f64, 1.0f64);
    let sides = [(0, inside.west, inside.east), (1, inside.south, inside.north)];
    for (axis, low, high) in sides {
        let along = to[axis] - from[axis];
        if along == 0.0 {
            if from[axis] < low || from[axis] > high {
                return None;
            }
            continue;
        }
        let (a, b) = ((low - from[axis]) / along, (high - from[axis]) / along);
        enters = enters.max(a.min(b));
        leaves = leaves.min(a.max(b));
    }
    (enters < leaves).then_some([enters, leaves])
}

/// A line from side to side.
struct Piece {
    points: Vec<Xy>,
    /// Where on the rectangle's outline it comes in and goes out.
    comes: f64,
    goes: f64,
}

impl Piece {
    fn new(points: Vec<Xy>, inside: Rect) -> Option<Self> {
        let comes = along_outline(*points.first()?, inside)?;
        let goes = along_outline(*points.last()?, inside)?;
        Some(Self { points, comes, goes })
    }
}

/// From the lower left corner against the clock, each side 1; `None` far from every side.
fn along_outline([x, y]: Xy, inside: Rect) -> Option<f64> {
    let east = ((x - inside.west) / inside.width()).clamp(0.0, 1.0);
    let north = ((y - inside.south) / inside.height()).clamp(0.0, 1.0);
    let sides = [
        (y - inside.south, east),
        (inside.east - x, 1.0 + north),
        (inside.north - y, 3.0 - east),
        (x - inside.west, 4.0 - north),
    ];
    let nearest = sides.into_iter().min_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))?;
    (nearest.0.abs() <= ON_SIDE).then_some(nearest.1)
}

fn corners(inside: Rect) -> [Xy; 4] {
    [
        [inside.west, inside.south],
        [inside.east, inside.south],
        [inside.east, inside.north],
        [inside.west, inside.north],
    ]
}

/// Land lies on the left: from where a line goes out, it follows the outline against the clock to
/// where the next one comes in.
fn joined(pieces: &[Piece], inside: Rect) -> Vec<Vec<Xy>> {
    let mut used = vec![false; pieces.len()];
    let mut rings = Vec::new();
    for first in 0..pieces.len() {
        let mut ring: Vec<Xy> = Vec::new();
        let mut here = first;
        while !used[here] {
            used[here] = true;
            ring.extend(&pieces[here].points);
            let goes = pieces[here].goes;
            let ahead = |piece: &Piece| (piece.comes - goes).rem_euclid(4.0);
            let next = (0..pieces.len())
                .min_by(|a, b| ahead(&pieces[*a]).total_cmp(&ahead(&pieces[*b])))
                .unwrap_or(first);
            let end = goes + ahead(&pieces[next]);
            let passed = (1..=8).map(f64::from).filter(|corner| *corner > goes && *corner < end);
            ring.extend(passed.map(|corner| corners(inside)[corner as usize % 4]));
            here = next;
        }
        if !ring.is_empty() {
            rings.push(ring);
        }
    }
    rings
}

#[cfg(test)]
mod tests {
    use super::*;

    const BOX: Rect = Rect { west: 0.0, south: 0.0, east: 10.0, north: 10.0 };

    fn size(rings: &[Vec<Xy>]) -> f64 {
        let one = |ring: &Vec<Xy>| {
            let next = ring.iter().cycle().skip(1);
            ring.iter().zip(next).map(|(a, b)| a[0] * b[1] - b[0] * a[1]).sum::<f64>() / 2.0
        };
        rings.iter().map(one).sum()
    }

    fn land(lines: &[Vec<Xy>], corner_is_land: bool) -> Option<f64> {
        area(lines, BOX, |_| corner_is_land).map(|rings| size(&rings))
    }

    #[test]
    fn one_shore_across() {
        let north = vec![vec![[-5.0, 4.0], [15.0, 4.0]]];
        assert_eq!(land(&north, false), Some(60.0));
        let south = vec![vec![[15.0, 4.0], [-5.0, 4.0]]];
        assert_eq!(land(&south, false), Some(40.0));
    }

    #[test]
    fn a_strait_and_an_island() {
        let shores = vec![
            vec![[-5.0, 7.0], [15.0, 7.0]],
            vec![[15.0, 3.0], [-5.0, 3.0]],
            vec![[4.0, 4.0], [6.0, 4.0], [6.0, 6.0], [4.0, 6.0], [4.0, 4.0]],
        ];
        assert_eq!(land(&shores, false), Some(64.0));
    }

    #[test]
    fn nothing_but_land_or_water() {
        assert_eq!(land(&[], true), Some(100.0));
        assert_eq!(land(&[], false), Some(0.0));
        let lake = vec![vec![[2.0, 2.0], [2.0, 4.0], [4.0, 4.0], [4.0, 2.0], [2.0, 2.0]]];
        assert_eq!(land(&lake, true), Some(96.0));
    }

    #[test]
    fn an_island_over_a_corner() {
        let island = vec![vec![[5.0, 5.0], [15.0, 5.0], [15.0, 15.0], [5.0, 15.0], [5.0, 5.0]]];
        assert_eq!(land(&island, false), Some(25.0));
    }

    #[test]
    fn a_line_that_ends_inside_does_not_tell() {
        assert_eq!(land(&[vec![[-5.0, 4.0], [5.0, 4.0]]], false), None);
        let nearly = land(&[vec![[-5.0, 4.0], [9.9, 4.0]]], false);
        assert!(nearly.is_some_and(|size| (size - 60.0).abs() < 0.5), "{nearly:?}");
    }
}
