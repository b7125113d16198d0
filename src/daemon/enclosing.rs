//! What goes with an alert beside its words, as far as a letter has room: the chart, the route as
//! GPX and as GeoJSON.

use crate::letter::{Facts, File, geojson, gpx};
use crate::post::Attachment;

/// The largest letter, in bytes as it goes over the line, but for its text alone, which is never
/// left out.
pub(super) const LARGEST: usize = 150_000;

/// The files of an alert, the one that matters more first.
pub(super) fn files(facts: &Facts<'_>) -> Vec<Attachment> {
    let attachment = |file: File| Attachment {
        name: file.name,
        content_type: file.content_type.to_owned(),
        bytes: file.bytes,
    };
    gpx(facts).into_iter().chain([geojson(facts)]).map(attachment).collect()
}
