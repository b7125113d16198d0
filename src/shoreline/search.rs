//! Searches along a route for what its samples alone would not prove. They rest on distances
//! that cannot change faster than one moves.

/// How much faster than one moves a distance may seem to change: chords are turned into arcs of
/// a mean sphere, which at most differs so much from the ellipsoid, at any length.
pub(super) const FASTEST: f64 = 1.006;

/// The finest look at a route, in metres: 0.1 m, more for a route beyond 20 km. It bounds the
/// work where a route runs along the very line that is searched for.
fn finest_m(length_m: f64) -> f64 {
    (length_m / 200_000.0).max(0.1)
}

/// A place along the route and the value there.
#[derive(Clone, Copy)]
pub(super) struct Sample {
    pub(super) along_m: f64,
    pub(super) value_m: f64,
}

/// The stretches of a route, from and to in metres along it, on which `height_m` (which changes
/// by at most a metre a metre) is positive.
pub(super) fn stretches_above(height_m: &impl Fn(f64) -> f64, length_m: f64) -> Vec<[f64; 2]> {
    let sample = |along_m: f64| Sample { along_m, value_m: height_m(along_m) };
    let halved = |before, after, found: &mut Vec<[f64; 2]>| {
        let decided = |along_m: f64| Decided::around(along_m, height_m(along_m));
        between(&decided, [before, after], finest_m(length_m) / 4.0, found);
    };
    joined(&[sample(0.0), sample(length_m)], halved)
}

/// The same where some heights are known: at the beginning, at every turn of the route, at the
/// end. `zeros` tells the places between two others, no more than `up_to_m` apart, where the
/// height may change its sign.
pub(super) fn stretches_above_from(
    height_m: &impl Fn(f64) -> f64,
    known: &[Sample],
    zeros: &impl Fn([f64; 2]) -> Vec<f64>,
    up_to_m: f64,
) -> Vec<[f64; 2]> {
    joined(known, |before, after, found| {
        exactly(height_m, [before, after], (zeros, up_to_m), found);
    })
}

/// Goes from sample to sample; `undecided` adds what lies between two of them.
fn joined(
    known: &[Sample],
    undecided: impl Fn(Decided, Decided, &mut Vec<[f64; 2]>),
) -> Vec<[f64; 2]> {
    let mut found = Vec::new();
    let (Some(first), Some(last)) = (known.first(), known.last()) else { return found };
    let length_m = last.along_m;
    let mut before = Decided::around(first.along_m, first.value_m);
    before.add(0.0, length_m, &mut found);
    for sample in &known[1..] {
        let after = Decided::around(sample.along_m, sample.value_m);
        // What lies within what is decided adds nothing.
        if after.to_m <= before.to_m {
            continue;
        }
        undecided(before, after, &mut found);
        after.add(before.to_m, length_m, &mut found);
        before = after;
    }
    found
}

/// What lies undecided between two places, halved until the zeros of it can be looked up.
fn exactly<Z: Fn([f64; 2]) -> Vec<f64>>(
    height_m: &impl Fn(f64) -> f64,
    [before, after]: [Decided; 2],
    (zeros, up_to_m): (&Z, f64),
    found: &mut Vec<[f64; 2]>,
) {
    let (from_m, to_m) = (before.to_m, after.from_m);
    if from_m >= to_m {
        return;
    }
    if to_m - from_m > up_to_m {
        let middle_m = (from_m + to_m) / 2.0;
        let middle = Decided::around(middle_m, height_m(middle_m));
        exactly(height_m, [before, middle], (zeros, up_to_m), found);
        middle.add(from_m, to_m, found);
        return exactly(height_m, [middle, after], (zeros, up_to_m), found);
    }
    let mut begun_m = from_m;
    for end_m in zeros([from_m, to_m]).into_iter().chain([to_m]) {
        if end_m > begun_m && height_m((begun_m + end_m) / 2.0) > 0.0 {
            add([begun_m, end_m], found);
        }
        begun_m = end_m;
    }
}

/// A place and what its height decides: as far around it as the height, nothing can cross zero.
#[derive(Clone, Copy)]
struct Decided {
    from_m: f64,
    to_m: f64,
    above: bool,
}

impl Decided {
    fn around(along_m: f64, value_m: f64) -> Self {
        let reach_m = (value_m.abs() / FASTEST).max(0.0);
        Self { from_m: along_m - reach_m, to_m: along_m + reach_m, above: value_m > 0.0 }
    }

    /// Adds what it decides between two places, if that is above.
    fn add(&self, from_m: f64, to_m: f64, found: &mut Vec<[f64; 2]>) {
        let stretch = [self.from_m.max(from_m), self.to_m.min(to_m)];
        if self.above && stretch[0] < stretch[1] {
            add(stretch, found);
        }
    }
}

/// What lies undecided between two places.
fn between(
    decided: &impl Fn(f64) -> Decided,
    [before, after]: [Decided; 2],
    finest_m: f64,
    found: &mut Vec<[f64; 2]>,
) {
    let (from_m, to_m) = (before.to_m, after.from_m);
    if from_m >= to_m {
        return;
    }
    let middle_m = (from_m + to_m) / 2.0;
    if to_m - from_m <= finest_m {
        if before.above {
            add([from_m, middle_m], found);
        }
        if after.above {
            add([middle_m, to_m], found);
        }
        return;
    }
    let middle = decided(middle_m);
    between(decided, [before, middle], finest_m, found);
    middle.add(from_m, to_m, found);
    between(decided, [middle, after], finest_m, found);
}

/// Adds a stretch, to the last one if it follows that without a gap.
fn add([from_m, to_m]: [f64; 2], found: &mut Vec<[f64; 2]>) {
    match found.last_mut() {
        Some(last) if last[1] == from_m => last[1] = to_m,
        _ => found.push([from_m, to_m]),
    }
}

/// The first place found where `margin_m` (which changes by at most two metres a metre) is
/// negative; `None` proves that there is none but on a stretch shorter than the finest look.
pub(super) fn first_negative(margin_m: &impl Fn(f64) -> f64, length_m: f64) -> Option<f64> {
    let sample = |along_m: f64| Sample { along_m, value_m: margin_m(along_m) };
    let (from, to) = (sample(0.0), sample(length_m));
    if from.value_m < 0.0 {
        return Some(from.along_m);
    }
    negative(&sample, from, to, finest_m(length_m)).or((to.value_m < 0.0).then_some(to.along_m))
}

/// `from` is not negative.
fn negative(
    sample: &impl Fn(f64) -> Sample,
    from: Sample,
    to: Sample,
    finest_m: f64,
) -> Option<f64> {
    let length_m = to.along_m - from.along_m;
    let clear = to.value_m >= 0.0 && from.value_m + to.value_m > 2.0 * FASTEST * length_m;
    if clear || length_m <= finest_m {
        return None;
    }
    let middle = sample((from.along_m + to.along_m) / 2.0);
    negative(sample, from, middle, finest_m)
        .or((middle.value_m < 0.0).then_some(middle.along_m))
        .or_else(|| negative(sample, middle, to, finest_m))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_tent() {
        let length_above = |height: &dyn Fn(f64) -> f64, length| -> f64 {
            stretches_above(&height, length).iter().map(|[from, to]| to - from).sum()
        };
        let tent = |along: f64| 10.0 - (along - 50.0).abs();
        assert!((length_above(&tent, 100.0) - 20.0).abs() < 0.03);
        assert!((length_above(&|along| -tent(along), 100.0) - 80.0).abs() < 0.03);
        let dip = |along: f64| (along - 70.0).abs() * 2.0 - 1.0;
        assert!((dip(first_negative(&dip, 100.0).unwrap())) < 0.0);
        assert_eq!(first_negative(&|along| dip(along) + 2.0, 100.0), None);
        assert_eq!(first_negative(&|along| 50.0 - along, 100.0).map(f64::round), Some(50.0));
    }

    proptest! {
        /// A saw of random teeth, its length above zero added up by hand.
        #[test]
        fn random_saws(teeth in prop::collection::vec((0.0f64..40.0, 0.0f64..40.0), 1..20)) {
            let length_m: f64 = teeth.iter().map(|tooth| tooth.0 + tooth.1).sum();
            let high: f64 = teeth.iter().map(|tooth| tooth.0).sum();
            let saw = |along: f64| {
                let mut start = 0.0;
                for (up, down) in &teeth {
                    if along <= start + up {
                        return (along - start).min(start + up - along);
                    }
                    start += up;
                    if along <= start + down {
                        return -(along - start).min(start + down - along);
                    }
                    start += down;
                }
                0.0
            };
            let stretches = stretches_above(&saw, length_m);
            prop_assert!(stretches.windows(2).all(|two| two[0][1] < two[1][0]));
            let found: f64 = stretches.iter().map(|[from, to]| to - from).sum();
            prop_assert!((found - high).abs() <= 0.2 * teeth.len() as f64, "{found} {high}");
        }
    }
}
