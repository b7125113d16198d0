//! The chart of the route in a letter, in words for whoever can't see it.

use super::block::Block;
use super::scene::Scene;

/// What the picture is called inside a letter (RFC 2392).
pub const CHART_ID: &str = "chart@shorelamp";

pub(super) fn block(scene: &Scene<'_>) -> Option<Block> {
    let told = scene.facts.review.and_then(|review| {
        let at_most = review.units.distance(review.route.farthest?.at_most_m);
        Some(format!(
            " The red cross is where the plan is farthest from shore, at most {at_most}; nobody was seen \
             there."
        ))
    });
    let farthest = told.unwrap_or_default();
    let words = format!(
        "Chart of the planned route, which may not be where they went: the house is the launch, the \
         numbers are its points, which stand above in words.{farthest} Not for navigation."
    );
    scene.facts.has_chart.then_some(Block::Chart(words))
}
