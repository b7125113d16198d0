//! Polygons out of GeoJSON (RFC 7946), read as they come: neither the text nor its tree is ever
//! held in memory, only the rings.

use std::fmt;
use std::io::Read;

use serde::Deserialize;
use serde::de::{Deserializer, Error as _, IgnoredAny, SeqAccess, Visitor};

use super::coverage::Coverage;
use super::rings::{Land, LandIs, Level, LonLat, Part, ShorelineError};

/// Reads a `FeatureCollection` of polygons.
pub(super) fn read(text: impl Read, land_is: LandIs) -> Result<Land, ShorelineError> {
    let collection: Collection = serde_json::from_reader(text)
        .map_err(|fault| ShorelineError::NotGeoJson(fault.to_string()))?;
    let coverage = collection.bbox.as_deref().map(Coverage::from_bbox).transpose()?;
    let mut land = Land { coverage, ..Land::default() };
    for (index, feature) in collection.features.0.into_iter().enumerate() {
        add_feature(index + 1, feature, land_is, &mut land)?;
    }
    if land.rings.is_empty() {
        return Err(ShorelineError::NoPolygons);
    }
    refuse_outside(&land)?;
    Ok(land)
}

fn add_feature(
    number: usize,
    feature: Polygons,
    land_is: LandIs,
    land: &mut Land,
) -> Result<(), ShorelineError> {
    match feature {
        Polygons::Are(level, polygons) => {
            let island = level == Level::Island;
            let parts = std::iter::once(Part::Outer { island });
            let parts = parts.chain(std::iter::repeat(Part::Hole { island }));
            polygons
                .into_iter()
                .flat_map(|rings| rings.into_iter().zip(parts.clone()))
                .try_for_each(|(ring, part)| land.add(number, ring, part, land_is))
        }
        Polygons::Not(kind) => Err(ShorelineError::NotLand { feature: number, kind }),
        Polygons::ShortPosition => Err(ShorelineError::ShortPosition { feature: number }),
    }
}

/// A `bbox` holds all there is (RFC 7946, 5); positions outside are no positions.
fn refuse_outside(land: &Land) -> Result<(), ShorelineError> {
    let Some(coverage) = land.coverage else { return Ok(()) };
    let mut points = land.rings.iter().flat_map(|ring| &ring.points);
    match points.find(|&&at| !coverage.has_vertex(at)) {
        None => Ok(()),
        Some(&LonLat { lon, lat }) => Err(ShorelineError::OutsideBox { lon, lat }),
    }
}

#[derive(Deserialize)]
struct Collection {
    #[serde(rename = "type")]
    _type: CollectionType,
    bbox: Option<Vec<f64>>,
    features: Features,
}

#[derive(Deserialize)]
enum CollectionType {
    FeatureCollection,
}

/// A feature, made small as soon as it is read.
enum Polygons {
    Are(Level, Vec<Vec<Vec<LonLat>>>),
    Not(&'static str),
    ShortPosition,
}

struct Features(Vec<Polygons>);

impl<'de> Deserialize<'de> for Features {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Each;
        impl<'de> Visitor<'de> for Each {
            type Value = Features;

            fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
                out.write_str("an array of features")
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Features, A::Error> {
                let mut features = Vec::new();
                while let Some(feature) = seq.next_element::<Feature>()? {
                    features.push(feature.polygons().map_err(A::Error::custom)?);
                }
                Ok(Features(features))
            }
        }
        from.deserialize_seq(Each)
    }
}

#[derive(Deserialize)]
struct Feature {
    #[serde(rename = "type")]
    _type: FeatureType,
    geometry: Option<Geometry>,
    properties: Option<Properties>,
}

#[derive(Deserialize)]
enum FeatureType {
    Feature,
}

/// What else a feature tells does not matter, whatever it is.
#[derive(Deserialize)]
struct Properties {
    level: Option<serde_json::Value>,
}

#[derive(Deserialize)]
struct Geometry {
    #[serde(rename = "type")]
    kind: Kind,
    coordinates: Option<Nested>,
}

#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
enum Kind {
    Point,
    MultiPoint,
    LineString,
    MultiLineString,
    Polygon,
    MultiPolygon,
    GeometryCollection,
}

impl Kind {
    fn name(self) -> &'static str {
        match self {
            Kind::Point => "Point",
            Kind::MultiPoint => "MultiPoint",
            Kind::LineString => "LineString",
            Kind::MultiLineString => "MultiLineString",
            Kind::Polygon => "Polygon",
            Kind::MultiPolygon => "MultiPolygon",
            Kind::GeometryCollection => "GeometryCollection",
        }
    }
}

impl Feature {
    fn polygons(self) -> Result<Polygons, String> {
        let level = self.properties.and_then(|properties| properties.level?.as_u64());
        let level = level.and_then(Level::from_number).unwrap_or(Level::Land);
        let Some(Geometry { kind, coordinates }) = self.geometry else {
            return Ok(Polygons::Are(level, Vec::new()));
        };
        if !matches!(kind, Kind::Polygon | Kind::MultiPolygon) {
            return Ok(Polygons::Not(kind.name()));
        }
        match (kind, coordinates) {
            (_, Some(Nested::Short)) => Ok(Polygons::ShortPosition),
            (_, Some(Nested::Empty)) => Ok(Polygons::Are(level, Vec::new())),
            (Kind::Polygon, Some(Nested::Polygon(rings))) => Ok(Polygons::Are(level, vec![rings])),
            (Kind::MultiPolygon, Some(Nested::Multi(polygons))) => {
                Ok(Polygons::Are(level, polygons))
            }
            (kind, _) => Err(format!("a {} without the coordinates of one", kind.name())),
        }
    }
}

/// Coordinates, whatever they are of; their kind may be told only after them.
enum Nested {
    Empty,
    Number(f64),
    /// Somewhere in it is a position of fewer than two numbers.
    Short,
    Position(LonLat),
    Ring(Vec<LonLat>),
    Polygon(Vec<Vec<LonLat>>),
    Multi(Vec<Vec<Vec<LonLat>>>),
}

impl<'de> Deserialize<'de> for Nested {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        from.deserialize_any(NestedVisitor)
    }
}

struct NestedVisitor;

impl<'de> Visitor<'de> for NestedVisitor {
    type Value = Nested;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("coordinates")
    }

    fn visit_f64<E>(self, number: f64) -> Result<Nested, E> {
        Ok(Nested::Number(number))
    }

    fn visit_i64<E>(self, number: i64) -> Result<Nested, E> {
        Ok(Nested::Number(number as f64))
    }

    fn visit_u64<E>(self, number: u64) -> Result<Nested, E> {
        Ok(Nested::Number(number as f64))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Nested, A::Error> {
        let Some(first) = seq.next_element()? else { return Ok(Nested::Empty) };
        if let Nested::Number(lon) = first {
            return position(lon, seq);
        }
        let mut list = first.into_list();
        while let Some(next) = seq.next_element()? {
            list = list.and_next(next).ok_or_else(|| A::Error::custom("mixed coordinates"))?;
        }
        Ok(list)
    }
}

/// Numbers beyond the second (heights) do not matter.
fn position<'de, A: SeqAccess<'de>>(lon: f64, mut seq: A) -> Result<Nested, A::Error> {
    let Some(lat) = seq.next_element()? else { return Ok(Nested::Short) };
    while seq.next_element::<IgnoredAny>()?.is_some() {}
    Ok(Nested::Position(LonLat { lon, lat }))
}

impl Nested {
    /// The list that begins with this. An empty one is taken for a ring.
    fn into_list(self) -> Nested {
        match self {
            Nested::Position(position) => Nested::Ring(vec![position]),
            Nested::Ring(ring) => Nested::Polygon(vec![ring]),
            Nested::Empty => Nested::Polygon(vec![Vec::new()]),
            Nested::Polygon(polygon) => Nested::Multi(vec![polygon]),
            other @ (Nested::Multi(_) | Nested::Short | Nested::Number(_)) => other,
        }
    }

    /// The list with one more in it; `None` if that is of another kind.
    fn and_next(mut self, next: Nested) -> Option<Nested> {
        match (&mut self, next) {
            (_, Nested::Short) | (Nested::Short, _) => return Some(Nested::Short),
            (Nested::Ring(ring), Nested::Position(position)) => ring.push(position),
            (Nested::Polygon(polygon), Nested::Ring(ring)) => polygon.push(ring),
            (Nested::Polygon(polygon), Nested::Empty) => polygon.push(Vec::new()),
            (Nested::Multi(multi), Nested::Polygon(polygon)) => multi.push(polygon),
            _ => return None,
        }
        Some(self)
    }
}
