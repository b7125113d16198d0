//! Packs: the same answers as the data they were made of, and a plain refusal of what is no pack.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::{Path, PathBuf};

use indicatif::ProgressBar;
use shorelamp::measure::Position;
use shorelamp::packs::{self, Covers, ImportError, OpenError, Source};
use shorelamp::shoreline::{
    About, LandIs, Level, PackError, Packed, Shoreline, Shorelines, judge_route,
};
use tempfile::TempDir;
use xxhash_rust::xxh3::xxh3_64;

fn geo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/geo").join(name)
}

fn read(file: PathBuf, land_is: LandIs, covers: Option<Covers>) -> Result<Packed, ImportError> {
    let source = Source { files: &[file], land_is, covers };
    let land = packs::read_land(&source, &ProgressBar::hidden())?;
    assert_eq!(land.crossings().count, 0);
    Ok(Packed::of_land(&land).unwrap())
}

fn about(name: &str) -> About {
    About { name: name.to_owned(), accuracy_m: 250.0, ..About::default() }
}

/// A pack of the file, and the file itself.
fn both(folder: &TempDir, name: &str) -> (PathBuf, Shoreline, Shoreline) {
    let file = geo(&format!("shoreline/{name}.geojson"));
    let source =
        Source { files: std::slice::from_ref(&file), land_is: LandIs::Inside, covers: None };
    let land = packs::read_land(&source, &ProgressBar::hidden()).unwrap();
    let about = About { coverage: land.coverage(), ..about(name) };
    let pack = folder.path().join(format!("{name}.pack"));
    packs::write(&pack, &Packed::of_land(&land).unwrap(), &about).unwrap();
    let opened = packs::open(&pack, 1.0).unwrap();
    (pack, opened, packs::open(&file, 250.0).unwrap())
}

/// All 400 random points and all routes, number by number.
#[test]
fn a_pack_answers_as_the_geojson_does() {
    let folder = TempDir::new().unwrap();
    let points = fs::read_to_string(geo("reference_dense.csv")).unwrap();
    let reference = fs::read_to_string(geo("reference.json")).unwrap();
    let reference: serde_json::Value = serde_json::from_str(&reference).unwrap();
    let mut compared = 0;
    for name in ["champlain", "loch_ness", "salish", "sognefjord", "superior", "taveuni"] {
        let (_, packed, plain) = both(&folder, name);
        assert_eq!(packed.coverage(), plain.coverage());
        for line in points.lines().filter(|line| line.starts_with(name)) {
            let fields: Vec<&str> = line.split(',').collect();
            let [lon, lat] = [1, 2].map(|at| fields[at].parse::<f64>().unwrap());
            let at = Position::new(lat, lon).unwrap();
            assert_eq!(packed.nearest(at), plain.nearest(at));
            compared += 1;
        }
        let shores = [packed, plain].map(|shoreline| Shorelines::new(vec![shoreline]));
        for route in reference["routes"].as_array().unwrap() {
            if route["shoreline"] != format!("shoreline/{name}.geojson") {
                continue;
            }
            let places: Vec<Position> = route["coordinates"]
                .as_array()
                .unwrap()
                .iter()
                .map(|at| Position::new(at[1].as_f64().unwrap(), at[0].as_f64().unwrap()).unwrap())
                .collect();
            assert_eq!(judge_route(&shores[0], &places), judge_route(&shores[1], &places));
            compared += 1;
        }
    }
    assert_eq!(compared, 413);
}

#[test]
fn what_is_said_of_the_data_is_kept() {
    let folder = TempDir::new().unwrap();
    let (pack, ..) = both(&folder, "loch_ness");
    let source = [geo("shoreline/loch_ness.geojson")];
    let source = Source { files: &source, land_is: LandIs::Inside, covers: None };
    let land = packs::read_land(&source, &ProgressBar::hidden()).unwrap();
    let told = About {
        licence: "ODbL 1.0".to_owned(),
        attribution: "© everyone who surveyed it".to_owned(),
        lake_accuracy_m: Some(1300.0),
        coverage: land.coverage(),
        ..about("a loch")
    };
    packs::write(&pack, &Packed::of_land(&land).unwrap(), &told).unwrap();
    let opened = packs::open(&pack, 1.0).unwrap();
    assert_eq!(opened.about(), &told);
    let nearest = opened.nearest(Position::new(57.327, -4.42).unwrap()).unwrap();
    assert_eq!((nearest.level, nearest.accuracy_m), (Level::Lake, 1300.0));
    assert_eq!(nearest.at_most_m(), nearest.distance_m + 1300.0);
}

/// A bit turned over anywhere, and a file cut short anywhere.
#[test]
fn a_damaged_pack_is_refused() {
    let folder = TempDir::new().unwrap();
    let (pack, ..) = both(&folder, "champlain");
    let whole = fs::read(&pack).unwrap();
    let refusal = |bytes: &[u8]| {
        let damaged = folder.path().join("damaged.pack");
        fs::write(&damaged, bytes).unwrap();
        packs::open(&damaged, 1.0).map(|_| ()).unwrap_err()
    };
    for at in (8..256).chain((256..whole.len()).step_by(97)) {
        // Bytes 28 to 32 and 56 to 64 say nothing, but only the first four are summed up.
        if (56..64).contains(&at) {
            continue;
        }
        let mut bytes = whole.clone();
        bytes[at] ^= 0x10;
        let fault = refusal(&bytes);
        assert!(matches!(fault, OpenError::Pack { .. }), "{at}: {fault}");
    }
    for length in (8..whole.len()).step_by(101) {
        let fault = refusal(&whole[..length]);
        assert!(matches!(fault, OpenError::Pack { .. }), "{length}: {fault}");
    }
    let longer = refusal(&[&whole[..], b" "].concat()).to_string();
    assert!(longer.contains("not copied whole"), "{longer}");
    let mut newer = whole.clone();
    newer[8] = 2;
    let OpenError::Pack { why, .. } = refusal(&newer) else { panic!() };
    assert_eq!(why, PackError::OtherVersion { found: 2 });
    for foreign in [&b""[..], b"\x89PNG\r\n\x1a\n and so on", b"{}"] {
        let fault = refusal(foreign);
        assert!(
            matches!(fault, OpenError::GeoJson { .. } | OpenError::Unreadable { .. }),
            "{fault}"
        );
    }
}

#[test]
fn a_pack_replaced_while_it_is_open_does_no_harm() {
    let folder = TempDir::new().unwrap();
    let (pack, opened, plain) = both(&folder, "champlain");
    let at = Position::new(44.5, -73.33).unwrap();
    let (other, ..) = both(&folder, "superior");
    let source = Source {
        files: &[geo("shoreline/superior.geojson")],
        land_is: LandIs::Inside,
        covers: None,
    };
    let land = packs::read_land(&source, &ProgressBar::hidden()).unwrap();
    let superior = About { coverage: land.coverage(), ..about("superior") };
    packs::write(&pack, &Packed::of_land(&land).unwrap(), &superior).unwrap();
    assert_eq!(opened.nearest(at), plain.nearest(at));
    opened.verify().unwrap();
    assert_eq!(fs::read(&pack).unwrap(), fs::read(&other).unwrap());
    let left: Vec<_> = fs::read_dir(folder.path()).unwrap().map(|it| it.unwrap().path()).collect();
    assert!(left.iter().all(|path| path.extension() == Some("pack".as_ref())), "{left:?}");
}

/// The same lake, as pyshp wrote it.
#[test]
fn a_shapefile_answers_as_the_geojson_does() {
    let shapefile = geo("import/champlain.shp");
    let needs_box = read(shapefile.clone(), LandIs::Inside, None).unwrap_err();
    assert!(matches!(needs_box, ImportError::CoversWhat(_)), "{needs_box}");
    let plain = packs::open(&geo("shoreline/champlain.geojson"), 250.0).unwrap();
    let [west, south, east, north] = plain.coverage().unwrap().bbox();
    let covers: Covers = format!("{west},{south},{east},{north}").parse().unwrap();
    let source = Source { files: &[shapefile], land_is: LandIs::Inside, covers: Some(covers) };
    let land = packs::read_land(&source, &ProgressBar::hidden()).unwrap();
    let imported = Shoreline::from_land(&land, about("")).unwrap();
    assert_eq!(imported.edges(), plain.edges());
    for step in 0..400 {
        let share = |of: i32| (f64::from(of) + 0.5) / 20.0;
        let (lat, lon) =
            (south + (north - south) * share(step / 20), west + (east - west) * share(step % 20));
        let at = Position::new(lat, lon).unwrap();
        let (a, b) = (imported.nearest(at).unwrap(), plain.nearest(at).unwrap());
        assert!((a.distance_m - b.distance_m).abs() < 1e-6 && a.on_land == b.on_land, "{at}");
    }
}

#[test]
fn a_projected_shapefile_is_refused() {
    let folder = TempDir::new().unwrap();
    let shapefile = folder.path().join("coast.shp");
    fs::copy(geo("import/champlain.shp"), &shapefile).unwrap();
    fs::write(shapefile.with_extension("prj"), r#"PROJCS["NAD83 / UTM zone 18N",GEOGCS["NAD83"]]"#)
        .unwrap();
    let refused = read(shapefile, LandIs::Inside, Some(Covers::Earth)).unwrap_err().to_string();
    assert!(refused.contains("NAD83 / UTM zone 18N"), "{refused}");
}

/// A lake of water polygons with an island: the land is outside.
#[test]
fn water_polygons() {
    let folder = TempDir::new().unwrap();
    let lake = folder.path().join("lake.geojson");
    let ring = |half: f64| {
        format!(
            "[[-{half},-{half}],[{half},-{half}],[{half},{half}],[-{half},{half}],[-{half},-{half}]]"
        )
    };
    let polygon = format!(
        r#"{{"type":"FeatureCollection","features":[{{"type":"Feature","properties":{{}},"geometry":{{"coordinates":[{},{}],"type":"Polygon"}}}}]}}"#,
        ring(1.0),
        ring(0.1)
    );
    fs::write(&lake, polygon).unwrap();
    let source = Source { files: &[lake], land_is: LandIs::Outside, covers: None };
    let land = packs::read_land(&source, &ProgressBar::hidden()).unwrap();
    let shoreline = Shoreline::from_land(&land, about("")).unwrap();
    for (lon, on_land, level) in [
        (0.0, true, Level::Island),
        (0.2, false, Level::Island),
        (0.9, false, Level::Lake),
        (1.1, true, Level::Lake),
    ] {
        let nearest = shoreline.nearest(Position::new(0.0, lon).unwrap()).unwrap();
        assert_eq!((nearest.on_land, nearest.level), (on_land, level), "{lon}");
    }
}

/// Two tiles of one island, as large data sets are cut: the cut is no shore.
#[test]
fn tiles_have_no_shore_between_them() {
    let folder = TempDir::new().unwrap();
    let tile = |west: f64, east: f64| {
        format!(
            r#"{{"type":"Feature","properties":{{}},"geometry":{{"type":"Polygon","coordinates":[[[{west},0],[{east},0],[{east},2],[{west},2],[{west},0]]]}}}}"#
        )
    };
    let file = folder.path().join("tiles.geojson");
    let text = format!(
        r#"{{"type":"FeatureCollection","features":[{},{}]}}"#,
        tile(0.0, 1.0),
        tile(1.0, 2.0)
    );
    fs::write(&file, text).unwrap();
    let shoreline = packs::open(&file, 1.0).unwrap();
    let middle = shoreline.nearest(Position::new(1.0, 1.0).unwrap()).unwrap();
    assert!(middle.on_land && middle.distance_m > 110_000.0, "{middle:?}");
}

/// Rings of the raw kind: an island, a lake in it, an island in that, and the ice front; the rock
/// behind it is left out.
#[test]
fn raw_rings() {
    let folder = TempDir::new().unwrap();
    let (mut table, mut positions) = (String::new(), Vec::new());
    let mut add = |level: u8, half: f32, lat: f32| {
        let ring = [(-half, -half), (half, -half), (half, half), (-half, half), (-half, -half)];
        let offset = positions.len();
        for (east, north) in ring {
            positions.extend_from_slice(&east.to_le_bytes());
            positions.extend_from_slice(&(lat + north).to_le_bytes());
        }
        table += &format!("{level} 1.0 5 0.0 1.0 {offset} 40 {level}\n");
    };
    for (level, half, lat) in
        [(1, 4.0, 0.0), (2, 3.0, 0.0), (3, 2.0, 0.0), (5, 4.0, -80.0), (6, 3.0, -80.0)]
    {
        add(level, half, lat);
    }
    let file = folder.path().join("gshhs_f.dat");
    fs::write(&file, &positions).unwrap();
    let missing = read(file.clone(), LandIs::Inside, None).unwrap_err().to_string();
    assert!(missing.contains("gshhsmeta_f.dat"), "{missing}");
    fs::write(folder.path().join("gshhsmeta_f.dat"), &table).unwrap();
    let source =
        Source { files: std::slice::from_ref(&file), land_is: LandIs::Inside, covers: None };
    let land = packs::read_land(&source, &ProgressBar::hidden()).unwrap();
    assert_eq!(land.edges(), 16);
    let shoreline = Shoreline::from_land(&land, about("")).unwrap();
    for (lat, on_land) in [(0.0, true), (2.5, false), (3.5, true), (4.5, false), (-80.0, true)] {
        let nearest = shoreline.nearest(Position::new(lat, 0.0).unwrap()).unwrap();
        assert_eq!(nearest.on_land, on_land, "{lat}");
    }
    fs::write(&file, &positions[..positions.len() - 48]).unwrap();
    let cut = read(file, LandIs::Inside, None).unwrap_err().to_string();
    assert!(cut.contains("beyond the end"), "{cut}");
}

#[test]
fn swapped_coordinates_lie_outside_their_box() {
    let text = r#"{"type":"FeatureCollection","bbox":[-5,57,-4,58],"features":[{"type":"Feature","properties":{},"geometry":{"type":"Polygon","coordinates":[[[57.1,-4.5],[57.2,-4.5],[57.2,-4.4],[57.1,-4.5]]]}}]}"#;
    let fault = Shoreline::from_geojson(text, 1.0).unwrap_err().to_string();
    assert!(fault.contains("swapped"), "{fault}");
}

/// Packs that sum up and yet are nonsense, as nobody but an enemy would write them: whatever they
/// answer, they answer.
#[test]
fn nonsense_in_a_pack_does_not_stop_the_program() {
    let folder = TempDir::new().unwrap();
    let (pack, ..) = both(&folder, "champlain");
    let whole = fs::read(&pack).unwrap();
    let arrays = 64 + u32::from_le_bytes(whole[12..16].try_into().unwrap()) as usize;
    let places: Vec<Position> = [(44.5, -73.33), (44.4, -73.3), (44.0, -73.4)]
        .map(|(lat, lon)| Position::new(lat, lon).unwrap())
        .into();
    let mut random = 20_260_601u64;
    let mut next = || {
        random =
            random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (random >> 33) as usize
    };
    let mut opened = 0;
    for _ in 0..300 {
        let mut bytes = whole.clone();
        for _ in 0..1 + next() % 40 {
            let at = arrays + next() % (bytes.len() - arrays);
            bytes[at] = next() as u8;
        }
        // Now and then also in the counts of the head.
        if next() % 8 == 0 {
            bytes[16 + next() % 12] = next() as u8;
        }
        sum_up(&mut bytes, arrays);
        let nonsense = folder.path().join("nonsense.pack");
        fs::write(&nonsense, &bytes).unwrap();
        let Ok(shoreline) = packs::open(&nonsense, 1.0) else { continue };
        opened += 1;
        for at in &places {
            let _ = shoreline.nearest(*at);
        }
        drop(shoreline.lines_within(places[0], 20_000.0));
        let shores = Shorelines::new(vec![shoreline]);
        drop(judge_route(&shores, &places[..2]));
    }
    assert!(opened > 200, "{opened}");
}

/// Writes the checksums anew; `arrays` is where the arrays begin.
fn sum_up(bytes: &mut [u8], arrays: usize) {
    let sum = xxh3_64(&bytes[arrays..]);
    bytes[40..48].copy_from_slice(&sum.to_le_bytes());
    let head = xxh3_64(&[&bytes[..48], &bytes[64..arrays]].concat());
    bytes[48..56].copy_from_slice(&head.to_le_bytes());
}
