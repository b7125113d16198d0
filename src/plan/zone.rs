//! The time zone of a place.

use std::sync::LazyLock;

use chrono_tz::Tz;
use tzf_rs::EmbeddedFinder;

use crate::measure::Position;

/// The zones' borders, simplified to within 111 m by the data's makers; on the open sea the
/// nautical zones `Etc/GMT±N`.
static BORDERS: LazyLock<EmbeddedFinder> = LazyLock::new(EmbeddedFinder::new);

/// The zone in which clocks ashore of this place run; UTC where the map has none.
#[must_use]
pub fn zone_at(position: Position) -> Tz {
    BORDERS.get_tz_name(position.lon_deg(), position.lat_deg()).parse().unwrap_or(Tz::UTC)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Zones of the IANA time zone database (zone1970.tab) for places well inside them.
    #[test]
    fn places_lie_in_the_zones_of_the_iana_table() {
        for (lat, lon, zone) in [
            (48.542, -123.162, "America/Los_Angeles"),
            (48.43, -123.37, "America/Vancouver"),
            (46.81, -90.82, "America/Chicago"),
            (57.3, -4.45, "Europe/London"),
            (-16.8, -179.99, "Pacific/Fiji"),
            (69.65, 18.96, "Europe/Oslo"),
        ] {
            assert_eq!(zone_at(Position::new(lat, lon).unwrap()).name(), zone);
        }
    }
}
