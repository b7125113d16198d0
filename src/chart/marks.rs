//! What is drawn over the shore.

use std::fmt::Write;

use super::escape;
use super::frame::{Frame, Xy};
use crate::measure::{METRES_PER_NAUTICAL_MILE, Position};
use crate::shoreline::{Farthest, RouteShore};

/// The height of a line of words below the chart, and how many letters it holds.
const LINE: f64 = 31.0;
const LETTERS: usize = 56;

/// A place of the route so close to the farthest point covers its mark.
const COVERED: f64 = 22.0;

/// What matters most, in words.
pub(super) fn words(judged: &RouteShore) -> String {
    match &judged.farthest {
        Ok(farthest) => {
            let [by_data, at_most] = [farthest.distance_m, farthest.at_most_m].map(distance);
            match by_data == at_most {
                true => format!("Farthest from shore: at most {at_most}."),
                false => format!("Farthest from shore: {by_data}, at most {at_most}."),
            }
        }
        Err(why) => format!("Distance from shore unknown: {why}."),
    }
}

/// `850 m`, `2.1 km`, `14 km`.
pub(super) fn distance(metres: f64) -> String {
    match metres {
        ..995.0 => format!("{metres:.0} m"),
        ..9_950.0 => format!("{:.1} km", metres / 1000.0),
        _ => format!("{:.0} km", metres / 1000.0),
    }
}

/// The route: a thick line with a white edge.
pub(super) fn course(out: &mut String, frame: &Frame, course: &[Xy]) {
    let path = frame.path(course, false);
    for (colour, width) in [("#fff", 7.0), ("#111", 3.4)] {
        let _ = writeln!(
            out,
            r##"<path d="{path}" fill="none" stroke="{colour}" stroke-width="{width}" stroke-linejoin="round" stroke-linecap="round"/>"##
        );
    }
}

/// A ring with a cross in it, and a broken line to the nearest shore. Where a place of the route
/// would cover it, the ring goes round that.
pub(super) fn farthest(out: &mut String, frame: &Frame, farthest: &Farthest, places: &[Position]) {
    let [x, y] = down(frame, farthest.at);
    let [shore_x, shore_y] = down(frame, farthest.shore);
    let line = format!("M{x:.1} {y:.1}L{shore_x:.1} {shore_y:.1}");
    for (colour, width) in [("#fff", 6.5), ("#b3261e", 3.0)] {
        let _ = writeln!(
            out,
            r##"<path d="{line}" stroke="{colour}" stroke-width="{width}" stroke-dasharray="9 6"/>"##
        );
    }
    let covers = |[place_x, place_y]: Xy| (place_x - x).hypot(place_y - y) < COVERED;
    let covered = places.iter().any(|at| covers(down(frame, *at)));
    let radius = if covered { 25.0 } else { 13.0 };
    let _ = writeln!(
        out,
        r##"<circle cx="{x:.1}" cy="{y:.1}" r="{radius}" fill="#fff" stroke="#b3261e" stroke-width="3.5"/>
<path d="M{:.1} {:.1}l12 12m0 -12l-12 12" stroke="#b3261e" stroke-width="3.5"/>
<circle cx="{shore_x:.1}" cy="{shore_y:.1}" r="5" fill="#b3261e" stroke="#fff" stroke-width="1.5"/>"##,
        x - 6.0,
        y - 6.0
    );
    let below = if shore_y > y { -radius - 10.0 } else { radius + 27.0 };
    label(out, frame, [x, y + below], &distance(farthest.distance_m));
}

/// The launch is a black house on its keel; waypoints are numbered; a landing elsewhere is a
/// white house.
pub(super) fn places(out: &mut String, frame: &Frame, places: &[Position]) {
    let Some((launch, rest)) = places.split_first() else { return };
    for (index, at) in rest.iter().enumerate().rev() {
        let is_landing = index + 1 == rest.len();
        if is_landing && at == launch {
            continue;
        }
        let [x, y] = down(frame, *at);
        if is_landing {
            house(out, [x, y], "#fff", "#111");
            continue;
        }
        let number = index + 1;
        let _ = writeln!(
            out,
            r##"<circle cx="{x:.1}" cy="{y:.1}" r="15" fill="#fff" stroke="#111" stroke-width="2.5"/>
<text x="{x:.1}" y="{:.1}" text-anchor="middle" font-size="20" font-weight="bold">{number}</text>"##,
            y + 7.0
        );
    }
    house(out, down(frame, *launch), "#111", "#fff");
}

fn house(out: &mut String, [x, y]: Xy, fill: &str, line: &str) {
    let _ = writeln!(
        out,
        r##"<path d="M{x:.1} {:.1}l14 13v15h-28v-15z" fill="{fill}" stroke="{line}" stroke-width="2.5" stroke-linejoin="round"/>"##,
        y - 16.0
    );
}

/// A bar of a round length, in two halves; kilometres above, nautical miles below.
pub(super) fn scale(out: &mut String, frame: &Frame) {
    let Some(per_km) = frame.per_km() else { return };
    let longest_km = frame.width() * 0.34 / per_km;
    let Some(km) = round_below(longest_km) else { return };
    let (length, x, y) = (km * per_km, 22.0, frame.height() - 44.0);
    let half = length / 2.0;
    let miles = km * 1000.0 / METRES_PER_NAUTICAL_MILE;
    let _ = write!(
        out,
        r##"<g><rect x="{:.1}" y="{:.1}" width="{:.1}" height="66" rx="4" fill="#fff" fill-opacity="0.86"/>
<rect x="{x:.1}" y="{y:.1}" width="{length:.1}" height="9" fill="#fff" stroke="#111" stroke-width="1.6"/>
<rect x="{x:.1}" y="{y:.1}" width="{half:.1}" height="9" fill="#111"/>
<text x="{x:.1}" y="{:.1}">{}</text>
<text x="{x:.1}" y="{:.1}" font-size="20">{miles:.2} nm</text></g>
"##,
        x - 10.0,
        y - 28.0,
        length.max(118.0) + 20.0,
        y - 7.0,
        round_length(km),
        y + 29.0,
    );
}

fn round_length(km: f64) -> String {
    if km < 1.0 { format!("{:.0} m", km * 1000.0) } else { format!("{km:.0} km") }
}

/// 1, 2 or 5 and noughts.
fn round_below(longest: f64) -> Option<f64> {
    let power = 10f64.powf(longest.log10().floor());
    [5.0, 2.0, 1.0].into_iter().map(|digit| digit * power).find(|round| *round <= longest)
}

/// An arrow to true north, which is up.
pub(super) fn north(out: &mut String, frame: &Frame) {
    let x = frame.width() - 40.0;
    let _ = writeln!(
        out,
        r##"<g><rect x="{:.1}" y="10" width="52" height="84" rx="4" fill="#fff" fill-opacity="0.86"/>
<path d="M{x:.1} 16l13 40l-13 -9l-13 9z" fill="#111"/>
<text x="{x:.1}" y="84" text-anchor="middle" font-weight="bold" font-size="24">N</text></g>"##,
        x - 26.0
    );
}

/// The words below the chart.
pub(super) struct Foot(Vec<(&'static str, String)>);

impl Foot {
    /// What matters most, what this is not, where the shore is from.
    pub(super) fn of(words: &str, source: &str) -> Self {
        let parts = [("bold", words), ("bold", "Not for navigation."), ("normal", source)];
        let lines = parts
            .into_iter()
            .flat_map(|(weight, text)| wrapped(text).into_iter().map(move |line| (weight, line)));
        Foot(lines.collect())
    }

    pub(super) fn height(&self) -> f64 {
        LINE * self.0.len() as f64 + 12.0
    }

    pub(super) fn draw(&self, out: &mut String, frame: &Frame) {
        let (top, width) = (frame.height(), frame.width());
        let _ =
            writeln!(out, r##"<path d="M0 {top:.1}h{width:.1}" stroke="#111" stroke-width="2"/>"##);
        for (row, (weight, line)) in self.0.iter().enumerate() {
            let y = top + 29.0 + LINE * row as f64;
            let _ = writeln!(
                out,
                r##"<text x="14" y="{y:.1}" font-weight="{weight}">{}</text>"##,
                escape(line)
            );
        }
    }
}

/// Lines of whole words; SVG breaks none itself.
fn wrapped(text: &str) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= LETTERS => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

/// A word with a white edge, kept inside the frame.
fn label(out: &mut String, frame: &Frame, [x, y]: Xy, text: &str) {
    let half = text.chars().count() as f64 * 7.5;
    let x = x.clamp(half + 6.0, frame.width() - half - 6.0);
    let y = y.clamp(26.0, frame.height() - 8.0);
    let _ = writeln!(
        out,
        r##"<text x="{x:.1}" y="{y:.1}" text-anchor="middle" font-size="24" font-weight="bold" stroke="#fff" stroke-width="6" stroke-linejoin="round" paint-order="stroke">{}</text>"##,
        escape(text)
    );
}

/// As SVG counts, from the top.
fn down(frame: &Frame, at: Position) -> Xy {
    let [x, y] = frame.xy(at);
    [x, frame.height() - y]
}
