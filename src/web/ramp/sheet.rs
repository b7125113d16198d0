//! The sheet that a route is tapped on.

use axum::Json;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde_json::json;

use super::filings::Filer;
use crate::daemon::Daemon;
use crate::measure::Position;
use crate::web::problem::Problem;
use crate::web::typed::Typed;

/// From the middle to the edge, in metres: less shows nothing, more is no day's paddling.
const RADII_M: std::ops::RangeInclusive<f64> = 500.0..=60_000.0;

/// Draws the shore around a place.
pub(super) async fn show(
    State(daemon): State<Daemon>,
    Filer(key): Filer,
    bytes: Bytes,
) -> Result<Response, Problem> {
    let typed = Typed::of_bytes(&bytes);
    let place = typed.get("at");
    let middle: Position = place.parse().map_err(|error| {
        Problem::unusable(format!("there is no chart of \"{place}\": it {error}"))
    })?;
    let radius_m: f64 = typed.get("radius_m").parse().unwrap_or(3000.0);
    let radius_m = if RADII_M.contains(&radius_m) { radius_m } else { 3000.0 };
    let drawn = daemon.sheet(&key.id, middle, radius_m).await;
    let sheet = drawn.ok_or_else(Problem::too_many_judged)?.ok_or_else(|| {
        Problem::new(StatusCode::NOT_FOUND, "there is no chart of that place; type the positions")
    })?;
    let (low, high) = (sheet.south_west, sheet.north_east);
    let answer = json!({
        "svg": sheet.svg, "width": sheet.size[0], "height": sheet.size[1],
        "south": low.lat_deg(), "west": low.lon_deg(),
        "north": high.lat_deg(), "east": high.lon_deg(),
    });
    Ok(Json(answer).into_response())
}
