//! A small chart of a route: the shore around it, where it is farthest out, and how far that is.
//! SVG text, drawn from the shoreline data alone; for reading, never for navigation.
//!
//! It says the same in black and white, and at the width of a telephone: nothing is told by
//! colour alone, and no letter is smaller than a thirty-sixth of the width.

mod frame;
mod land;
mod marks;
mod png;
mod sheet;

use std::fmt::Write;

use crate::measure::Position;
use crate::shoreline::{Route, RouteShore, Shoreline, Shorelines};
use frame::{Frame, Xy};
use marks::Foot;
pub use png::{MOST_BYTES, png};
pub use sheet::{Sheet, sheet};

/// Points that stand for a leg, which is a geodesic and may bend on the chart.
const LEG_STEPS: u32 = 24;

/// Draws the route through these places as it was judged. `title` is read out to those who can't
/// see the chart, with what matters most on it.
#[must_use]
pub fn svg(
    shores: &Shorelines,
    places: &[Position],
    judged: &RouteShore,
    title: &str,
) -> Option<String> {
    let route = Route::through(places);
    let course = course(&route)?;
    let marked: Vec<Position> = course.iter().copied().chain(shown_shore(judged)).collect();
    let frame = Frame::around(&marked)?;
    let shoreline = shores.for_route(places);
    let words = marks::words(judged);
    let foot = Foot::of(&words, &source(shoreline));
    let mut out = String::new();
    head(&mut out, [frame.width(), frame.height() + foot.height()], title, &words);
    water(&mut out, &frame);
    if let Some(shoreline) = shoreline {
        shore(&mut out, &frame, shoreline);
    }
    let course: Vec<Xy> = course.iter().map(|at| frame.xy(*at)).collect();
    marks::course(&mut out, &frame, &course);
    if let Ok(farthest) = &judged.farthest {
        marks::farthest(&mut out, &frame, farthest, places);
    }
    marks::places(&mut out, &frame, places);
    marks::scale(&mut out, &frame);
    marks::north(&mut out, &frame);
    foot.draw(&mut out, &frame);
    out.push_str("</svg>\n");
    Some(out)
}

/// The route's places, and points between them; `None` for a route through nowhere.
fn course(route: &Route) -> Option<Vec<Position>> {
    let mut points = vec![route.start()?];
    for leg in route.legs() {
        let steps = (1..=LEG_STEPS).map(|step| f64::from(step) / f64::from(LEG_STEPS));
        points.extend(
            steps.filter_map(|share| route.position_at(leg.along_m + leg.length_m * share)),
        );
    }
    Some(points)
}

/// The shore that the farthest point is measured to belongs on the chart.
fn shown_shore(judged: &RouteShore) -> Option<Position> {
    judged.farthest.as_ref().ok().map(|farthest| farthest.shore)
}

fn source(shoreline: Option<&Shoreline>) -> String {
    let Some(shoreline) = shoreline else { return "No shoreline data here.".to_owned() };
    let about = shoreline.about();
    let name = if about.name.is_empty() { "unnamed data" } else { &about.name };
    let mut text = format!("Shoreline: {name}");
    if !about.attribution.is_empty() {
        let _ = write!(text, ", {}", about.attribution);
    }
    let _ = write!(text, "; it may be {} off.", marks::distance(about.accuracy_m));
    text
}

fn head(out: &mut String, [width, height]: [f64; 2], title: &str, words: &str) {
    let _ = write!(
        out,
        r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0} {height:.0}" role="img" aria-labelledby="chart-title chart-desc" font-family="DejaVu Sans, Verdana, sans-serif" font-size="21">
<title id="chart-title">{}</title>
<desc id="chart-desc">{} Not for navigation.</desc>
<defs>
<pattern id="chart-unknown" width="14" height="14" patternUnits="userSpaceOnUse"><path d="M0 14L14 0" stroke="#999" stroke-width="1.5"/></pattern>
</defs>
<rect width="{width:.0}" height="{height:.0}" fill="#fff"/>
"##,
        escape(title),
        escape(words),
    );
}

/// Where no data is, the hatching stays.
fn water(out: &mut String, frame: &Frame) {
    let (width, height) = (frame.width(), frame.height());
    let _ = writeln!(
        out,
        r##"<rect width="{width:.0}" height="{height:.0}" fill="url(#chart-unknown)"/>"##
    );
}

fn shore(out: &mut String, frame: &Frame, shoreline: &Shoreline) {
    let Some(known) = frame.known(shoreline.coverage()) else { return };
    let Some((middle, radius_m)) = frame.around_it() else { return };
    let lines: Vec<Vec<Xy>> = shoreline
        .lines_within(middle, radius_m)
        .into_iter()
        .map(|line| frame.line(&line))
        .collect();
    let on_land = |at: Xy| {
        let at = frame.position(at);
        at.and_then(|at| shoreline.signed_m(at)).is_some_and(|metres| metres < 0.0)
    };
    let area = land::area(&lines, known, on_land);
    let (x, y, width, height) =
        (known.west, frame.height() - known.north, known.width(), known.height());
    let _ = writeln!(
        out,
        r##"<rect x="{x:.1}" y="{y:.1}" width="{width:.1}" height="{height:.1}" fill="#f3f8fb"/>"##
    );
    if let Some(rings) = area {
        let path: String = rings.iter().map(|ring| frame.path(ring, true)).collect();
        let _ = writeln!(out, r##"<path d="{path}" fill="#cfc8b6" fill-rule="evenodd"/>"##);
    }
    let path: String =
        land::clipped(&lines, known).iter().map(|line| frame.path(line, false)).collect();
    let _ = writeln!(
        out,
        r##"<path d="{path}" fill="none" stroke="#333" stroke-width="1.4" stroke-linejoin="round"/>"##
    );
}

/// Text as XML takes it.
fn escape(text: &str) -> String {
    text.chars()
        .filter(|letter| !letter.is_control() || *letter == '\n')
        .map(|letter| match letter {
            '&' => "&amp;".to_owned(),
            '<' => "&lt;".to_owned(),
            '>' => "&gt;".to_owned(),
            '"' => "&quot;".to_owned(),
            other => other.to_string(),
        })
        .collect()
}

#[cfg(test)]
mod tests;
