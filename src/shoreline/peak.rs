//! The greatest distance that a stretch of a route can have from the shore, as far as a few edges
//! tell.
//!
//! No place is farther from the shore than from any one edge of it. Along a straight line the
//! distance from an edge is convex, so that between two places it lies below the straight line
//! between their distances; the least of such lines is highest where two of them cross.

/// How many edges are held against a stretch.
pub(super) const EDGES: usize = 4;

/// How often a stretch is halved to see how the edges' distances bend. A look at a few edges
/// costs a fraction of a search for the nearest.
const HALVINGS: u32 = 5;

/// Distances from each of the edges, in metres.
pub(super) type Chords = [f64; EDGES];

/// The greatest distance possible on a stretch, and where.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Peak {
    /// In metres, never less than the truth.
    pub(super) at_most_m: f64,
    /// As a share of the stretch, 0 to 1.
    pub(super) share: f64,
}

/// A place on the stretch, and its distances.
#[derive(Clone, Copy)]
struct Place {
    share: f64,
    chords_m: Chords,
}

/// `chords_m` tells the distances from the edges at a share of a stretch. What does not exceed
/// `enough_m` is not looked at more closely.
pub(super) fn peak(chords_m: &impl Fn(f64) -> Chords, enough_m: f64) -> Peak {
    let place = |share: f64| Place { share, chords_m: chords_m(share) };
    between(&place, [place(0.0), place(1.0)], enough_m, HALVINGS)
}

fn between(place: &impl Fn(f64) -> Place, ends: [Place; 2], enough_m: f64, halvings: u32) -> Peak {
    let peak = lowest_crossing(ends);
    let inside = peak.share > ends[0].share && peak.share < ends[1].share;
    if halvings == 0 || !inside || peak.at_most_m <= enough_m {
        return peak;
    }
    let middle = place(peak.share);
    let left = between(place, [ends[0], middle], enough_m, halvings - 1);
    let right = between(place, [middle, ends[1]], enough_m, halvings - 1);
    if right.at_most_m > left.at_most_m { right } else { left }
}

/// Of all pairs of lines, the one whose lower line rises least.
fn lowest_crossing([from, to]: [Place; 2]) -> Peak {
    let lines = || from.chords_m.into_iter().zip(to.chords_m);
    let pairs =
        lines().enumerate().flat_map(|(at, one)| lines().skip(at).map(move |two| [one, two]));
    let peaks = pairs.map(crossing);
    let lowest = peaks.min_by(|a, b| a.at_most_m.total_cmp(&b.at_most_m));
    let Peak { at_most_m, share } = lowest.unwrap_or(Peak { at_most_m: f64::INFINITY, share: 0.5 });
    Peak { at_most_m, share: from.share + share * (to.share - from.share) }
}

/// Where the lower of two lines is highest.
fn crossing([one, two]: [(f64, f64); 2]) -> Peak {
    let (apart_from, apart_to) = (one.0 - two.0, one.1 - two.1);
    let lower_ends = [one.0.min(two.0), one.1.min(two.1)];
    let rises = (one.1 - one.0) * (two.1 - two.0) < 0.0;
    if rises && apart_from * apart_to < 0.0 {
        let share = apart_from / (apart_from - apart_to);
        return Peak { at_most_m: one.0 + share * (one.1 - one.0), share };
    }
    let [from, to] = lower_ends;
    if to > from {
        Peak { at_most_m: to, share: 1.0 }
    } else {
        Peak { at_most_m: from, share: 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Points beside a line of length 1.
    fn chords(points: [(f64, f64); EDGES]) -> impl Fn(f64) -> Chords {
        move |share| points.map(|(along, aside)| (along - share).hypot(aside))
    }

    /// Half way between two points, by Pythagoras.
    #[test]
    fn between_two_points() {
        let found = peak(&chords([(0.0, 0.3), (1.0, -0.3), (9.0, 9.0), (9.0, 9.0)]), 0.0);
        let exact = 0.5f64.hypot(0.3);
        assert!(found.at_most_m >= exact && found.at_most_m < exact * 1.002, "{found:?}");
        assert!((found.share - 0.5).abs() < 0.05);
    }

    proptest! {
        /// Never below what samples show, and hardly above.
        #[test]
        fn no_sample_is_higher(
            points in prop::array::uniform4((-1.0f64..2.0, -1.0f64..1.0)),
            enough in 0.0f64..1.0,
        ) {
            let chords = chords(points);
            let sampled = (0..=1000)
                .map(|at| chords(f64::from(at) / 1000.0).into_iter().fold(f64::INFINITY, f64::min))
                .fold(0.0, f64::max);
            let found = peak(&chords, enough);
            prop_assert!(found.at_most_m >= sampled - 1e-12, "{found:?} {sampled}");
            prop_assert!((0.0..=1.0).contains(&found.share));
            let at_most = sampled.max(enough) + 0.1;
            prop_assert!(found.at_most_m <= at_most, "{found:?} {sampled}");
        }
    }
}
