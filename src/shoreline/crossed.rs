//! Where a route crosses the shore: looked up among the edges, since a search by distance alone
//! creeps where the two run nearly side by side.

use super::ecef::{self, Point, cross, dot, minus};
use super::route::Route;
use super::tree::View;

/// Up to here, in metres, a piece of a route is taken for straight: a geodesic of this length
/// rises 5 mm above its chord, and strays less to its sides.
pub(super) const STRAIGHT_M: f64 = 500.0;

/// What the rise of a piece and the rounding of the edges may hide, in metres.
const SLACK_M: f64 = 0.1;

/// Where the shore meets a piece of one leg, between two places no more than [`STRAIGHT_M`]
/// apart, in metres along the route, in order.
pub(super) fn crossings(view: &View<'_>, route: &Route, [from_m, to_m]: [f64; 2]) -> Vec<f64> {
    let place = |along_m: f64| route.position_at(along_m).map(ecef::point_of);
    let (Some(from), Some(to)) = (place(from_m), place(to_m)) else { return Vec::new() };
    let middle = ecef::between(from, to, 0.5);
    let near = view.within((to_m - from_m) / 2.0 + SLACK_M, middle);
    let edges = near.into_iter().map(|hit| view.ends_m(hit));
    let shares = edges.flat_map(|edge| met([from, to], edge)).flatten();
    let mut found: Vec<f64> = shares
        .filter(|share| (0.0..=1.0).contains(share))
        .map(|share| from_m + share * (to_m - from_m))
        .collect();
    found.sort_by(f64::total_cmp);
    found
}

/// Where an edge meets a line, seen from above, as shares of the line's length; both its ends if
/// it lies on it.
fn met([from, to]: [Point; 2], edge: [Point; 2]) -> [Option<f64>; 2] {
    let along = minus(to, from);
    let across = cross(from, along);
    let [one, two] = edge.map(|end| dot(across, minus(end, from)));
    let share = |at: Point| Some(dot(minus(at, from), along) / dot(along, along));
    if one == 0.0 && two == 0.0 {
        return edge.map(share);
    }
    if (one > 0.0 && two > 0.0) || (one < 0.0 && two < 0.0) {
        return [None, None];
    }
    [share(ecef::between(edge[0], edge[1], one / (one - two))), None]
}

#[cfg(test)]
mod tests {
    use super::*;

    const R: f64 = 6.4e6;

    #[test]
    fn lines_meet_where_they_cross() {
        let line = [[R, 0.0, 0.0], [R, 100.0, 0.0]];
        let at = |y: f64, z: f64| [R, y, z];
        assert_eq!(met(line, [at(25.0, -3.0), at(25.0, 3.0)]), [Some(0.25), None]);
        assert_eq!(met(line, [at(25.0, 1.0), at(25.0, 3.0)]), [None, None]);
        assert_eq!(met(line, [at(50.0, 0.0), at(75.0, 0.0)]), [Some(0.5), Some(0.75)]);
        assert_eq!(met(line, [at(50.0, 0.0), at(75.0, 9.0)]), [Some(0.5), None]);
    }
}
