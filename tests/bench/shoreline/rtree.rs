//! The same shore in `rstar`, as segments in three dimensions.

use std::hint::black_box;

use rstar::{AABB, PointDistance, RTree, RTreeObject};
use shorelamp::measure::Position;
use shorelamp::shoreline::Land;

use crate::measure::{memory_mb, report, seconds, spread};

type Point = [f64; 3];

struct Segment([Point; 2]);

impl RTreeObject for Segment {
    type Envelope = AABB<Point>;

    fn envelope(&self) -> Self::Envelope {
        AABB::from_corners(self.0[0], self.0[1])
    }
}

impl PointDistance for Segment {
    fn distance_2(&self, at: &Point) -> f64 {
        let [from, to] = self.0;
        let minus = |a: Point, b: Point| [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
        let dot = |a: Point, b: Point| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
        let (along, away) = (minus(to, from), minus(*at, from));
        let share = (dot(away, along) / dot(along, along)).clamp(0.0, 1.0);
        let gap = minus(away, along.map(|axis| axis * share));
        dot(gap, gap)
    }
}

pub fn measure(land: &Land, hot: &[Position], near: &[Position]) {
    let before_mb = memory_mb("VmRSS");
    let segments: Vec<Segment> = land
        .edge_positions()
        .map(|[from, to]| Segment([ecef(from), ecef(to)]))
        .filter(|segment| segment.0[0] != segment.0[1])
        .collect();
    let (tree, build_s) = seconds(|| RTree::bulk_load(segments));
    report("rstar build s", build_s);
    report("rstar memory MB", memory_mb("VmRSS") - before_mb);
    for (name, places, rounds) in [("hot", hot, 2_000), ("near", near, 1)] {
        let places: Vec<Point> = places.iter().map(|&at| ecef(at)).collect();
        let times = (0..3).map(|_| {
            seconds(|| {
                for _ in 0..rounds {
                    for &at in &places {
                        black_box(tree.nearest_neighbor(black_box(&at)));
                    }
                }
            })
            .1
        });
        let mean_us =
            spread(times.collect()).median / f64::from(rounds) / places.len() as f64 * 1e6;
        report(&format!("rstar {name} mean us"), mean_us);
    }
}

/// WGS 84, in metres.
fn ecef(at: Position) -> Point {
    let (a, f) = (6_378_137.0, 1.0 / 298.257_223_563);
    let e2 = f * (2.0 - f);
    let (lat_sin, lat_cos) = at.lat_deg().to_radians().sin_cos();
    let (lon_sin, lon_cos) = at.lon_deg().to_radians().sin_cos();
    let normal = a / f64::sqrt(1.0 - e2 * lat_sin * lat_sin);
    [normal * lat_cos * lon_cos, normal * lat_cos * lon_sin, normal * (1.0 - e2) * lat_sin]
}
