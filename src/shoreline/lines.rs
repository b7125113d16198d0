//! The shore itself, as lines to be drawn.

use std::collections::BTreeMap;

use super::ecef::{self, GRID_PER_M, GridPoint};
use super::judge::choose;
use super::route::Route;
use super::{Shoreline, Shorelines};
use crate::measure::Position;

impl Shoreline {
    /// The lines of shore that come within so many metres of a place, with land on their left.
    /// They go on a little beyond; a line that comes back to where it began is closed.
    #[must_use]
    pub fn lines_within(&self, middle: Position, radius_m: f64) -> Vec<Vec<Position>> {
        let runs = self.shore.view().runs_within(radius_m, ecef::point_of(middle));
        chained(&runs).into_iter().map(|line| positions(&line)).collect()
    }
}

impl Shorelines {
    /// The data that judges this route; if none knows the whole of it, the most accurate that
    /// has any place of it.
    #[must_use]
    pub fn for_route(&self, places: &[Position]) -> Option<&Shoreline> {
        let has_any = |shoreline: &&Shoreline| places.iter().any(|at| shoreline.covers(*at));
        choose(self, &Route::through(places)).ok().or_else(|| self.iter().find(has_any))
    }
}

fn positions(line: &[GridPoint]) -> Vec<Position> {
    let metres = |at: &GridPoint| at.map(|axis| f64::from(axis) / GRID_PER_M);
    line.iter().filter_map(|at| ecef::position(metres(at))).collect()
}

/// Runs put together where one begins with the point that another ends with.
fn chained(runs: &[&[GridPoint]]) -> Vec<Vec<GridPoint>> {
    // More than one begins where shores touch.
    let mut begins: BTreeMap<GridPoint, Vec<usize>> = BTreeMap::new();
    for (index, run) in runs.iter().enumerate() {
        if let Some(first) = run.first() {
            begins.entry(*first).or_default().push(index);
        }
    }
    let after = |index: usize| {
        let last = runs[index].last();
        last.and_then(|last| begins.get(last)).map_or(&[][..], Vec::as_slice)
    };
    let mut is_start = vec![true; runs.len()];
    (0..runs.len()).flat_map(after).for_each(|index| is_start[*index] = false);

    let mut used = vec![false; runs.len()];
    let mut lines = Vec::new();
    // Lines with a beginning first; what is left over then goes round.
    let order = (0..runs.len()).filter(|index| is_start[*index]).chain(0..runs.len());
    for first in order {
        let mut line: Vec<GridPoint> = Vec::new();
        let mut here = Some(first).filter(|first| !used[*first]);
        while let Some(index) = here.filter(|index| !used[*index]) {
            used[index] = true;
            line.extend(&runs[index][usize::from(!line.is_empty())..]);
            here = after(index).iter().copied().find(|next| !used[*next]);
        }
        if line.len() > 1 {
            lines.push(line);
        }
    }
    lines
}
