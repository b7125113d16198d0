//! The chart of the route in a letter, in words for whoever can't see it.

use super::block::Block;
use super::scene::Scene;
use crate::caution::words::distance;

/// What the picture is called inside a letter (RFC 2392).
pub const CHART_ID: &str = "chart@shorelamp";

pub(super) fn block(scene: &Scene<'_>) -> Option<Block> {
    let farthest = scene.facts.review.and_then(|review| review.route.farthest);
    let farthest = farthest.map_or_else(String::new, |farthest| {
        format!(" At most {} from shore.", distance(farthest.at_most_m))
    });
    let words = format!("Chart of the planned route.{farthest} Not for navigation.");
    scene.facts.has_chart.then_some(Block::Chart(words))
}
