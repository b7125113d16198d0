//! Polygons out of an ESRI shapefile. Its own order of rings tells which are holes.

use std::io::{Read, Seek};

use shapefile::record::polygon::GenericPolygon;
use shapefile::record::traits::HasXY;
use shapefile::{PolygonRing, Shape, ShapeReader};

use super::rings::{Land, LandIs, LonLat, Part, ShorelineError};

/// Reads the polygons of the `.shp` part.
pub(super) fn read(shapes: impl Read + Seek, land_is: LandIs) -> Result<Land, ShorelineError> {
    let unreadable = |fault: shapefile::Error| ShorelineError::NotShapefile(fault.to_string());
    let mut reader = ShapeReader::new(shapes).map_err(unreadable)?;
    let mut land = Land::default();
    for (index, shape) in reader.iter_shapes().enumerate() {
        let feature = index + 1;
        match shape.map_err(unreadable)? {
            Shape::NullShape => {}
            Shape::Polygon(polygon) => add(feature, &polygon, land_is, &mut land)?,
            Shape::PolygonM(polygon) => add(feature, &polygon, land_is, &mut land)?,
            Shape::PolygonZ(polygon) => add(feature, &polygon, land_is, &mut land)?,
            other => {
                let kind = name(&other);
                return Err(ShorelineError::NotLand { feature, kind });
            }
        }
    }
    if land.rings.is_empty() {
        return Err(ShorelineError::NoPolygons);
    }
    Ok(land)
}

fn add<P: HasXY>(
    feature: usize,
    polygon: &GenericPolygon<P>,
    land_is: LandIs,
    land: &mut Land,
) -> Result<(), ShorelineError> {
    for ring in polygon.rings() {
        let part = match ring {
            PolygonRing::Outer(_) => Part::Outer { island: false },
            PolygonRing::Inner(_) => Part::Hole { island: false },
        };
        let points = ring.points().iter().map(|at| LonLat { lon: at.x(), lat: at.y() });
        land.add(feature, points.collect(), part, land_is)?;
    }
    Ok(())
}

fn name(shape: &Shape) -> &'static str {
    match shape {
        Shape::Point(_) | Shape::PointM(_) | Shape::PointZ(_) => "Point",
        Shape::Polyline(_) | Shape::PolylineM(_) | Shape::PolylineZ(_) => "Polyline",
        Shape::Multipoint(_) | Shape::MultipointM(_) | Shape::MultipointZ(_) => "Multipoint",
        Shape::Multipatch(_) => "Multipatch",
        Shape::NullShape | Shape::Polygon(_) | Shape::PolygonM(_) | Shape::PolygonZ(_) => "Polygon",
    }
}
